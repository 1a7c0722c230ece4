"""Which frame of a clip a still shows, by a stated rule, and how typical that frame is of its clip."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from viewer.cv import cv2
from viewer.errors import SeekError
from viewer.session.model import Clip, FrameRule, Session

if TYPE_CHECKING:
    from viewer.media import ClipReader

AROUND_S = 0.75
MEAN_S = 1.0
MOST_FRAMES = 240

RULES: dict[FrameRule, str] = {
    "scene_time": "frame at the chosen scene time",
    "sharpest_typical": "sharpest frame of middling brightness",
    "mean_over_beats": "mean over whole beat periods of the modulation",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """What was taken from a clip.

    ``numbers`` are the frames (one, or those that were averaged), ``clip_s`` and ``scene_s`` the time of the first, ``last_s``
    the clip's time of the last.
    ``level_percentile`` and ``sharpness_percentile`` say where the frame stands among ``of_frames`` frames around it.
    """

    numbers: tuple[int, ...]
    clip_s: float
    scene_s: float
    rule: FrameRule
    words: str
    level_percentile: float | None = None
    sharpness_percentile: float | None = None
    of_frames: int = 0
    remark: str = ""
    last_s: float | None = None


@dataclass(frozen=True, slots=True)
class _Series:
    first: int
    level: np.ndarray
    sharpness: np.ndarray


class _Sum:
    """Adds up the light of wanted frames as they come by."""

    def __init__(self, numbers: tuple[int, ...]) -> None:
        self.wanted = frozenset(numbers)
        self._light: Any = None
        self._clipped: Any = None
        self._count = 0

    def take(self, frame: Any) -> None:
        """Add a frame if it is wanted."""
        if frame.number not in self.wanted:
            return
        picture = frame.rgb()
        if self._light is None:
            self._light, self._clipped = picture.light, picture.clipped
        else:
            if self._count == 1:
                self._light = self._light.astype(np.float64)
            self._light += picture.light
            self._clipped = self._clipped | picture.clipped
        self._count += 1

    def mean(self, *, some: bool = False) -> tuple[np.ndarray, np.ndarray] | None:
        """Return mean light and all clipped pixels; None if a wanted frame did not come (any, or all if `some` do)."""
        if self._light is None or (self._count < len(self.wanted) and not some):
            return None
        return (self._light / self._count).astype(np.float32) if self._count > 1 else self._light, self._clipped


def read_moment(
    clip: ClipReader,
    entry: Clip,
    session: Session,
    *,
    scene_s: float,
    rule: FrameRule,
    cancelled: Callable[[], bool] | None = None,
) -> tuple[Moment, np.ndarray, np.ndarray]:
    """Choose the frame or frames of a clip by `rule`, find how typical it is, and read it; decodes once where it can.

    Returns
    -------
    moment, light, clipped : Moment, ndarray (h, w, 3) float32, ndarray (h, w) bool
        Several frames are averaged in linear light; a pixel is clipped if it was in any of them.
    """
    wanted = entry.clock.clip_time(scene_s) if entry.clock else scene_s
    centre, remark = _number_near(clip, wanted)
    if entry.clock is None and session.scene(entry.scene).common_time and len(session.clips_of(entry.scene)) > 1:
        reference = session.reference_of(entry.scene)
        if reference is not None and reference.id != entry.id:
            remark = remark or "not lined up in time"
    numbers, words = _beat_frames(clip, entry, session, centre) if rule == "mean_over_beats" else ((centre,), RULES[rule])
    light = _Sum(numbers if rule != "sharpest_typical" else ())
    series = _look(clip, entry, centre, light, cancelled)
    if rule == "sharpest_typical":
        numbers = (_sharpest(series, centre),)
    time_s = float(clip.index.times_s[numbers[0]])
    level, sharp = _percentiles(series, numbers)
    moment = Moment(
        numbers=numbers,
        clip_s=time_s,
        scene_s=entry.clock.scene_time(time_s) if entry.clock else time_s,
        rule=rule,
        words=words,
        level_percentile=level,
        sharpness_percentile=sharp,
        of_frames=len(series.level),
        remark=remark,
        last_s=float(clip.index.times_s[numbers[-1]]),
    )
    return moment, *(light.mean() or light_of(clip, moment, cancelled=cancelled))


def _number_near(clip: ClipReader, time_s: float) -> tuple[int, str]:
    try:
        return clip.index.number_at(time_s), ""
    except SeekError:
        times = clip.index.times_s
        late = time_s > float(times[0])
        return (len(clip.index) - 1 if late else 0), "the scene time lies outside this clip: its nearest frame is shown"


def _box(clip: ClipReader, entry: Clip) -> tuple[int, int, int, int]:
    """Return the inner square of the field circle, or the whole picture, as (x, y, w, h)."""
    width, height = clip.info.width, clip.info.height
    if entry.circle is None:
        return 0, 0, width, height
    reach = 0.7 * entry.circle.radius
    x0, y0 = max(0, int(entry.circle.cx - reach)), max(0, int(entry.circle.cy - reach))
    x1, y1 = min(width, int(entry.circle.cx + reach) + 1), min(height, int(entry.circle.cy + reach) + 1)
    return (x0, y0, x1 - x0, y1 - y0) if x1 - x0 > 8 and y1 - y0 > 8 else (0, 0, width, height)


def _look(clip: ClipReader, entry: Clip, centre: int, keep: _Sum, cancelled: Callable[[], bool] | None) -> _Series:
    """Return level and sharpness of the frames around `centre` (code values: only their order is used)."""
    times = clip.index.times_s
    first = int(np.searchsorted(times, times[centre] - AROUND_S))
    last = int(np.searchsorted(times, times[centre] + AROUND_S, side="right"))
    if last - first > MOST_FRAMES:
        first, last = max(first, centre - MOST_FRAMES // 2), min(last, centre + MOST_FRAMES // 2)
    box = _box(clip, entry)
    level, sharp = [], []
    for frame in clip.frames(first, last, cancelled=cancelled):
        keep.take(frame)
        luma = frame.luma(box)
        half = (max(8, luma.shape[1] // 2), max(8, luma.shape[0] // 2))
        small = cv2.resize(np.ascontiguousarray(luma), half, interpolation=cv2.INTER_AREA).astype(np.float32)
        level.append(float(luma.mean()))
        spread = cv2.meanStdDev(cv2.Laplacian(small, cv2.CV_32F))[1]
        sharp.append(float(spread[0, 0]) ** 2)
    return _Series(first, np.array(level), np.array(sharp))


def _sharpest(series: _Series, centre: int) -> int:
    if not len(series.level):
        return centre
    low, high = np.percentile(series.level, [25, 75])
    middling = (series.level >= low) & (series.level <= high)
    return series.first + int(np.argmax(np.where(middling, series.sharpness, -np.inf)))


def _percentiles(series: _Series, numbers: tuple[int, ...]) -> tuple[float | None, float | None]:
    """Return the percentiles of the frame; None for a mean or a series too short to place it."""
    place = numbers[0] - series.first
    if len(numbers) > 1 or len(series.level) < 5 or not 0 <= place < len(series.level):
        return None, None

    def rank(values: np.ndarray) -> float:
        below, same = (values < values[place]).sum(), (values == values[place]).sum()
        return float(100.0 * (below + 0.5 * same) / len(values))

    return rank(series.level), rank(series.sharpness)


def _beat_frames(clip: ClipReader, entry: Clip, session: Session, centre: int) -> tuple[tuple[int, ...], str]:
    """Return the frames of whole beat periods about `centre`, at most about a second."""
    rate, total = float(clip.info.average_rate), len(clip.index)
    most = max(1, min(total, round(MEAN_S * rate)))
    found = [
        float(reading.value)
        for reading in session.readings
        if reading.clip == entry.id and reading.name == "alias_frequency" and reading.value
    ]
    beats = sorted({beat for beat in found if rate / beat <= most}, reverse=True)
    count, words = most, f"mean of {most} frames (no beat is known for this clip)"
    if beats:
        count = whole_periods(beats, rate, most)
        words = f"mean of {count} frames, whole periods of {' and '.join(f'{beat:.3g}' for beat in beats)} Hz"
    first = max(0, min(total - count, centre - count // 2))
    return tuple(range(first, first + count)), words


def whole_periods(beats: Sequence[float], rate: float, most: int) -> int:
    """Return the number of frames, up to `most`, that holds whole periods of all beats (Hz) as nearly as can be.

    Of counts that are as good to a twentieth of a period the largest is taken: it averages most noise away.
    """
    counts = np.arange(max(1, int(np.ceil(rate / min(beats) - 1e-9))), most + 1)
    turns = np.outer(np.asarray(beats) / rate, counts)
    off = np.abs(turns - np.round(turns)).max(axis=0)
    return int(counts[off <= off.min() + 0.05].max())


def light_of(clip: ClipReader, moment: Moment, *, cancelled: Callable[[], bool] | None = None) -> tuple[np.ndarray, np.ndarray]:
    """Return linear light (h, w, 3) and clip mask (h, w) of a moment; several frames are averaged in light."""
    light = _Sum(moment.numbers)
    for frame in clip.frames(moment.numbers[0], moment.numbers[-1] + 1, cancelled=cancelled):
        light.take(frame)
    found = light.mean(some=True)
    if found is None:
        raise SeekError("a frame of the still does not decode.", where=clip.info.path.name, hint="Choose another moment.")
    return found


__all__ = ["RULES", "Moment", "light_of", "read_moment", "whole_periods"]

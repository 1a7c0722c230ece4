"""One pass over a clip for lining it up: its mean picture, light level band by band, small pictures, sound."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from viewer.align.circle import fit_field_circle
from viewer.align.picture import Picture
from viewer.align.stability import Follower
from viewer.align.steps import LightSeries
from viewer.align.track import Track, track
from viewer.align.transform import FieldCircle
from viewer.cv import cv2
from viewer.errors import Cancelled, MediaError
from viewer.media.light import to_linear

if TYPE_CHECKING:
    from viewer.media.frame import Frame
    from viewer.media.reader import ClipReader

Progress = Callable[[int, int], None] | None
Stop = Callable[[], bool] | None

MOST_PICTURES = 48
MOST_FRAMES = 5400
BANDS = 40
THUMB = (48, 27)
_KEPT = 6


@dataclass(frozen=True, kw_only=True, eq=False)
class ClipView:
    """What is needed of a clip to line it up.

    ``moved_px`` is how far (rms) the camera moved: its frames are then laid over each other, the first one's place kept.
    ``series`` covers the first `MOST_FRAMES` frames; ``thumbs`` are small pictures in logarithmic light, one a frame of it.
    """

    name: str
    picture: Picture
    series: LightSeries
    thumbs: np.ndarray
    sound: Track | None
    pictures: int
    whole: bool
    moved_px: float = 0.0

    @property
    def circle(self) -> FieldCircle | None:
        """The field circle of the mean picture."""
        return self.picture.circle


_views: OrderedDict[tuple[object, ...], ClipView] = OrderedDict()
_lock = threading.Lock()


def view_clip(clip: ClipReader, *, progress: Progress = None, cancelled: Stop = None) -> ClipView:
    """Decode a clip once and return its view; views of the last few clips are kept.

    Raises
    ------
    MediaError
        If no frame decodes.
    """
    spec = clip.setting.spec
    key = (clip.info.sha256, tuple(str(path) for path in clip.info.parts), str(spec), clip.info.path.name)
    with _lock:
        if key in _views:
            _views.move_to_end(key)
            return _views[key]
    made = _gather(clip, progress, cancelled)
    with _lock:
        _views[key] = made
        while len(_views) > _KEPT:
            _views.popitem(last=False)
    return made


def _gather(clip: ClipReader, progress: Progress, cancelled: Stop) -> ClipView:
    total = len(clip.index)
    stop = min(total, MOST_FRAMES)
    wanted = {int(n) for n in np.linspace(0, stop - 1, min(stop, MOST_PICTURES))}
    pile = _Pile()
    table = _luma_table(clip)
    times: list[float] = []
    bands: list[tuple[np.ndarray, np.ndarray]] = []
    thumbs: list[np.ndarray] = []
    for frame in clip.frames(0, stop, progress=progress, cancelled=cancelled):
        if frame.damaged:
            continue
        times.append(frame.time_s)
        small = _small(frame, table)
        bands.append((_bands(small, 1), _bands(small, 0)))
        thumbs.append(_thumb(small))
        if frame.number in wanted:
            pile.add(frame)
    # A long clip's end counts for the picture too.
    for number in np.linspace(stop, total - 1, 12).astype(int) if total > stop else ():
        if cancelled and cancelled():
            raise Cancelled
        pile.add(clip.frame(int(number)))
    if not times or pile.count == 0:
        raise MediaError("no frame could be decoded.", where=clip.info.path.name)
    picture = pile.picture()
    sound = clip.sound(cancelled=cancelled) if clip.info.has_sound else None
    return ClipView(
        name=clip.info.path.name,
        picture=picture,
        series=LightSeries(
            time_s=np.array(times),
            rows=np.array([rows for rows, _ in bands]),
            columns=np.array([columns for _, columns in bands]),
            size=(clip.info.width, clip.info.height),
        ),
        thumbs=np.array(thumbs, np.float16),
        sound=track(sound.samples, sound.rate_hz, sound.start_s) if sound is not None and len(sound.samples) else None,
        pictures=pile.count,
        whole=total <= stop,
        moved_px=pile.moved_px,
    )


class _Pile:
    """Adds up frames in linear light, in two halves, laid over each other where the camera moved."""

    def __init__(self) -> None:
        self.count = 0
        self._sums: list[np.ndarray] = []
        self._as_filmed: np.ndarray | None = None
        self._clipped: np.ndarray | None = None
        self._follower: Follower | None = None
        self.shifts: list[tuple[float, float]] = []

    def add(self, frame: Frame) -> None:
        made = frame.luminance()
        if self._clipped is None:
            self._sums = [np.zeros(made.light.shape, np.float32) for _ in range(2)]
            self._clipped = np.zeros(made.light.shape, np.uint16)
        shift, light = self._laid_over(made.light)
        if self._as_filmed is None and shift != (0.0, 0.0):
            self._as_filmed = self._sums[0] + self._sums[1]
        if self._as_filmed is not None:
            self._as_filmed += made.light
        self._sums[self.count % 2] += light
        self._clipped += made.clipped
        self.shifts.append(shift)
        self.count += 1

    def _laid_over(self, light: np.ndarray) -> tuple[tuple[float, float], np.ndarray]:
        """The frame's shift, zero unless it stands clear of its error, and the frame brought back by it."""
        step = max(1.0, max(light.shape) / 240.0)
        size = (max(24, round(light.shape[1] / step)), max(24, round(light.shape[0] / step)))
        small = cv2.resize(light, size, interpolation=cv2.INTER_AREA)
        bright = 0.1 * float(np.percentile(small, 90))
        log = np.log(np.maximum(small, 0.0) + bright + 1e-9)
        if self._follower is None:
            inside = cv2.GaussianBlur(small, (0, 0), 4.0) > 2.0 * bright
            self._follower = Follower(log, inside if inside.mean() > 0.05 else None, scale=step)
            return (0.0, 0.0), light
        shift, sigma = self._follower.shift(log)
        size_px = float(np.hypot(*shift))
        if not max(0.6, 4.0 * sigma, 0.12 * step) < size_px < 0.1 * max(light.shape):
            return (0.0, 0.0), light
        matrix = np.array([[1.0, 0.0, shift[0]], [0.0, 1.0, shift[1]]])
        moved = cv2.warpAffine(
            light, matrix, light.shape[::-1], flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE
        )
        return (float(shift[0]), float(shift[1])), np.asarray(moved)

    def picture(self) -> Picture:
        """The mean, its halves, and its circle: of the laid-over frames, or as filmed if the stop stood still."""
        assert self._clipped is not None
        light = (self._sums[0] + self._sums[1]) / self.count
        halves = None
        if self.count >= 2:
            first = (self.count + 1) // 2
            halves = (self._sums[0] / first, self._sums[1] / (self.count - first))
        circle = fit_field_circle(light)
        if self._as_filmed is not None:
            other = fit_field_circle(self._as_filmed / self.count)
            if other is not None and (circle is None or (other.residual_px or 0.0) < (circle.residual_px or 0.0)):
                circle = other
        return Picture(light=light, clipped=self._clipped > 0.5 * self.count, halves=halves, circle=circle)

    @property
    def moved_px(self) -> float:
        """Rms of the frames' shifts about their middle; 0 where the camera stood still."""
        shifts = np.array(self.shifts)
        if not np.any(shifts):
            return 0.0
        return float(np.sqrt(((shifts - np.median(shifts, axis=0)) ** 2).sum(axis=1).mean()))


def _luma_table(clip: ClipReader) -> np.ndarray:
    """Linear light of every luma code as if it were grey: right in time, near enough in size."""
    bits = clip.info.bit_depth
    code = np.arange(2 ** max(bits, 8), dtype=np.float64)
    unit = 2.0 ** (bits - 8)
    signal = (code - 16 * unit) / (219 * unit) if clip.info.range in ("narrow", "limited", "tv") else code / (2.0**bits - 1)
    return np.asarray(to_linear(clip.info.transfer, signal), np.float32)


def _small(frame: Frame, table: np.ndarray) -> np.ndarray:
    """The frame in linear light, every few pixels."""
    luma = frame.luma()
    step = max(1, min(luma.shape) // 180)
    return np.asarray(table[np.minimum(luma[step // 2 :: step, step // 2 :: step], len(table) - 1)])


def _bands(small: np.ndarray, axis: int) -> np.ndarray:
    """Mean of bands of rows (axis 1 is averaged) or of columns."""
    line = small.mean(axis=axis, dtype=np.float64)
    edges = np.linspace(0, len(line), min(BANDS, len(line)) + 1).astype(int)
    return np.asarray(np.add.reduceat(line, edges[:-1]) / np.diff(edges))


def _thumb(small: np.ndarray) -> np.ndarray:
    made = cv2.resize(small, THUMB, interpolation=cv2.INTER_AREA)
    return np.asarray(np.log(np.maximum(made, 0) + 0.05 * float(made.mean()) + 1e-7), np.float16)


__all__ = ["BANDS", "MOST_FRAMES", "ClipView", "view_clip"]

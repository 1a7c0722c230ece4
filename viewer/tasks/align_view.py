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
from viewer.align.sound import Track, track
from viewer.align.steps import LightSeries
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

    ``series`` covers the first `MOST_FRAMES` frames; ``thumbs`` are small pictures in logarithmic light, one a frame of it.
    """

    name: str
    picture: Picture
    series: LightSeries
    thumbs: np.ndarray
    sound: Track | None
    pictures: int
    whole: bool

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
    )


class _Pile:
    """Adds up frames in linear light, in two halves."""

    def __init__(self) -> None:
        self.count = 0
        self._sums: list[np.ndarray] = []
        self._clipped: np.ndarray | None = None

    def add(self, frame: Frame) -> None:
        made = frame.luminance()
        if not self._sums:
            self._sums = [np.zeros(made.light.shape, np.float32) for _ in range(2)]
            self._clipped = np.zeros(made.light.shape, np.uint16)
        self._sums[self.count % 2] += made.light
        assert self._clipped is not None
        self._clipped += made.clipped
        self.count += 1

    def picture(self) -> Picture:
        """The mean, its halves, and its circle."""
        assert self._clipped is not None
        light = (self._sums[0] + self._sums[1]) / self.count
        halves = None
        if self.count >= 2:
            first = (self.count + 1) // 2
            halves = (self._sums[0] / first, self._sums[1] / (self.count - first))
        return Picture(light=light, clipped=self._clipped > 0.5 * self.count, halves=halves, circle=fit_field_circle(light))


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

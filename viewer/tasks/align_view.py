"""One pass over a clip for lining it up: its mean picture, light level band by band, small pictures, sound."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from viewer.align.circle import fit_field_circle
from viewer.align.picture import Picture, reliability
from viewer.align.stability import Follower, ShiftTrack
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
_LOOK_AT = 6  # after so many pictures it is known whether noise asks for all of them
_QUIET, _SILENT = 0.97, 0.995


@dataclass(frozen=True, kw_only=True, eq=False)
class ClipView:
    """What is needed of a clip to line it up.

    ``moved_px`` is how far (rms) the camera moved: its frames are then laid over each other, the first one's place kept.
    ``circle_follows`` tells whether the field circle moved with the scene.  ``series`` covers the first `MOST_FRAMES` frames;
    ``thumbs`` are small pictures in logarithmic light, one a frame of it.
    """

    name: str
    picture: Picture
    series: LightSeries
    thumbs: np.ndarray
    sound: Track | None
    pictures: int
    whole: bool
    moved_px: float = 0.0
    circle_follows: bool = False

    @property
    def circle(self) -> FieldCircle | None:
        """The field circle of the mean picture."""
        return self.picture.circle


class _Kept:
    """The views of the last few clips; a clip that is being looked at is not looked at twice."""

    def __init__(self) -> None:
        self._views: OrderedDict[tuple[object, ...], ClipView] = OrderedDict()
        self._lock = threading.Lock()
        self._busy: dict[tuple[object, ...], threading.Lock] = {}

    def get(self, key: tuple[object, ...], make: Callable[[], ClipView]) -> ClipView:
        with self._lock:
            busy = self._busy.setdefault(key, threading.Lock())
        with busy:
            with self._lock:
                if key in self._views:
                    self._views.move_to_end(key)
                    return self._views[key]
            made = make()
            with self._lock:
                self._views[key] = made
                while len(self._views) > _KEPT:
                    old, _ = self._views.popitem(last=False)
                    self._busy.pop(old, None)
            return made


_kept = _Kept()


def view_clip(clip: ClipReader, *, progress: Progress = None, cancelled: Stop = None) -> ClipView:
    """Decode a clip once and return its view; views of the last few clips are kept.

    Raises
    ------
    MediaError
        If no frame decodes.
    """
    spec = clip.setting.spec
    key = (clip.info.sha256, tuple(str(path) for path in clip.info.parts), str(spec), clip.info.path.name)
    return _kept.get(key, lambda: _gather(clip, progress, cancelled))


def _gather(clip: ClipReader, progress: Progress, cancelled: Stop) -> ClipView:
    total = len(clip.index)
    stop = min(total, MOST_FRAMES)
    wanted = _numbers(stop)
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
        if frame.number in wanted and pile.wants():
            pile.add(frame)
    # A long clip's end counts for the picture too.
    for number in np.linspace(stop, total - 1, 12).astype(int) if total > stop else ():
        if cancelled and cancelled():
            raise Cancelled
        pile.add(clip.frame(int(number)))
    if not times or pile.count == 0:
        raise MediaError("no frame could be decoded.", where=clip.info.path.name)
    picture, follows = pile.picture()
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
        sound=track(sound.samples, sound.rate_hz, sound.start_s, sound.gaps)
        if sound is not None and len(sound.samples)
        else None,
        pictures=pile.count,
        whole=total <= stop,
        moved_px=pile.moved_px,
        circle_follows=follows,
    )


def _numbers(stop: int) -> set[int]:
    """Frames for the mean picture, spread over the clip at uneven steps: even ones could keep in step with bands."""
    if stop <= MOST_PICTURES:
        return set(range(stop))
    k = np.arange(MOST_PICTURES)
    return {int(n) for n in np.floor((k + (k * 0.6180339887) % 1.0) * stop / MOST_PICTURES)}


def track_clip(clip: ClipReader, view: ClipView, *, cancelled: Stop = None) -> tuple[ShiftTrack, tuple[float, float]]:
    """Follow a moving camera through every frame.

    Returns
    -------
    track : ShiftTrack
        Shifts against the usual (median) place, px.
    usual : (x, y)
        Where the usual place lies against the place of the view's picture, px.
    """
    step = _step(view.picture.light.shape)
    log, inside = _followed(view.picture.light, step)
    follower = Follower(log, inside, scale=step)
    table = _luma_table(clip)
    times, shifts, sigmas = [], [], []
    for frame in clip.frames(0, min(len(clip.index), MOST_FRAMES), cancelled=cancelled):
        if frame.damaged:
            continue
        luma = frame.luma()
        found = follower.shift(_followed(table[np.minimum(luma, len(table) - 1)], step)[0])
        times.append(frame.time_s)
        shifts.append(found.px if found.agreed else np.full(2, np.nan))
        sigmas.append(found.sigma_px if found.agreed else np.nan)
    track_px, good = np.array(shifts), np.isfinite(np.array(sigmas))
    if good.any():  # what could not be told lies between its neighbours
        for axis in (0, 1):
            track_px[:, axis] = np.interp(times, np.array(times)[good], track_px[good, axis])
    else:
        track_px[:] = 0.0
    usual = np.median(track_px, axis=0)
    sigma = float(np.median(np.array(sigmas)[good])) if good.any() else 0.0
    made = ShiftTrack(time_s=np.array(times), shift_px=track_px - usual, sigma_px=sigma)
    return made, (float(usual[0]), float(usual[1]))


def _step(shape: tuple[int, ...]) -> float:
    """Pixels of the clip to one of the small pictures that a moving camera is followed in."""
    return max(1.0, max(shape) / 240.0)


def _followed(light: np.ndarray, step: float) -> tuple[np.ndarray, np.ndarray | None]:
    """Small picture in logarithmic light, and where it is bright enough to tell anything (None: all over)."""
    size = (max(24, round(light.shape[1] / step)), max(24, round(light.shape[0] / step)))
    small = cv2.resize(light, size, interpolation=cv2.INTER_AREA)
    bright = 0.1 * float(np.percentile(small[::2, ::2], 90))
    inside = cv2.GaussianBlur(small, (0, 0), 4.0) > 2.0 * bright
    return np.log(np.maximum(small, 0.0) + bright + 1e-9), inside if inside.mean() > 0.05 else None


class _Sums:
    """Light added up in two halves, every other frame each."""

    def __init__(self, shape: tuple[int, ...]) -> None:
        self.halves = [np.zeros(shape, np.float32) for _ in range(2)]
        self.counts = [0, 0]

    @property
    def count(self) -> int:
        return sum(self.counts)

    @property
    def mean(self) -> np.ndarray:
        return np.asarray((self.halves[0] + self.halves[1]) / self.count)

    def add(self, light: np.ndarray) -> None:
        half = self.count % 2
        self.halves[half] += light
        self.counts[half] += 1


class _Pile:
    """Adds up frames in linear light, as filmed and laid over each other.

    Only frames whose shift is certain are laid over; the camera moved where enough of them did.
    """

    def __init__(self) -> None:
        self._filmed: _Sums | None = None
        self._laid: _Sums | None = None
        self._clipped: np.ndarray | None = None
        self._follower: Follower | None = None
        self._every = 1
        self._asked = 0
        self.shifts: list[tuple[float, float]] = []

    def wants(self) -> bool:
        """Whether a further frame would tell anything new: with little noise every third (sixth) of those offered does."""
        if self._filmed is None or self._filmed.count < _LOOK_AT:
            return True
        if self._asked == 0:
            told = reliability(self._mean(), fine=0.9, coarse=6.0, most=640)
            self._every = 6 if told > _SILENT else 3 if told > _QUIET else 1
        self._asked += 1
        return self._asked % self._every == 0

    def add(self, frame: Frame) -> None:
        made = frame.luminance()
        if self._filmed is None:
            self._filmed, self._laid = _Sums(made.light.shape), _Sums(made.light.shape)
            self._clipped = np.zeros(made.light.shape, np.uint16)
        assert self._laid is not None and self._clipped is not None
        self._filmed.add(made.light)
        self._clipped += made.clipped
        shift = self._shift(made.light)
        if shift is not None:
            self._laid.add(_brought_back(made.light, shift) if any(shift) else made.light)
            self.shifts.append(shift)

    def _shift(self, light: np.ndarray) -> tuple[float, float] | None:
        """The frame's shift, zero unless it stands clear of its error; None where ways of measuring it disagree."""
        step = _step(light.shape)
        log, inside = _followed(light, step)
        if self._follower is None:
            self._follower = Follower(log, inside, scale=step)
            return 0.0, 0.0
        found = self._follower.shift(log)
        size_px = float(np.hypot(*found.px))
        if size_px <= max(0.6, 4.0 * found.sigma_px, 0.12 * step):
            return 0.0, 0.0
        if not found.agreed or size_px > 0.1 * max(light.shape):
            return None
        return float(found.px[0]), float(found.px[1])

    @property
    def _moved(self) -> bool:
        """Whether the camera moved: a few odd frames (someone walks, a lamp flickers) are not a moving camera."""
        if self._filmed is None:
            return False
        moved = int(np.any(self.shifts, axis=1).sum())
        return moved >= max(3, 0.3 * self._filmed.count)

    @property
    def count(self) -> int:
        """Frames in the mean picture."""
        sums = self._laid if self._moved else self._filmed
        return sums.count if sums is not None else 0

    def _mean(self) -> Picture:
        """The mean and its halves, no circle yet."""
        sums = self._laid if self._moved else self._filmed
        assert sums is not None and self._filmed is not None and self._clipped is not None
        halves = None
        if min(sums.counts) > 0:
            halves = (sums.halves[0] / sums.counts[0], sums.halves[1] / sums.counts[1])
        return Picture(light=sums.mean, clipped=self._clipped > 0.5 * self._filmed.count, halves=halves)

    def picture(self) -> tuple[Picture, bool]:
        """The mean with its circle: of the laid-over frames (True), or as filmed if the stop stood still (False)."""
        mean = self._mean()
        circle, follows = fit_field_circle(mean.light), True
        if self._moved:
            assert self._filmed is not None
            other = fit_field_circle(self._filmed.mean)
            if other is not None and (circle is None or (other.residual_px or 0.0) < (circle.residual_px or 0.0)):
                circle, follows = other, False
        return replace(mean, circle=circle), follows

    @property
    def moved_px(self) -> float:
        """Rms of the frames' shifts about their middle; 0 where the camera stood still."""
        shifts = np.array(self.shifts)
        if not self._moved:
            return 0.0
        return float(np.sqrt(((shifts - np.median(shifts, axis=0)) ** 2).sum(axis=1).mean()))


def _brought_back(light: np.ndarray, shift: tuple[float, float]) -> np.ndarray:
    """A frame moved back by its shift (px)."""
    matrix = np.array([[1.0, 0.0, shift[0]], [0.0, 1.0, shift[1]]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpAffine(light, matrix, light.shape[::-1], flags=flags, borderMode=cv2.BORDER_REPLICATE))


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
    return np.asarray(table.take(luma[step // 2 :: step, step // 2 :: step], mode="clip"))


def _bands(small: np.ndarray, axis: int) -> np.ndarray:
    """Mean of bands of rows (axis 1 is averaged) or of columns."""
    line = cv2.reduce(small, axis, cv2.REDUCE_AVG, dtype=cv2.CV_64F).ravel()
    edges = _edges(len(line))
    return np.asarray(np.add.reduceat(line, edges[:-1]) / np.diff(edges))


@lru_cache(maxsize=16)
def _edges(length: int) -> np.ndarray:
    """Where the bands of so many lines begin, and the end."""
    return np.linspace(0, length, min(BANDS, length) + 1).astype(int)


def _thumb(small: np.ndarray) -> np.ndarray:
    made = cv2.resize(small, THUMB, interpolation=cv2.INTER_AREA)
    return np.asarray(np.log(np.maximum(made, 0) + 0.05 * float(made.mean()) + 1e-7), np.float16)


__all__ = ["BANDS", "MOST_FRAMES", "ClipView", "track_clip", "view_clip"]

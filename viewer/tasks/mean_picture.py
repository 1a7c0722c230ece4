"""The mean picture of a clip in linear light, frames laid over each other where the camera moved."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.ndimage import binary_dilation

from viewer.measure.bloom_motion import Anchor, Shift, carried
from viewer.measure.readings import Flag, Reading
from viewer.measure.row_gain import LEAST, Gain, Strips, fit_gain, rms_of
from viewer.media.light import from_linear, luma_scale, to_linear

if TYPE_CHECKING:
    from viewer.media.frame import Frame
    from viewer.media.reader import ClipReader
    from viewer.media.tint import Tint

Progress = Callable[[int, int], None] | None
Stop = Callable[[], bool] | None
Follow = Callable[[np.ndarray], Shift | None]

MOST_FRAMES = 240
TINT_ERROR = 0.03
STILL_PX = 0.12
# Pictures predicted from both sides move in steps of motion vectors where bits are few; those that others rest on are drawn
# more truly and count this many times as much (bench_bloom.py, moving).
RELIED_ON = 8.0
ANCHOR_PX = 48  # wide enough to hold the edge of most halos, which fixes a place better than a core


@dataclass(frozen=True)
class MeanPicture:
    """Mean light of a clip and what it rests on.

    ``clipped`` is the share of frames in which a pixel was clipped, ``shifts_px`` one row (x, y) a frame (zero where the camera
    stood still), ``pulsing`` the rms of the rows' light over the frames as a share of its mean (bands that pulsing leaves in a
    plain mean are taken out), ``banded`` the share of bands that may be left because they stand still, ``tinted`` whether the
    full-resolution luma path was used.
    """

    light: np.ndarray
    clipped: np.ndarray
    frames: int
    shifts_px: np.ndarray
    pulsing: float
    tinted: bool
    flags: Flag
    times_s: np.ndarray = field(default_factory=lambda: np.zeros(0))
    banded: float = 0.0
    warnings: tuple[str, ...] = ()

    @property
    def moving(self) -> bool:
        """Whether frames had to be laid over each other."""
        return bool(np.any(self.shifts_px))


def chosen(total: int, frames: tuple[int, int | None], most: int = MOST_FRAMES) -> tuple[int, int, frozenset[int]]:
    """Return start, stop and the numbers of the frames to use: all, or `most` of them evenly spread."""
    start = min(frames[0], max(total - 1, 0))
    stop = total if frames[1] is None else min(frames[1], total)
    count = max(1, stop - start)
    if count <= most:
        return start, stop, frozenset(range(start, stop))
    return start, stop, frozenset(int(n) for n in np.linspace(start, stop - 1, most))


def usable_tint(clip: ClipReader, rect: Any, frames: tuple[int, int | None]) -> Tint | None:
    """Return the constant-tint model where it holds within `TINT_ERROR`, else None."""
    from viewer.errors import ViewerError

    try:
        tint = clip.tint(rect, frames)
    except ViewerError:
        return None
    return tint if tint.error <= TINT_ERROR else None


@dataclass(frozen=True)
class Look:
    """How a clip is turned into light: through luma where one tint holds, and from which light on it is burnt out.

    The file's own limit is the highest code.  Many cameras and editors stop at nominal white instead; then the pictures hold a
    heap of pixels at white and none above it, and `full` (linear light of the brightest channel there) and `white` (from which
    light on a pixel counts as burnt out, a little below) are set.
    """

    tint: Tint | None = None
    white: float | None = None
    full: float | None = None

    @property
    def limit(self) -> float | None:
        """Light at which the picture burns out, where it is known: nominal white of the brightest channel of one tint."""
        if self.tint is None or self.white is None or self.full is None:
            return None
        return self.full / max(self.tint.ratios)

    @classmethod
    def at(cls, clip: ClipReader, rect: Any, frames: tuple[int, int | None]) -> Look:
        """Look at a few pictures of a clip."""
        start, stop, _ = chosen(len(clip.index), frames)
        numbers = sorted({start, (start + stop - 1) // 2, stop - 1})
        pictures = [clip.frame(n) for n in numbers]
        white = full = None
        if stops_at_white(np.array([picture.signal(rect).max(axis=2) for picture in pictures])):
            white, full = (float(v) for v in to_linear(clip.info.transfer, np.array([WHITE, 1.0])))
        return cls(usable_tint(clip, rect, frames), white, full)

    def light(self, frame: Frame, rect: Any = None) -> tuple[np.ndarray, np.ndarray]:
        """Return light and clip mask of a rectangle."""
        if self.tint is not None:
            part = frame.luminance(rect, tint=self.tint)
            if self.white is None:
                return part.light, part.clipped
            return part.light, part.clipped | (part.light * max(self.tint.ratios) >= self.white)
        if self.white is None:
            part = frame.luminance(rect)
            return part.light, part.clipped
        colours = frame.rgb(rect)
        burnt = colours.clipped | (colours.light.max(axis=2) >= self.white)
        return colours.light @ np.array(frame.setting.weights, np.float32), burnt


WHITE = 0.972


def stops_at_white(brightest: np.ndarray) -> bool:
    """Whether pictures are burnt out at nominal white rather than at the highest code.

    Parameters
    ----------
    brightest : ndarray of shape (pictures, rows, cols)
        Signal of the brightest channel, nominal white 1.

    Notes
    -----
    Smooth light leaves fewer pixels in the top band than in the band below it, and some above; burnt-out light leaves a heap
    round 1 and nothing above but the codec's ringing.
    """
    heap = np.count_nonzero((brightest > WHITE) & (brightest < 1.035))
    above = np.count_nonzero(brightest >= 1.045)
    below = np.count_nonzero((brightest > 0.90) & (brightest <= 0.96))
    return bool(heap >= 5 * brightest.shape[0] and above <= 0.08 * heap and heap > 1.2 * below)


def light_flags(clip: ClipReader) -> Flag:
    """Return the flags that follow from the file alone."""
    info = clip.info
    flags = Flag.NONE
    if any("transfer" in word or "light" in word for word in info.assumed):
        flags |= Flag.ASSUMED_LIGHT
    if info.interlaced:
        flags |= Flag.INTERLACED
    if info.reencoded or 0 < info.bits_per_pixel < 0.02:
        flags |= Flag.COMPRESSED
    return flags


def scout(clip: ClipReader, frames: tuple[int, int | None], look: Look, rect: Any = None, count: int = 5) -> np.ndarray:
    """Return the mean light of the first few frames, where a moving camera has not gone far."""
    start = min(frames[0], max(len(clip.index) - 1, 0))
    stop = start + count if frames[1] is None else min(start + count, frames[1])
    lights = [np.asarray(look.light(frame, rect)[0], float) for frame in clip.frames(start, stop)]
    return np.asarray(np.mean(lights, axis=0))


LOSSLESS = ("ffv1", "rawvideo", "huffyuv", "ffvhuff", "utvideo", "png", "v210")


def codec_sigma(clip: ClipReader) -> float:
    """Return by how much a codec moves edges of a mean picture beyond what pixel noise tells (1 sigma, px); 0 if lossless.

    From encodes of rendered edges and halos at 0.3 to 1.5 bits per pixel (tests/benchmarks/bench_edge.py, bench_bloom.py).
    It is alike all along an edge, so the scatter of pixels does not show it; at fewer bits it grows.
    """
    info = clip.info
    if info.codec in LOSSLESS:
        return 0.0
    base = 0.025 if info.bit_depth <= 8 else 0.015
    return base * codec_growth(clip)


def codec_growth(clip: ClipReader) -> float:
    """Return by how much a codec's errors exceed those at 0.3 bits per pixel and above (0 if lossless)."""
    info = clip.info
    if info.codec in LOSSLESS:
        return 0.0
    bits = info.bits_per_pixel if info.bits_per_pixel > 0 else 0.3
    return max(1.0, math.sqrt(0.3 / max(bits, 0.01)))


def code_step(clip: ClipReader, light: float) -> float:
    """Return the light of one code step at a level of light (relative to nominal white)."""
    info = clip.info
    signal = from_linear(info.transfer, np.array([max(light, 0.0)]))
    step = 1.0 / luma_scale(info.bit_depth, info.range)[1]
    sides = to_linear(info.transfer, np.concatenate([signal, signal + step]))
    return float(sides[1] - sides[0])


def allowed(reading: Reading, sigma: float) -> Reading:
    """Return a reading whose interval allows for a further error of `sigma`, in its unit."""
    if sigma <= 0 or reading.value is None or reading.low is None or reading.high is None:
        return reading
    low = reading.value - math.hypot(reading.value - reading.low, 1.96 * sigma)
    high = reading.value + math.hypot(reading.high - reading.value, 1.96 * sigma)
    return replace(reading, low=low if reading.low < 0 else max(0.0, low), high=high)


class _Sum:
    """Running sums of light and clipping; with gains, light is the weighted least-squares estimate at gain 1."""

    def __init__(self, shape: tuple[int, ...]) -> None:
        self.light = np.zeros(shape)
        self.clipped = np.zeros(shape)
        self.weight: np.ndarray | float = 0.0
        self.count = 0

    def add(self, light: np.ndarray, clipped: np.ndarray, gain: np.ndarray | float = 1.0, weight: float = 1.0) -> None:
        self.light += weight * gain * light
        self.clipped += clipped
        self.weight = self.weight + weight * np.square(gain)
        self.count += 1

    @property
    def mean(self) -> np.ndarray:
        return np.asarray(self.light / np.maximum(self.weight, 1e-12))


def mean_picture(
    clip: ClipReader,
    *,
    rect: Any = None,
    frames: tuple[int, int | None] = (0, None),
    anchors: Sequence[tuple[float, float]] = (),
    look: Look | None = None,
    follow: Follow | None = None,
    still_px: float = STILL_PX,
    steady: bool = False,
    most: int = MOST_FRAMES,
    progress: Progress = None,
    cancelled: Stop = None,
) -> MeanPicture:
    """Average a clip.

    Parameters
    ----------
    rect : (x, y, w, h) or Rect, optional
        Upright px; the whole picture if left out.
    anchors : sequence of (x, y)
        Lights (px of `rect`) that each frame is compared with the first at; without any, the camera is taken to stand still.
    look : Look, optional
        How light and clipping are read; looked up if left out.
    follow : callable, optional
        Returns the shift of a frame's light against the first (or None), in place of `anchors`.
    still_px : float, optional
        Rms wander below which the camera counts as still.
    steady : bool, optional
        Take out the bands that pulsing light leaves in rows or columns (scenes of lamps on a ground that fills the picture).
    """
    look = look or Look.at(clip, rect, frames)
    start, stop, numbers = chosen(len(clip.index), frames, most)
    span = (start, stop)
    first = _first_pass(clip, rect, span, numbers, anchors, follow, look, progress, cancelled)
    total = first.total
    gain, banded = first.gain() if steady else (None, 0.0)
    shifts = first.shifts
    if gain is not None and anchors and follow is None:
        shifts = _tracked(clip, rect, span, numbers, anchors, look, gain, cancelled)
    flags = light_flags(clip)
    moved = _smooth(shifts, still_px)
    if np.any(moved):
        flags |= Flag.MOVING
    pulsing = rms_of(np.array(first.lines[0]))
    if np.any(moved) or gain is not None:
        # bands that are not looked for, or not known, average out over frames of equal weight alone
        relied_on = RELIED_ON if steady and not banded else 1.0
        total = _laid_over(clip, rect, span, numbers, moved, gain, look, relied_on, progress, cancelled)
    if pulsing > LEAST:
        flags |= Flag.GATED
    if total.count < 5:
        flags |= Flag.FEW_FRAMES
    warnings: tuple[str, ...] = ()
    if stop - start > most:
        warnings = (f"{most} of {stop - start} frames were used, evenly spread.",)
    return MeanPicture(
        light=total.mean,
        clipped=total.clipped / max(total.count, 1),
        frames=total.count,
        shifts_px=moved,
        pulsing=pulsing,
        tinted=look.tint is not None,
        flags=flags,
        times_s=np.array(first.times_s),
        banded=banded,
        warnings=warnings,
    )


def _pass(
    clip: ClipReader, span: tuple[int, int], numbers: frozenset[int], progress: Progress, cancelled: Stop
) -> Iterator[Frame]:
    for frame in clip.frames(*span, progress=progress, cancelled=cancelled):
        if frame.number in numbers:
            yield frame


@dataclass
class _First:
    """What the first pass over the frames gathers."""

    total: _Sum
    shifts: list[list[Shift | None]] = field(default_factory=list)
    lines: tuple[list[np.ndarray], list[np.ndarray]] = field(default_factory=lambda: ([], []))
    times_s: list[float] = field(default_factory=list)

    def gain(self) -> tuple[Gain | None, float]:
        """Return the gain of rows, or of columns where these tell the bands better, and the share of bands left without."""
        times = np.array(self.times_s)
        fits = [fit_gain(np.array(lines), times, axis=axis) for axis, lines in enumerate(self.lines)]
        gains = [gain for gain, _ in fits if gain is not None]
        if not gains:
            return None, max(left for _, left in fits)
        return max(gains, key=lambda g: float(np.std(g.lines))), 0.0


def _first_pass(
    clip: ClipReader,
    rect: Any,
    span: tuple[int, int],
    numbers: frozenset[int],
    anchors: Sequence[tuple[float, float]],
    follow: Follow | None,
    look: Look,
    progress: Progress,
    cancelled: Stop,
) -> _First:
    found: _First | None = None
    strips: Strips | None = None
    points: list[Anchor] = []
    for frame in _pass(clip, span, numbers, progress, cancelled):
        light, burnt = look.light(frame, rect)
        if found is None or strips is None:
            found, strips = _First(_Sum(light.shape)), Strips(light)
            points = _ready(light, anchors)
        found.total.add(light, burnt)
        for kept, line in zip(found.lines, strips.means(light), strict=True):
            kept.append(line)
        found.times_s.append(frame.time_s)
        found.shifts.append([follow(light)] if follow is not None else _found(points, light, found.shifts))
    if found is None:
        from viewer.errors import UsageError

        raise UsageError("the clip holds no frame in this range.", hint="Choose frames within the clip.")
    return found


def _ready(light: np.ndarray, anchors: Sequence[tuple[float, float]]) -> list[Anchor]:
    return [anchor for anchor in (Anchor(light, place, ANCHOR_PX) for place in anchors) if anchor.ready]


def _found(points: Sequence[Anchor], light: np.ndarray, before: Sequence[list[Shift | None]]) -> list[Shift | None]:
    """Look for every anchor near where it was in the frame before."""
    last = before[-1] if before else [None] * len(points)
    return [p.find(light, (s.x, s.y) if s else (0.0, 0.0)) for p, s in zip(points, last, strict=True)]


def _tracked(
    clip: ClipReader,
    rect: Any,
    span: tuple[int, int],
    numbers: frozenset[int],
    anchors: Sequence[tuple[float, float]],
    look: Look,
    gain: Gain,
    cancelled: Stop,
) -> list[list[Shift | None]]:
    """Follow the anchors again in frames freed of their bands, which pull a light towards the bright rows.

    Burnt cores would grow and shrink with the gain, so light is cut off where the brightest row burns out.
    """
    points: list[Anchor] | None = None
    shifts: list[list[Shift | None]] = []
    ceiling = 0.9 * (look.limit or 1.0) / float(np.percentile(gain.lines, 99))
    for k, frame in enumerate(_pass(clip, span, numbers, None, cancelled)):
        light = np.minimum(look.light(frame, rect)[0] / np.maximum(gain.of(k), 0.1), ceiling)
        if points is None:
            points = _ready(light, anchors)
        shifts.append(_found(points, light, shifts))
    return shifts


def _smooth(shifts: list[list[Shift | None]], still_px: float) -> np.ndarray:
    """Return one shift a frame (mean over anchors by their errors); all zero unless motion stands clear of its error."""
    count = len(shifts)
    result = np.zeros((count, 2))
    errors = np.full(count, np.inf)
    for k, found in enumerate(shifts):
        good = [s for s in found if s is not None and s.sigma < 0.5]
        if good:
            weight = np.array([1.0 / max(s.sigma, 0.005) ** 2 for s in good])
            result[k] = weight @ np.array([[s.x, s.y] for s in good]) / weight.sum()
            errors[k] = 1.0 / math.sqrt(float(weight.sum()))
    known = np.isfinite(errors)
    if np.count_nonzero(known) < 2:
        return np.zeros((count, 2))
    wander = float(np.sqrt(np.mean(np.sum((result[known] - result[known].mean(axis=0)) ** 2, axis=1))))
    if wander < max(still_px, 2.0 * float(np.median(errors[known]))):
        return np.zeros((count, 2))
    for axis in (0, 1):
        result[:, axis] = np.interp(np.arange(count), np.flatnonzero(known), result[known, axis])
    return result


def _laid_over(
    clip: ClipReader,
    rect: Any,
    span: tuple[int, int],
    numbers: frozenset[int],
    moved: np.ndarray,
    gain: Gain | None,
    look: Look,
    relied_on: float,
    progress: Progress,
    cancelled: Stop,
) -> _Sum:
    """Average again, every frame carried back by its shift and weighed by its gain."""
    total: _Sum | None = None
    for k, frame in enumerate(_pass(clip, span, numbers, progress, cancelled)):
        light, burnt = look.light(frame, rect)
        if total is None:
            total = _Sum(light.shape)
        scale: np.ndarray | float = 1.0 if gain is None else gain.of(k)
        if not np.any(moved):
            total.add(light, burnt, scale)
            continue
        by = (float(moved[k, 0]), float(moved[k, 1]))
        if burnt.any():
            burnt = carried(binary_dilation(burnt).astype(np.float32), by) > 0.5
        if gain is not None:
            scale = carried(np.broadcast_to(scale, light.shape), by)
        total.add(carried(light, by), burnt, scale, 1.0 if frame.bidirectional else relied_on)
    assert total is not None
    return total


__all__ = [
    "Look",
    "MeanPicture",
    "allowed",
    "chosen",
    "code_step",
    "codec_growth",
    "codec_sigma",
    "light_flags",
    "mean_picture",
    "scout",
    "stops_at_white",
    "usable_tint",
]

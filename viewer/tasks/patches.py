"""Patches of a clip, gathered in one pass; what the clip itself flags."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from viewer.measure.clipping import Band, band_of, joined, window_of
from viewer.measure.patches import Patch, PatchSum
from viewer.measure.readings import Flag
from viewer.measure.regions import Rect
from viewer.media import ClipReader, Frame, Tint
from viewer.media.light import from_linear, luma_scale, to_linear

Progress = Callable[[int, int], None] | None
Stop = Callable[[], bool] | None
Span = tuple[int, int | None]

# Two greys are one colour to 0.5 %; chroma rounding alone makes more of it in the dark.
TINT_ERROR = 0.03
LITTLE_DATA = 0.02


@dataclass(frozen=True)
class Gathered:
    """What a pass found: patches by name, times of the frames that entered, exact repeats left out, flags of the clip.

    ``pictures`` are a few whole frames spread over the range, if they were asked for; ``signals`` the mean R'G'B' of each
    patch in one picture.
    """

    patches: Mapping[str, Patch]
    times_s: np.ndarray
    repeats: int
    flags: Flag
    pictures: tuple[Frame, ...] = ()
    signals: Mapping[str, np.ndarray] = field(default_factory=dict)


class Repeats:
    """Tells exact repeats of the picture before from new pictures."""

    def __init__(self) -> None:
        self._sample: np.ndarray | None = None
        self._luma: np.ndarray | None = None

    def is_repeat(self, frame: Frame) -> bool:
        """Whether every luma code is that of the picture before."""
        luma = frame.luma()
        sample = luma[::16, ::16]
        same = (
            self._sample is not None
            and self._luma is not None
            and np.array_equal(sample, self._sample)
            and np.array_equal(luma, self._luma)
        )
        self._sample, self._luma = np.array(sample), luma
        return bool(same)


def black_code(clip: ClipReader) -> float:
    """Return the luma code of black."""
    return luma_scale(clip.info.bit_depth, clip.info.range)[0]


def step_light(clip: ClipReader, level: float) -> float:
    """Return the light of one luma code step at a level of light."""
    span = luma_scale(clip.info.bit_depth, clip.info.range)[1]
    signal = float(from_linear(clip.info.transfer, max(level, 0.0)))
    above, below = to_linear(clip.info.transfer, [signal + 0.5 / span, signal - 0.5 / span])
    return float(above - below)


def bend_of(clip: ClipReader, level: float) -> float:
    """Return the second derivative of light by signal over the square of the first, at a level of light."""
    signal = float(from_linear(clip.info.transfer, max(level, 0.0)))
    step = 0.01
    below, here, above = to_linear(clip.info.transfer, [signal - step, signal, signal + step])
    first, second = (above - below) / (2 * step), (above - 2 * here + below) / step**2
    return float(second / first**2) if first > 0 else 0.0


def clip_flags(clip: ClipReader) -> Flag:
    """Return what the clip itself flags: assumed light curve, interlacing, uneven frames."""
    info = clip.info
    flags = Flag.NONE
    if any(text.startswith("transfer") and "chosen" not in text for text in info.assumed):
        flags |= Flag.ASSUMED_LIGHT
    if info.interlaced:
        flags |= Flag.INTERLACED
    if clip.index.variable_rate:
        flags |= Flag.VARIABLE_RATE
    if 0 < info.bits_per_pixel < LITTLE_DATA:
        flags |= Flag.COMPRESSED
    return flags


def single_colour(
    clip: ClipReader, rect: Rect | None = None, frames: Span = (0, None), *, most: float = TINT_ERROR
) -> Tint | None:
    """Return the tint of a region if the constant-tint path holds there to a relative error of `most`, else None."""
    from viewer.errors import RegionError

    try:
        tint = clip.tint(rect, frames)
    except RegionError:
        return None
    return tint if tint.error < most else None


def new_pictures(clip: ClipReader, frames: Span, progress: Progress, cancelled: Stop) -> Iterator[tuple[Frame, bool]]:
    """Yield each picture of a range and whether it only repeats the one before."""
    repeats = Repeats()
    for frame in clip.frames(*frames, progress=progress, cancelled=cancelled):
        yield frame, repeats.is_repeat(frame)


def gather(
    clip: ClipReader,
    rects: Mapping[str, Rect],
    *,
    frames: Span = (0, None),
    tint: Tint | None = None,
    spectrum: bool = False,
    limits: bool = False,
    pictures: int = 0,
    progress: Progress = None,
    cancelled: Stop = None,
) -> Gathered:
    """Gather patches of a clip in one pass.

    With `limits`, light that piles up at nominal white counts as clipped too.  `pictures` whole frames are kept on the way:
    seeking for them afterwards would take longer than the pass.

    Raises
    ------
    RegionError
        If a rectangle reaches outside the picture.
    """
    for rect in rects.values():
        rect.check(clip.info.width, clip.info.height, least=4, where=clip.info.path.name)
    black = black_code(clip)
    sums = {name: PatchSum((rect.h, rect.w), spectrum=spectrum) for name, rect in rects.items()}
    watch = limits and clip.info.range == "narrow"
    window = window_of(clip.info.bit_depth)
    bands: dict[str, list[Band]] = {name: [] for name in rects} if watch else {}
    wanted, kept = spread(clip, frames, pictures), []
    times: list[float] = []
    repeated, damaged = 0, False
    signals: dict[str, np.ndarray] = {}
    for frame, repeat in new_pictures(clip, frames, progress, cancelled):
        damaged |= frame.damaged
        if frame.number in wanted:
            kept.append(frame)
        if repeat:
            repeated += 1
            continue
        times.append(frame.time_s)
        if not signals:
            signals = {name: frame.signal(rect).mean(axis=(0, 1), dtype=np.float64) for name, rect in rects.items()}
        for name, rect in rects.items():
            light = frame.luminance(rect, tint=tint)
            # What a channel alone clips, luma does not show.
            clipped = frame.luminance(rect).clipped if tint is not None and limits else light.clipped
            sums[name].add(light.light, clipped, frame.luma(rect), black_code=black)
            if watch:
                bands[name].append(band_of(frame.signal(rect), window))
    flags = clip_flags(clip)
    if repeated:
        flags |= Flag.REPEATED
    if damaged:
        flags |= Flag.DAMAGED
    patches = {name: part.result() for name, part in sums.items()}
    for name, found in bands.items():
        if joined(found).pile:
            near = np.array([band.near for band in found])
            patches[name] = replace(patches[name], clipped=np.maximum(patches[name].clipped, near))
    return Gathered(patches, np.array(times), repeated, flags, tuple(kept), signals)


def spread(clip: ClipReader, frames: Span, count: int) -> set[int]:
    """Return the numbers of `count` frames spread over a range."""
    stop = len(clip.index) if frames[1] is None else min(frames[1], len(clip.index))
    return {int(n) for n in np.linspace(frames[0], max(frames[0], stop - 1), count)} if count else set()


def linear_of_code(clip: ClipReader, code: float) -> float:
    """Return the light of a grey of this luma code."""
    offset, span = luma_scale(clip.info.bit_depth, clip.info.range)
    return float(to_linear(clip.info.transfer, (code - offset) / span))


__all__ = [
    "Gathered",
    "Repeats",
    "bend_of",
    "black_code",
    "clip_flags",
    "gather",
    "linear_of_code",
    "new_pictures",
    "single_colour",
    "spread",
    "step_light",
]

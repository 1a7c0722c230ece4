"""Frames of a clip to the light of its rows: field, direction of readout, repeats, clipping, clock."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from viewer.align.circle import fit_field_circle
from viewer.errors import RegionError, UsageError
from viewer.measure.flicker_rows import RowLight
from viewer.measure.flicker_sampling import Clock, read_clock
from viewer.measure.readings import Flag
from viewer.measure.regions import Rect

if TYPE_CHECKING:
    from viewer.media.frame import Light
    from viewer.media.reader import ClipReader

DIRECTIONS = ("down", "up", "left", "right")


BLOCKS = 16


SCOUTED = 8
"""Frames whose mean shows where the field ends."""


FIELD_EDGE = 0.97


MOST_CLIPPED = 0.03
"""Rows of a block are left out if more of their pixels and frames clip: light cut at the top has a false depth."""


MOST_RATE = 20_000.0
"""Frames per second beyond which timestamps mean nothing."""
MOST_FRAMES = 1800
ALMOST_EQUAL = 0.15
"""A frame is a repeat if it changes by less than this share of what its neighbours change by."""


Progress = Callable[[int, int], None] | None


Cancelled = Callable[[], bool] | None


@dataclass(frozen=True)
class Gathered:
    """Row light of a clip and what was noticed on the way; `mapped` is what a map of places covers (x, y, w, h; px), `key` says
    which frames are coded on their own (N,)."""

    rows: RowLight
    whole: RowLight | None
    direction: str
    assumed_direction: bool
    frames: int
    repeated: int
    clipped_share: float
    warnings: tuple[str, ...] = ()
    flags: Flag = Flag.NONE
    mapped: tuple[int, int, int, int] = (0, 0, 0, 0)
    key: NDArray[np.bool_] | None = None


def stored_direction(clip: ClipReader) -> str:
    """Return where the readout runs in the upright picture if the sensor is read from the top of the stored picture."""
    turn = clip.frame(0).setting.orientation
    if turn.transpose:
        return "left" if turn.flip_x else "right"
    return "up" if turn.flip_y else "down"


@dataclass(frozen=True)
class FieldMask:
    """Where the eyepiece image is, and the light that the camera records where there is none.

    `inside` is of the shape of the picture; None where no round field was found.
    """

    inside: NDArray[np.bool_] | None
    black: float


def field_mask(mean: NDArray[np.float32]) -> FieldMask:
    """Return the field of a mean picture: the round edge of the eyepiece, else all of it with black from dark, even corners."""
    rows, cols = mean.shape
    circle = fit_field_circle(mean)
    if circle is not None:
        y, x = np.ogrid[:rows, :cols]
        distance = np.hypot(x - circle.cx, y - circle.cy)
        inside = distance < FIELD_EDGE * circle.radius
        outside = distance > 1.06 * circle.radius
        if inside.mean() > 0.05:
            lit = float(np.quantile(mean[inside], 0.95))
            black = float(np.median(mean[outside])) if outside.mean() > 0.01 else 0.0
            return FieldMask(inside, black if black < 0.1 * lit else 0.0)
    h, w = max(2, rows // 16), max(2, cols // 16)
    corners = [float(np.median(mean[a, b])) for a in (slice(0, h), slice(-h, None)) for b in (slice(0, w), slice(-w, None))]
    bright = float(np.quantile(mean, 0.95))
    even = max(corners) < 0.02 * bright and max(corners) - min(corners) < 0.5 * max(abs(np.median(corners)), 1e-4)
    return FieldMask(None, float(np.median(corners)) if even else 0.0)


class _Strips:
    """Collects the rows of one rectangle, first-read row first, in blocks across."""

    def __init__(self, rect: Rect, direction: str, width: int, height: int, mask: FieldMask) -> None:
        self.rect, self.direction, self.mask = rect, direction, mask
        self.along = rect.h if direction in ("down", "up") else rect.w
        across = rect.w if direction in ("down", "up") else rect.h
        self.blocks = max(1, min(BLOCKS, across // 4))
        self.edges = np.linspace(0, across, self.blocks + 1).astype(int)
        self.delivered = float(height if direction in ("down", "up") else width)
        before = {"down": rect.y, "up": height - rect.y - rect.h, "right": rect.x, "left": width - rect.x - rect.w}
        self.first = float(before[direction])
        self.frames: list[NDArray[np.float32]] = []
        self.hits = np.zeros((self.along, across), np.uint16)
        inside = np.ones((rect.h, rect.w), bool) if mask.inside is None else mask.inside[rect.slices]
        self.inside = np.ascontiguousarray(self._turn(inside))
        self.count = self._sums(self.inside.astype(np.float32))

    def _turn(self, part: NDArray[Any]) -> NDArray[Any]:
        """Return a part of the upright picture with the readout running down."""
        if self.direction in ("left", "right"):
            part = part.T
        return part[::-1] if self.direction in ("up", "left") else part

    def _sums(self, turned: NDArray[Any]) -> NDArray[np.float32]:
        return np.asarray(np.add.reduceat(turned, self.edges[:-1], axis=1, dtype=np.float32), np.float32)

    def add(self, light: NDArray[np.float32], clipped: NDArray[np.bool_]) -> None:
        """Take a whole picture."""
        part = self._turn(light[self.rect.slices])
        sums = self._sums(part if self.mask.inside is None else part * self.inside)
        self.frames.append(np.asarray(sums / np.maximum(self.count, 1.0) - self.mask.black, np.float32))
        self.hits += self._turn(clipped[self.rect.slices])

    def _clipped(self) -> NDArray[np.float32]:
        """Return the share of pixels and frames that clip, per row and block."""
        share = self._sums((self.hits * self.inside).astype(np.float32)) / np.maximum(self.count, 1.0)
        return np.asarray(share / max(len(self.frames), 1), np.float32)

    def rows(self, clock: Clock, keep: NDArray[np.bool_]) -> RowLight:
        """Return what was collected."""
        light = np.stack(self.frames)[keep]
        usable = (self._clipped() < MOST_CLIPPED) & (self.count >= 0.3 * np.diff(self.edges))
        return RowLight(clock, light, usable, self.delivered, row_first=self.first)

    def clipped_share(self) -> float:
        """Return the part of the lit rectangle that clips at some time."""
        mean = np.mean(self.frames, axis=0)
        lit = (mean > 0.02 * max(float(mean.max()), 1e-9)) & (self.count > 0)
        return float(self._clipped()[lit].mean()) if lit.any() else 0.0


def gather(
    clip: ClipReader,
    region: Rect | None = None,
    *,
    direction: str | None = None,
    capture_rate: float | None = None,
    frames: tuple[int, int | None] = (0, None),
    whole: bool = True,
    progress: Progress = None,
    cancelled: Cancelled = None,
) -> Gathered:
    """Read a clip once and return the light of its rows.

    Parameters
    ----------
    clip : ClipReader
    region : Rect, optional
        Upright px; the whole picture if left out.
    direction : {"down", "up", "left", "right"}, optional
        Of the readout in the upright picture.  Without it the sensor is taken to be read from the top of the stored picture.
    capture_rate : float, optional
        Frames per second at which the camera ran, where the file plays slower.
    frames : (start, stop)
    whole : bool
        Keep the rows of the whole picture beside those of the region.

    Raises
    ------
    UsageError
        For a direction that is none, or fewer than 3 frames.
    RegionError
        For a region outside the picture or with fewer than 16 rows.
    """
    info = clip.info
    if direction is not None and direction not in DIRECTIONS:
        raise UsageError(f"{direction!r} is no direction of readout.", hint="Use down, up, left or right.")
    assumed = direction is None
    way = direction or stored_direction(clip)
    field_rect = Rect(0, 0, info.width, info.height)
    rect = field_rect if region is None else region.check(info.width, info.height, where=info.path.name)
    along = rect.h if way in ("down", "up") else rect.w
    if along < 16:
        raise RegionError(f"region {rect} has {along} rows along the readout; at least 16 are needed.", where=info.path.name)
    rects = [rect, field_rect] if whole and rect != field_rect else [rect]
    start, stop = frames
    end = min(len(clip), len(clip) if stop is None else stop)
    warnings: list[str] = []
    flags = Flag.NONE
    if end - start > MOST_FRAMES:
        warnings.append(f"Only the first {MOST_FRAMES} of {end - start} frames were used.")
        end = start + MOST_FRAMES
    numbers = []
    strips: list[_Strips] = []
    held: list[Light] = []

    def begin() -> None:
        mask = field_mask(np.mean([one.light for one in held], axis=0, dtype=np.float32))
        strips.extend(_Strips(each, way, info.width, info.height, mask) for each in rects)
        for strip in strips:
            for one in held:
                strip.add(one.light, one.clipped)
        held.clear()

    for frame in clip.frames(start, end, progress=progress, cancelled=cancelled):
        light = frame.luminance()
        numbers.append(frame.number)
        if frame.damaged:
            flags |= Flag.DAMAGED
        if strips:
            for strip in strips:
                strip.add(light.light, light.clipped)
            continue
        # the field's edge is needed before anything is summed
        held.append(light)
        if len(held) == SCOUTED:
            begin()
    if held:
        begin()
    if len(numbers) < 3:
        raise UsageError(
            f"holds too few frames to see anything pulse ({len(numbers)}).", where=info.path.name, hint="Film 4 s or more."
        )
    times = np.asarray(clip.index.times_s, float)[np.asarray(numbers)]
    keep, repeated = fresh(strips[-1].frames)
    if repeated:
        flags |= Flag.REPEATED
        warnings.append(f"{repeated} frames repeat the one before and were left out.")
    rate = capture_rate or (float(info.capture_rate) if info.capture_rate else None)
    scale = 1.0
    if rate:
        scale = float(info.average_rate) / rate
        warnings.append(f"Times count as filmed at {rate:g} fps; the file plays at {float(info.average_rate):.5g} fps.")
    span_s = float(times[keep][-1] - times[keep][0]) * scale if keep.any() else 0.0
    if span_s * MOST_RATE < len(numbers):
        raise UsageError(
            f"its timestamps put {len(numbers)} frames into {span_s:.2g} s.",
            where=info.path.name,
            hint="Say the camera's rate with --capture-rate.",
        )
    clock = read_clock(times[keep] * scale, tick_s=float(clip.index.time_base) * scale)
    if clip.index.variable_rate:
        flags |= Flag.VARIABLE_RATE
    if info.interlaced:
        flags |= Flag.INTERLACED
        warnings.append("The clip is interlaced: the two fields of a frame are different times, and rows of both are mixed.")
    if assumed:
        warnings.append(f"Direction of readout assumed: {way} in the upright picture (--readout-direction says otherwise).")
    return Gathered(
        rows=strips[0].rows(clock, keep),
        whole=strips[1].rows(clock, keep) if len(strips) > 1 else None,
        direction=way,
        assumed_direction=assumed,
        frames=int(keep.sum()),
        repeated=repeated,
        clipped_share=strips[0].clipped_share(),
        warnings=tuple(warnings),
        flags=flags,
        mapped=(rects[-1].x, rects[-1].y, rects[-1].w, rects[-1].h),
        key=np.asarray(clip.index.key, bool)[np.asarray(numbers)][keep],
    )


def fresh(frames: Sequence[NDArray[np.float32]]) -> tuple[NDArray[np.bool_], int]:
    """Return which frames differ from the one before; all of them if most do not (a still clip).

    A repeat that was encoded again is not exact, but far closer to the frame before than its neighbours are to theirs.
    """
    keep = np.ones(len(frames), bool)
    change = np.array([0.0, *(float(np.abs(b - a).mean()) for a, b in pairwise(frames))])
    for i in range(1, len(frames)):
        around = [change[k] for k in (i - 1, i + 1) if 1 <= k < len(frames)]
        keep[i] = change[i] > (ALMOST_EQUAL * min(around) if around else 0.0)
    repeated = int((~keep).sum())
    if repeated > 0.5 * len(frames) or len(frames) - repeated < 3:
        return np.ones(len(frames), bool), 0
    return keep, repeated


__all__ = [
    "DIRECTIONS",
    "FieldMask",
    "Gathered",
    "field_mask",
    "fresh",
    "gather",
    "stored_direction",
]

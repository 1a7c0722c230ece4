"""The frame index: which pictures a clip holds, and when each is shown.

Read from the timestamps of every packet.  Where packets do not settle it (missing or doubled timestamps, hidden pictures,
field pictures, leading pictures at the start), the clip is decoded once and what came out is the index.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from fractions import Fraction
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from viewer.errors import SeekError

Progress = Callable[[int, int], None] | None
Cancelled = Callable[[], bool] | None


@dataclass(frozen=True)
class FrameIndex:
    """Pictures of a clip in the order in which they are shown.

    Parameters
    ----------
    pts : ndarray of shape (N,), int64
        Presentation timestamps in units of `time_base`, strictly increasing.
    durations : ndarray of shape (N,), int64
        How long each is shown.
    key : ndarray of shape (N,), bool
        Whether decoding can start there.
    damaged : ndarray of shape (N,), bool
        Pictures that did not decode cleanly, as far as that is known.
    time_base : Fraction
        Seconds a tick.
    counted : bool
        The file has no usable timestamps; `pts` were made from the frame rate, and pictures are found by counting.
    decoded : bool
        Whether the list was made by decoding.
    notes : tuple of str
        Oddities, in words.
    key_pts : ndarray of int64
        Timestamps of the key packets, hidden ones included: where decoding can start.
    plain : bool
        One packet is one picture, so unneeded packets may be skipped on the way to a picture.
    packets, bytes_total, header_frames, header_rate
        What was read, and what the header promised.
    pauses : tuple of (number, s)
        Measured pauses between the parts of a recording, each after a picture.
    """

    pts: NDArray[np.int64]
    durations: NDArray[np.int64]
    key: NDArray[np.bool_]
    damaged: NDArray[np.bool_]
    time_base: Fraction
    counted: bool = False
    decoded: bool = False
    notes: tuple[str, ...] = ()
    key_pts: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    plain: bool = True
    packets: int = 0
    bytes_total: int = 0
    header_frames: int = 0
    header_rate: Fraction | None = None
    pauses: tuple[tuple[int, float], ...] = ()

    def __len__(self) -> int:
        return len(self.pts)

    @cached_property
    def times_s(self) -> NDArray[np.float64]:
        """Presentation times in s, as the file has them (the first need not be zero)."""
        return np.asarray(self.pts * (self.time_base.numerator / self.time_base.denominator), dtype=np.float64)

    @cached_property
    def end_s(self) -> float:
        """Time at which the last picture ends."""
        return float((int(self.pts[-1]) + int(self.durations[-1])) * self.time_base) if len(self) else 0.0

    @cached_property
    def interval_s(self) -> float:
        """Median time between pictures in s; 0 for a single picture."""
        return float(np.median(np.diff(self.times_s))) if len(self) > 1 else 0.0

    @cached_property
    def average_rate(self) -> Fraction:
        """Pictures a second over the whole clip, from first to last timestamp; 0 for a single picture of no duration."""
        if len(self) > 1:
            span = Fraction(int(self.pts[-1]) - int(self.pts[0])) * self.time_base
            return Fraction(len(self) - 1) / span
        length = Fraction(int(self.durations[0])) * self.time_base if len(self) else Fraction(0)
        return 1 / length if length else Fraction(0)

    @cached_property
    def gaps(self) -> tuple[tuple[int, float], ...]:
        """(number, s) of pictures followed by a pause of more than 1.5 usual intervals: the pause beyond the usual one."""
        if len(self) < 3:
            return self.pauses
        steps = np.diff(self.times_s)
        usual = self.interval_s
        return tuple((int(n), float(steps[n] - usual)) for n in np.flatnonzero(steps > 1.5 * usual))

    @cached_property
    def variable_rate(self) -> bool:
        """Whether intervals differ by more than rounding to ticks and to 1 ms explains."""
        if len(self) < 3:
            return False
        steps = np.diff(self.times_s)
        slack = 2.1 * max(float(self.time_base), 0.0005)
        return bool(np.max(np.abs(steps - self.interval_s)) > max(slack, 0.02 * self.interval_s))

    def number_at(self, time_s: float) -> int:
        """Return the number of the picture on show at a time.

        Times within half a millisecond (or a quarter of the interval, if less) before a picture's own count as its own, so
        that a printed time finds its picture again.

        Raises
        ------
        SeekError
            If the time lies before the first or after the last picture.
        """
        if not len(self):
            raise SeekError("the clip holds no picture.")
        slack = min(0.00051, 0.25 * self.interval_s) if self.interval_s else 0.00051
        number = int(np.searchsorted(self.times_s, time_s + slack, side="right")) - 1
        first, last = float(self.times_s[0]), float(self.times_s[-1])
        if number < 0:
            raise SeekError(f"no picture at {time_s:.4f} s: the first is at {first:.4f} s.")
        if time_s > max(self.end_s, last) + max(slack, 0.0):
            raise SeekError(f"no picture at {time_s:.4f} s: the last one is at {last:.4f} s.")
        return number


__all__ = ["Cancelled", "FrameIndex", "Progress"]

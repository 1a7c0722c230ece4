"""How a rolling-shutter camera samples light that pulses: aliases, exposure loss, bands, and the clip's own clock.

Row ``r`` of frame ``n`` is exposed around ``t[n] + r * row_time``.  Everything here is closed form.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

LOWEST_HZ = 2.0
"""Slower changes are drift of light or gain, not flicker."""
HIGHEST_HZ = 5000.0
"""End of the searched band; real gating stays well below."""


def alias_frequency(frequency_hz: float, frame_rate: float) -> float:
    """Return where a frequency appears in frame values: ``|f - round(f / fs) fs|``, 0 .. fs/2 (Hz)."""
    return abs(frequency_hz - round(frequency_hz / frame_rate) * frame_rate)


def alias_candidates(alias_hz: float, frame_rate: float, highest_hz: float, *, lowest_hz: float = 0.0) -> Floats:
    """Return every frequency ``k fs +- alias`` in ``(lowest_hz, highest_hz]``, rising (Hz)."""
    order = np.arange(0, int(highest_hz / frame_rate) + 2)
    both = np.concatenate((order * frame_rate + alias_hz, order * frame_rate - alias_hz))
    both = np.sort(both[(both > max(lowest_hz, 0.0)) & (both <= highest_hz)])
    if both.size < 2:
        return both
    return np.asarray(both[np.concatenate(([True], np.diff(both) > 1e-9))])


def common_candidates(first: ArrayLike, second: ArrayLike, tolerance_hz: float) -> Floats:
    """Return the mean of every pair of candidates of two clips that agree within `tolerance_hz` (Hz)."""
    one, two = np.asarray(first, float), np.asarray(second, float)
    gap = np.abs(one[:, None] - two[None, :])
    left, right = np.nonzero(gap <= tolerance_hz)
    return np.sort(0.5 * (one[left] + two[right]))


def exposure_attenuation(frequency_hz: ArrayLike, exposure_s: float) -> Floats:
    """Return ``|sinc(f Te)|``: the share of a modulation that an exposure of `exposure_s` leaves."""
    return np.abs(np.sinc(np.asarray(frequency_hz, float) * exposure_s))


def frame_mean_attenuation(frequency_hz: float, rows: int, row_time_s: float, exposure_s: float) -> float:
    """Return what is left of a modulation in the mean of `rows` rows."""
    return float(abs(np.sinc(frequency_hz * exposure_s) * np.sinc(frequency_hz * rows * row_time_s)))


def band_period_rows(frequency_hz: float, row_time_s: float) -> float:
    """Return the spacing of the bands, ``1 / (f t_row)`` (rows)."""
    return 1.0 / (frequency_hz * row_time_s)


def band_drift_rows(frequency_hz: float, frame_rate: float, row_time_s: float) -> float:
    """Return how far the bands move from frame to frame (rows; positive along the readout)."""
    turns = frequency_hz / frame_rate
    wrapped = turns - math.floor(turns + 0.5)
    return -wrapped / (frequency_hz * row_time_s)


def bands_per_frame(frequency_hz: float, rows: int, row_time_s: float) -> float:
    """Return how many periods fall within the rows of one frame."""
    return frequency_hz * rows * row_time_s


def row_time_from_bands(period_rows: float, lamp_hz: float) -> float:
    """Return the row time (s) from the band spacing of a lamp of known frequency."""
    return 1.0 / (lamp_hz * period_rows)


def frequency_from_band_ratio(lamp_hz: float, lamp_rows: float, period_rows: float) -> float:
    """Return a frequency (Hz) from two band spacings in the same camera mode, without the row time."""
    return lamp_hz * lamp_rows / period_rows


def readout_sidelobe(duty: float, order: int) -> float:
    """Return the amplitude of the alias at ``f +- k fs`` when rows cover the share `duty` of the frame time."""
    return float(abs(np.sinc(order * duty)))


def frequency_floor(amplitude_over_sigma: float, samples: int, duration_s: float) -> float:
    """Return the Cramer-Rao bound of a frequency in white noise (Hz, 1 sigma, many cycles)."""
    return math.sqrt(6.0) / (math.pi * duration_s * amplitude_over_sigma * math.sqrt(samples))


@dataclass(frozen=True, slots=True)
class Clock:
    """The frame times of a clip and what they imply for aliasing.

    Parameters
    ----------
    times_s : ndarray of shape (N,)
        Frame times, rising (s).
    rate : float
        Frames per second: one over the median interval.
    comb_hz : float or None
        Rate of the finest regular grid that holds every frame; aliases repeat at its multiples.  None where frames are so
        uneven that there is no grid, and hence no exact alias.
    regular : bool
        Whether every interval is the same.
    """

    times_s: Floats
    rate: float
    comb_hz: float | None
    regular: bool

    @property
    def duration_s(self) -> float:
        """Time covered, the last frame's own included."""
        return float(self.times_s[-1] - self.times_s[0]) + 1.0 / self.rate

    @property
    def fold_hz(self) -> float:
        """Distance of neighbouring aliases (Hz); infinite without a grid."""
        return self.comb_hz if self.comb_hz is not None else math.inf


def read_clock(times_s: ArrayLike, *, tick_s: float = 0.0) -> Clock:
    """Return the clock of a clip from its timestamps.

    Parameters
    ----------
    times_s : array_like of shape (N,)
        Timestamps (s), rising, ``N >= 3``.
    tick_s : float, optional
        One unit of the file's time base.  Deviations of up to one tick are rounding by the file and are evened out.

    Notes
    -----
    A clip of mixed 30 and 24 fps lies on a grid of 120 Hz; gaps lie on the grid of the frame rate.
    """
    times = np.asarray(times_s, float)
    times = times - times[0]
    steps = np.diff(times)
    middle = float(np.median(steps))
    # the mean of the ordinary steps is free of the rounding that the median keeps
    ordinary = steps[np.abs(steps - middle) <= 1e-3 * middle + 1.5 * tick_s]
    # of an even number of uneven steps, none may lie near the median
    step = float(ordinary.mean()) if ordinary.size else middle
    slack = max(1.05 * tick_s, 2e-6 * step, 1e-9)
    for division in (1, 2, 3, 4, 5, 6, 8, 10, 12):
        base = step / division
        for _ in range(3):
            count = np.round(times / base)
            base = float(np.dot(count, times - times.mean()) / np.dot(count, count - count.mean()))
        count = np.round(times / base)
        rest = times - count * base
        if np.max(np.abs(rest - rest.mean())) > slack or slack > 0.1 * base or np.any(np.diff(count) < 1):
            continue
        stride = float(np.median(np.diff(count)))
        regular = bool(np.all(np.diff(count) == stride))
        return Clock(count * base, 1.0 / (base * stride), 1.0 / (base * (stride if regular else 1.0)), regular)
    return Clock(times, 1.0 / step, None, False)


__all__ = [
    "HIGHEST_HZ",
    "LOWEST_HZ",
    "Clock",
    "alias_candidates",
    "alias_frequency",
    "band_drift_rows",
    "band_period_rows",
    "bands_per_frame",
    "common_candidates",
    "exposure_attenuation",
    "frame_mean_attenuation",
    "frequency_floor",
    "frequency_from_band_ratio",
    "read_clock",
    "readout_sidelobe",
    "row_time_from_bands",
]

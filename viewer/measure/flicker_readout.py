"""Readout time of a camera mode from a lamp of known frequency."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from viewer.measure.flicker_candidates import aliases
from viewer.measure.flicker_lines import find_lines
from viewer.measure.flicker_places import Line
from viewer.measure.flicker_rows import RowLight, bin_rows, relative_light
from viewer.measure.flicker_sampling import Clock, alias_frequency

Floats = NDArray[np.float64]

PHASE_ERROR = 4e-4
"""Error of the number of bands in the picture (1 sigma) that the scatter of frames does not show: encoders and uneven light."""

LAMP_SPREAD = 5e-4
"""Usual relative deviation of a lamp from its nominal frequency, 1 sigma: large grids keep within about this (practice)."""
SURE_ODDS = 100.0
"""A direction is told if a lamp with that deviation leaves the other one with less than one in this many."""


@dataclass(frozen=True, slots=True)
class Readout:
    """Readout of a camera mode.

    ``readout_s`` is delivered rows x row time of the whole picture; ``backwards`` says that the bands run against the
    direction that was assumed, ``symmetric`` that they do not tell (then ``backwards`` is False); ``lamp_hz`` is the lamp's
    frequency by the clip's own clock.
    """

    readout_s: float
    sigma_s: float
    row_time_s: float
    row_time_sigma_s: float
    lamp_hz: float
    lamp_sigma_hz: float
    backwards: bool
    symmetric: bool
    line: Line


def calibrate(
    rows: RowLight,
    lamp_hz: float,
    *,
    lamp_error: float = 0.005,
    direction_known: bool = False,
    cancelled: Callable[[], bool] | None = None,
) -> tuple[Readout | None, str]:
    """Return the readout, or None with the reason.

    Parameters
    ----------
    rows : RowLight
    lamp_hz : float
        Frequency of the light's pulses: twice the mains for ordinary lamps.
    lamp_error : float
        How far the lamp may be off (relative); mains wander by up to 0.4 %.
    direction_known : bool
        The direction of readout is known, not assumed: it decides where the bands do not.

    Notes
    -----
    The bands give ``q = f T``; the alias in time gives f by the clip's own clock, so a mains frequency that is off does not
    matter.  The sign of the alias against that of q gives the direction; but bands that run up for 100.05 Hz run down for 99.95
    at 50 fps, so it is told only if a lamp's usual wander does not leave both.
    """
    data = relative_light(bin_rows(rows))
    found = find_lines(data, cancelled=cancelled)
    clock = data.clock
    along, against = (
        _nearest(found.lines, clock, data.share, lamp_hz, max(lamp_error * lamp_hz, 0.05), backwards)
        for backwards in (False, True)
    )
    best = along if against is None or (along is not None and along.score <= against.score) else against
    if best is None:
        return None, _why_not(found.lines != (), lamp_hz, clock.rate)
    symmetric = along is not None and against is not None and _both_possible(along, against, lamp_hz)
    if symmetric:
        best = along
    assert best is not None
    line, frequency = best.line, best.frequency_hz
    span = abs(line.wave.q) / frequency
    # error of q adds to that of f, which is far smaller
    relative = math.hypot(line.wave.sigma_q / abs(line.wave.q), line.wave.sigma_hz / frequency, PHASE_ERROR / abs(line.wave.q))
    if symmetric and not direction_known and against is not None:
        # either frequency may be true: half their difference as a uniform error (JCGM 100:2008, 4.3.7)
        relative = math.hypot(relative, abs(against.frequency_hz - frequency) / frequency / math.sqrt(3.0))
    whole = span / data.share
    row_time = whole / rows.rows_delivered
    return (
        Readout(
            readout_s=whole,
            sigma_s=whole * relative,
            row_time_s=row_time,
            row_time_sigma_s=row_time * relative,
            lamp_hz=frequency / best.order,
            lamp_sigma_hz=line.wave.sigma_hz / best.order,
            backwards=best is against,
            symmetric=symmetric,
            line=line,
        ),
        "",
    )


@dataclass(frozen=True, slots=True)
class _Match:
    """A line that may be the lamp's `order`-th harmonic; the lowest `score` wins."""

    score: float
    line: Line
    frequency_hz: float
    order: int


def _nearest(
    lines: Sequence[Line], clock: Clock, share: float, lamp_hz: float, tolerance_hz: float, backwards: bool
) -> _Match | None:
    """Return the line that matches the lamp best if the readout runs as assumed, or `backwards`."""
    best: _Match | None = None
    for line in lines:
        for order in (1, 2, 3):
            for frequency, _ in aliases(line.wave, clock, share, backwards=backwards):
                off = abs(frequency - order * lamp_hz) / order
                if off > tolerance_hz or abs(line.wave.q) < 0.2:
                    continue
                # a lamp's second harmonic is taken only where the first is not there
                score = off / tolerance_hz + 2.0 * (order - 1) - min(line.wave.amplitude, 1.0)
                if best is None or score < best.score:
                    best = _Match(score, line, frequency, order)
    return best


def _both_possible(one: _Match, other: _Match, lamp_hz: float) -> bool:
    """Whether both directions leave a frequency that the lamp may have."""
    if one.line is not other.line or one.order != other.order:
        return False
    off = [(match.frequency_hz / match.order - lamp_hz) / (LAMP_SPREAD * lamp_hz) for match in (one, other)]
    return abs(off[0] ** 2 - off[1] ** 2) < 2.0 * math.log(SURE_ODDS)


def _why_not(something: bool, lamp_hz: float, rate: float) -> str:
    if alias_frequency(lamp_hz, rate) < 0.05:
        return (
            f"A lamp of {lamp_hz:g} Hz stands still at {rate:.5g} fps: its bands cannot be told from shading. "
            "Film at another frame rate."
        )
    if alias_frequency(2.0 * lamp_hz, rate) < 0.1:
        return (
            f"At {rate:.5g} fps the bands of a lamp of {lamp_hz:g} Hz change places from frame to frame and run neither way. "
            "Film at another frame rate."
        )
    if something:
        return f"The clip pulses, but not at {lamp_hz:g} Hz: check the lamp's frequency (twice the mains for ordinary lamps)."
    return "No bands were seen: film a bare lamp, out of focus, filling the picture, at a shutter of 1/1000 s or less."


def still_bands(rows: Floats, *, least_periods: float = 2.0) -> tuple[float, float]:
    """Return the spacing of bands in one picture (rows) and its 1-sigma error.

    Parameters
    ----------
    rows : ndarray of shape (R,)
        Row means of linear light of a lamp that fills the picture.
    least_periods : float
        The search starts at this many bands in the picture.

    Notes
    -----
    A harmonic model is fitted on a sloping background; its number of harmonics follows the bands' shape.
    """
    y = np.asarray(rows, float)
    n = y.size
    x = (np.arange(n) + 0.5) / n - 0.5
    trend = np.vander(x, 3)
    y = y / np.maximum(trend @ np.linalg.lstsq(trend, y, rcond=None)[0], 1e-12)
    grid = np.arange(least_periods, n / 4, 0.05)
    window = np.hanning(n + 2)[1:-1]
    power = np.abs(np.exp(-2j * np.pi * np.outer(grid, x)) @ ((y - y.mean()) * window))
    start = float(grid[int(np.argmax(power))])

    def design(q: float) -> Floats:
        harmonics = range(1, 1 + max(1, min(8, int(0.25 * n / q))))
        waves = [f(2 * np.pi * h * q * x) for h in harmonics for f in (np.cos, np.sin)]
        # amplitude may slope with the background
        return np.column_stack([trend, *waves, *[w * x for w in waves[:2]]])

    def cost(q: float) -> float:
        columns = design(q)
        rest = y - columns @ np.linalg.lstsq(columns, y, rcond=None)[0]
        return float(rest @ rest)

    best = float(optimize.minimize_scalar(cost, bounds=(start - 0.3, start + 0.3), method="bounded", options={"xatol": 1e-6}).x)
    step = 0.01
    curve = (cost(best + step) + cost(best - step) - 2 * cost(best)) / step**2
    # neighbouring rows share what is left: counted as one sample per twenty rows
    sigma = (
        math.sqrt(2.0 * cost(best) / max(n / 20.0, 1.0) / max(curve / n * n, 1e-30) * 20.0 / n) if curve > 0 else float("inf")
    )
    return n / best, n / best**2 * sigma


__all__ = ["Readout", "calibrate", "still_bands"]

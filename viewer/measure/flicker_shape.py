"""Which shapes of pulse explain the harmonics, and what depth and index they have.

Rows see a few harmonics of a pulse; how deep the light itself goes depends on the rest.  A cut-off series overshoots sharp
edges, a rectangle ignores glow: so a family of pulses (rectangles of any duty, with edges softened by an exponential glow or
evenly, down to a pure sine) is laid against what was recorded, and depth and index are what those say that fit.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

ORDERS = 8
"""Harmonics that are compared."""
_INSIDE = 48
"""Harmonics that make up a softened pulse."""
_POINTS = 360
DUTIES = np.concatenate((np.linspace(0.03, 0.1, 15)[:-1], np.linspace(0.1, 0.9, 161), np.linspace(0.9, 0.97, 15)[1:]))
"""Share of the period for which the drive is on."""
GLOWS = np.concatenate(([0.0], np.geomspace(0.004, 1.0, 36)))
"""Time constants of an exponential glow, in periods; the first is a sharp edge."""
BLURS = np.geomspace(0.01, 0.3, 18)
"""Standard deviations of even softening, in periods."""
DARK_BONUS = 3.0
DARKEST = -0.03
"""Fits may put the least light so far below zero (relative to the mean): errors of the harmonics."""


@dataclass(frozen=True, slots=True)
class _Family:
    """Pulses of unit step: harmonics (M, ORDERS), highest, lowest and mean positive excursion (M,), and the models' (M, 3)."""

    units: Complex
    high: Floats
    low: Floats
    above: Floats
    made_of: Floats


def _soften(order: Floats, glow: Floats, blur: Floats) -> Complex:
    """Return what glow and blur leave of harmonics, shape (M, orders)."""
    even = np.exp(-2.0 * np.square(np.pi * order[None, :] * blur[:, None]))
    return np.asarray(even / (1.0 + 2j * np.pi * order[None, :] * glow[:, None]), complex)


def _harmonics(order: Floats, made_of: Floats) -> Complex:
    """Return harmonics of pulses (duty, glow, blur) of unit step, the drive centred on phase 0, shape (M, orders)."""
    duty, glow, blur = made_of.T
    sharp: Floats = 2.0 * np.sin(np.pi * order[None, :] * duty[:, None]) / (np.pi * order[None, :])
    return np.asarray(sharp * _soften(order, glow, blur), complex)


def unit_waves(made_of: Floats, points: int = _POINTS) -> Floats:
    """Return one period of pulses of unit step about their means, the drive centred on phase 0, shape (M, points).

    Parameters
    ----------
    made_of : ndarray of shape (M, 3)
        Duty, glow and blur (periods); one of the latter two is 0.
    """
    phase = np.arange(points) / points
    out = np.empty((len(made_of), points))
    blurred = made_of[:, 2] > 0.0
    order = np.arange(1.0, _INSIDE + 1.0)
    if blurred.any():
        # symmetric pulses have real harmonics only
        out[blurred] = _harmonics(order, made_of[blurred]).real @ np.cos(2.0 * np.pi * order[:, None] * phase[None, :])
    duty, glow = made_of[~blurred, 0, None], np.maximum(made_of[~blurred, 1, None], 1e-9)
    start = (phase[None, :] + 0.5 * duty) % 1.0
    # rise and fall of a first-order glow under a rectangular drive, as they repeat
    rise, fall = np.exp(-duty / glow), np.exp(-(1.0 - duty) / glow)
    top = (1.0 - rise) / (1.0 - rise * fall)
    up = 1.0 - (1.0 - top * fall) * np.exp(-start / glow)
    down = top * np.exp(-np.maximum(start - duty, 0.0) / glow)
    out[~blurred] = np.where(start < duty, up, down) - duty
    return out


@cache
def _family() -> _Family:
    """Return all pulses that are considered, made once."""
    order = np.arange(1.0, ORDERS + 1.0)
    soft = [(glow, 0.0) for glow in GLOWS] + [(0.0, blur) for blur in BLURS]
    made_of = np.array([(duty, glow, blur) for glow, blur in soft for duty in DUTIES])
    waves = unit_waves(made_of)
    above = np.clip(waves, 0.0, None).mean(axis=1)
    return _Family(_harmonics(order, made_of), waves.max(axis=1), waves.min(axis=1), above, made_of)


@dataclass(frozen=True, slots=True)
class Shape:
    """What the pulses that fit say.

    ``depth`` (percent flicker, %) and ``index`` are (median, low, high) over the pulses that fit, 95 %.  ``duty``, ``glow``,
    ``blur`` (periods), ``step`` (relative to the mean light) and ``start`` (phase of the middle of the drive) describe a
    likely one of that depth; ``misfit`` is its root mean square distance in sigmas.
    """

    depth: tuple[float, float, float]
    index: tuple[float, float, float]
    duty: float
    glow: float
    blur: float
    step: float
    start: float
    misfit: float

    def light(self, points: int) -> Floats:
        """Return one period of that pulse, mean 1."""
        whole = unit_waves(np.array([[self.duty, self.glow, self.blur]]), points)[0]
        moved = np.roll(whole, round(self.start * points) % points)
        return np.asarray(np.clip(1.0 + self.step * (moved - moved.mean()), 0.0, None), float)


def fit_shapes(amplitudes: Complex, sigma: Floats) -> Shape | None:
    """Return what a family of pulses says of harmonics.

    Parameters
    ----------
    amplitudes : ndarray of shape (K,), complex
        ``light = 1 + Re sum_k c_k exp(2 pi i k f t)``, the exposure undone; K <= `ORDERS` are used.
    sigma : ndarray of shape (K,)
        1-sigma error of each, infinite where a harmonic is not known.

    Returns
    -------
    Shape or None
        None if the fundamental is not known or no pulse of the family is light (least light far below zero).
    """
    count = min(amplitudes.size, ORDERS)
    c, s = np.asarray(amplitudes[:count], complex), np.asarray(sigma[:count], float)
    if not np.isfinite(s[0]) or abs(c[0]) <= 0.0:
        return None
    family = _family()
    order = np.arange(1, count + 1)
    # the fundamental's phase places the pulse
    start = -(np.angle(c[0]) - np.angle(family.units[:, 0])) / (2.0 * np.pi)
    units = family.units[:, :count] * np.exp(-2j * np.pi * order[None, :] * start[:, None])
    weight = np.where(np.isfinite(s), 1.0 / np.square(s), 0.0)
    step = (np.conj(units) * c * weight).real.sum(axis=1) / (np.square(np.abs(units)) * weight).sum(axis=1)
    chi2 = (np.square(np.abs(c - step[:, None] * units)) * weight).sum(axis=1)
    possible = (step > 0.0) & (1.0 + step * family.low > DARKEST)
    if not possible.any():
        return None
    # pulses that fit worse than the errors allow: the errors are larger than was thought
    least = float(chi2[possible].min())
    known = max(2 * int(np.isfinite(s).sum()) - 4, 1)
    high, low = 1.0 + step * family.high, np.maximum(1.0 + step * family.low, 0.0)
    # gates switch the light off: no light between pulses is likelier than any given rest of it
    off = 1.0 + DARK_BONUS * np.exp(-0.5 * np.square(low / 0.03))
    likely = np.where(possible, np.exp(-0.5 * (chi2 - least) / max(1.0, least / known)), 0.0) * _prior() * off
    depth = 100.0 * (high - low) / (high + low)
    index = step * family.above
    depths, indices = _range(depth, likely), _range(index, likely)
    best = int(np.argmax(likely * np.exp(-0.5 * np.square((depth - depths[0]) / (0.01 * depths[0])))))
    return Shape(
        depth=depths,
        index=indices,
        duty=float(family.made_of[best, 0]),
        glow=float(family.made_of[best, 1]),
        blur=float(family.made_of[best, 2]),
        step=float(step[best]),
        start=float(start[best] % 1.0),
        misfit=float(np.sqrt(chi2[best] / known)),
    )


@cache
def _prior() -> Floats:
    """Return the weight of every pulse before anything is known: duties alike, sharp edges a third, each softening a third."""
    made_of = _family().made_of
    duty_step = np.gradient(DUTIES)
    weight = np.interp(made_of[:, 0], DUTIES, duty_step)
    glowing, blurred = made_of[:, 1] > 0.0, made_of[:, 2] > 0.0
    weight[glowing] /= GLOWS.size - 1
    weight[blurred] /= BLURS.size
    return weight


def _range(values: Floats, weight: Floats, share: float = 0.95) -> tuple[float, float, float]:
    """Return the median of a weighted distribution and the ends of its middle `share`."""
    order = np.argsort(values)
    total = np.cumsum(weight[order])
    at = np.searchsorted(total, np.array([0.5, 0.5 - 0.5 * share, 0.5 + 0.5 * share]) * total[-1])
    middle, low, high = values[order][np.minimum(at, values.size - 1)].tolist()
    return middle, low, high


__all__ = ["BLURS", "DUTIES", "GLOWS", "ORDERS", "Shape", "fit_shapes", "unit_waves"]

"""Where three bars lie: a three-bar template fitted to a profile across them, to a fraction of a pixel.

The template is three bars as wide as their gaps, blurred by a Gaussian: level, slope, the fall of the whole group and the
ripple of bars and gaps enter linearly and apart, so that a reversed or vanished ripple still has its place, from the group's
outline.  What is known beforehand (the box drawn, the scale of the chart) enters as a prior; it decides where the light is too
weak to.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.optimize import minimize
from scipy.special import erf


@dataclass(frozen=True, slots=True)
class Place:
    """Where the bars lie on the axis across them.

    Parameters
    ----------
    centre, width : float
        Middle of the centre bar and width of a bar, px (of the profile's axis).
    blur : float
        Standard deviation of the blur, px.
    centre_sigma, width_sigma : float
        Standard errors.
    group, ripple : float
        Fall of the group as a whole and of its ripple, light; positive for dark bars.
    group_sigma : float
        Standard error of `group`.
    misfit : float
        Root mean square of what the template leaves over.
    """

    centre: float
    width: float
    blur: float
    centre_sigma: float
    width_sigma: float
    group: float
    ripple: float
    group_sigma: float
    misfit: float


@dataclass(frozen=True, slots=True)
class Prior:
    """What is known before the fit: middle and bar width with their standard errors, and the blur's usual size."""

    centre: float
    width: float
    centre_sigma: float
    width_sigma: float
    blur: float = 1.0
    blur_factor: float = 3.0


def _edge(u: np.ndarray) -> np.ndarray:
    return np.asarray(0.5 * (1.0 + erf(u / math.sqrt(2.0))))


def columns(x: np.ndarray, centre: float, width: float, blur: float) -> np.ndarray:
    """Return the linear parts of the template at places `x`, shape (N, 4): level, slope, group, ripple.

    The group is the box around the bars; the ripple is the bars less their mean share (3/5) of that box.
    """
    u = (x - centre) / width
    s = blur / width

    def bar(a: float, b: float) -> np.ndarray:
        return np.asarray(_edge((u - a) / s) - _edge((u - b) / s))

    box = bar(-2.5, 2.5)
    bars = bar(-2.5, -1.5) + bar(-0.5, 0.5) + bar(1.5, 2.5)
    return np.column_stack([np.ones_like(u), u / 5.0, -0.6 * box, -(bars - 0.6 * box)])


def template_parts(profile: np.ndarray, place: Place) -> tuple[float, float]:
    """Return what middle thirds lose of the modulation between pixels, and what the outline alone would show.

    Where a curve is drawn through pixels, blurred bars lose a little; the fitted template tells how much.  A group whose ripple
    is gone still darkens its inner bars more than its gaps or less: that is the modulation of its outline.

    Parameters
    ----------
    profile : ndarray of shape (N,)
        Mean light across the bars, dark level taken off.
    place : Place

    Returns
    -------
    loss, outline : float
        Modulations.
    """
    x = np.arange(profile.size, dtype=float)
    matrix = columns(x, place.centre, place.width, place.blur)
    gram = matrix.T @ matrix
    gram[np.diag_indices(4)] += 1e-9 * np.trace(gram)
    parts = np.linalg.solve(gram, matrix.T @ np.asarray(profile, float))
    drawn = CubicSpline(x, matrix @ parts)
    exact, through = [], []
    nodes, weights = np.polynomial.legendre.leggauss(5)
    for offset in (-2.0, 0.0, 2.0, -1.0, 1.0):
        middle, half = place.centre + offset * place.width, place.width / 6.0
        exact.append(0.5 * weights @ columns(middle + half * nodes, place.centre, place.width, place.blur))
        through.append(float(drawn.integrate(middle - half, middle + half)) / (2.0 * half))
    thirds = np.array(exact)
    whole = _modulation([float(value) for value in thirds @ parts])
    return whole - _modulation(through), _modulation([float(value) for value in thirds[:, :3] @ parts[:3]])


def _modulation(means: list[float]) -> float:
    """Modulation of three bars and two gaps."""
    bar, gap = sum(means[:3]) / 3.0, sum(means[3:]) / 2.0
    return (gap - bar) / (gap + bar) if gap + bar > 0 else 0.0


class _Fit:
    def __init__(self, profile: np.ndarray, sigma: float, prior: Prior) -> None:
        self.y = profile
        self.x = np.arange(profile.size, dtype=float)
        self.sigma = max(sigma, 1e-12)
        self.prior = prior

    def solve(self, centre: float, width: float, blur: float) -> tuple[float, np.ndarray]:
        matrix = columns(self.x, centre, width, blur)
        gram = matrix.T @ matrix
        gram[np.diag_indices(4)] += 1e-9 * np.trace(gram)
        found = np.linalg.solve(gram, matrix.T @ self.y)
        rest = self.y - matrix @ found
        return float(rest @ rest), found

    def cost(self, vector: np.ndarray) -> float:
        centre, width, blur = float(vector[0]), float(np.exp(vector[1])), float(np.exp(vector[2]))
        p = self.prior
        chi2, _ = self.solve(centre, width, blur)
        return (
            chi2 / self.sigma**2
            + ((centre - p.centre) / p.centre_sigma) ** 2
            + ((width - p.width) / p.width_sigma) ** 2
            + (math.log(blur / p.blur) / math.log(p.blur_factor)) ** 2
        )


def fit_three_bars(profile: np.ndarray, sigma: float, prior: Prior, *, floor: float = 0.01) -> Place:
    """Fit the template.

    Parameters
    ----------
    profile : ndarray of shape (N,)
        Mean light across the bars, one sample a pixel; it holds the bars and about a bar width beside them.
    sigma : float
        Noise of a sample.
    prior : Prior
        In px of the profile.
    floor : float
        Misfit, as a share of the profile's range, that the template may have beyond noise.

    Returns
    -------
    Place
    """
    y = np.asarray(profile, float)
    noise = max(sigma, floor * float(np.ptp(y)), 1e-9 * max(1e-12, float(np.abs(y).max())))
    fit = _Fit(y, noise, prior)
    best, start = math.inf, np.zeros(3)
    for centre in prior.centre + prior.centre_sigma * np.array([-1.6, -0.8, 0.0, 0.8, 1.6]):
        for width in prior.width + prior.width_sigma * np.array([-1.2, 0.0, 1.2]):
            for blur in prior.blur * np.array([0.6, 1.0, 1.8]):
                vector = np.array([centre, math.log(max(width, 0.5)), math.log(max(blur, 0.3))])
                cost = fit.cost(vector)
                if cost < best:
                    best, start = cost, vector
    step = np.array([0.3 * prior.centre_sigma, 0.3 * prior.width_sigma / prior.width, 0.3])
    simplex = np.vstack([start, *(start + np.eye(3)[k] * step[k] for k in range(3))])
    solved = minimize(
        fit.cost, start, method="Nelder-Mead", options={"initial_simplex": simplex, "xatol": 2e-3, "fatol": 1e-3, "maxfev": 220}
    )
    vector = solved.x
    centre, width, blur = float(vector[0]), float(np.exp(vector[1])), float(max(np.exp(vector[2]), 0.3))
    chi2, amplitudes = fit.solve(centre, width, blur)
    centre_sigma = _curvature_sigma(fit, vector, 0, 0.25 * prior.centre_sigma, prior.centre_sigma)
    width_sigma = _curvature_sigma(fit, vector, 1, 0.25 * prior.width_sigma / width, prior.width_sigma / width) * width
    matrix = columns(fit.x, centre, width, blur)
    spread = np.linalg.pinv(matrix.T @ matrix) * noise**2
    return Place(
        centre,
        width,
        blur,
        centre_sigma,
        width_sigma,
        float(amplitudes[2]),
        float(amplitudes[3]),
        math.sqrt(max(0.0, float(spread[2, 2]))),
        math.sqrt(chi2 / y.size),
    )


def _curvature_sigma(fit: _Fit, vector: np.ndarray, axis: int, step: float, most: float) -> float:
    """Standard error from the curvature of the cost along one axis, at most the prior's."""
    sides = []
    for sign in (-1.0, 1.0):
        moved = vector.copy()
        moved[axis] += sign * step
        sides.append(fit.cost(moved))
    bend = (sides[0] - 2.0 * fit.cost(vector) + sides[1]) / step**2
    return most if bend <= 0 else min(most, math.sqrt(2.0 / bend))


__all__ = ["Place", "Prior", "columns", "fit_three_bars", "template_parts"]

r"""Targets of one chart read together: the transfer curve that all of them share, and each target's own light.

All targets of a chart are seen through one lens and tube and drawn in one ink, so that their modulations lie on one smooth
curve: three bars of a share q less light than their ground, blurred by :math:`\exp(-(f/f_0)^n)`.  Where light is strong each
target says more about itself than the curve can; where it is weak, the others say more.  Both are weighed by their errors.  By
how much targets stray from the curve beyond noise is found from the targets (Paule and Mandel), so that a transfer that the
curve does not follow leaves the targets alone.  A target that lies off the curve by more than chance is read by itself.

What is resolved is decided by each target's own light, never by the curve.

References
----------
.. [1] R. C. Paule, J. Mandel, J. Res. NBS 87 (1982) 377: scatter between groups beyond their errors.
.. [2] B. Efron, C. Morris, J. Am. Stat. Assoc. 70 (1975) 311: many like quantities drawn towards their common model.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from scipy.optimize import brentq, least_squares

from viewer.measure.bars import TargetResult, decide

LEAST_TARGETS = 6
LEAST_RANGE = 1.4  # of bar widths, widest over narrowest
CLOSE = 0.004  # by how much targets may stray from the curve without showing it
FAR = 3.5  # standard errors beyond which a target is read by itself
STEADY_DOF = 30.0  # of errors that the targets share
FINE = 24  # samples a bar width
HALF = 8  # bar widths to each side of the centre bar
# What is known of lenses and tubes beforehand: n and the ratio of both orientations, with standard errors.
STEEPNESS = (1.8, 0.4)
ASYMMETRY = 0.08
# An encoder takes from like patterns alike: this share of its error does not average out between targets.
CODING_SHARED = 0.75


@dataclass(frozen=True, slots=True)
class Curve:
    """Transfer curve of a chart.

    ``depth`` q is the share of light that the ink takes; ``corner`` f0 (cycles/px) where the transfer is 1/e, upright bars;
    ``steepness`` n; ``lying`` f0 of lying bars over that of upright ones; ``stray`` by how much targets stray from it.
    """

    depth: float
    corner: float
    steepness: float
    lying: float
    stray: float


@cache
def _weights() -> tuple[np.ndarray, np.ndarray]:
    """Frequencies (cycles per bar width) and what each adds of the ink's light to the mean of bars and gaps: (F,), (F, 2)."""
    place = (np.arange(2 * HALF * FINE) + 0.5) / FINE - HALF
    ink = np.zeros(place.size)
    third = np.zeros((2, place.size))
    for middle in (-2.0, 0.0, 2.0):
        ink += np.abs(place - middle) < 0.5
        third[0] += np.abs(place - middle) < 1.0 / 6.0
    for middle in (-1.0, 1.0):
        third[1] += np.abs(place - middle) < 1.0 / 6.0
    third /= third.sum(axis=1, keepdims=True)
    frequency = np.fft.rfftfreq(place.size, 1.0 / FINE)
    count = np.full(frequency.size, 2.0)
    count[0] = count[-1] = 1.0
    # the mean of a window of an inverse transform, written as one product with the spectrum
    spectrum = np.fft.rfft(ink)[:, None] * np.conj(np.fft.rfft(third, axis=1)).T
    return frequency, spectrum.real * count[:, None] / place.size


def three_bar_modulation(width_px: np.ndarray, depth: float, corner: float, steepness: float) -> np.ndarray:
    """Return the modulation of three bars under a transfer ``exp(-(f / corner)^steepness)``.

    Parameters
    ----------
    width_px : ndarray of shape (N,)
        Bar widths, px.
    depth : float
        Share of light that the ink takes, 0 .. 1.
    corner : float
        Cycles/px.
    steepness : float
        2 for a Gaussian blur.

    Returns
    -------
    ndarray of shape (N,)
    """
    frequency, weights = _weights()
    transfer = np.exp(-((frequency[None, :] / np.asarray(width_px, float)[:, None] / corner) ** steepness))
    light = 1.0 - depth * (transfer @ weights)
    return np.asarray((light[:, 1] - light[:, 0]) / (light[:, 1] + light[:, 0]))


def _model(p: np.ndarray, width: np.ndarray, lying: np.ndarray) -> np.ndarray:
    """Modulations for parameters depth, log corner, steepness, log ratio of the corners."""
    out = np.empty(width.size)
    for way, sign in ((False, -0.5), (True, 0.5)):
        part = lying == way
        if part.any():
            out[part] = three_bar_modulation(width[part], float(p[0]), math.exp(float(p[1] + sign * p[3])), float(p[2]))
    return out


def _fit(found: np.ndarray, sigma: np.ndarray, width: np.ndarray, lying: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the parameters of the curve and their covariance."""

    def residual(p: np.ndarray) -> np.ndarray:
        known = [(p[2] - STEEPNESS[0]) / STEEPNESS[1], p[3] / ASYMMETRY]
        return np.concatenate([(found - _model(p, width, lying)) / sigma, known])

    first = [float(np.clip(1.1 * found.max(), 0.1, 0.95)), math.log(0.35 / float(np.median(width))), STEEPNESS[0], 0.0]
    bounds = ([0.01, -6.0, 0.7, -1.0], [1.0, 2.0, 3.5, 1.0])
    solved = least_squares(residual, np.clip(first, *bounds), bounds=bounds, x_scale=[0.1, 0.1, 0.2, 0.05], max_nfev=80)
    return np.asarray(solved.x), np.asarray(np.linalg.pinv(solved.jac.T @ solved.jac))


def _stray(rest: np.ndarray, sigma: np.ndarray, parameters: float) -> float:
    """Scatter beyond the errors that makes chi squared what it should be (Paule and Mandel), at least `CLOSE`."""
    dof = max(1.0, rest.size - parameters)

    def excess(stray: float) -> float:
        return float((rest**2 / (sigma**2 + stray**2)).sum()) - dof

    return CLOSE if excess(CLOSE) <= 0 else float(brentq(excess, CLOSE, 2.0, xtol=1e-5))


def read_together(results: Sequence[TargetResult]) -> tuple[list[TargetResult], Curve | None]:
    """Return the targets with modulations weighed against the curve they share, and that curve.

    Parameters
    ----------
    results : sequence of TargetResult
        As from `read_target`, each read by itself.

    Returns
    -------
    results, curve
        In the same order; unchanged and None where fewer than `LEAST_TARGETS` targets of different sizes can be read or where
        they lie on no common curve.
    """
    good = [k for k, result in enumerate(results) if math.isfinite(result.sigma) and result.why != "no light"]
    widths = np.array([results[k].place.width for k in good])
    if len(good) < LEAST_TARGETS or widths.max() < LEAST_RANGE * widths.min():
        return list(results), None
    chosen = [results[k] for k in good]
    own = np.array([result.modulation for result in chosen])
    sigma = np.maximum([math.hypot(result.lone_sigma, result.coding_sigma) for result in chosen], 1e-4)
    lying = np.array([result.target.way == "h" for result in chosen])
    on = np.ones(own.size, bool)
    stray = 0.02
    parameters, covariance = np.zeros(4), np.eye(4)
    for turn in range(4):
        total = np.hypot(sigma, stray)
        parameters, covariance = _fit(own[on], total[on], widths[on], lying[on])
        rest = own - _model(parameters, widths, lying)
        stray = _stray(rest[on], sigma[on], 3.0)
        if turn:
            on = np.abs(rest) < FAR * np.hypot(sigma, stray)
        if np.count_nonzero(on) < max(LEAST_TARGETS, 0.7 * on.size):
            return list(results), None
    line = _model(parameters, widths, lying)
    step = 1e-4
    slopes = [(_model(parameters + step * unit, widths, lying) - line) / step for unit in np.eye(4)]
    spread = np.einsum("ik,ij,jk->k", np.array(slopes), covariance, np.array(slopes))
    trust = stray**2 / (stray**2 + sigma**2)
    out = list(results)
    for i in np.flatnonzero(on):
        error = math.sqrt(trust[i] * sigma[i] ** 2 + (1.0 - trust[i]) ** 2 * spread[i])
        out[good[i]] = _drawn(chosen[i], float(line[i] + trust[i] * (own[i] - line[i])), float(error / sigma[i]))
    curve = Curve(float(parameters[0]), math.exp(parameters[1] - 0.5 * parameters[3]), float(parameters[2]),
                  math.exp(parameters[3]), stray)  # fmt: skip
    return out, curve


def _drawn(result: TargetResult, modulation: float, shrink: float) -> TargetResult:
    """A target with its modulation drawn to the curve, its own errors smaller by `shrink`; shared errors stay."""
    shrink = min(1.0, shrink)
    resolved, why = decide(modulation, result.sigma, result.least_step, own=result.own)
    return replace(
        result,
        modulation=modulation,
        sigma=math.hypot(result.lone_sigma * shrink, result.shared_sigma),
        lone_modulation=result.own,
        lone_decision_sigma=result.decision_sigma,
        coding_sigma=result.coding_sigma * max(shrink, CODING_SHARED),
        dof=max(result.dof, STEADY_DOF),
        resolved=resolved,
        resolved_single=resolved and result.own > 3.0 * result.frame_sigma,
        why=why,
    )


__all__ = ["Curve", "read_together", "three_bar_modulation"]

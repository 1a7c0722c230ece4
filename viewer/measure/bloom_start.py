"""First guesses for the fit of a light: from its radial profile alone, over all radii, without a start value."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import cholesky
from scipy.optimize import nnls

from viewer.measure.bloom_profile import RadialProfile, blurred_disc

LADDER_RATIO = 1.35
EDGE_BLURS = (1.0, 2.2, 4.5)


def ladder(low: float, high: float) -> np.ndarray:
    """Return widths of Gaussians from `low` to `high`, each `LADDER_RATIO` times the one before."""
    if high <= low:
        return np.array([low])
    count = int(np.floor(np.log(high / low) / np.log(LADDER_RATIO))) + 1
    return np.asarray(low * LADDER_RATIO ** np.arange(count))


@dataclass(frozen=True, slots=True)
class Start:
    """Where a fit may begin.

    ``radius``, ``edge_sigma`` of the best disc and ``gain``, by how much it lowers the weighted squared residual of the
    profile against a smooth fall without any disc (in units of what is left); ``sigma`` of the Gaussian that carries
    most of the visible light and ``core``, the width of a narrower one beside it (0: none).
    """

    radius: float
    edge_sigma: float
    gain: float
    sigma: float
    core: float
    background: float


def _least(columns: np.ndarray, target: np.ndarray) -> tuple[float, np.ndarray]:
    """Squared residual and amplitudes of non-negative least squares, by scaled normal equations."""
    norm = np.sqrt(np.einsum("ij,ij->i", columns, columns)) + 1e-300
    a = columns / norm[:, None]
    gram = a @ a.T
    gram[np.diag_indices_from(gram)] += 1e-9
    upper = cholesky(gram, check_finite=False)
    found, _ = nnls(upper, np.linalg.solve(upper.T, a @ target), maxiter=50 * upper.shape[0])
    rest = target - found @ a
    return float(rest @ rest), found / norm


REACHES = (30.0, 48.0, 78.0, 126.0, 200.0, 320.0)


def first_guess(profile: RadialProfile) -> Start | None:
    """Search disc radius and Gaussian width over the profile, from near the light outwards.

    What lies far out (roofs, water, other lights) must not hide an edge near by, so ever longer parts of the profile are
    searched, and the disc that stands out most in its part is taken.  The Gaussian is the first that fits three times into
    its part.

    Returns None if the profile has fewer than eight rings.
    """
    r = profile.radius_px
    if r.size < 8:
        return None
    disc = (0.0, 0.0, 0.0)
    smooth: tuple[float, float] | None = None
    before = 0.0
    for reach in REACHES:
        part = r <= reach
        if part.sum() < 8 and reach < float(r[-1]):
            continue
        base, root = _weights(profile, part)
        found = _disc(r[part], root, profile.light[part] * root, 0.3 * before)
        before = reach
        if found[2] > disc[2]:
            disc = found
        if smooth is None or 3.0 * smooth[0] > float(r[part][-1]):
            smooth = _gaussian(r[part], root, profile.light[part] * root, float(r[part][-1]))
        if reach >= float(r[-1]):
            break
    if smooth is None:
        return None
    return Start(disc[0], disc[1], disc[2], smooth[0], smooth[1], base)


def _weights(profile: RadialProfile, part: np.ndarray) -> tuple[float, np.ndarray]:
    """Return the light at the outer end of a part, and the root of the weights: noise and a hundredth of the light."""
    light, sigma = profile.light[part], profile.sigma[part]
    base = float(np.median(light[-max(4, light.size // 10) :]))
    noise = np.maximum(sigma, 0.3 * float(np.median(sigma)))
    return base, 1.0 / (np.hypot(noise, 0.01 * np.abs(light - base)) + 1e-12)


def _disc(r: np.ndarray, root: np.ndarray, target: np.ndarray, least: float) -> tuple[float, float, float]:
    """Return radius (from `least` on), edge blur and gain of the best disc that falls more steeply than the smooth light."""
    reach = float(r[-1])
    widths = ladder(0.9, 2.0 * reach)
    smooth = np.vstack([np.ones_like(r), -np.ones_like(r), np.exp(-0.5 * (r / widths[:, None]) ** 2)])
    weighted = smooth * root
    without, _ = _least(weighted, target)
    best = (0.0, 0.0, without)
    low = max(3.0, float(r[0]) + 1.0, least)
    for radius in np.unique(np.concatenate([np.arange(low, min(30.0, reach), 1.0), low * 1.035 ** np.arange(140)])):
        if radius > min(reach - 4.0, 0.8 * reach):
            break
        for blur in EDGE_BLURS:
            if blur > 0.4 * radius:
                continue
            left, found = _least(np.vstack([weighted, blurred_disc(r, float(radius), blur) * root]), target)
            if left < best[2] and found[-1] > _fall(r, smooth, found[:-1], float(radius), blur):
                best = (float(radius), blur, left)
    gain = (without - best[2]) / max(best[2] / max(1, r.size - 8), 1e-300)
    return best[0], best[1], gain


def _fall(r: np.ndarray, smooth: np.ndarray, amplitudes: np.ndarray, radius: float, blur: float) -> float:
    """By how much the smooth light falls across the blurred edge of a disc."""
    light = amplitudes @ smooth
    inside, outside = np.interp([radius - 2.0 * blur, radius + 2.0 * blur], r, light)
    return float(inside - outside)


def _gaussian(r: np.ndarray, root: np.ndarray, target: np.ndarray, reach: float) -> tuple[float, float]:
    """Return the width of the Gaussian that carries most of the visible light, and that of a narrower one (0: none needed).

    A second Gaussian is used only where it lowers the squared residual by fifty times its share of what is left.
    """
    ones = np.ones_like(r)
    widths = [w for w in 1.2 * 1.08 ** np.arange(90) if w <= 0.6 * reach] or [1.2]
    shapes = {w: np.exp(-0.5 * (r / w) ** 2) for w in widths}

    def left(*chosen: float) -> tuple[float, np.ndarray]:
        return _least(np.vstack([ones, -ones, *(shapes[w] for w in chosen)]) * root, target)

    one = min(widths, key=lambda w: left(w)[0])
    rest = left(one)[0]
    pairs = [(a, b) for i, a in enumerate(widths[::2]) for b in widths[::2][i + 4 :]]
    two = min(pairs, key=lambda pair: left(*pair)[0]) if pairs else (one, one)
    rest_two, found = left(*two)
    if not pairs or rest - rest_two < 50.0 * rest_two / max(1, r.size - 6) or min(found[2:]) <= 0:
        return one, 0.0
    flux = [a * w**2 * np.exp(-0.5 * (r[0] / w) ** 2) for a, w in zip(found[2:], two, strict=True)]
    return (two[1], two[0]) if flux[1] >= flux[0] else (two[0], 0.0)


__all__ = ["LADDER_RATIO", "Start", "first_guess", "ladder"]

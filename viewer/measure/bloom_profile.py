"""Light spread round a point: closed forms, radii at levels, and the measured radial profile.

All profiles have the value at the centre of the *unblurred* shape equal to one and take radii in px.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.special import i0e, i1e

HALF = math.sqrt(2.0 * math.log(2.0))
"""Half-level radius of a Gaussian of unit sigma."""


def gaussian(r: np.ndarray, sigma: float) -> np.ndarray:
    """Return ``exp(-r^2 / (2 sigma^2))``."""
    return np.asarray(np.exp(-0.5 * (np.asarray(r, float) / sigma) ** 2))


def moffat(r: np.ndarray, a: float, b: float) -> np.ndarray:
    """Return ``(1 + r^2 / a^2)^-b``."""
    return np.asarray((1.0 + (np.asarray(r, float) / a) ** 2) ** -b)


def blurred_disc(r: np.ndarray, radius: float, sigma: float) -> np.ndarray:
    r"""Return the profile of a disc of `radius` blurred in two dimensions by a Gaussian of `sigma`.

    Parameters
    ----------
    r : ndarray
        Radii, px, any shape, >= 0.
    radius, sigma : float
        Radius of the disc and standard deviation of the blur, px, > 0.

    Returns
    -------
    ndarray
        Profile of the shape of `r`; 1 well inside a wide disc.

    Notes
    -----
    The profile equals ``1 - Q1(r / s, R / s)`` (Marcum), the distribution of a noncentral chi-square variate of two degrees
    of freedom.  Here its slope :math:`-(R / s^2) \exp(-(r-R)^2 / 2 s^2) I_1^e(r R / s^2)` is integrated from outside by
    Simpson's rule on a grid of ``s / 24`` and read off by a cubic Hermite polynomial: within 1e-7 and fast.  At ``r = R``
    the level is below one half, and the steepest fall lies ``s^2 / (2 R)`` inside `radius`.
    """
    r = np.asarray(r, float)
    reach = 7.0 * sigma
    low, high = max(0.0, radius - reach), radius + reach
    count = 2 * math.ceil(24.0 * (high - low) / sigma / 2.0) + 1
    grid = np.linspace(low, high, count)
    fine = np.linspace(low, high, 2 * count - 1)
    slope = -(radius / sigma**2) * np.exp(-0.5 * ((fine - radius) / sigma) ** 2) * i1e(fine * radius / sigma**2)
    step = grid[1] - grid[0]
    pieces = step / 6.0 * (slope[:-2:2] + 4.0 * slope[1:-1:2] + slope[2::2])
    level = np.concatenate([-np.cumsum(pieces[::-1])[::-1], [0.0]])
    place = np.clip((r - low) / step, 0.0, count - 1.000001)
    index = place.astype(np.intp)
    t = place - index
    y0, y1 = level[index], level[index + 1]
    m0, m1 = slope[2 * index] * step, slope[2 * index + 2] * step
    inner = y0 + t * (m0 + t * (3.0 * (y1 - y0) - 2.0 * m0 - m1 + t * (2.0 * (y0 - y1) + m0 + m1)))
    return np.asarray(np.where(r >= high, 0.0, np.where(r <= low, level[0], inner)))


def disc_level_at_edge(radius: float, sigma: float) -> float:
    """Return the level of a blurred disc at its own radius: ``(1 - exp(-a^2) I0(a^2)) / 2`` with ``a = R / s``."""
    return float(0.5 * (1.0 - i0e((radius / sigma) ** 2)))


def disc_half_radius(radius: float, sigma: float) -> float:
    """Return the radius at which a blurred disc falls to half the plateau of the sharp disc (0 if it never reaches it)."""
    return outermost_radius(lambda r: blurred_disc(r, radius, sigma), 0.5, radius + 6.0 * sigma)


def disc_steepest_radius(radius: float, sigma: float) -> float:
    """Return the radius at which a blurred disc falls most steeply (inside `radius` by about ``s^2 / (2 R)``)."""
    r = np.linspace(max(0.0, radius - 4.0 * sigma), radius + sigma, 4001)
    slope = np.exp(-0.5 * ((r - radius) / sigma) ** 2) * i1e(r * radius / sigma**2)
    return float(r[np.argmax(slope)])


def gaussian_radius(sigma: float, level: float) -> float:
    """Return the radius at which a Gaussian is at `level` of its peak (0 < level <= 1)."""
    return sigma * math.sqrt(-2.0 * math.log(level))


def moffat_radius(a: float, b: float, level: float) -> float:
    """Return the radius at which a Moffat profile is at `level` of its peak."""
    return a * math.sqrt(math.pow(level, -1.0 / b) - 1.0)


def gaussian_encircled(r: float, sigma: float) -> float:
    """Return the share of a Gaussian's light within `r`."""
    return 1.0 - math.exp(-0.5 * (r / sigma) ** 2)


def moffat_encircled(r: float, a: float, b: float) -> float:
    """Return the share of a Moffat profile's light within `r` (b > 1)."""
    return 1.0 - math.pow(1.0 + (r / a) ** 2, 1.0 - b)


def clipped_half_radius(sigma: float, clip_fraction: float) -> float:
    """Return the half-level radius that a Gaussian clipped at `clip_fraction` of its peak pretends to have."""
    return gaussian_radius(sigma, 0.5 * clip_fraction)


def outermost_radius(profile: Callable[[np.ndarray], np.ndarray], level: float, reach: float) -> float:
    """Return the largest radius up to `reach` at which `profile` crosses `level` (0 if it lies below everywhere)."""
    r = np.linspace(0.0, reach, 801)
    above = np.flatnonzero(profile(r) >= level)
    if not above.size:
        return 0.0
    i = int(above[-1])
    if i == r.size - 1:
        return float(reach)
    low, high = float(r[i]), float(r[i + 1])
    for _ in range(40):
        middle = 0.5 * (low + high)
        if profile(np.array([middle]))[0] >= level:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


@dataclass(frozen=True, slots=True)
class RadialProfile:
    """Light in rings round a centre.

    ``radius_px`` is the mean radius of the pixels used in each ring, ``light`` their robust mean, ``sigma`` its standard
    error from the scatter in the ring, ``spread`` that scatter itself (one standard deviation of a pixel), ``pixels`` how many.
    Rings without valid pixels are left out.
    """

    radius_px: np.ndarray
    light: np.ndarray
    sigma: np.ndarray
    spread: np.ndarray
    pixels: np.ndarray


def radial_profile(
    light: np.ndarray, centre: tuple[float, float], reach: float, *, valid: np.ndarray | None = None, width: float = 1.0
) -> RadialProfile:
    """Measure the light in rings of `width` px round `centre` (x, y) out to `reach` px.

    Pixels belong to the ring in which their centre lies.  A ring's value is the mean of its pixels within 3.5 robust standard
    deviations of the ring's median, so that neighbours and stray points do not pull it.

    Parameters
    ----------
    light : ndarray of shape (rows, cols)
        Linear light.
    valid : ndarray of bool, optional
        Pixels that may be used (not clipped, inside the field, not another light).
    """
    rows, cols = light.shape
    x, y = centre
    y0, y1 = max(0, math.floor(y - reach)), min(rows, math.ceil(y + reach) + 1)
    x0, x1 = max(0, math.floor(x - reach)), min(cols, math.ceil(x + reach) + 1)
    if y0 >= y1 or x0 >= x1:
        return RadialProfile(*(np.zeros(0) for _ in range(5)))
    yy, xx = np.mgrid[y0:y1, x0:x1]
    r = np.hypot(xx - x, yy - y)
    use = r < reach
    if valid is not None:
        use &= valid[y0:y1, x0:x1]
    radius, value = r[use], np.asarray(light[y0:y1, x0:x1], float)[use]
    ring = (radius / width).astype(np.intp)
    order = np.argsort(ring, kind="stable")
    radius, value, ring = radius[order], value[order], ring[order]
    found: list[tuple[float, float, float, float, float]] = []
    for part_r, part in zip(*(np.split(a, np.flatnonzero(np.diff(ring)) + 1) for a in (radius, value)), strict=True):
        if not part.size:
            continue
        middle = float(np.median(part))
        spread = 1.4826 * float(np.median(np.abs(part - middle)))
        keep = np.abs(part - middle) <= 3.5 * spread if spread > 0 else np.ones(part.size, bool)
        kept = part[keep]
        scatter = max(spread, float(np.std(kept)))
        found.append(
            (float(part_r[keep].mean()), float(kept.mean()), scatter / math.sqrt(kept.size), scatter, float(kept.size))
        )
    columns = np.array(found).reshape(-1, 5).T
    return RadialProfile(columns[0], columns[1], columns[2], columns[3], columns[4])


__all__ = [
    "HALF",
    "RadialProfile",
    "blurred_disc",
    "clipped_half_radius",
    "disc_half_radius",
    "disc_level_at_edge",
    "disc_steepest_radius",
    "gaussian",
    "gaussian_encircled",
    "gaussian_radius",
    "moffat",
    "moffat_encircled",
    "moffat_radius",
    "outermost_radius",
    "radial_profile",
]

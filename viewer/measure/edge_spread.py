"""The edge spread function and what follows from it: widths, over- and undershoot.

Slanted edges: a cubic spline is fitted by least squares to the light of all pixels at their own perpendicular distances.
Nothing is binned, so nothing is broadened: the result is the response of what made the pixels, their aperture included.
Edges whose pixels fall on few distances (along the pixel grid, or at 45 degrees) leave the shape between them open; there a
sum of Gaussian edges is fitted instead.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from scipy.interpolate import BSpline
from scipy.optimize import least_squares
from scipy.special import ndtr

from viewer.measure.bloom_fit import covariance
from viewer.measure.bloom_model import Patch

CLOSE = 0.003
PIECES = 8
STUDENT_OF_SIX = 1.31
LEAST_LIGHT = 0.03  # of the bright light: below, noise of the sensor or of code steps takes over from that of photons
# A glow is no Gaussian edge: what the sum of two leaves open of the width, as a share of the glow's part of the step (rendered
# halos and veils of 12 to 20 %: widths off by 0 to 1.5 %).
GLOW_WIDTH = 0.12


@dataclass(frozen=True, slots=True)
class EdgeSpread:
    """An edge spread function that is linear in its coefficients.

    ``basis(d)`` and ``slope(d)`` return the columns and their derivatives at distances `d` (shape (len(d), K)); `coefficients`
    and `covariance` are of those K; ``low``, ``high`` the distances between which it is known; `levels` the two rows (K,) whose
    products with the coefficients are the dark and the bright level; `kind` is ``spline`` or ``gaussian``; `glow` is the share
    of the step in the wider one of two Gaussian edges.
    """

    basis: Callable[[np.ndarray], np.ndarray]
    slope: Callable[[np.ndarray], np.ndarray]
    coefficients: np.ndarray
    covariance: np.ndarray
    low: float
    high: float
    levels: np.ndarray
    kind: str
    inflation: float
    noise: float
    chi2: float = 0.0
    pixels: int = 0
    glow: float = 0.0

    @property
    def dark(self) -> float:
        """Dark level."""
        return float(self.levels[0] @ self.coefficients)

    @property
    def bright(self) -> float:
        """Bright level."""
        return float(self.levels[1] @ self.coefficients)

    def light(self, d: np.ndarray) -> np.ndarray:
        """Light at distances `d`."""
        return np.asarray(self.basis(np.asarray(d, float)) @ self.coefficients)

    def share(self, d: np.ndarray) -> np.ndarray:
        """Light as a share of the step, 0 dark to 1 bright."""
        return (self.light(d) - self.dark) / (self.bright - self.dark)

    def widened(self, factor: float) -> EdgeSpread:
        """Return the same with all standard errors times `factor`."""
        return replace(self, covariance=self.covariance * factor**2)

    def error(self, gradient: np.ndarray) -> float:
        """Standard error of a quantity from its derivatives after the coefficients."""
        return math.sqrt(max(0.0, float(gradient @ self.covariance @ gradient)))


def phase_gap(distance: np.ndarray, reach: float) -> float:
    """Return the widest gap between the distances of pixels within `reach` of the edge, px."""
    near = np.sort(distance[np.abs(distance) < reach])
    if near.size < 2:
        return math.inf
    return float(np.diff(near).max())


def spread_spline(
    x: np.ndarray, y: np.ndarray, distance: np.ndarray, light: np.ndarray, sigma: float, *, gap: float
) -> EdgeSpread:
    """Fit a cubic spline to light against distance.

    Knots lie a third of the blur apart (at least one and a half of the widest gap between distances) across the edge and
    grow wider outwards, so that noise far from the edge does not enter the MTF.
    """
    low, high = float(np.percentile(distance, 0.2)), float(np.percentile(distance, 99.8))
    inside = (distance >= low) & (distance <= high)
    x, y, distance, light = x[inside], y[inside], distance[inside], light[inside]
    knots = _knots(low, high, max(0.25, 0.35 * sigma, 1.5 * gap), 3.0 * sigma + 1.0)
    count = knots.size - 4
    matrix = BSpline.design_matrix(distance, knots, 3).toarray()
    weight = np.ones(light.size)
    for _ in range(3):
        weighted = matrix * weight[:, None]
        gram = weighted.T @ matrix
        # a knot without pixels between its neighbours takes their course
        gram[np.diag_indices(count)] += 1e-10 * float(np.trace(gram)) / count
        found = np.linalg.solve(gram, weighted.T @ light)
        rest = light - matrix @ found
        weight = _weights(rest, distance, light)
    cov, inflation = covariance(Patch(x, y, light, weight), matrix.T, rest)
    unit = np.eye(count)
    spline = BSpline(knots, unit, 3, extrapolate=True)
    first = spline.derivative()

    def basis(d: np.ndarray) -> np.ndarray:
        return np.asarray(spline(np.clip(d, low, high)))

    def slope(d: np.ndarray) -> np.ndarray:
        return np.asarray(np.where(((d >= low) & (d <= high))[:, None], first(np.clip(d, low, high)), 0.0))

    levels = np.array([basis(zone).mean(axis=0) for zone in _zones(low, high, sigma)])
    noise = 1.4826 * float(np.median(np.abs(rest)))
    chi2 = float(np.sum(weight * rest**2))
    return EdgeSpread(basis, slope, found, cov, low, high, levels, "spline", inflation, noise, chi2, light.size)


def _zones(low: float, high: float, sigma: float) -> tuple[np.ndarray, np.ndarray]:
    """Distances over which the dark and the bright level are taken: the outer third, but beyond three and a half sigma."""
    far = 3.5 * sigma
    dark = np.linspace(low, min(-min(far, -0.8 * low), low / 1.5), 41)
    bright = np.linspace(max(min(far, 0.8 * high), high / 1.5), high, 41)
    return dark, bright


def _knots(low: float, high: float, step: float, core: float) -> np.ndarray:
    """Knots of a cubic spline: even within `core`, then each gap 1.35 times the one before, up to an eighth of the range."""
    widest = max(step, (high - low) / 8.0)

    def side(limit: float) -> list[float]:
        places, place, gap = [], 0.0, step
        while place + gap < limit - 0.6 * gap:
            place += gap
            places.append(place)
            if place > core:
                gap = min(1.35 * gap, widest)
        return places

    inner = [-p for p in reversed(side(-low))] + [0.0] + side(high)
    return np.concatenate([[low] * 4, inner, [high] * 4])


def _weights(rest: np.ndarray, distance: np.ndarray, light: np.ndarray) -> np.ndarray:
    """Weights from the scatter on each side and a biweight beyond 5 standard deviations."""
    edges = np.array([-3.0, 3.0])
    place = np.digitize(distance, edges)
    sigma = np.empty(rest.size)
    # what a smooth function leaves of a clean edge must not pass for stray pixels
    low, high = np.percentile(light, (2, 98))
    whole = max(1.4826 * float(np.median(np.abs(rest))), 0.002 * float(high - low), 1e-12)
    for k in range(3):
        part = place == k
        if part.any():
            sigma[part] = max(1.4826 * float(np.median(np.abs(rest[part]))), 0.8 * whole)
    t = np.clip((np.abs(rest) / sigma - 5.0) / 5.0, 0.0, 1.0)
    return np.asarray((1.0 - t**2) ** 2 / sigma**2)


def spread_gaussian(
    x: np.ndarray, y: np.ndarray, distance: np.ndarray, light: np.ndarray, sigma: float, *, edges: int = 1
) -> EdgeSpread:
    """Fit one Gaussian edge, or the sum of two of one centre; the coefficients include linearised widths and centre."""
    params = _erf_fit(distance, light, [sigma])
    root = _photon(distance, light, params[0], params[1:])
    if edges == 2:
        two = _erf_fit(distance, light, [params[1], 4.0 * params[1]])
        params = two if _positive(distance, light, two, root) else params
    centre, widths = params[0], params[1:]
    amplitudes, rest = _erf_levels(distance, light, centre, widths, root)
    kind = len(widths)

    def basis(d: np.ndarray) -> np.ndarray:
        z = (np.asarray(d, float) - centre)[:, None] / widths[None, :]
        rises = ndtr(z)
        density = np.exp(-0.5 * z**2) / math.sqrt(2.0 * math.pi)
        moves = -(density / widths) @ amplitudes[1:]
        spreads = -density * z / widths * amplitudes[1:]
        return np.column_stack([np.ones(len(z)), rises, moves, spreads])

    def slope(d: np.ndarray) -> np.ndarray:
        step = 1e-4
        return np.asarray((basis(np.asarray(d, float) + step) - basis(np.asarray(d, float) - step)) / (2.0 * step))

    coefficients = np.concatenate([amplitudes, np.zeros(1 + kind)])
    weight = _weights(rest, distance, light)
    # the covariance is that of this fit: its own weights, whatever the scatter says
    cov, inflation = covariance(Patch(x, y, light, root**2), basis(distance).T, rest)
    levels = np.zeros((2, coefficients.size))
    levels[0, 0] = levels[1, 0] = 1.0
    levels[1, 1 : 1 + kind] = 1.0
    if kind > 1:
        # a wide edge is glow: what the region's ends show is taken for dark and bright, as of any curve
        ends = np.percentile(distance, (0.2, 99.8))
        levels = np.array([basis(zone).mean(axis=0) for zone in _zones(float(ends[0]), float(ends[1]), sigma)])
    noise = 1.4826 * float(np.median(np.abs(rest)))
    low, high = float(distance.min()), float(distance.max())
    chi2 = float(np.sum(weight * rest**2))
    glow = float(amplitudes[-1] / amplitudes[1:].sum()) if kind > 1 else 0.0
    return EdgeSpread(basis, slope, coefficients, cov, low, high, levels, "gaussian", inflation, noise, chi2, light.size, glow)


def contradiction(simple: EdgeSpread, distance: np.ndarray, along: np.ndarray, light: np.ndarray, sigma: float) -> float:
    """Return how strongly the pixels contradict a spread function: the largest t of what it leaves behind.

    The residual is averaged in strips across the edge, apart for eight pieces along it.  What belongs to the edge is left in
    all pieces alike; what a codec made differs from piece to piece.  Strays under `CLOSE` of the step do not count.
    """
    # strips wide enough for half a dozen pixels in each piece
    length = max(float(np.ptp(along)), 1.0)
    width_px = max(0.8, 0.7 * sigma, 6.0 * PIECES / length)
    low, high = max(simple.low, -24.0 * width_px), min(simple.high, 24.0 * width_px)
    strips = np.linspace(low, high, max(6, int((high - low) / width_px)) + 1)
    inside = (distance > low) & (distance < high)
    rest = (light - simple.light(distance))[inside]
    strip = np.digitize(distance[inside], strips) - 1
    piece = np.digitize(along[inside], np.quantile(along[inside], np.linspace(0.0, 1.0, PIECES + 1))[1:-1])
    cell = strip * PIECES + piece
    size = (strips.size - 1) * PIECES
    count = np.bincount(cell, minlength=size).reshape(-1, PIECES)
    mean = np.bincount(cell, rest, size).reshape(-1, PIECES) / np.maximum(count, 1)
    full = (count >= 3).all(axis=1)
    if not full.any():
        return 0.0
    middle = mean[full].mean(axis=1)
    # eight values give a poor standard deviation: that of three strips together, never below that of the typical strip
    power = np.convolve(np.pad(mean[full].var(axis=1, ddof=1), 1, mode="edge"), np.full(3, 1.0 / 3.0), "valid")
    error = np.sqrt(power / PIECES)
    error = np.maximum(error, 0.7 * float(np.median(error))) + 1e-300
    large = np.abs(middle) > CLOSE * abs(simple.bright - simple.dark)
    return float(np.max(np.abs(middle[large]) / error[large])) if large.any() else 0.0


def uneven(distance: np.ndarray, along: np.ndarray, light: np.ndarray, sigma: float, error: float, *, pieces: int = 6) -> float:
    """Return by how much the blur of pieces along the edge varies against the error of the whole (1: as noise would have it).

    Compression distorts whole stretches of an edge alike; the scatter of pieces shows it, the noise between pixels does not.
    """
    edges = np.quantile(along, np.linspace(0.0, 1.0, pieces + 1))
    found = []
    for low, high in pairwise(edges):
        part = (along >= low) & (along <= high) & (np.abs(distance) < 5.0 * sigma + 4.0)
        if np.count_nonzero(part) < 40:
            return 1.0
        found.append(_erf_fit(distance[part], light[part], [sigma])[1])
    scatter = float(np.std(found, ddof=1)) / math.sqrt(pieces)
    ratio = scatter / error if error > 0 else 1.0
    # a scatter of six values is poorly known: where it decides, Student's factor over the normal one
    return ratio * STUDENT_OF_SIX if ratio > 1.5 else max(1.0, ratio)


def _photon(distance: np.ndarray, light: np.ndarray, centre: float, widths: np.ndarray) -> np.ndarray:
    """Return roots of weights for noise of photons: its variance grows with the light, as do errors of code steps, about.

    The light is the model's: weights from the pixels themselves would favour those that noise has darkened.
    """
    rest = _erf_levels(distance, light, centre, widths)[1]
    model = light - rest
    bright = max(float(model.max()), 1e-300)
    return np.asarray(np.sqrt(bright / np.maximum(model, LEAST_LIGHT * bright)))


def _erf_levels(
    distance: np.ndarray, light: np.ndarray, centre: float, widths: np.ndarray, root: np.ndarray | float = 1.0
) -> tuple[np.ndarray, np.ndarray]:
    """Return the levels that fit best with weights `root` squared, and the light left over."""
    matrix = np.column_stack([np.ones(distance.size), *(ndtr((distance - centre) / w) for w in widths)])
    found, *_ = np.linalg.lstsq(matrix * np.reshape(root, (-1, 1)), light * root, rcond=None)
    return found, light - matrix @ found


def _erf_fit(distance: np.ndarray, light: np.ndarray, widths: list[float]) -> np.ndarray:
    """Return centre and widths of the best sum of Gaussian edges, weighted for noise of photons."""
    root = _photon(distance, light, 0.0, np.array(widths))

    def residual(p: np.ndarray) -> np.ndarray:
        return np.asarray(root * _erf_levels(distance, light, p[0], np.exp(p[1:]), root)[1])

    start = np.concatenate([[0.0], np.log(widths)])
    found = least_squares(residual, start, x_scale=0.1, max_nfev=60)
    return np.concatenate([found.x[:1], np.exp(found.x[1:])])


def _positive(distance: np.ndarray, light: np.ndarray, params: np.ndarray, root: np.ndarray) -> bool:
    """Whether both edges of a pair rise and the wider one stays within the data."""
    amplitudes, _ = _erf_levels(distance, light, params[0], params[1:], root)
    reach = float(np.abs(distance).max())
    return bool(
        amplitudes[1:].min() > 0.01 * amplitudes[1:].sum() and params[1:].max() < 0.5 * reach and params[1:].min() > 0.15
    )


def crossing(spread: EdgeSpread, level: float) -> tuple[float, np.ndarray]:
    """Return the distance nearest to the edge at which the share of the step is `level`, and its gradient.

    Raises
    ------
    ValueError
        If the level is not crossed.
    """
    d = np.linspace(spread.low, spread.high, max(401, int(40 * (spread.high - spread.low))))
    above = spread.share(d) - level
    places = np.flatnonzero((above[:-1] < 0) & (above[1:] >= 0))
    if not places.size:
        raise ValueError("level not crossed")
    # from the half-level outwards: the first crossing met is the edge's own
    middle = float(d[np.argmin(np.abs(spread.share(d) - 0.5))])
    i = int(places[np.argmin(np.abs(d[places] - middle))])
    a, b = float(d[i]), float(d[i + 1])
    for _ in range(50):
        c = 0.5 * (a + b)
        if float(spread.share(np.array([c]))[0]) < level:
            a = c
        else:
            b = c
    place = 0.5 * (a + b)
    row = spread.basis(np.array([place]))[0]
    steep = float(spread.slope(np.array([place]))[0] @ spread.coefficients)
    target = (1.0 - level) * spread.levels[0] + level * spread.levels[1]
    return place, -(row - target) / steep


def width(spread: EdgeSpread, low: float = 0.1, high: float = 0.9) -> tuple[float, float]:
    """Return the distance over which the edge rises from `low` to `high` of its step, and its standard error, px."""
    first, first_gradient = crossing(spread, low)
    last, last_gradient = crossing(spread, high)
    found = last - first
    return found, math.hypot(spread.error(last_gradient - first_gradient), GLOW_WIDTH * spread.glow * found)


def overshoot(spread: EdgeSpread, sigma: float) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return over- and undershoot with standard errors, as shares of the step.

    Overshoot is how far the spread rises above the bright level within ``6 sigma + 4`` px of the edge, undershoot how far it
    falls below the dark level; 0 if it doesn't.
    """
    reach = 6.0 * sigma + 4.0
    found = []
    for side, level in ((1.0, spread.levels[1]), (-1.0, spread.levels[0])):
        limit = min(reach, 0.9 * (spread.high if side > 0 else -spread.low))
        d = side * np.linspace(0.0, max(limit, 0.5), 400)
        excess = side * (spread.basis(d) - level) @ spread.coefficients / (spread.bright - spread.dark)
        i = int(np.argmax(excess))
        gradient = (spread.basis(d[i : i + 1])[0] - level) / (spread.bright - spread.dark)
        found.append((max(0.0, float(excess[i])), spread.error(gradient)))
    return found[0], found[1]


__all__ = [
    "EdgeSpread",
    "contradiction",
    "crossing",
    "overshoot",
    "phase_gap",
    "spread_gaussian",
    "spread_spline",
    "uneven",
    "width",
]

"""Whether a glow is round: its radius by sectors, its long and short axis, and what the fit leaves behind."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from viewer.measure.bloom_fit import Fit
from viewer.measure.bloom_model import Shape
from viewer.measure.bloom_profile import HALF, moffat_radius

SECTORS = 16
WIDEST = 0.4  # share of the radius by which a sector is searched either way


@dataclass(frozen=True, slots=True)
class Roundness:
    """Radius of the halo's edge (or of the half level of a smooth glow) in 16 sectors, clockwise from +x, with errors (px).

    NaN where too little of a sector is in the field.  ``long_px`` and ``short_px`` are the half axes of the ellipse through
    them, ``axis_deg`` the direction of the long one from +x towards +y (modulo 180), ``axis_sigma_px`` the error of each half
    axis; all NaN with fewer than ten sectors.  ``differs`` says that sectors differ by more than their errors, ``extra`` the
    error that this adds to the mean radius.
    """

    radius_px: np.ndarray = field(default_factory=lambda: np.zeros(0))
    sigma_px: np.ndarray = field(default_factory=lambda: np.zeros(0))
    differs: bool = False
    extra: float = 0.0
    long_px: float = math.nan
    short_px: float = math.nan
    axis_deg: float = math.nan
    axis_sigma_px: float = math.nan

    @property
    def elongated(self) -> bool:
        """Whether the long axis stands clear of the short one."""
        return self.differs and self.long_px - self.short_px > 4.0 * self.axis_sigma_px


def half_level(shape: Shape) -> float:
    """Return the radius of a disc, or the half-level radius of a smooth glow, px."""
    if shape.kind == "moffat":
        return moffat_radius(float(shape.params[2]), float(shape.params[3]), 0.5)
    return float(shape.params[2]) * (HALF if shape.kind == "gauss" else 1.0)


def roundness(found: Fit, i: int) -> Roundness:
    """Fit the radius of light `i` sector by sector, everything else held.

    The profile is shifted (disc) or stretched (smooth glow) by up to 40 % of the radius and compared with the pixels of the
    sector; the least squares' vertex and its curvature, enlarged by correlation of the noise, give radius and error.
    """
    shape, patch = found.shapes[i], found.patch
    weight = float(found.solution.amplitudes[i][0])
    if weight <= 0:
        return Roundness()
    radius = half_level(shape)
    dx, dy = patch.x - shape.params[0], patch.y - shape.params[1]
    r = np.hypot(dx, dy)
    place = ((np.degrees(np.arctan2(dy, dx)) + 180.0 / SECTORS) % 360.0 // (360.0 / SECTORS)).astype(int)
    reach = 4.0 * float(shape.params[3]) if shape.kind == "disc" else 2.0 * radius
    near = np.abs(r - radius) < WIDEST * radius + reach
    # pixels that a round light cannot explain have no weight in the fit, but tell the shape
    trust = float(np.median(patch.weight[patch.weight > 0])) if np.any(patch.weight > 0) else 1.0
    grid = np.linspace(0.0, float(r.max(initial=1.0)) + 2.0, 1200)
    level = shape.main(grid)
    bare = found.solution.residual + weight * np.interp(r, grid, level)
    noise = math.sqrt(found.reduced) * max(1.0, found.inflation)
    offset, sigma, power = np.full(SECTORS, np.nan), np.full(SECTORS, np.nan), np.zeros(SECTORS)
    steps = np.linspace(-WIDEST * radius, WIDEST * radius, 81)

    def moved(at: np.ndarray, by: float) -> np.ndarray:
        there = at - by if shape.kind == "disc" else at * radius / (radius + by)
        return np.asarray(weight * np.interp(there, grid, level))

    for k in range(SECTORS):
        use = near & (place == k)
        if np.count_nonzero(use) < 12:
            continue
        at, seen = r[use], bare[use]
        loss = np.array([trust * float(np.sum((seen - moved(at, by)) ** 2)) for by in steps])
        best = int(np.clip(np.argmin(loss), 1, steps.size - 2))
        fine = steps[best] + np.linspace(-1.0, 1.0, 9) * (steps[1] - steps[0])
        bend, lean, _ = np.polyfit(fine - steps[best], [trust * float(np.sum((seen - moved(at, by)) ** 2)) for by in fine], 2)
        if bend <= 0:
            continue
        offset[k] = steps[best] - float(np.clip(lean / (2.0 * bend), fine[0] - steps[best], fine[-1] - steps[best]))
        power[k] = bend
        sigma[k] = noise / math.sqrt(bend)
    full = power > 0.25 * np.median(power[power > 0]) if np.any(power > 0) else np.zeros(SECTORS, bool)
    offset[~full], sigma[~full] = np.nan, np.nan
    return _judged(radius, offset, sigma, full)


def _judged(radius: float, offset: np.ndarray, sigma: np.ndarray, full: np.ndarray) -> Roundness:
    """Compare sectors with each other and lay an ellipse through them."""
    good = offset[full]
    if good.size < 6:
        return Roundness(radius + offset, sigma)
    middle = float(np.average(good, weights=sigma[full] ** -2.0))
    chi2 = float(np.sum(((good - middle) / sigma[full]) ** 2)) / (good.size - 1)
    spread = float(np.std(good, ddof=1))
    differs = chi2 > 4.0 and spread > 0.01 * radius
    extra = spread / math.sqrt(good.size) if chi2 > 4.0 else 0.0
    if good.size < 10:
        return Roundness(radius + offset, sigma, differs, extra)
    angle = np.radians(np.flatnonzero(full) * 360.0 / SECTORS)
    # averaging over a sector of 22.5 degrees lowers the second harmonic a little
    damping = math.sin(2.0 * math.pi / SECTORS) / (2.0 * math.pi / SECTORS)
    columns = np.array([np.ones_like(angle), damping * np.cos(2 * angle), damping * np.sin(2 * angle)]) / sigma[full]
    gram = columns @ columns.T
    mean, a, b = np.linalg.solve(gram, columns @ (good / sigma[full]))
    swing = math.hypot(a, b)
    error = math.sqrt(float(np.linalg.inv(gram)[1:, 1:].trace()) / 2.0) * max(1.0, math.sqrt(chi2) if not differs else 1.0)
    axis = math.degrees(0.5 * math.atan2(b, a)) % 180.0
    size = radius + float(mean)
    return Roundness(radius + offset, sigma, differs, extra, size + swing, size - swing, axis, error)


def misfit(found: Fit, i: int) -> float:
    """Return the rms of the ring means of the residual near the edge, as a share of the halo's (or glow's) height."""
    shape = found.shapes[i]
    height = float(found.solution.amplitudes[i][0])
    if height <= 0:
        return 0.0
    r = np.hypot(found.patch.x - shape.params[0], found.patch.y - shape.params[1])
    edge = half_level(shape)
    reach = 4.0 * float(shape.params[3]) if shape.kind == "disc" else edge
    near = (np.abs(r - edge) < reach) & (found.patch.weight > 0)
    if np.count_nonzero(near) < 20:
        return 0.0
    ring = (r[near] - (edge - reach)).astype(int)
    count = np.bincount(ring)
    mean = np.bincount(ring, found.solution.residual[near])[count > 4] / count[count > 4]
    return float(np.sqrt(np.mean(mean**2))) / height if mean.size else 0.0


__all__ = ["SECTORS", "Roundness", "half_level", "misfit", "roundness"]

"""Where an edge runs: a straight or gently curved line, found and fitted in two dimensions."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares
from scipy.special import ndtr

from viewer.cv import cv2

CURVE_LEAST = 4.0  # a curvature is kept when it stands this many standard errors from zero


@dataclass(frozen=True, slots=True)
class EdgeLine:
    """An edge through ``(x0, y0) + offset * n``, its normal ``n`` at `angle` (radians from +x towards +y) to the bright side.

    ``curvature`` (1/px) bends it: the edge lies at ``offset + curvature * t^2 / 2`` at place ``t`` along it.  `sigma` is the
    Gaussian blur (px) of the fit, `dark` and `bright` its levels, `angle_sigma` the standard error of the angle, `explained`
    the share of the variance that the fit explains.
    """

    x0: float
    y0: float
    angle: float
    offset: float
    curvature: float
    sigma: float
    dark: float
    bright: float
    angle_sigma: float = 0.0
    explained: float = 0.0

    @property
    def normal(self) -> tuple[float, float]:
        """Unit vector towards the bright side, (x, y)."""
        return math.cos(self.angle), math.sin(self.angle)

    @property
    def angle_deg(self) -> float:
        """Direction of the normal, degrees from +x towards +y, modulo 180."""
        return math.degrees(self.angle) % 180.0

    def along(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Place along the edge, px."""
        nx, ny = self.normal
        return np.asarray(-(x - self.x0) * ny + (y - self.y0) * nx)

    def distance(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Perpendicular distance from the edge, px, positive on the bright side."""
        nx, ny = self.normal
        d = (x - self.x0) * nx + (y - self.y0) * ny - self.offset
        if self.curvature == 0.0:
            return np.asarray(d)
        t = self.along(x, y)
        bend = self.curvature * t
        return np.asarray((d - 0.5 * bend * t) / np.sqrt(1.0 + bend**2))


def find_line(light: np.ndarray, usable: np.ndarray | None = None) -> EdgeLine | None:
    """Return a first line through the strongest edge of a picture, or None if nothing rises.

    The direction is that of the gradients' structure tensor, the place the centroid of the gradients along it.
    """
    smooth = cv2.GaussianBlur(np.asarray(light, np.float32), (0, 0), 1.5).astype(float)
    gy, gx = np.gradient(smooth)
    power = gx**2 + gy**2
    power[[0, 1, -2, -1], :] = 0.0
    power[:, [0, 1, -2, -1]] = 0.0
    if usable is not None:
        power = np.where(usable, power, 0.0)
    if float(power.max()) <= 0.0:
        return None
    # the strongest gradients only: noise and slopes elsewhere would turn the line
    weight = np.where(power > 0.2 * np.percentile(power, 99.5), power, 0.0)
    jxx, jyy, jxy = (float((weight * a).sum()) for a in (gx * gx, gy * gy, gx * gy))
    angle = 0.5 * math.atan2(2.0 * jxy, jxx - jyy)
    if float((weight * (gx * math.cos(angle) + gy * math.sin(angle))).sum()) < 0:
        angle += math.pi
    rows, cols = light.shape
    x0, y0 = 0.5 * (cols - 1), 0.5 * (rows - 1)
    yy, xx = np.mgrid[:rows, :cols]
    d = (xx - x0) * math.cos(angle) + (yy - y0) * math.sin(angle)
    offset = float((weight * d).sum() / weight.sum())
    low, high = (float(np.median(smooth[side])) if side.any() else 0.0 for side in (d < offset - 3, d > offset + 3))
    return EdgeLine(x0, y0, angle, offset, 0.0, 2.0, low, high)


def fit_line(light: np.ndarray, start: EdgeLine, usable: np.ndarray | None = None, *, window: float | None = None) -> EdgeLine:
    """Fit an edge of Gaussian blur to all pixels within `window` px of the edge: angle, place, bend, blur, levels.

    A bend is kept only if it stands out of its error.  Levels may each slope with the distance and along the edge.
    """
    rows, cols = light.shape
    yy, xx = np.mgrid[:rows, :cols].astype(float)
    use = np.isfinite(light) if usable is None else usable & np.isfinite(light)
    line = start
    for last in (False, True):
        reach = window if window is not None else max(6.0, 5.0 * line.sigma + 2.0)
        near = use & (np.abs(line.distance(xx, yy)) < reach)
        if np.count_nonzero(near) < 24:
            return line
        straight, chi2, sigmas = _solve(light, xx, yy, near, line, bend=False, slopes=False)
        if not last:
            line = straight
            continue
        # Glow and veil of what lies beside the region let the levels slope along the edge; of a ragged one these slopes
        # would make another line.
        sloped = _solve(light, xx, yy, near, straight, bend=False, slopes=True)
        slopes = _beside(sloped[0], straight) and sloped[1] < chi2
        if slopes:
            straight, chi2, sigmas = sloped
        bent, chi2_bent, sigmas_bent = _solve(light, xx, yy, near, straight, bend=True, slopes=slopes)
        curved = abs(bent.curvature) > CURVE_LEAST * sigmas_bent[2] and chi2_bent < chi2
        chosen = bent if curved else straight
        error = float((sigmas_bent if curved else sigmas)[0])
        rest = chi2_bent if curved else chi2
        spread = float(np.var(light[near])) * np.count_nonzero(near)
        explained = 1.0 - rest / spread if spread > 0 else 0.0
        line = EdgeLine(
            chosen.x0,
            chosen.y0,
            chosen.angle,
            chosen.offset,
            chosen.curvature,
            chosen.sigma,
            chosen.dark,
            chosen.bright,
            error,
            explained,
        )
    return line


def _beside(line: EdgeLine, other: EdgeLine) -> bool:
    """Whether two fits are of one edge: under a degree and a px apart."""
    return abs(line.angle - other.angle) < math.radians(1.0) and abs(line.offset - other.offset) < 1.0


def _solve(
    light: np.ndarray, xx: np.ndarray, yy: np.ndarray, near: np.ndarray, start: EdgeLine, *, bend: bool, slopes: bool
) -> tuple[EdgeLine, float, np.ndarray]:
    """Least squares over angle, offset, (bend) and blur with the levels solved inside; returns line, residual, errors."""
    x, y, value = xx[near], yy[near], light[near]
    length = max(float(np.ptp(start.along(x, y))), 1.0)

    def line_of(p: np.ndarray) -> EdgeLine:
        curve = p[3] * 1e-3 if bend else 0.0
        return EdgeLine(start.x0, start.y0, start.angle + p[0] * 1e-2, p[1], curve, math.exp(p[2]), start.dark, start.bright)

    def columns(line: EdgeLine) -> np.ndarray:
        d = line.distance(x, y)
        rise = ndtr(d / line.sigma)
        fall = 1.0 - rise
        parts = [np.ones_like(d), rise, d * rise, d * fall]
        if slopes:
            t = line.along(x, y) / length
            parts += [t * rise, t * fall]
        return np.stack(parts, axis=1)

    def residual(p: np.ndarray) -> np.ndarray:
        a = columns(line_of(p))
        return np.asarray(value - a @ _levels(a, value))

    first = [0.0, start.offset, math.log(max(start.sigma, 0.3))] + ([start.curvature * 1e3] if bend else [])
    found = least_squares(residual, first, x_scale=[1.0, 0.3, 0.1] + ([1.0] if bend else []), method="trf", max_nfev=30)
    line = line_of(found.x)
    levels = _levels(columns(line), value)
    rest = float(found.fun @ found.fun)
    curvature = np.linalg.pinv(found.jac.T @ found.jac) * rest / max(1, value.size - len(first) - 6)
    scale = np.array([1e-2, 1.0, 1e-3]) if bend else np.array([1e-2, 1.0, 0.0])
    place = [0, 1, 3] if bend else [0, 1, 2]
    errors = np.sqrt(np.maximum(np.diag(curvature)[place], 0.0)) * scale
    dark, rise = float(levels[0]), float(levels[1])
    angle = line.angle
    if rise < 0:
        angle += math.pi
        return (
            EdgeLine(line.x0, line.y0, angle, -line.offset, -line.curvature, line.sigma, dark + rise, dark),
            rest,
            errors,
        )
    return EdgeLine(line.x0, line.y0, angle, line.offset, line.curvature, line.sigma, dark, dark + rise), rest, errors


def _levels(columns: np.ndarray, light: np.ndarray) -> np.ndarray:
    """Least squares by normal equations: six columns of like size, solved a hundred times a fit."""
    gram = columns.T @ columns
    # an edge that leaves the picture while it is sought has columns of nothing
    gram[np.diag_indices_from(gram)] += 1e-13 * float(np.trace(gram)) + 1e-300
    return np.asarray(np.linalg.solve(gram, columns.T @ light))


def raggedness(
    light: np.ndarray, line: EdgeLine, usable: np.ndarray | None = None, *, step: float = 4.0
) -> tuple[float, float]:
    """Return how far pieces of `step` px of an edge stray from the line (rms, px) and the error of one such place.

    Each piece's place follows from the light that is missing or in excess within the blur and a few px.
    """
    rows, cols = light.shape
    yy, xx = np.mgrid[:rows, :cols].astype(float)
    d, t = line.distance(xx, yy), line.along(xx, yy)
    height = line.bright - line.dark
    reach = max(8.0, 4.0 * line.sigma)
    use = np.abs(d) < reach
    if usable is not None:
        use &= usable
    rest = (light - line.dark - height * ndtr(d / line.sigma))[use]
    piece = np.floor((t[use] - t[use].min()) / step).astype(int)
    count = np.bincount(piece)
    full = count > 0.5 * np.median(count[count > 0])
    # moving an edge by e changes the light summed across it by e * height per unit length
    moved = -np.bincount(piece, rest)[full] / height * (2.0 * reach) / count[full]
    far = np.abs(d[use]) > 0.6 * reach
    noise = float(np.std(rest[far])) if far.sum() > 20 else float(np.std(rest))
    error = noise / height * 2.0 * reach / math.sqrt(max(1.0, float(np.median(count[full]))))
    return float(np.sqrt(np.mean((moved - np.median(moved)) ** 2))), error


def angle_scatter(light: np.ndarray, line: EdgeLine, usable: np.ndarray | None = None, *, step: float = 3.0) -> float:
    """Return the standard error of the angle (radians) from how pieces of `step` px lie about the line; 0 if too few.

    A standing pattern of the picture moves neighbouring pieces alike; the noise of single pixels does not tell of it.  Each
    piece's place is the one that its pixels fit best.
    """
    rows, cols = light.shape
    yy, xx = np.mgrid[:rows, :cols].astype(float)
    d, t = line.distance(xx, yy), line.along(xx, yy)
    use = np.isfinite(light) & (np.abs(d) < 3.0 * line.sigma + 1.0)
    if usable is not None:
        use &= usable
    if np.count_nonzero(use) < 60:
        return 0.0
    z = d[use] / line.sigma
    rest = light[use] - line.dark - (line.bright - line.dark) * ndtr(z)
    density = np.exp(-0.5 * z**2) / (math.sqrt(2.0 * math.pi) * line.sigma)
    density -= density.mean()
    piece = np.floor((t[use] - t[use].min()) / step).astype(int)
    power = np.bincount(piece, density**2)
    full = power > 0.5 * np.median(power[power > 0])
    if np.count_nonzero(full) < 8:
        return 0.0
    moved = -np.bincount(piece, rest * density)[full] / power[full] / (line.bright - line.dark)
    place = (np.flatnonzero(full) + 0.5) * step
    place -= place.mean()
    left = moved - np.polyval(np.polyfit(place, moved, 2), place)
    rho = float(left[1:] @ left[:-1]) / max(float(left @ left), 1e-300)
    # the fit takes three degrees of freedom and with them some of the correlation (Kendall 1954)
    rho = min(0.8, max(0.0, rho + (1.0 + 3.0 * rho) / left.size))
    spread = math.sqrt(float(left @ left) / (left.size - 3) * (1.0 + rho) / (1.0 - rho))
    return spread / math.sqrt(float(place @ place))


def follow_line(light: np.ndarray, line: EdgeLine, start: float = 0.0) -> tuple[float, float] | None:
    """Return how far an edge has moved along its normal (px) and the error; None if it is not found.

    Gain and level are fitted with the place, in the end their slopes across the edge as well, so that pulsing light and its
    bands are not taken for motion.
    """
    rows, cols = light.shape
    yy, xx = np.mgrid[:rows, :cols].astype(float)
    d = line.distance(xx, yy).ravel()
    value = np.asarray(light, float).ravel()
    reach = max(12.0, 5.0 * line.sigma)
    moved, sloped = start, False
    for _ in range(25):
        near = np.abs(d - moved) < reach
        if np.count_nonzero(near) < 30:
            return None
        z = (d[near] - moved) / line.sigma
        density = np.exp(-0.5 * z**2) / (math.sqrt(2.0 * math.pi) * line.sigma)
        rise, away = ndtr(z), (d[near] - moved) / reach
        matrix = np.column_stack([np.ones(z.size), rise, density, *([away, away * rise] if sloped else [])])
        found, *_ = np.linalg.lstsq(matrix, value[near], rcond=None)
        if found[1] <= 0.05 * (line.bright - line.dark):
            return None
        step = float(np.clip(-found[2] / found[1], -1.5 * line.sigma, 1.5 * line.sigma))
        moved += step
        if abs(step) < 1e-3 and not sloped:
            sloped = True
        elif abs(step) < 1e-3:
            rest = value[near] - matrix @ found
            spread = float(np.linalg.pinv(matrix.T @ matrix)[2, 2])
            return moved, math.sqrt(float(rest @ rest) / z.size * spread) / float(found[1])
    return None


__all__ = ["EdgeLine", "angle_scatter", "find_line", "fit_line", "follow_line", "raggedness"]

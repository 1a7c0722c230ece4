"""The field of an eyepiece image: px per degree by marked points, fall of light towards its edge, distortion."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from viewer.errors import UsageError
from viewer.measure.stats import MAD_TO_SIGMA


@dataclass(frozen=True, slots=True)
class Scale:
    """Pixels per degree with its standard error, and how it was had."""

    px_per_degree: float
    sigma: float
    source: str


def scale_of_points(
    first: tuple[float, float],
    second: tuple[float, float],
    angle_deg: float,
    *,
    point_sigma_px: float = 0.5,
    angle_sigma_deg: float = 0.0,
) -> Scale:
    """Return the scale from two marked points a known angle apart.

    Raises
    ------
    UsageError
        If the points coincide or the angle is not above 0.
    """
    distance = math.hypot(second[0] - first[0], second[1] - first[1])
    if distance < 1.0 or not angle_deg > 0:
        raise UsageError("two points and the angle between them are needed.", hint="Mark points far apart, of known angle.")
    value = distance / angle_deg
    relative = math.hypot(math.sqrt(2.0) * point_sigma_px / distance, angle_sigma_deg / angle_deg)
    return Scale(value, value * relative, "two marked points")


def angle_of_size(size_m: float, distance_m: float) -> float:
    """Return the angle that a flat size subtends at a distance, its middle straight ahead, degrees."""
    return math.degrees(2.0 * math.atan2(0.5 * size_m, distance_m))


@dataclass(frozen=True, slots=True)
class Vignetting:
    """Light over the field relative to its middle.

    ``radius`` (0 middle, 1 edge) and ``relative`` give the median over rings, ``map`` the smooth field on the picture (NaN
    outside the circle), ``edge`` the light at nine tenths of the radius, ``tilt`` the largest difference between opposite
    sides there.
    """

    radius: np.ndarray
    relative: np.ndarray
    map: np.ndarray
    edge: float
    tilt: float


def vignetting(light: np.ndarray, cx: float, cy: float, radius: float, *, rings: int = 20) -> Vignetting:
    """Return how light falls off over the field of an evenly lit scene.

    Parameters
    ----------
    light : ndarray of shape (rows, cols)
        Mean linear light of an even field (sky, integrating sphere, defocused paper), dark level subtracted.
    cx, cy, radius : float
        Field circle, px.

    Raises
    ------
    UsageError
        If the middle of the field holds no light, or the circle is smaller than 10 px.
    """
    y, x = np.ogrid[: light.shape[0], : light.shape[1]]
    u, v = (x - cx) / radius, (y - cy) / radius
    r2 = u * u + v * v
    inside = r2 < 0.97**2
    if radius < 10 or not inside.any() or not float(np.median(light[r2 < 0.04])) > 0:
        raise UsageError("the field holds no even light.", hint="Film an evenly lit field, unclipped, and line the circle up.")
    r = np.sqrt(r2[inside])
    uu, vv = np.broadcast_to(u, light.shape)[inside], np.broadcast_to(v, light.shape)[inside]
    values = light[inside].astype(float)
    design = np.column_stack([np.ones_like(r), r**2, r**4, r**6, uu, vv])
    weights = np.ones_like(values)
    for _ in range(3):
        found = np.linalg.lstsq(design * weights[:, None], values * weights, rcond=None)[0]
        rest = values - design @ found
        sigma = 1.4826 * float(np.median(np.abs(rest))) + 1e-12
        weights = np.clip(4.0 - np.abs(rest) / sigma, 0.0, 1.0)
    middle = float(found[0])
    field = np.full(light.shape, np.nan)
    field[inside] = design @ found / middle
    edges = np.linspace(0.0, 0.97, rings + 1)
    places = 0.5 * (edges[1:] + edges[:-1])
    ring = np.digitize(r, edges) - 1
    relative = np.array([float(np.median(values[ring == k])) / middle if np.any(ring == k) else math.nan for k in range(rings)])
    at = 0.9
    rim = float(found[:4] @ np.array([1.0, at**2, at**4, at**6])) / middle
    tilt = 2.0 * at * float(np.hypot(found[4], found[5])) / middle
    return Vignetting(places, relative, field, rim, tilt)


def evenness(light: np.ndarray, found: Vignetting, *, cell: int = 12) -> tuple[float, float]:
    """Return how much an image varies about its smooth field (robust share, cells averaged), and over how many cells.

    Parameters
    ----------
    light : ndarray of shape (rows, cols)
    found : Vignetting
        Of that light.
    cell : int
        Side of the cells, px: noise of single pixels is no structure.
    """
    rows, cols = (size // cell * cell for size in light.shape)
    if not rows or not cols:
        return 0.0, 1.0
    inside = np.isfinite(found.map[:rows, :cols])
    scale = float(np.median(light[:rows, :cols][inside] / found.map[:rows, :cols][inside]))
    rest = np.where(inside, light[:rows, :cols] / np.where(inside, found.map[:rows, :cols], 1.0) / scale - 1.0, np.nan)
    cells = rest.reshape(rows // cell, cell, cols // cell, cell).mean(axis=(1, 3)).ravel()
    cells = cells[np.isfinite(cells)]
    if not cells.size:
        return 0.0, 1.0
    return MAD_TO_SIGMA * float(np.median(np.abs(cells - np.median(cells)))), float(cells.size)


@dataclass(frozen=True, slots=True)
class Distortion:
    """Change of scale from the middle to the edge of the field, %, with its standard error; ``matters`` beyond 2 %."""

    percent: float
    sigma: float
    matters: bool


def distortion(radii_px: Sequence[float], angles_deg: Sequence[float], field_radius_px: float) -> Distortion:
    """Return the distortion from points of known angle off the axis: radius = k angle (1 + d (radius / edge)^2).

    Raises
    ------
    UsageError
        With fewer than three points.
    """
    r, a = np.asarray(radii_px, float), np.asarray(angles_deg, float)
    if r.size < 3 or r.size != a.size:
        raise UsageError("three or more points of known angle are needed.", hint="Mark points from the middle to the edge.")
    design = np.column_stack([a, a * (r / field_radius_px) ** 2])
    found = np.linalg.lstsq(design, r, rcond=None)[0]
    rest = r - design @ found
    cov = np.linalg.pinv(design.T @ design) * float(rest @ rest) / max(1, r.size - 2)
    percent = 100.0 * float(found[1] / found[0])
    sigma = 100.0 * math.sqrt(float(cov[1, 1])) / abs(float(found[0]))
    return Distortion(percent, sigma, bool(abs(percent) > max(2.0, 2.0 * sigma)))


__all__ = ["Distortion", "Scale", "Vignetting", "angle_of_size", "distortion", "evenness", "scale_of_points", "vignetting"]

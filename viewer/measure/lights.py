"""Finding point lights: small, round, isolated bright spots at any size from a pixel to a wide glow."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import maximum_filter

from viewer.cv import cv2

SIGMA = 1.6  # of the finest smoothing, px of the octave
RATIO = 1.6
MOST = 400  # candidates looked at


@dataclass(frozen=True, slots=True)
class PointLight:
    """A point light: place (x, y) and size (px, sigma of the matched blur), height over its surroundings in linear light and
    over noise, and how alone it stands (distance to the nearest brighter light, px; infinite for the brightest).
    """

    x: float
    y: float
    size: float
    height: float
    significance: float
    isolation: float = math.inf

    @property
    def centre(self) -> tuple[float, float]:
        """Place, (x, y)."""
        return self.x, self.y


def _blur(image: np.ndarray, sigma: float) -> np.ndarray:
    return np.asarray(cv2.GaussianBlur(image, (0, 0), sigma, borderType=cv2.BORDER_REFLECT))


def _noise(response: np.ndarray, valid: np.ndarray) -> float:
    """Robust standard deviation of a band of the picture: from the smaller half, which lights hardly touch."""
    values = np.abs(response[valid])
    if not values.size:
        return 0.0
    step = max(1, values.size // 200_000)
    return 1.4826 * float(np.median(values[::step]))


def _stands_out(smooth: np.ndarray, x: int, y: int, reach: float, noise: float) -> float:
    """Return the least drop from the peak to eight places `reach` px away, as a share of the largest drop (0: not a peak)."""
    angles = np.arange(8) * (math.pi / 4)
    xs = np.rint(x + reach * np.cos(angles)).astype(int)
    ys = np.rint(y + reach * np.sin(angles)).astype(int)
    inside = (xs >= 0) & (xs < smooth.shape[1]) & (ys >= 0) & (ys < smooth.shape[0])
    if np.count_nonzero(inside) < 5:
        return 0.0
    drop = smooth[y, x] - smooth[ys[inside], xs[inside]]
    if drop.min() <= 3.0 * noise:
        return 0.0
    return float(drop.min() / drop.max())


def _octave(image: np.ndarray, valid: np.ndarray, scale: int, least: float) -> list[PointLight]:
    """Return the candidates of one octave, places in full-resolution px."""
    fine, coarse = _blur(image, SIGMA), _blur(image, SIGMA * RATIO)
    band = fine - coarse
    noise = _noise(band, valid)
    floor = max(least * noise, 1e-3 * float(band.max(initial=0.0)), 1e-12)
    peak = (band == maximum_filter(band, size=5)) & (band > floor) & valid
    ys, xs = np.nonzero(peak)
    strongest = np.argsort(band[ys, xs])[::-1][:MOST]
    found = []
    for y, x in zip(ys[strongest], xs[strongest], strict=True):
        share = _stands_out(fine, int(x), int(y), 3.2 * SIGMA, noise)
        if share < 0.45:
            continue
        dx, dy = _vertex(band, int(x), int(y))
        offset = 0.5 * (scale - 1)
        height = float(band[y, x]) / (1.0 - 1.0 / RATIO**2)
        found.append(
            PointLight(
                x=float(scale * (x + dx) + offset),
                y=float(scale * (y + dy) + offset),
                size=SIGMA * scale,
                height=height,
                significance=float(band[y, x]) / max(noise, 1e-12),
            )
        )
    return found


def _vertex(image: np.ndarray, x: int, y: int) -> tuple[float, float]:
    """Sub-pixel place of a maximum by a parabola along each axis."""

    def one(a: float, b: float, c: float) -> float:
        bend = a - 2.0 * b + c
        return 0.0 if bend >= 0 else float(np.clip(0.5 * (a - c) / bend, -0.5, 0.5))

    rows, cols = image.shape
    dx = one(image[y, x - 1], image[y, x], image[y, x + 1]) if 0 < x < cols - 1 else 0.0
    dy = one(image[y - 1, x], image[y, x], image[y + 1, x]) if 0 < y < rows - 1 else 0.0
    return dx, dy


def find_lights(
    light: np.ndarray, *, valid: np.ndarray | None = None, least: float = 8.0, most: int = 12
) -> tuple[tuple[PointLight, ...], int]:
    """Find point lights.

    The picture is halved again and again; at each size the difference of two blurs is searched for maxima that are `least`
    times the noise of that band and fall off to all sides (an edge, a pole or the rim of a halo does not).  A light seen at
    several sizes is kept once, at the finest size that holds at least half of its strongest height.

    Parameters
    ----------
    light : ndarray of shape (rows, cols)
        Mean picture in linear light.
    valid : ndarray of bool, optional
        Pixels inside the field.
    least : float, optional
        Height over noise.
    most : int, optional
        How many to return.

    Returns
    -------
    lights : tuple of PointLight
        The highest, brightest first, at most `most`.
    total : int
        How many were found.

    Notes
    -----
    Scale-space maxima of differences of Gaussians; a light of blur sigma answers most at the octave of its own size.
    """
    image = np.ascontiguousarray(light, dtype=np.float32)
    mask: np.ndarray = np.ones(image.shape, bool) if valid is None else valid
    if valid is not None and not valid.all():
        inner = image[valid]
        image = np.where(valid, image, np.median(inner) if inner.size else 0.0).astype(np.float32)
    found: list[PointLight] = []
    scale = 1
    while min(image.shape) >= 24:
        found.extend(_octave(image, mask, scale, least))
        rows, cols = image.shape[0] // 2, image.shape[1] // 2
        pairs = image[: 2 * rows, : 2 * cols].reshape(rows, 2, cols, 2)
        image = np.ascontiguousarray(pairs.mean(axis=(1, 3)))
        mask = np.asarray(mask[: 2 * rows, : 2 * cols].reshape(rows, 2, cols, 2).all(axis=(1, 3)))
        scale *= 2
    kept = _merge(found)
    return kept[:most], len(kept)


def _merge(found: list[PointLight]) -> tuple[PointLight, ...]:
    """Keep each light once: candidates within reach of a finer, comparable or stronger one are the same light."""
    kept: list[PointLight] = []
    for spot in sorted(found, key=lambda s: s.height, reverse=True):
        same = [k for k in kept if math.hypot(k.x - spot.x, k.y - spot.y) < 2.0 * max(spot.size, k.size)]
        if not same:
            kept.append(spot)
    alone = []
    for i, spot in enumerate(kept):
        away = min((math.hypot(k.x - spot.x, k.y - spot.y) for k in kept[:i]), default=math.inf)
        alone.append(PointLight(spot.x, spot.y, spot.size, spot.height, spot.significance, away))
    return tuple(alone)


def refine_centre(
    light: np.ndarray, start: tuple[float, float], *, valid: np.ndarray | None = None, reach: float = 12.0
) -> tuple[float, float]:
    """Return the centroid of the brightest spot within `reach` px of `start` (x, y).

    The light above halfway between the spot's peak and its surroundings is weighed, three times over; clipped pixels count with
    their clipped value, so a burnt-out core gives the centre of its outline.
    """
    rows, cols = light.shape
    x, y = start
    for _ in range(3):
        x0, x1 = max(0, math.floor(x - reach)), min(cols, math.ceil(x + reach) + 1)
        y0, y1 = max(0, math.floor(y - reach)), min(rows, math.ceil(y + reach) + 1)
        if x1 - x0 < 3 or y1 - y0 < 3:
            return start
        part = np.asarray(light[y0:y1, x0:x1], float)
        smooth = _blur(part.astype(np.float32), 1.0)
        yy, xx = np.mgrid[y0:y1, x0:x1]
        near = np.hypot(xx - x, yy - y) <= reach
        if valid is not None:
            near &= valid[y0:y1, x0:x1]
        if not near.any():
            return start
        low, high = float(np.median(part[near])), float(smooth[near].max())
        weight = np.where(near, np.clip(part - 0.5 * (low + high), 0.0, None), 0.0)
        total = float(weight.sum())
        if total <= 0:
            return start
        x, y = float((weight * xx).sum() / total), float((weight * yy).sum() / total)
    return (x, y) if math.hypot(x - start[0], y - start[1]) <= 1.5 * reach else start


__all__ = ["PointLight", "find_lights", "refine_centre"]

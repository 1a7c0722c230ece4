"""Pose from intensity: least squares on band-passed logarithmic light, to hundredths of a pixel.

The moving picture is brought to the reference by the current warp; both are band-passed with the mask that they share, so
that the edge of either field bends them alike; then one step on a similarity (or more) with a slow shading free.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from viewer.align.compared import Compared, Pair, compared, gradient
from viewer.align.picture import LogLight, Picture, layer, smoothed
from viewer.align.spread import what_is_left
from viewer.align.warp import KINDS, change, scale_of, terms

_FINE, _COARSE = 1.4, 16.0
_PIXELS, _ROUGH_PIXELS = 120_000, 30_000


@dataclass(frozen=True, kw_only=True)
class Refined:
    """A warp of reference pixels into the moving picture (3 x 3, clip px), with what is left.

    ``correlation`` is of the band-passed pictures where they overlap.  ``tiles`` holds one row a tile: x, y (reference px),
    residual shift dx, dy (reference px), its 1-sigma error, correlation.  ``covariance`` belongs to the parameters of a
    small change about ``centre`` (see `errors_at`).
    """

    warp: np.ndarray
    kind: str
    correlation: float
    overlap: float
    pixels: int
    tiles: np.ndarray
    covariance: np.ndarray
    centre: tuple[float, float]
    length: float
    converged: bool

    @property
    def residual_px(self) -> float:
        """Robust rms of the tiles' residual shifts, px."""
        if len(self.tiles) == 0:
            return math.inf
        weight = 1.0 / (self.tiles[:, 4] ** 2 + 0.02**2)
        size2 = self.tiles[:, 2] ** 2 + self.tiles[:, 3] ** 2
        keep = size2 <= 9.0 * np.median(size2) + 1e-6
        return math.sqrt(float((weight * size2)[keep].sum() / weight[keep].sum()))

    def errors_at(self, points: np.ndarray) -> np.ndarray:
        """1-sigma position errors (px) along x and y at reference points of shape (N, 2): shape (N, 2)."""
        p = (np.atleast_2d(points) - self.centre) / self.length
        j = terms(p[:, 0], p[:, 1], self.kind)
        return np.asarray(np.sqrt(np.maximum(np.einsum("apn,pq,aqn->na", j, self.covariance, j), 0.0)))


def field_radius(picture: Picture) -> float:
    """Radius (px) of the field circle, or half the shorter side."""
    return picture.circle.radius if picture.circle else 0.5 * min(picture.light.shape)


def _field_points(picture: Picture) -> np.ndarray:
    """Points over the field, for comparing poses."""
    rows, cols = picture.light.shape
    y, x = np.mgrid[0 : rows : max(1, rows // 24), 0 : cols : max(1, cols // 24)]
    points = np.stack([x.ravel(), y.ravel()], axis=1).astype(float)
    if picture.circle:
        c = picture.circle
        points = points[np.hypot(points[:, 0] - c.cx, points[:, 1] - c.cy) < c.radius]
    return points


def warp_distance(first: np.ndarray, second: np.ndarray, picture: Picture) -> float:
    """Rms distance (reference px) between two warps over the field."""
    points = _field_points(picture)
    p = np.concatenate([points, np.ones((len(points), 1))], axis=1).T
    a, b = first @ p, second @ p
    gap = a[:2] / a[2] - b[:2] / b[2]
    return float(np.sqrt((gap**2).sum(axis=0).mean())) / max(scale_of(first), 1e-6)


def refine(
    reference: Picture,
    moving: Picture,
    warp: np.ndarray,
    *,
    factors: tuple[float, ...] = (4.0, 2.0, 1.0),
    kind: str = "similarity",
    steps: int = 12,
    fine: float = _FINE,
    coarse: float = _COARSE,
    rough: bool = False,
) -> Refined | None:
    """Improve a warp of reference pixels into the moving picture, from coarse to fine.

    Parameters
    ----------
    reference, moving : Picture
    warp : ndarray of shape (3, 3)
        Clip px of the reference -> clip px of the moving picture; it may mirror.
    factors : tuple of float
        Pixel sizes of the levels, coarse first.
    kind : {"similarity", "affine", "homography"}
        Of the finest level; coarser ones fit a similarity.
    fine, coarse : float
        Gaussians (px of the level) that the band lies between.  Where noise is strong both must be wide; where it isn't, a
        narrow band keeps out the halo and the veil of the devices, which differ.
    rough : bool
        Fewer pixels, no tiles and no covariance: to compare guesses.

    Returns
    -------
    Refined or None
        None if the pictures overlap too little or have nothing to hold on to.
    """
    result: Refined | None = None
    for number, factor in enumerate(factors):
        last = number == len(factors) - 1
        kind_here = kind if last else "similarity"
        result = _level(reference, moving, warp, factor, kind_here, steps, fine, coarse, rough or not last)
        if result is None:
            return None
        warp = result.warp
    return result


def _level(
    reference: Picture,
    moving: Picture,
    warp: np.ndarray,
    factor: float,
    kind: str,
    steps: int,
    fine: float,
    coarse: float,
    rough: bool,
) -> Refined | None:
    """Steps at one pixel size."""
    s = scale_of(warp)
    a = layer(reference, factor)
    b = layer(moving, factor)
    fine_a, fine_b = fine * max(1.0, 1.0 / s), fine * max(1.0, s)
    box = _box(a.mask)
    if box is None:
        return None
    smooth_b = smoothed(b.values, b.mask, fine_b)
    pair = Pair(
        a=a,
        b=b,
        box=box,
        smooth_a=smoothed(a.values, a.mask, fine_a)[box],
        smooth_b=smooth_b,
        slope_b=gradient(smooth_b),
        stops=(None, None) if rough else (_stop(reference, a), _stop(moving, b)),
        kind=kind,
        coarse=coarse,
        most=_ROUGH_PIXELS if rough else _PIXELS,
    )
    here = np.linalg.inv(b.to_clip) @ warp @ a.to_clip
    for step in range(steps):
        state = compared(pair, here)
        if state is None:
            return None
        step_px = state.solve()
        if step_px is None:
            return None
        size = float(np.abs(step_px).max())
        if size < 1e-3 and step > 0:
            return _result(state, pair, here, converged=True, rough=rough)
        here = here @ change(kind, step_px * min(1.0, 3.0 / max(size, 1e-9)), state.centre, state.length)
        here /= here[2, 2]
        if size < 0.01 and step > 1:
            break
    state = compared(pair, here)
    if state is None:
        return None
    return _result(state, pair, here, converged=size < 0.02, rough=rough)


def _result(state: Compared, pair: Pair, here: np.ndarray, *, converged: bool, rough: bool) -> Refined:
    """The warp in clip px, with tile residuals and covariance unless `rough`."""
    f = pair.a.factor
    warp = pair.b.to_clip @ here @ np.linalg.inv(pair.a.to_clip)
    (cx, cy), n_pose = state.centre, KINDS[state.kind]
    rows, spread = (np.zeros((0, 6)), np.zeros((n_pose, n_pose))) if rough else what_is_left(state, f)
    return Refined(
        warp=warp / warp[2, 2],
        kind=state.kind,
        correlation=state.correlation(),
        overlap=state.share,
        pixels=len(state.x) * state.stride**2,
        tiles=rows,
        covariance=spread,
        centre=(f * (cx + 0.5) - 0.5, f * (cy + 0.5) - 0.5),
        length=state.length * f,
        converged=converged,
    )


def _stop(picture: Picture, made: LogLight) -> tuple[float, float, float] | None:
    """The field circle in px of a layer."""
    c, f = picture.circle, made.factor
    return None if c is None else ((c.cx + 0.5) / f - 0.5, (c.cy + 0.5) / f - 0.5, c.radius / f)


def _box(mask: np.ndarray) -> tuple[slice, slice] | None:
    ys, xs = np.nonzero(mask.any(axis=1))[0], np.nonzero(mask.any(axis=0))[0]
    if len(ys) < 8 or len(xs) < 8:
        return None
    return slice(int(ys[0]), int(ys[-1]) + 1), slice(int(xs[0]), int(xs[-1]) + 1)


__all__ = ["KINDS", "Refined", "field_radius", "refine", "scale_of", "warp_distance"]

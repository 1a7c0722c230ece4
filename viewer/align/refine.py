"""Pose from intensity: least squares on band-passed logarithmic light, to hundredths of a pixel.

The moving picture is brought to the reference by the current warp; both are band-passed with the mask that they share, so
that the edge of either field bends them alike; then one step on a similarity (or more) with a slow shading free.  Light
between pixels is read linearly from a smoothed picture, on positions rounded to 1/32 px with the rounding put back by the
gradient: linear reading has no preference for whole pixels to first order, and the rounding inside image libraries is known.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np

from viewer.align.picture import LogLight, Picture, layer, local_plane, smoothed
from viewer.cv import cv2

KINDS = {"similarity": 4, "affine": 6, "homography": 8}
_FINE, _COARSE = 1.4, 16.0
_PIXELS, _ROUGH_PIXELS = 120_000, 30_000
_LEVELS_FROM = 8_000


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
        """1-sigma position error (px, both axes together) at reference points of shape (N, 2)."""
        p = (np.atleast_2d(points) - self.centre) / self.length
        j = _terms(p[:, 0], p[:, 1], self.kind)
        return np.asarray(np.sqrt(np.maximum(np.einsum("apn,pq,aqn->n", j, self.covariance, j), 0.0)))


def _terms(u: np.ndarray, v: np.ndarray, kind: str) -> np.ndarray:
    """How a position moves with the parameters: shape (2, parameters, N); u, v centred and scaled."""
    one, zero = np.ones_like(u), np.zeros_like(u)
    if kind == "similarity":
        return np.array([[u, -v, one, zero], [v, u, zero, one]])
    x = [u, v, one, zero, zero, zero]
    y = [zero, zero, zero, u, v, one]
    if kind == "homography":
        x, y = [*x, -u * u, -u * v], [*y, -u * v, -v * v]
    return np.array([x, y])


def _gram(rows: np.ndarray) -> np.ndarray:
    """``rows @ rows.T``, in pieces so small that the matrix library starts no threads: they cost ten times the work here."""
    total = np.zeros((len(rows), len(rows)))
    for start in range(0, rows.shape[1], 512):
        part = rows[:, start : start + 512]
        total += part @ part.T
    return total


def _project(rows: np.ndarray, values: np.ndarray) -> np.ndarray:
    """``rows @ values``, without threads."""
    return np.asarray(np.einsum("pn,n->p", rows, values))


def _change(kind: str, p: np.ndarray, centre: tuple[float, float], length: float) -> np.ndarray:
    """3 x 3 warp near the identity for small parameters (px at distance `length` from the centre)."""
    into = np.array([[1 / length, 0, -centre[0] / length], [0, 1 / length, -centre[1] / length], [0, 0, 1.0]])
    q = p / length
    if kind == "similarity":
        small = np.array([[1 + q[0], -q[1], q[2]], [q[1], 1 + q[0], q[3]], [0, 0, 1.0]])
    else:
        last = q[6:8] if kind == "homography" else np.zeros(2)
        small = np.array([[1 + q[0], q[1], q[2]], [q[3], 1 + q[4], q[5]], [last[0], last[1], 1.0]])
    return np.asarray(np.linalg.inv(into) @ small @ into)


def scale_of(warp: np.ndarray) -> float:
    """Mean scale of a warp (its linear part)."""
    return math.sqrt(abs(float(np.linalg.det(warp[:2, :2]))))


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
    smooth_a = smoothed(a.values, a.mask, fine_a)[box]
    smooth_b = smoothed(b.values, b.mask, fine_b)
    slope_b = _gradient(smooth_b)
    here = np.linalg.inv(b.to_clip) @ warp @ a.to_clip
    most = _ROUGH_PIXELS if rough else _PIXELS
    for step in range(steps):
        state = _state(a, b, box, smooth_a, smooth_b, slope_b, here, kind, coarse, most)
        if state is None:
            return None
        change = state.solve()
        if change is None:
            return None
        size = float(np.abs(change).max())
        if size < 1e-3 and step > 0:
            return state.result(a, b, here, True, rough)
        here = here @ _change(kind, change * min(1.0, 3.0 / max(size, 1e-9)), state.centre, state.length)
        here /= here[2, 2]
        if size < 0.01 and step > 1:
            break
    state = _state(a, b, box, smooth_a, smooth_b, slope_b, here, kind, coarse, most)
    if state is None:
        return None
    return state.result(a, b, here, size < 0.02, rough)


def _box(mask: np.ndarray) -> tuple[slice, slice] | None:
    ys, xs = np.nonzero(mask.any(axis=1))[0], np.nonzero(mask.any(axis=0))[0]
    if len(ys) < 8 or len(xs) < 8:
        return None
    return slice(int(ys[0]), int(ys[-1]) + 1), slice(int(xs[0]), int(xs[-1]) + 1)


def _gradient(values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    return (
        cv2.Sobel(values, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8, borderType=cv2.BORDER_REPLICATE),
        cv2.Sobel(values, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8, borderType=cv2.BORDER_REPLICATE),
    )


def carried(
    values: np.ndarray, slope: tuple[np.ndarray, np.ndarray], here: np.ndarray, box: tuple[slice, slice]
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Moving light read at the warped places of the reference's box; and those places (x, y)."""
    y = np.arange(box[0].start, box[0].stop, dtype=np.float64)[:, None]
    x = np.arange(box[1].start, box[1].stop, dtype=np.float64)
    bx, by, w = (row[0] * x + (row[1] * y + row[2]) for row in here)
    if here[2, 0] or here[2, 1]:
        bx, by = bx / w, by / w
    mx, my = (np.rint(place * 32).astype(np.float32) / np.float32(32) for place in (bx, by))
    out = cv2.remap(values, mx, my, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    sx = cv2.remap(slope[0], mx, my, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    sy = cv2.remap(slope[1], mx, my, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return out + sx * (bx - mx).astype(np.float32) + sy * (by - my).astype(np.float32), bx, by


@dataclass(frozen=True)
class _State:
    """Everything at one warp: pixels used (layer px), values, slopes along the reference's axes."""

    x: np.ndarray
    y: np.ndarray
    a: np.ndarray
    b: np.ndarray
    dx: np.ndarray
    dy: np.ndarray
    bend: np.ndarray
    slopes: tuple[np.ndarray, ...]
    share: float
    stride: int
    kind: str

    @cached_property
    def noisy(self) -> float:
        """Noise steepens the slopes seen: their power over what both pictures share of it."""
        ax, ay, bx, by = self.slopes
        shared = float(np.vdot(ax, bx) + np.vdot(ay, by))
        seen = 0.25 * float(np.vdot(ax + bx, ax + bx) + np.vdot(ay + by, ay + by))
        return float(np.clip(seen / max(shared, 1e-12 * len(ax)), 1.0, 20.0))

    @cached_property
    def centre(self) -> tuple[float, float]:
        return float(self.x.mean()), float(self.y.mean())

    @cached_property
    def length(self) -> float:
        cx, cy = self.centre
        return max(float(np.hypot(self.x - cx, self.y - cy).mean()), 1.0)

    def _equations(self) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """(jacobian (parameters, N), residual, weights, normal matrix of pose and shading)."""
        (cx, cy), length = self.centre, self.length
        u, v = (self.x - cx) / length, (self.y - cy) / length
        pose = self.dx * _terms(u, v, self.kind)[0] + self.dy * _terms(u, v, self.kind)[1]
        uu, uv, vv = u * u, u * v, v * v
        slow = np.stack([np.ones_like(u), u, v, uu, uv, vv, uu * u, uu * v, uv * v, vv * v])
        # A contrast that differs, evenly or slowly over the field, would pull at scale and shift; so would another blur.
        contrast = slow[:6] * (0.5 * (self.a + self.b))
        jacobian = np.concatenate([pose, slow * float(np.std(self.a)), contrast, self.bend[None]])
        residual = self.a - self.b
        thin = residual[:: max(1, len(residual) // _LEVELS_FROM)]  # a sample tells the levels
        level = np.median(thin)
        residual = residual - level
        scale = max(1.4826 * float(np.median(np.abs(thin - level))), 1e-9)
        w = 1.0 / np.maximum(1.0, np.abs(residual) / (1.5 * scale))
        return jacobian, residual, w, _gram(jacobian * np.sqrt(w))

    def solve(self) -> np.ndarray | None:
        """The step of the pose's parameters; None if they are not determined."""
        jacobian, residual, w, normal = self._equations()
        scale = np.sqrt(np.diag(normal))
        if not np.all(scale > 0):
            return None
        even = normal / np.outer(scale, scale)
        if np.linalg.cond(even) > 1e7:
            return None
        step = np.linalg.solve(even, _project(jacobian, w * residual) / scale) / scale
        return np.asarray(step[: KINDS[self.kind]])

    def correlation(self) -> float:
        a, b = self.a - self.a.mean(), self.b - self.b.mean()
        return float((a * b).sum() / math.sqrt(float((a * a).sum() * (b * b).sum()) + 1e-30))

    def result(self, a: LogLight, b: LogLight, here: np.ndarray, converged: bool, rough: bool) -> Refined:
        """The warp in clip px, with tile residuals and covariance unless `rough`."""
        f = a.factor
        warp = b.to_clip @ here @ np.linalg.inv(a.to_clip)
        (cx, cy), n_pose = self.centre, KINDS[self.kind]
        rows, spread = (np.zeros((0, 6)), np.zeros((n_pose, n_pose))) if rough else self._left(f)
        return Refined(
            warp=warp / warp[2, 2],
            kind=self.kind,
            correlation=self.correlation(),
            overlap=self.share,
            pixels=len(self.x) * self.stride**2,
            tiles=rows,
            covariance=spread,
            centre=(f * (cx + 0.5) - 0.5, f * (cy + 0.5) - 0.5),
            length=self.length * f,
            converged=converged,
        )

    def _left(self, factor: float, tiles: int = 8) -> tuple[np.ndarray, np.ndarray]:
        """Tile residuals and cluster-robust covariance, in the reference's clip px."""
        jacobian, residual, w, normal = self._equations()
        side = max(np.ptp(self.x), np.ptp(self.y), 1.0) / tiles
        tile = ((self.y - self.y.min()) / side).astype(int) * (tiles + 1) + ((self.x - self.x.min()) / side).astype(int)
        solved = np.linalg.lstsq(normal, _project(jacobian, w * residual), rcond=None)[0]
        n_pose = KINDS[self.kind]
        solved[:n_pose] = 0.0
        left = residual - np.einsum("p,pn->n", solved, jacobian)
        spread = _jackknife(jacobian, left, w, normal, tile)[:n_pose, :n_pose]
        rows = _tile_rows(tile, int(tile.max()) + 1, self, left, w)
        rows[:, 0:2] = factor * (rows[:, 0:2] + 0.5) - 0.5
        rows[:, 2:5] *= factor * self.noisy
        return rows, spread * (factor * self.noisy) ** 2


def _state(
    a: LogLight,
    b: LogLight,
    box: tuple[slice, slice],
    smooth_a: np.ndarray,
    smooth_b: np.ndarray,
    slope_b: tuple[np.ndarray, np.ndarray],
    here: np.ndarray,
    kind: str,
    coarse: float,
    most: int,
) -> _State | None:
    """Both pictures on the reference's pixels, band-passed alike with the mask that they share."""
    moved, bx, by = carried(smooth_b, slope_b, here, box)
    seen = cv2.remap(
        b.mask.astype(np.float32),
        bx.astype(np.float32),
        by.astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
    )
    mask = a.mask[box] & (seen > 0.999)
    whole = int(a.mask.sum())
    if mask.sum() < max(300, 0.02 * whole):
        return None
    va = smooth_a - local_plane(smooth_a, mask, coarse)
    vb = moved - local_plane(moved, mask, coarse)
    inner = cv2.erode(mask.astype(np.uint8), np.ones((5, 5), np.uint8), borderValue=0).astype(bool)
    if inner.sum() < 300:
        return None
    aa, bb = float(va[inner].std()), float(vb[inner].std())
    if aa <= 1e-9 or bb <= 1e-9:
        return None
    vb *= aa / bb  # not the regression: noise would shrink it
    # The mean of both slopes: the step is then right to second order.
    ga, gb = _gradient(va), _gradient(vb)
    stride = max(1, math.ceil(math.sqrt(inner.sum() / most)))
    ys, xs = np.nonzero(inner[::stride, ::stride])
    ys, xs = ys * stride, xs * stride
    place = ys * inner.shape[1] + xs
    slopes = tuple(slope.ravel()[place] for slope in (*ga, *gb))
    y0, x0 = box[0].start, box[1].start
    return _State(
        (xs + x0).astype(np.float64),
        (ys + y0).astype(np.float64),
        va.ravel()[place].astype(np.float64),
        vb.ravel()[place].astype(np.float64),
        0.5 * (slopes[0] + slopes[2]).astype(np.float64),
        0.5 * (slopes[1] + slopes[3]).astype(np.float64),
        cv2.Laplacian(va + vb, cv2.CV_32F, ksize=3, borderType=cv2.BORDER_REPLICATE).ravel()[place].astype(np.float64),
        slopes,
        float(mask.sum()) / max(whole, 1),
        stride,
        kind,
    )


def _jackknife(jacobian: np.ndarray, left: np.ndarray, w: np.ndarray, normal: np.ndarray, tile: np.ndarray) -> np.ndarray:
    """Covariance of the parameters from leaving out one tile at a time: neighbouring pixels need not be independent."""
    order = np.argsort(tile, kind="stable")
    bounds = [*np.nonzero(np.diff(tile[order], prepend=-1))[0].tolist(), len(order)]
    even = np.sqrt(np.maximum(np.diag(normal), 1e-30))
    scaled = normal / np.outer(even, even)
    moves = []
    for begin, stop in pairwise(bounds):
        part = jacobian[:, order[begin:stop]] / even[:, None]
        weight = w[order[begin:stop]]
        without = scaled - _gram(part * np.sqrt(weight))
        moves.append(np.linalg.lstsq(without, _project(part, weight * left[order[begin:stop]]), rcond=1e-9)[0] / even)
    made = np.array(moves)
    return np.asarray((len(made) - 1.0) / max(len(made), 1) * (made.T @ made))


def _tile_rows(tile: np.ndarray, count: int, state: _State, residual: np.ndarray, w: np.ndarray) -> np.ndarray:
    """Per telling tile: x, y, shift x, shift y, sigma, correlation."""

    def total(values: np.ndarray) -> np.ndarray:
        return np.asarray(np.bincount(tile, values, minlength=count))

    dx, dy = state.dx, state.dy
    number = total(np.ones_like(dx))
    xx, xy, yy = total(w * dx * dx), total(w * dx * dy), total(w * dy * dy)
    rx, ry = total(w * dx * residual), total(w * dy * residual)
    det = xx * yy - xy * xy
    telling = (number > 40) & (det > 4e-3 * (xx + yy) ** 2) & (xx + yy > 0.02 * np.max(xx + yy))
    det = np.where(telling, det, 1.0)
    shift_x, shift_y = (yy * rx - xy * ry) / det, (xx * ry - xy * rx) / det
    power = total(w * residual**2) / np.maximum(number, 1)
    # Smoothed neighbours are not independent: about 12 pixels of the layer say one thing.
    sigma = np.sqrt(np.maximum(power * (xx + yy) / det, 0.0) * max(1.0, 12.0 / state.stride**2))
    mean_a, mean_b = total(state.a) / np.maximum(number, 1), total(state.b) / np.maximum(number, 1)
    ab = total(state.a * state.b) - number * mean_a * mean_b
    aa, bb = total(state.a**2) - number * mean_a**2, total(state.b**2) - number * mean_b**2
    correlation = ab / np.sqrt(np.maximum(aa * bb, 1e-30))
    x, y = total(state.x) / np.maximum(number, 1), total(state.y) / np.maximum(number, 1)
    return np.asarray(np.stack([x, y, shift_x, shift_y, sigma, correlation], axis=1)[telling])


__all__ = ["KINDS", "Refined", "carried", "field_radius", "refine", "scale_of", "warp_distance"]

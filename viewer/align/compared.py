"""Two pictures brought together by a warp: what still differs, and which step of the warp lessens it most.

Light between pixels is read linearly from a smoothed picture, on positions rounded to 1/32 px with the rounding put back by
the gradient: linear reading has no preference for whole pixels to first order, and the rounding inside image libraries is
known.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from viewer.align.picture import LogLight, local_plane
from viewer.align.warp import KINDS, scale_of, terms
from viewer.cv import cv2

_LEVELS_FROM = 8_000
_RIDGE = 1e-5
_EDGES = (0.4, 0.9, 2.0)  # widths of the shading along the field's edge, in widths of the band


@dataclass(frozen=True, kw_only=True)
class Pair:
    """Two layers made ready for comparing at any warp.

    `box` is where the reference's layer shows anything; `smooth_a` covers it alone.  `stops` are both field circles (x, y,
    radius in px of the layer; None: no circle).  `coarse` is the band's wide Gaussian, `most` how many pixels are used.
    """

    a: LogLight
    b: LogLight
    box: tuple[slice, slice]
    smooth_a: np.ndarray
    smooth_b: np.ndarray
    slope_b: tuple[np.ndarray, np.ndarray]
    stops: tuple[tuple[float, float, float] | None, tuple[float, float, float] | None]
    kind: str
    coarse: float
    most: int


def gram(rows: np.ndarray) -> np.ndarray:
    """``rows @ rows.T``, in pieces so small that the matrix library starts no threads: they cost ten times the work here."""
    total = np.zeros((len(rows), len(rows)))
    for start in range(0, rows.shape[1], 512):
        part = rows[:, start : start + 512]
        total += part @ part.T
    return total


def project(rows: np.ndarray, values: np.ndarray) -> np.ndarray:
    """``rows @ values``, without threads."""
    return np.asarray(np.einsum("pn,n->p", rows, values))


def gradient(values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
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
class Compared:
    """Everything at one warp: pixels used (layer px), values, slopes along the reference's axes."""

    x: np.ndarray
    y: np.ndarray
    a: np.ndarray
    b: np.ndarray
    dx: np.ndarray
    dy: np.ndarray
    bend: np.ndarray
    slopes: tuple[np.ndarray, ...]
    edges: np.ndarray
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

    def equations(self) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """(jacobian (parameters, N), residual, weights, normal matrix of pose and shading)."""
        (cx, cy), length = self.centre, self.length
        u, v = (self.x - cx) / length, (self.y - cy) / length
        pose = self.dx * terms(u, v, self.kind)[0] + self.dy * terms(u, v, self.kind)[1]
        uu, uv, vv = u * u, u * v, v * v
        slow = np.stack([np.ones_like(u), u, v, uu, uv, vv, uu * u, uu * v, uv * v, vv * v])
        # A contrast that differs, evenly or slowly over the field, would pull at scale and shift; so would another blur.
        contrast = slow[:6] * (0.5 * (self.a + self.b))
        level_wide = float(np.std(self.a))
        jacobian = np.concatenate([pose, slow * level_wide, contrast, self.bend[None], self.edges * level_wide])
        residual = self.a - self.b
        thin = residual[:: max(1, len(residual) // _LEVELS_FROM)]  # a sample tells the levels
        level = np.median(thin)
        residual = residual - level
        scale = max(1.4826 * float(np.median(np.abs(thin - level))), 1e-9)
        w = 1.0 / np.maximum(1.0, np.abs(residual) / (1.5 * scale))
        return jacobian, residual, w, gram(jacobian * np.sqrt(w))

    def solve(self) -> np.ndarray | None:
        """The step of the pose's parameters; None if they are not determined."""
        jacobian, residual, w, normal = self.equations()
        scale = np.sqrt(np.diag(normal))
        if not np.all(scale > 0):
            return None
        even = normal / np.outer(scale, scale)
        n_pose = KINDS[self.kind]
        even[range(n_pose, len(even)), range(n_pose, len(even))] += _RIDGE  # shadings may stand in for each other
        if np.linalg.cond(even) > 1e7:
            return None
        step = np.linalg.solve(even, project(jacobian, w * residual) / scale) / scale
        return np.asarray(step[:n_pose])

    def correlation(self) -> float:
        a, b = self.a - self.a.mean(), self.b - self.b.mean()
        return float((a * b).sum() / math.sqrt(float((a * a).sum() * (b * b).sum()) + 1e-30))


def compared(pair: Pair, here: np.ndarray) -> Compared | None:
    """Both pictures on the reference's pixels, band-passed alike with the mask that they share; None where little is shared.

    `here` (3 x 3) carries pixels of the reference's layer to the moving one's.
    """
    a, b, box, coarse = pair.a, pair.b, pair.box, pair.coarse
    moved, bx, by = carried(pair.smooth_b, pair.slope_b, here, box)
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
    va = pair.smooth_a - local_plane(pair.smooth_a, mask, coarse)
    vb = moved - local_plane(moved, mask, coarse)
    inner = cv2.erode(mask.astype(np.uint8), np.ones((5, 5), np.uint8), borderValue=0).astype(bool)
    if inner.sum() < 300:
        return None
    aa, bb = float(va[inner].std()), float(vb[inner].std())
    if aa <= 1e-9 or bb <= 1e-9:
        return None
    vb *= aa / bb  # not the regression: noise would shrink it
    # The mean of both slopes: the step is then right to second order.
    ga, gb = gradient(va), gradient(vb)
    stride = max(1, math.ceil(math.sqrt(inner.sum() / pair.most)))
    ys, xs = np.nonzero(inner[::stride, ::stride])
    ys, xs = ys * stride, xs * stride
    place = ys * inner.shape[1] + xs
    slopes = tuple(slope.ravel()[place] for slope in (*ga, *gb))
    x, y = (xs + box[1].start).astype(np.float64), (ys + box[0].start).astype(np.float64)
    there = [np.broadcast_to(p, inner.shape).ravel()[place] for p in (bx, by)]
    edges = [np.zeros((0, len(x)))]
    if pair.stops[0] is not None:
        edges.append(_edge(pair.stops[0], x, y, coarse))
    if pair.stops[1] is not None:
        edges.append(_edge(pair.stops[1], there[0], there[1], coarse * scale_of(here)))
    return Compared(
        x,
        y,
        va.ravel()[place].astype(np.float64),
        vb.ravel()[place].astype(np.float64),
        0.5 * (slopes[0] + slopes[2]).astype(np.float64),
        0.5 * (slopes[1] + slopes[3]).astype(np.float64),
        cv2.Laplacian(va + vb, cv2.CV_32F, ksize=3, borderType=cv2.BORDER_REPLICATE).ravel()[place].astype(np.float64),
        slopes,
        np.concatenate(edges),
        float(mask.sum()) / max(whole, 1),
        stride,
        pair.kind,
    )


def _edge(stop: tuple[float, float, float], x: np.ndarray, y: np.ndarray, width: float) -> np.ndarray:
    """Shading along the edge of a field: halo mixes the dark outside in, all around alike, and would pull at the scale."""
    depth = (stop[2] - np.hypot(x - stop[0], y - stop[1])) / width
    return np.asarray(np.exp(-0.5 * (depth / np.array(_EDGES)[:, None]) ** 2))


__all__ = ["Compared", "Pair", "carried", "compared", "gradient", "gram", "project"]

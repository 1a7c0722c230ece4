"""Where a field circle may be: a vote of edge pixels, and the border of the dark surround; rough places only."""

from __future__ import annotations

import math

import numpy as np

from viewer.cv import cv2

_WIDTH_VOTE = 300


def candidates(light: np.ndarray, smallest: float) -> list[tuple[float, float, float]]:
    """Return circles (cx, cy, radius; px) that many edge pixels point at or that bound the dark surround, doubles left out.

    Parameters
    ----------
    light : ndarray of shape (rows, cols), float32
        Linear light.
    smallest : float
        Least radius, as a fraction of the shorter side.
    """
    rows, cols = light.shape
    factor = max(1.0, max(rows, cols) / _WIDTH_VOTE)
    small = light
    if factor > 1.0:
        small = cv2.resize(light, (round(cols / factor), round(rows / factor)), interpolation=cv2.INTER_AREA)
    scale_x, scale_y = cols / small.shape[1], rows / small.shape[0]
    floor = float(np.percentile(small, 10))
    spread = float(np.percentile(small, 80)) - floor
    found: list[tuple[float, float, float]] = []
    for blur, soft in ((1.2, 0.05), (2.5, 0.3)):
        grey = np.log(np.maximum(small - floor, 0) + soft * max(spread, 1e-12) + 1e-12)
        grey = cv2.GaussianBlur(grey.astype(np.float32), (0, 0), blur)
        found += _vote(grey, smallest)
        found += _surround(grey, smallest)
    return _apart([((x + 0.5) * scale_x - 0.5, (y + 0.5) * scale_y - 0.5, r * 0.5 * (scale_x + scale_y)) for x, y, r in found])


def _apart(found: list[tuple[float, float, float]]) -> list[tuple[float, float, float]]:
    """Candidates, but one of those that lie within a fortieth of their radius."""
    out: list[tuple[float, float, float]] = []
    for candidate in found:
        if all(math.dist(candidate, other) > 0.025 * other[2] for other in out):
            out.append(candidate)
    return out


def _surround(grey: np.ndarray, smallest: float) -> list[tuple[float, float, float]]:
    """Circles through the border of the dark area that touches the picture's edge (three-point consensus)."""
    rows, cols = grey.shape
    out: list[tuple[float, float, float]] = []
    low, high = np.percentile(grey, (2, 90))
    for share in (0.25, 0.5):
        dark = (grey < low + share * (high - low)).astype(np.uint8)
        _, labels = cv2.connectedComponents(dark)
        touching = np.unique(np.concatenate([labels[0], labels[-1], labels[:, 0], labels[:, -1]]))
        area = np.isin(labels, touching[touching > 0]).astype(np.uint8)
        rim = area - cv2.erode(area, np.ones((3, 3), np.uint8), borderType=cv2.BORDER_REPLICATE)
        rim[[0, -1], :] = 0
        rim[:, [0, -1]] = 0
        ys, xs = np.nonzero(rim)
        if len(xs) < 30:
            continue
        points = np.stack([xs, ys], axis=1).astype(float)
        rng = np.random.default_rng(7)
        picks = points[rng.integers(0, len(points), (400, 3))]
        circles = _through_three(picks)
        ok = (circles[:, 2] > smallest * min(rows, cols)) & (circles[:, 2] < 0.9 * max(rows, cols))
        circles = circles[ok]
        if len(circles) == 0:
            continue
        gap = np.abs(np.hypot(points[:, 0] - circles[:, :1], points[:, 1] - circles[:, 1:2]) - circles[:, 2:])
        votes = (gap < 1.5).sum(axis=1)
        out.append(tuple(float(v) for v in circles[int(np.argmax(votes))]))  # type: ignore[arg-type]
    return out


def _through_three(points: np.ndarray) -> np.ndarray:
    """Circles (cx, cy, radius) through triples of points, shape (N, 3, 2); radius 0 for points on a line."""
    a, b, c = points[:, 0], points[:, 1], points[:, 2]
    d = 2.0 * (a[:, 0] * (b[:, 1] - c[:, 1]) + b[:, 0] * (c[:, 1] - a[:, 1]) + c[:, 0] * (a[:, 1] - b[:, 1]))
    safe = np.where(np.abs(d) > 1e-9, d, np.inf)
    aa, bb, cc = (a**2).sum(axis=1), (b**2).sum(axis=1), (c**2).sum(axis=1)
    x = (aa * (b[:, 1] - c[:, 1]) + bb * (c[:, 1] - a[:, 1]) + cc * (a[:, 1] - b[:, 1])) / safe
    y = (aa * (c[:, 0] - b[:, 0]) + bb * (a[:, 0] - c[:, 0]) + cc * (b[:, 0] - a[:, 0])) / safe
    r = np.where(np.isfinite(safe), np.hypot(a[:, 0] - x, a[:, 1] - y), 0.0)
    return np.stack([x, y, r], axis=1)


def _vote(grey: np.ndarray, smallest: float) -> list[tuple[float, float, float]]:
    """Three-way vote (centre and radius) of the strongest gradients; each votes towards its bright side."""
    rows, cols = grey.shape
    gx = cv2.Sobel(grey, cv2.CV_32F, 1, 0, ksize=3)
    gy = cv2.Sobel(grey, cv2.CV_32F, 0, 1, ksize=3)
    size = np.hypot(gx, gy)
    size[[0, -1], :] = 0
    size[:, [0, -1]] = 0
    thin = size >= 0.999 * cv2.dilate(size, np.ones((3, 3), np.uint8)) * 0.8
    level = np.percentile(size, 88)
    ys, xs = np.nonzero(thin & (size > max(level, 1e-9)))
    if len(xs) < 20:
        return []
    if len(xs) > 6000:
        keep = np.argsort(size[ys, xs])[-6000:]
        ys, xs = ys[keep], xs[keep]
    ux, uy = gx[ys, xs] / size[ys, xs], gy[ys, xs] / size[ys, xs]
    bin_px = 3.0
    radii = np.arange(smallest * min(rows, cols), 0.75 * max(rows, cols), bin_px)
    pad_x, pad_y = 0.35 * cols, 0.35 * rows
    nx, ny = int((cols + 2 * pad_x) / bin_px) + 1, int((rows + 2 * pad_y) / bin_px) + 1
    bx = ((xs[:, None] + ux[:, None] * radii + pad_x) / bin_px).astype(int)
    by = ((ys[:, None] + uy[:, None] * radii + pad_y) / bin_px).astype(int)
    br = np.broadcast_to(np.arange(len(radii)), bx.shape)
    ok = (bx >= 0) & (bx < nx) & (by >= 0) & (by < ny)
    votes = np.bincount(((br[ok] * ny + by[ok]) * nx + bx[ok]).ravel(), minlength=len(radii) * ny * nx)
    cube = votes.reshape(len(radii), ny, nx).astype(np.float32)
    for axis in range(3):  # neighbours in a bin of three count as well: the bins are narrow
        cube = cube + np.roll(cube, 1, axis) + np.roll(cube, -1, axis)
    cube /= np.sqrt(radii)[:, None, None]
    out: list[tuple[float, float, float]] = []
    for _ in range(4):
        r, y, x = np.unravel_index(int(np.argmax(cube)), cube.shape)
        if cube[r, y, x] <= 0:
            break
        out.append(((x + 0.5) * bin_px - pad_x, (y + 0.5) * bin_px - pad_y, float(radii[r])))
        cube[max(r - 3, 0) : r + 4, max(y - 4, 0) : y + 5, max(x - 4, 0) : x + 5] = 0
    return out


__all__ = ["candidates"]

"""Corners of both pictures, each found by itself to a fraction of a pixel: a pose that shares nothing with the intensity fit.

Charts are full of them, scenes have some.  The point of a corner is where all slopes around it look at (the saddle of a
chequer, the tip of a bar); it moves with the picture and does not ask how bright anything is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from viewer.align.picture import Picture, layer, smoothed
from viewer.cv import cv2

_MOST = 300
_LEAST = 12
_HALF_WINDOW = 6
_ASIDE = np.array([0.63, -0.47])


@dataclass(frozen=True, kw_only=True)
class CornerFit:
    """The similarity through matched corners, reference px -> moving px (3 x 3), their number, and their rms scatter (px)."""

    warp: np.ndarray
    corners: int
    scatter_px: float


def corner_fit(reference: Picture, moving: Picture, warp: np.ndarray) -> CornerFit | None:
    """Match corners near where a warp expects them, and fit a similarity to their places.

    Parameters
    ----------
    reference, moving : Picture
    warp : ndarray of shape (3, 3)
        Reference px -> moving px, right to a few px; it decides about the mirror only.

    Returns
    -------
    CornerFit or None
        None with fewer than a dozen corners that agree.
    """
    scale = math.sqrt(abs(float(np.linalg.det(warp[:2, :2]))))
    first, second = layer(reference), layer(moving)
    a = smoothed(first.values, first.mask, 1.2 * max(1.0, 1.0 / scale))
    b = smoothed(second.values, second.mask, 1.2 * max(1.0, scale))
    away = max(8.0, min(a.shape) / 40.0)
    shy = np.ones((4 * _HALF_WINDOW + 1, 4 * _HALF_WINDOW + 1), np.uint8)
    inner = [cv2.erode(made.mask.astype(np.uint8), shy, borderValue=0) for made in (first, second)]
    contrast = a - smoothed(first.values, first.mask, 9.0)
    found = cv2.goodFeaturesToTrack(contrast, _MOST, 0.03, away, mask=inner[0], blockSize=7)
    if found is None or len(found) < _LEAST:
        return None
    start = found.reshape(-1, 2) + _ASIDE
    p = _sharpened(a, start)
    q0 = _carried(warp, p)
    ok = _inside(inner[1], q0) & _inside(inner[0], p) & _went(p, start, 6.0) & _first_of_each(p)
    if ok.sum() < _LEAST:
        return None
    # Started beside where the warp expects them: a corner that stays there was not found.
    p, start = p[ok], q0[ok] + _ASIDE
    q = _sharpened(b, start)
    ok = _went(q, start, 3.0 * max(1.0, scale))
    return _similarity(p[ok], q[ok], float(np.linalg.det(warp[:2, :2])) < 0)


def _first_of_each(points: np.ndarray) -> np.ndarray:
    """Which points are no repeats of an earlier one (within 3 px)."""
    near = np.hypot(*(points[:, None] - points[None]).transpose(2, 0, 1)) < 3.0
    return np.asarray(~np.tril(near, -1).any(axis=1))


def _went(points: np.ndarray, start: np.ndarray, most: float) -> np.ndarray:
    """Which points moved from where they started, but not far."""
    far = np.hypot(*(points - start).T)
    return np.asarray((far > 1e-4) & (far < most))


def _sharpened(picture: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Corners moved to where all slopes around them look at."""
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 40, 1e-3)
    start = np.ascontiguousarray(points.reshape(-1, 1, 2), np.float32)
    made = cv2.cornerSubPix(np.ascontiguousarray(picture, np.float32), start, (_HALF_WINDOW, _HALF_WINDOW), (-1, -1), stop)
    return np.asarray(made.reshape(-1, 2), float)


def _carried(warp: np.ndarray, points: np.ndarray) -> np.ndarray:
    p = warp @ np.concatenate([points, np.ones((len(points), 1))], axis=1).T
    return np.asarray((p[:2] / p[2]).T)


def _inside(mask: np.ndarray, points: np.ndarray) -> np.ndarray:
    x, y = np.rint(points).astype(int).T
    ok = (x >= 0) & (y >= 0) & (x < mask.shape[1]) & (y < mask.shape[0])
    return np.asarray(ok & mask[np.clip(y, 0, mask.shape[0] - 1), np.clip(x, 0, mask.shape[1] - 1)].astype(bool))


def _similarity(p: np.ndarray, q: np.ndarray, mirrored: bool) -> CornerFit | None:
    """Least squares on the corners that agree (reweighted, outliers beyond 3 robust sigma left out)."""
    zp, zq = p[:, 0] + 1j * p[:, 1], q[:, 0] + 1j * q[:, 1]
    if mirrored:
        zp = -np.conj(zp)
    used = np.ones(len(zp), bool)
    turn, shift, scatter = 1.0 + 0j, 0j, math.inf
    for _ in range(8):
        if used.sum() < _LEAST:
            return None
        mp, mq = zp[used].mean(), zq[used].mean()
        power = float((np.abs(zp[used] - mp) ** 2).sum())
        if power < 1.0:
            return None
        turn = complex(np.vdot(zp[used] - mp, zq[used] - mq)) / power
        shift = complex(mq - turn * mp)
        gap = np.abs(zq - turn * zp - shift)
        scatter = max(float(np.median(gap[used])) / 1.1774, 0.01)  # the median of a Rayleigh distribution
        keep = gap < 3.0 * scatter
        if (keep == used).all():
            break
        used = keep
    if used.sum() < max(_LEAST, 0.3 * len(zp)):
        return None
    c, s = turn.real, turn.imag
    m = -1.0 if mirrored else 1.0
    warp = np.array([[c * m, -s, shift.real], [s * m, c, shift.imag], [0, 0, 1.0]])
    return CornerFit(warp=warp, corners=int(used.sum()), scatter_px=math.sqrt(2.0) * scatter)


__all__ = ["CornerFit", "corner_fit"]

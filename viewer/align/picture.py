"""Pictures made ready for lining up: logarithmic light inside the field circle, slow shading taken off."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from viewer.align.transform import FieldCircle
from viewer.cv import cv2


@dataclass(frozen=True, kw_only=True, eq=False)
class Picture:
    """A still view of a clip: the mean light of many frames.

    Parameters
    ----------
    light : ndarray of shape (rows, cols), float32
        Linear light.
    clipped : ndarray of the same shape, bool, optional
        Where the recording was at its limit.
    halves : two ndarrays of the same shape, optional
        Means of every other frame: what differs between them is noise.
    circle : FieldCircle, optional
    """

    light: np.ndarray
    clipped: np.ndarray | None = None
    halves: tuple[np.ndarray, np.ndarray] | None = None
    circle: FieldCircle | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class LogLight:
    """Logarithmic light at `factor` times coarser pixels than the clip's, and where it counts.

    A pixel (x, y) here is at ``factor * (x + 0.5) - 0.5`` in the clip.
    """

    values: np.ndarray
    mask: np.ndarray
    factor: float

    @property
    def to_clip(self) -> np.ndarray:
        """3 x 3 matrix, pixels here -> pixels of the clip."""
        shift = 0.5 * (self.factor - 1.0)
        return np.array([[self.factor, 0, shift], [0, self.factor, shift], [0, 0, 1.0]])

    def banded(self, fine: float, coarse: float) -> LogLight:
        """Band-passed between Gaussians of `fine` and `coarse` px (of this layer); 0 outside the mask."""
        values = smoothed(self.values, self.mask, fine) - smoothed(self.values, self.mask, coarse)
        return LogLight(values=np.where(self.mask, values, 0.0).astype(np.float32), mask=self.mask, factor=self.factor)


def inner_mask(shape: tuple[int, ...], circle: FieldCircle | None, *, border: float = 3.0) -> np.ndarray:
    """True inside the frame and the field circle, clear of their edges by `border` px and 2 % of the radius."""
    mask = np.zeros(shape, bool)
    b = math.ceil(border)
    mask[b:-b, b:-b] = True
    if circle is not None:
        y, x = np.ogrid[0 : shape[0], 0 : shape[1]]
        reach = circle.radius - max(border, 0.02 * circle.radius)
        mask &= (x - circle.cx) ** 2 + (y - circle.cy) ** 2 < reach**2
    return mask


def picture_mask(picture: Picture) -> np.ndarray:
    """Where a picture may be used: inside the field, not clipped."""
    mask = inner_mask(picture.light.shape, picture.circle)
    if picture.clipped is not None and picture.clipped.any():
        grown = cv2.dilate(picture.clipped.astype(np.uint8), np.ones((7, 7), np.uint8)).astype(bool)
        if grown[mask].mean() < 0.5:
            mask &= ~grown
    return mask


def log_light(light: np.ndarray, mask: np.ndarray) -> np.ndarray:
    """Logarithm of the light above a soft floor of a tenth of its median inside the mask (float32).

    A change of gain or tint adds a constant; noise about zero does no harm.
    """
    step = max(1, min(light.shape) // 200)  # a sample tells the levels
    thin = light[::step], mask[::step]
    inside = thin[0][thin[1]]
    floor = 0.1 * float(np.median(inside)) if len(inside) else 0.0
    spread = float(np.percentile(inside, 95) - np.percentile(inside, 5)) if len(inside) else 1.0
    # Noise below the floor stays nearly linear; the second difference of neighbours tells it (sqrt(6) times its sigma).
    jumps = np.abs(np.diff(light[::step], n=2, axis=1)[:, ::step][mask[::step, 1:-1:step]])
    noise = 1.4826 * float(np.median(jumps)) / math.sqrt(6.0) if len(jumps) else 0.0
    floor = max(floor, 0.02 * spread, 1.5 * noise, 1e-9)
    return np.asarray(np.log(np.maximum(light, 0.0) + floor), np.float32)


@lru_cache(maxsize=8)
def _whole(picture: Picture, half: int | None) -> tuple[np.ndarray, np.ndarray]:
    """Logarithmic light at full size, and the mask."""
    light = picture.light if half is None or picture.halves is None else picture.halves[half]
    mask = picture_mask(picture)
    return log_light(np.nan_to_num(np.asarray(light, np.float32)), mask), mask


@lru_cache(maxsize=24)
def layer(picture: Picture, factor: float = 1.0, half: int | None = None) -> LogLight:
    """Logarithmic light of a picture (or one of its halves), area-averaged to `factor` times coarser pixels."""
    log, mask = _whole(picture, half)
    if factor <= 1.0:
        return LogLight(values=log, mask=mask, factor=1.0)
    size = (max(8, round(log.shape[1] / factor)), max(8, round(log.shape[0] / factor)))
    weight = cv2.resize(mask.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    small = cv2.resize(log * mask, size, interpolation=cv2.INTER_AREA) / np.maximum(weight, 1e-3)
    return LogLight(values=small, mask=weight > 0.6, factor=0.5 * (log.shape[1] / size[0] + log.shape[0] / size[1]))


def reliability(picture: Picture, *, fine: float = 1.4, coarse: float = 16.0, most: int = 0) -> float:
    """Share of the band-passed picture's variance that is not noise, 0..1 (1 where there are no halves to tell).

    With `most` only the middle of the picture, that many px wide, is looked at.
    """
    halves = picture.halves
    if halves is None:
        return 1.0
    if most:
        rows, cols = picture.light.shape
        cut = np.s_[max(0, (rows - most) // 2) :, max(0, (cols - most) // 2) :]
        cut = np.s_[cut[0].start : cut[0].start + most, cut[1].start : cut[1].start + most]
        picture = Picture(
            light=picture.light[cut],
            clipped=None if picture.clipped is None else picture.clipped[cut],
        )
        halves = (halves[0][cut], halves[1][cut])
    mask = picture_mask(picture)
    first, second = (log_light(np.nan_to_num(half), mask) for half in halves)
    x, y = (LogLight(values=log, mask=mask, factor=1.0).banded(fine, coarse).values[mask] for log in (first, second))
    c = float(np.corrcoef(x, y)[0, 1]) if len(x) > 100 and x.std() > 0 and y.std() > 0 else 0.0
    return float(np.clip(2.0 * c / (1.0 + c), 0.0, 1.0)) if c > 0 else 0.0


def smoothed(values: np.ndarray, mask: np.ndarray, sigma: float) -> np.ndarray:
    """Gaussian mean of what the mask shows."""
    if sigma <= 0:
        return values
    m = mask.astype(np.float32)
    return np.asarray(_blur(values * m, sigma) / np.maximum(_blur(m, sigma), 1e-3))


def local_plane(values: np.ndarray, mask: np.ndarray, sigma: float) -> np.ndarray:
    """What a plane fitted with Gaussian weights around each pixel, inside the mask, says of that pixel.

    Unlike a mean it doesn't answer to a slope beside the mask's edge, where shading is steep.
    """
    rows, cols = values.shape
    step = max(1.0, sigma / 4.0)
    size = (max(4, round(cols / step)), max(4, round(rows / step)))
    m = cv2.resize(mask.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    f = cv2.resize(values * mask.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    s = sigma * size[0] / cols
    k = np.arange(-math.ceil(3.5 * s), math.ceil(3.5 * s) + 1, dtype=np.float64)
    g0 = np.exp(-0.5 * (k / s) ** 2)
    kernels = (g0, g0 * k / s, g0 * (k / s) ** 2)

    def moment(picture: np.ndarray, i: int, j: int) -> np.ndarray:
        return np.asarray(
            cv2.sepFilter2D(picture, cv2.CV_32F, kernels[i], kernels[j], borderType=cv2.BORDER_CONSTANT), np.float64
        )

    w, wx, wy, wxx, wxy, wyy = (moment(m, i, j) for i, j in ((0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2)))
    t, tx, ty = moment(f, 0, 0), moment(f, 1, 0), moment(f, 0, 1)
    little = 1e-3 * float(w.max()) + 1e-9
    wxx, wyy, w = wxx + little, wyy + little, w + 1e-6
    c0, c1, c2 = wxx * wyy - wxy * wxy, wxy * wy - wx * wyy, wx * wxy - wxx * wy
    det = w * c0 + wx * c1 + wy * c2
    level = (t * c0 + tx * c1 + ty * c2) / np.where(np.abs(det) > 1e-12, det, 1e-12)
    return np.asarray(cv2.resize(level.astype(np.float32), (cols, rows), interpolation=cv2.INTER_LINEAR))


def _blur(values: np.ndarray, sigma: float) -> np.ndarray:
    """Gaussian blur; wide ones on a shrunken copy (the difference is far below what is asked of them)."""
    step = int(sigma // 3)
    if step < 2:
        return np.asarray(cv2.GaussianBlur(values, (0, 0), sigma, borderType=cv2.BORDER_CONSTANT))
    rows, cols = values.shape
    small = cv2.resize(values, (math.ceil(cols / step), math.ceil(rows / step)), interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), sigma * small.shape[1] / cols, borderType=cv2.BORDER_CONSTANT)
    return np.asarray(cv2.resize(small, (cols, rows), interpolation=cv2.INTER_LINEAR))


__all__ = ["LogLight", "Picture", "inner_mask", "layer", "local_plane", "log_light", "picture_mask", "reliability", "smoothed"]

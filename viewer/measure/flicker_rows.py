"""Row light of a clip, and its relative deviation from the still scene."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from viewer.errors import RegionError
from viewer.measure.flicker_sampling import Clock

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
Bools = NDArray[np.bool_]
Progress = Callable[[int, int], None]

ROWS_WANTED = 270
"""Neighbouring rows are averaged as long as this many are left: bands of up to 135 periods in the picture stay resolved."""


@dataclass(frozen=True, slots=True)
class RowLight:
    """What the camera's rows saw.

    Parameters
    ----------
    clock : Clock
        Frame times, N of them.
    light : ndarray of shape (N, R, B)
        Mean linear light of each row in B blocks across it.  Row 0 is read out first.
    usable : ndarray of shape (R, B), bool
        False where pixels clip at any time or lie outside the region.
    rows_delivered : float
        Rows (or columns) of the whole upright picture along the readout; the readout time covers these.
    row_step : float
        Delivered rows per row of `light`.
    row_first : float
        Delivered rows that are read out before the first of `light`.
    """

    clock: Clock
    light: Floats32
    usable: Bools
    rows_delivered: float
    row_step: float = 1.0
    row_first: float = 0.0

    @property
    def share(self) -> float:
        """Part of the readout that `light` covers (0 .. 1)."""
        return float(self.light.shape[1] * self.row_step / self.rows_delivered)


def bin_rows(rows: RowLight, wanted: int = ROWS_WANTED) -> RowLight:
    """Average neighbouring rows down to at least `wanted` of them."""
    factor = rows.light.shape[1] // wanted
    if factor < 2:
        return rows
    kept = rows.light.shape[1] // factor * factor
    n, _, b = rows.light.shape
    weight = rows.usable[:kept].reshape(-1, factor, b)
    count = weight.sum(axis=1)
    light = rows.light[:, :kept].reshape(n, -1, factor, b)
    mean = np.einsum("nrfb,rfb->nrb", light, weight.astype(np.float32)) / np.maximum(count, 1)
    usable = np.asarray(count * 2 > factor)
    return replace(rows, light=mean.astype(np.float32), usable=usable, row_step=rows.row_step * factor)


@dataclass(frozen=True, slots=True)
class Relative:
    """Row light over the still scene, minus one.

    Parameters
    ----------
    clock : Clock
    x : ndarray of shape (N, R, B), float32
        ``light / scene - 1``; 0 where there is no light.
    weight : ndarray of shape (R, B)
        Inverse variance in time, 0 for what cannot be used.
    scene : ndarray of shape (R, B)
        Mean light.
    gain : ndarray of shape (N,)
        Relative level of each frame.
    row_step : float
        Delivered rows per row here.
    rows_delivered, row_first : float
    """

    clock: Clock
    x: Floats32
    weight: Floats
    scene: Floats
    gain: Floats
    row_step: float
    rows_delivered: float
    row_first: float = 0.0

    @property
    def middle(self) -> float:
        """Place of the middle row in the whole readout (0 .. 1)."""
        return float((self.row_first + 0.5 * self.x.shape[1] * self.row_step) / self.rows_delivered)

    @property
    def share(self) -> float:
        """Part of the readout that the rows cover (0 .. 1)."""
        return float(self.x.shape[1] * self.row_step / self.rows_delivered)

    def combine(self, weight: Floats | None = None) -> tuple[Floats, Floats]:
        """Return the weighted mean over blocks, shape (N, R), and the weight of each row, shape (R,)."""
        w = self.weight if weight is None else weight
        total = w.sum(axis=1)
        mean = np.einsum("nrb,rb->nr", self.x, w.astype(np.float32), optimize=True)
        return np.asarray(mean / np.maximum(total, 1e-30), float) * (total > 0), total


def relative_light(rows: RowLight) -> Relative:
    """Divide row light by the still scene and weigh it.

    Raises
    ------
    RegionError
        If fewer than 8 rows hold light.
    """
    light = rows.light
    scene = light.mean(axis=0, dtype=np.float64)
    seen = np.where(rows.usable, scene, 0.0)
    bright = float(np.quantile(seen[seen > 0], 0.95)) if np.any(seen > 0) else 0.0
    lit = rows.usable & (scene > max(0.002 * bright, 1e-7))
    if lit.any(axis=1).sum() < 8:
        raise RegionError("too few rows hold light that is neither black nor clipped.", hint="Choose a larger region.")
    with np.errstate(divide="ignore", invalid="ignore"):
        x = np.where(lit[None], light / scene[None].astype(np.float32) - 1.0, 0.0).astype(np.float32)
    level = np.where(lit, np.minimum(scene / bright, 1.0), 0.0)
    gain = np.einsum("nrb,rb->n", x, level, optimize=True) / level.sum()
    weight = inverse_variance(x - gain[:, None, None].astype(np.float32), level)
    gains = np.asarray(1.0 + gain)
    return Relative(rows.clock, x, weight, scene, gains, rows.row_step, rows.rows_delivered, rows.row_first)


def inverse_variance(rest: Floats32, level: Floats) -> Floats:
    """Return weights from the variance in time of `rest` (N, R, B); `level` 0 .. 1 favours what is well lit.

    Places that a codec froze have no variance and no signal either: the typical variance of lit places is added to all.
    """
    variance = np.einsum("nrb,nrb->rb", rest, rest, optimize=True) / rest.shape[0]
    lit = level > 0
    typical = float(np.median(variance[lit])) if lit.any() else 1.0
    return np.where(lit, level / (variance + typical + 1e-12), 0.0)


__all__ = ["ROWS_WANTED", "Relative", "RowLight", "bin_rows", "inverse_variance", "relative_light"]

"""Bands that stand still: suspected in the scene itself, and measured against a flat reference."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Bands:
    """Standing bands: periods over the rows, relative amplitude, how alike all blocks show them (0 .. 1), and how far they rise
    over neighbouring spacings (``prominence``, 1 for an ordinary scene)."""

    q: float
    amplitude: float
    agreement: float
    prominence: float


STEP = 0.1
ALIKE = 0.93
"""Bands agree over blocks at least so well in depth and phase (power of the mean over mean power)."""
BESIDE = (1.5, 6.0)
"""Spacings this far off (periods in the picture) give the level that bands must rise above."""


def standing_bands(
    scene: Floats, weight: Floats, *, flat: Floats | None = None, least_q: float = 2.5, step_q: float | None = None
) -> Bands | None:
    """Return the most regular pattern of rows that all blocks share, or None where too few rows hold light.

    Parameters
    ----------
    scene : ndarray of shape (R, B)
        Mean light.
    weight : ndarray of shape (R, B)
        0 where there is no light.
    flat : ndarray of shape (R, B), optional
        Mean light of a flat reference filmed in the same mode without bands; divides shading and sensor out.
    least_q : float
        Coarser patterns are shading.
    step_q : float, optional
        Frame rate times readout: bands that stand still have a whole multiple of this many periods.
    """
    rows = scene.shape[0]
    grid = np.arange(STEP, 0.4 * rows, STEP)
    parts, levels = [], []
    place = (np.arange(rows) + 0.5) / rows
    count = (weight > 0).sum(axis=0)
    for b in range(scene.shape[1]):
        lit = weight[:, b] > 0
        if count[b] < max(40, 0.5 * count.max()):
            continue
        y = np.log(np.maximum(scene[lit, b], 1e-9))
        if flat is not None:
            y = y - np.log(np.maximum(flat[lit, b], 1e-9))
        x = place[lit]
        window = np.sin(np.pi * (x - x.min() + 0.5 / rows) / (np.ptp(x) + 1.0 / rows)) ** 2
        basis = np.vander(x - x.mean(), 4 if flat is None else 3)
        y = y - basis @ np.linalg.lstsq(basis * window[:, None], y * window, rcond=None)[0]
        part = np.exp(-2j * np.pi * grid[:, None] * (x - 0.5)[None, :]) @ (y * window) * (2.0 / window.sum())
        parts.append(part)
        levels.append(_beside(np.abs(part)))
    if len(parts) < 3:
        return None
    allowed = grid >= least_q
    if step_q is not None:
        order = grid / step_q
        allowed &= (np.abs(order - np.round(order)) * step_q < 0.25) & (np.round(order) >= 1)
    if not allowed.any():
        return None
    each = np.array(parts)
    mean = each.mean(axis=0)
    # bands cross the whole picture with one depth and one phase; what belongs to the scene differs from block to block
    alike = np.square(np.abs(mean)) / np.maximum(np.square(np.abs(each)).mean(axis=0), 1e-30)
    rise = np.median(np.abs(each) / np.maximum(np.array(levels), 1e-9), axis=0)
    best = int(np.argmax(np.where(allowed & (alike > ALIKE), np.abs(mean), np.where(allowed, 1e-6 * np.abs(mean), 0.0))))
    return Bands(
        q=float(grid[best]), amplitude=float(np.abs(mean[best])), agreement=float(alike[best]), prominence=float(rise[best])
    )


def _beside(size: Floats) -> Floats:
    """Return the typical size at neighbouring spacings."""
    near, far = (round(edge / STEP) for edge in BESIDE)
    out = np.empty_like(size)
    for i in range(size.size):
        left = size[max(0, i - far) : max(0, i - near)]
        right = size[i + near : i + far]
        out[i] = np.median(np.concatenate((left, right))) if left.size + right.size else size[i]
    return out


__all__ = ["ALIKE", "Bands", "standing_bands"]

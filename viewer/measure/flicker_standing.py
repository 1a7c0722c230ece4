"""Bands that stand still: suspected in the scene itself, and measured against a flat reference."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Bands:
    """Standing bands: periods over the rows, relative amplitude, and how alike all blocks show them (0 .. 1).

    ``tonal`` is the share of the pattern's power that lies at this spacing and its harmonics.
    """

    q: float
    amplitude: float
    agreement: float
    tonal: float


def standing_bands(scene: Floats, weight: Floats, *, flat: Floats | None = None, least_q: float = 1.5) -> Bands | None:
    """Return the most regular pattern of rows that all blocks share, or None where too few rows hold light.

    Parameters
    ----------
    scene : ndarray of shape (R, B)
        Mean light.
    weight : ndarray of shape (R, B)
        0 where there is no light.
    flat : ndarray of shape (R, B), optional
        Mean light of a flat reference filmed in the same mode without bands; divides shading and sensor out.
    """
    rows = scene.shape[0]
    grid = np.arange(least_q, 0.4 * rows, 0.1)
    total = np.zeros(grid.size, complex)
    single = np.zeros(grid.size)
    power = norm = 0.0
    place = (np.arange(rows) + 0.5) / rows
    for b in range(scene.shape[1]):
        lit = weight[:, b] > 0
        if lit.sum() < max(40, 0.3 * rows):
            continue
        y = np.log(np.maximum(scene[lit, b], 1e-9))
        if flat is not None:
            y = y - np.log(np.maximum(flat[lit, b], 1e-9))
        x = place[lit]
        window = np.sin(np.pi * (x - x.min() + 0.5 / rows) / (np.ptp(x) + 1.0 / rows)) ** 2
        basis = np.vander(x - x.mean(), 4 if flat is None else 3)
        y = y - basis @ np.linalg.lstsq(basis * window[:, None], y * window, rcond=None)[0]
        turn = np.exp(-2j * np.pi * grid[:, None] * (x - 0.5)[None, :])
        part = turn @ (y * window)
        scale = window.sum()
        total += part
        single += np.abs(part)
        power += float(np.sum(window * np.square(y)))
        norm += float(scale)
    if norm == 0.0:
        return None
    best = int(np.argmax(np.abs(total)))
    amplitude = 2.0 * float(np.abs(total[best])) / norm
    return Bands(
        q=float(grid[best]),
        amplitude=amplitude,
        agreement=float(np.abs(total[best]) / max(single[best], 1e-30)),
        tonal=min(1.0, 0.5 * amplitude**2 * norm / max(power, 1e-30)),
    )


__all__ = ["Bands", "standing_bands"]

"""A line over the picture: which places show it, and the clip without it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from viewer.measure.flicker_evidence import CellMap, Evidence
from viewer.measure.flicker_fit import Sheet, Wave
from viewer.measure.flicker_rows import Relative, inverse_variance
from viewer.measure.flicker_search import Peak

Floats = NDArray[np.float64]


LEAST_LEFT = 0.25
"""Light that a line leaves counts as at least this much of the mean when the line is divided out."""


@dataclass(frozen=True, slots=True)
class Line:
    """One modulation with its harmonics.

    ``wave`` is the joint fit, ``lone_wave`` the fit of the fundamental alone with free band spacing.
    """

    wave: Wave
    evidence: Evidence
    cells: CellMap
    peak: Peak
    sheet: Sheet
    sheet_weight: Floats | None = None


def share_map(line: Line, shape: tuple[int, int]) -> Floats:
    """Return how much of the wave every row and block shows (0 steady, 1 as fitted), shape (R, B), smooth over noise."""
    weight = line.cells.weight.sum(axis=0)
    share = (line.cells.share * line.cells.weight).sum(axis=0).real / np.maximum(weight, 1e-30)
    rows, _ = shape
    edges = np.linspace(0, rows, share.shape[0] + 1).astype(int)
    out = np.repeat(np.clip(share, 0.0, 1.5), np.diff(edges), axis=0)
    return np.asarray(out)


def divide_out(data: Relative, line: Line) -> Relative:
    """Return the clip with one line divided out, each cell by its own share of it."""
    share = share_map(line, data.weight.shape).astype(np.float32)
    ripple = (line.wave.model - 1.0).astype(np.float32)
    change = ripple[:, :, None] * share[None]
    lit = (data.weight > 0)[None]
    # where the line leaves hardly any light, only noise would be blown up
    x = np.where(lit, (data.x - change) / np.maximum(1.0 + change, LEAST_LEFT), 0.0).astype(np.float32)
    return replace(data, x=x)


def reweigh(data: Relative, line: Line, *, inside: bool) -> Floats:
    """Return weights from what the line leaves, shape (R, B); `inside` keeps only places that show it."""
    rest = divide_out(data, line).x
    gain = (rest.reshape(rest.shape[0], -1) @ data.weight.reshape(-1).astype(np.float32)) / data.weight.sum()
    rest = rest - gain[:, None, None].astype(np.float32)
    rest = rest - rest.mean(axis=0)
    lit = data.weight > 0
    bright = float(np.quantile(data.scene[lit], 0.95))
    weight = inverse_variance(rest, np.where(lit, np.minimum(data.scene / bright, 1.0), 0.0))
    if inside:
        share = share_map(line, data.weight.shape)
        top = float(np.quantile(share[lit], 0.97))
        kept = np.where(share > 0.4 * top, weight, 0.0)
        if (kept.sum(axis=1) > 0).sum() >= 8:
            weight = kept
    return weight


def steadied(data: Relative, line: Line) -> Relative:
    """Divide out the gain of each frame as the places that do not show the line tell it; unchanged where all show it."""
    share = share_map(line, data.weight.shape)
    lit = data.scene > 0
    shows = data.weight > 0
    bright = float(np.quantile(data.scene[shows], 0.95))
    outside = np.where(lit & ~shows & (share < 0.2), np.minimum(data.scene / bright, 1.0), 0.0)
    outside[~np.isfinite(outside)] = 0.0
    if (outside > 0).sum() < 0.2 * lit.sum():
        return data
    gain = 1.0 + np.einsum("nrb,rb->n", data.x, outside, optimize=True) / outside.sum()
    # what the surround tells is noisy where it is dark: only as much of it is believed as it repeats within the frame
    half = np.zeros_like(outside)
    half[::2] = outside[::2]
    first = np.einsum("nrb,rb->n", data.x, half, optimize=True) / half.sum()
    second = np.einsum("nrb,rb->n", data.x, outside - half, optimize=True) / (outside - half).sum()
    spread = float(np.var(gain))
    trust = max(0.0, float(np.cov(first, second)[0, 1])) / spread if spread > 0 else 0.0
    gain = 1.0 + min(trust, 1.0) * (gain - 1.0)
    x = np.where(lit[None], (1.0 + data.x) / gain[:, None, None] - 1.0, 0.0).astype(np.float32)
    return replace(data, x=x)


__all__ = [
    "Line",
    "divide_out",
    "reweigh",
    "share_map",
    "steadied",
]

"""Where in the picture it pulses, and what that says: the tube, or the light in front of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from viewer.measure.flicker_evidence import cell_map
from viewer.measure.flicker_fit import Sheet, Wave
from viewer.measure.flicker_rows import Relative

Floats = NDArray[np.float64]
Origin = Literal["source", "tube", "unknown"]

DARK_LIGHT = 0.3
"""Places with less than this share of the bright light count as dark surround."""


@dataclass(frozen=True, slots=True)
class Place:
    """How a line spreads over the picture.

    ``share`` and ``light`` are maps of shape (row parts, blocks): share of the line's depth that a cell shows (nan where it
    cannot be said), and its mean light.  ``everywhere`` is the part of the lit field that pulses; ``dark_share`` the share in
    the dark surround relative to bright places (nan without dark surround).
    """

    share: Floats
    light: Floats
    everywhere: float
    dark_share: float
    origin: Origin
    reason: str


def place_of(data: Relative, sheet: Sheet, wave: Wave, *, parts: int = 12) -> Place:
    """Return where a line pulses and what follows for its origin.

    A gated tube multiplies all that it shows, dark surround included.  A lamp or screen pulses where its own light falls.
    """
    cells = cell_map(data, sheet, wave, time_parts=4, row_parts=parts)
    rows = data.scene.shape[0]
    edges = np.linspace(0, rows, parts + 1).astype(int)
    lit = data.weight > 0
    count = np.add.reduceat(lit.astype(float), edges[:-1], axis=0)
    light = np.add.reduceat(np.where(lit, data.scene, 0.0), edges[:-1], axis=0) / np.maximum(count, 1)
    weight = cells.weight.sum(axis=0)
    share = (cells.share.real * cells.weight).sum(axis=0) / np.maximum(weight, 1e-30)
    scatter = cells.share.real.std(axis=0) / np.sqrt(cells.share.shape[0])
    known = (count > 0.3 * np.diff(edges)[:, None]) & (weight > 0) & (scatter < 0.3)
    share = np.where(known, share, np.nan)
    if known.sum() < 4:
        return Place(share, light, float("nan"), float("nan"), "unknown", "too few places could be compared")
    top = float(np.quantile(share[known], 0.9))
    relative = share / top
    everywhere = float(np.mean(relative[known] > 0.6))
    bright_level = float(np.quantile(light[known], 0.95))
    dark = known & (light < DARK_LIGHT * bright_level)
    dark_share = float(np.median(relative[dark])) if dark.sum() >= 3 else float("nan")
    origin: Origin = "unknown"
    if np.isnan(dark_share):
        if everywhere < 0.6:
            origin, reason = "source", "only part of the picture pulses"
        elif everywhere > 0.9:
            reason = "all that is seen pulses, but nothing in it is dark enough to rule out a source that lights everything"
        else:
            reason = "the places do not tell source from tube"
    elif dark_share > 0.7 and everywhere > 0.75:
        origin, reason = "tube", "it pulses everywhere in the field, dark surround included"
    elif dark_share < 0.5 or everywhere < 0.5:
        origin, reason = "source", "it pulses only on the screen or lamp and where its light falls"
    else:
        reason = "the dark surround pulses less than the bright places, but not by enough to tell"
    return Place(share, light, everywhere, dark_share, origin, reason)


__all__ = ["DARK_LIGHT", "Origin", "Place", "place_of"]

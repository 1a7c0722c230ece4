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
    the dark surround relative to bright places (nan without dark surround); ``bright_share`` that of the brightest places that
    pulse, where encoders keep most.
    """

    share: Floats
    light: Floats
    everywhere: float
    dark_share: float
    bright_share: float
    origin: Origin
    reason: str


def place_of(
    data: Relative, sheet: Sheet, wave: Wave, *, parts: int = 12, bits_per_pixel: float = 0.0, encoder_limit: float = 0.0
) -> Place:
    """Return where a line pulses and what follows for its origin.

    A gated tube multiplies all that it shows, dark surround included.  A lamp or screen pulses where its own light falls.
    Encoders smooth small changes in the dark away, the more the fewer bits they have (`bits_per_pixel`, 0 for unknown): the
    dark surround then need not pulse fully, and where the line is no larger there than what the encoder passes over
    (`encoder_limit`, relative amplitude in bright light), its absence says nothing.
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
        return Place(share, light, float("nan"), float("nan"), 1.0, "unknown", "too few places could be compared")
    top = float(np.quantile(share[known], 0.97))
    relative = share / top
    everywhere = float(np.mean(relative[known] > 0.5))
    quiet = float(np.mean(relative[known] < 0.25))
    shows = known & (relative > 0.4)
    level = np.square(light[shows])
    bright_share = float(np.sum(level * share[shows]) / np.sum(level)) if shows.any() else 1.0
    bright_level = float(np.quantile(light[known], 0.95))
    dark = known & (light < DARK_LIGHT * bright_level)
    dark_share = float(np.median(relative[dark])) if dark.sum() >= 3 else float("nan")
    halved = _halved(relative, light, known, dark, bright_level)
    origin: Origin = "unknown"
    starved = float(np.clip(np.log(0.3 / bits_per_pixel) / np.log(3.0), 0.0, 1.0)) if bits_per_pixel > 0 else 0.0
    if np.isnan(dark_share):
        if everywhere < 0.6 and quiet > 0.3:
            origin, reason = "source", "only part of the picture pulses"
        elif everywhere > 0.9:
            reason = "all that is seen pulses, but nothing in it is dark enough to rule out a source that lights everything"
        else:
            reason = "the places do not tell source from tube"
    elif dark_share > 0.66 - 0.11 * starved and everywhere > 0.7 and quiet < 0.15:
        origin, reason = "tube", "it pulses everywhere in the field, dark surround included"
    elif dark_share < 0.4 and quiet > 0.2 and wave.amplitude < encoder_limit * _coarser(light, dark, bright_level):
        reason = "the dark surround is too dark for this encoder to show whether it pulses"
    elif dark_share < 0.4 and quiet > 0.2 and halved:
        reason = "part of the picture pulses, bright and dark alike: one of two tubes, or one of two lamps"
    elif dark_share < 0.4 and quiet > 0.2:
        origin, reason = "source", "it pulses only on the screen or lamp and where its light falls"
    else:
        reason = "the dark surround pulses less than the bright places, but not by enough to tell"
    return Place(share, light, everywhere, dark_share, bright_share, origin, reason)


def _halved(relative: Floats, light: Floats, known: NDArray[np.bool_], dark: NDArray[np.bool_], bright_level: float) -> bool:
    """Whether bright and dark places alike are parted into those that pulse fully and those that do not at all."""
    bright = known & (light > 0.5 * bright_level)
    if min(bright.sum(), dark.sum()) < 4:
        return False
    return all(min(np.mean(relative[at] > 0.6), np.mean(relative[at] < 0.25)) > 0.2 for at in (bright, dark))


def _coarser(light: Floats, dark: NDArray[np.bool_], bright_level: float) -> float:
    """Return how much coarser dark places are recorded than bright ones: light curves go about with the root of the light."""
    return float(np.sqrt(bright_level / max(float(np.median(light[dark])), 1e-4 * bright_level)))


__all__ = ["DARK_LIGHT", "Origin", "Place", "place_of"]

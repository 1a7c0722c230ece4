"""Charts as layouts: targets marked once by hand are found again from one marked square.

A layout keeps where each target lies relative to the middle of a square (or any box that can be marked sharply) in units of its
side.  It is learnt from one clip and placed on others, at any scale and shift; the picture then corrects what the marking of a
blurred square got wrong.  The groups of the 1951 chart repeat themselves at a quarter of the size: one layout serves all.

References
----------
.. [1] MIL-STD-150A, *Photographic Lenses*, 5.1.1.7.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from viewer.errors import UsageError
from viewer.measure.bars import Target
from viewer.measure.regions import Rect
from viewer.measure.units import USAF_STEP


@dataclass(frozen=True, slots=True)
class Spot:
    """A target of a layout: frequency relative to the reference, middle and size of its box in sides of the square."""

    ratio: float
    way: str
    x: float
    y: float
    w: float
    h: float


@dataclass(frozen=True, slots=True)
class ChartLayout:
    """Where the targets of a chart lie about its square."""

    spots: tuple[Spot, ...]


def _side(square: Rect) -> float:
    return math.sqrt(square.w * square.h)


def learn_layout(square: Rect, targets: Sequence[Target], reference_lpmm: float) -> ChartLayout:
    """Return the layout of targets marked by hand.

    Parameters
    ----------
    square : Rect
        The marked square.
    targets : sequence of Target
    reference_lpmm : float
        Frequency that belongs to this square (of the element beside it, for instance); others are kept relative to it.

    Raises
    ------
    UsageError
        If there is no target, or the reference is not positive.
    """
    if not targets or not reference_lpmm > 0:
        raise UsageError("a layout needs targets and a reference frequency.", hint="Mark the targets once by hand.")
    side = _side(square)
    return ChartLayout(
        tuple(
            Spot(
                target.lpmm / reference_lpmm,
                target.way,
                (target.rect.centre[0] - square.centre[0]) / side,
                (target.rect.centre[1] - square.centre[1]) / side,
                target.rect.w / side,
                target.rect.h / side,
            )
            for target in targets
        )
    )


def place_layout(
    layout: ChartLayout,
    square: Rect,
    reference_lpmm: float,
    *,
    scale: float = 1.0,
    shift: tuple[float, float] = (0.0, 0.0),
    least_bar_px: float = 1.2,
    inside: tuple[int, int] | None = None,
) -> list[Target]:
    """Return the targets of a chart whose square is marked.

    Parameters
    ----------
    layout : ChartLayout
    square : Rect
    reference_lpmm : float
        Frequency that belongs to this square: a quarter-size group has four times that of the learnt one.
    scale, shift : float, (x, y)
        Correction of the marked square: factor on its side, px on its middle.
    least_bar_px : float
        Targets with thinner bars are left out.
    inside : (width, height), optional
        Size of the picture: targets that reach outside are left out.
    """
    side = _side(square) * scale
    cx, cy = square.centre[0] + shift[0], square.centre[1] + shift[1]
    targets = []
    for spot in layout.spots:
        w, h = spot.w * side, spot.h * side
        if (w if spot.way == "v" else h) / 5.0 < least_bar_px:
            continue
        x, y = cx + spot.x * side - 0.5 * (w - 1), cy + spot.y * side - 0.5 * (h - 1)
        rect = Rect(round(x), round(y), max(1, round(w)), max(1, round(h)))
        if inside is None or rect.inside(*inside):
            targets.append(Target(f"{spot.ratio * reference_lpmm:.4g}", rect, spot.way))
    return targets


def find_layout(light: np.ndarray, layout: ChartLayout, square: Rect, reference_lpmm: float) -> list[Target]:
    """Return the targets of a chart about a roughly marked square: scale and shift that match the bars of the picture best.

    Parameters
    ----------
    light : ndarray of shape (rows, cols)
        Mean linear light.
    layout, square, reference_lpmm
        As for `place_layout`; the square's side may be wrong by a fifth, its middle by a fifth of its side.
    """
    inside = (light.shape[1], light.shape[0])
    reach = 0.2 * _side(square)
    # sums of all rows above: the mean over the lines of a box costs no more for a large one
    sums = {"v": _rows_above(light), "h": _rows_above(light.T)}
    best = (-1.0, 1.0, 0.0, 0.0)
    spans = (
        (np.linspace(0.78, 1.2, 22), np.linspace(-reach, reach, 5)),
        (np.linspace(-0.02, 0.02, 5), np.linspace(-1.0, 1.0, 5)),
    )
    for scales, shifts in spans:
        _, s0, x0, y0 = best
        for scale in scales if best[0] < 0 else s0 + scales:
            for dx in x0 + shifts:
                for dy in y0 + shifts:
                    targets = place_layout(layout, square, reference_lpmm, scale=float(scale), shift=(dx, dy), inside=inside)
                    score = abs(sum(_likeness(sums[target.way], target) for target in targets))
                    if score > best[0]:
                        best = (score, float(scale), float(dx), float(dy))
    _, scale, dx, dy = best
    return place_layout(layout, square, reference_lpmm, scale=scale, shift=(dx, dy), inside=inside)


def _rows_above(light: np.ndarray) -> np.ndarray:
    """Return sums over all rows above each, shape (rows + 1, cols)."""
    return np.concatenate([np.zeros((1, light.shape[1])), np.cumsum(light, axis=0, dtype=float)])


def _likeness(sums: np.ndarray, target: Target) -> float:
    """Correlation of the profile across a box and a bar width beside it with three bars, weighted by their width."""
    box = target.rect if target.way == "v" else _turned(target.rect)
    cut, pad = box.h // 5, round(box.w / 5.0)
    low, high = max(0, box.x - pad), min(sums.shape[1], box.x + box.w + pad)
    top, bottom = box.y + cut, box.y + box.h - cut
    profile = (sums[bottom, low:high] - sums[top, low:high]) / (bottom - top)
    width = box.w / 5.0
    place = np.abs(np.arange(low, high) - box.centre[0]) / width
    soft = 0.3
    wave = np.clip((0.5 - np.abs(place - 2.0)) / soft + 0.5, 0, 1) + np.clip((0.5 - place) / soft + 0.5, 0, 1)
    wave, profile = wave - wave.mean(), profile - profile.mean()
    size = float(np.linalg.norm(wave) * np.linalg.norm(profile))
    return width * float(wave @ profile) / size if size > 0 else 0.0


def _turned(rect: Rect) -> Rect:
    return Rect(rect.y, rect.x, rect.h, rect.w)


def nearest_element(lpmm: float) -> tuple[int, int]:
    """Return (group, element) of the 1951 chart nearest to a frequency."""
    steps = round(math.log(lpmm) / math.log(USAF_STEP))
    group, element = divmod(steps, 6)
    return group, element + 1


__all__ = ["ChartLayout", "Spot", "find_layout", "learn_layout", "nearest_element", "place_layout"]

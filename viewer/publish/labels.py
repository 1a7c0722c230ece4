"""Free places for letters: beside what they name, off the lines and words that are drawn about them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Rect = tuple[float, float, float, float]
# Steps by which a letter moves away from what it names while lines cross it, em.
AWAY_EM = (0.0, 0.9, 1.8)


@dataclass(frozen=True, slots=True)
class Taken:
    """What stands on a picture already: points along outlines (N, 2), rectangles of words and of marked areas, canvas px."""

    points: NDArray[np.float64]
    words: tuple[Rect, ...] = ()
    areas: tuple[Rect, ...] = ()

    def crossed(self, rect: Rect, named: Rect) -> int:
        """Return how much of it a letter at `rect` for what lies at `named` would cover.

        Points of outlines count one, words twenty, areas that `named` does not lie in five: there a letter would name them.
        """
        x, y, w, h = rect
        px, py = self.points[:, 0], self.points[:, 1]
        lines = (px >= x) & (px <= x + w) & (py >= y) & (py <= y + h)
        centre = named[0] + 0.5 * named[2], named[1] + 0.5 * named[3], 0.0, 0.0
        others = sum(_meet(rect, area) and not _meet(centre, area) for area in self.areas)
        return int(lines.sum()) + 20 * sum(_meet(rect, word) for word in self.words) + 5 * others

    def and_word(self, rect: Rect) -> Taken:
        """Return what is taken once a word stands there, too."""
        return replace(self, words=(*self.words, rect))


def _meet(a: Rect, b: Rect) -> bool:
    return a[0] < b[0] + b[2] and b[0] < a[0] + a[2] and a[1] < b[1] + b[3] and b[1] < a[1] + a[3]


NOTHING = Taken(np.zeros((0, 2)))


def outline(points: Sequence[tuple[float, float]], *, closed: bool = False) -> NDArray[np.float64]:
    """Return points along a line, at most 3 px apart, (N, 2)."""
    corners = np.array([*points, points[0]] if closed else points, dtype=np.float64)
    parts = [
        a + np.linspace(0.0, 1.0, max(2, 1 + math.ceil(float(np.hypot(*(b - a))) / 3.0)))[:, None] * (b - a)
        for a, b in pairwise(corners)
    ]
    return np.concatenate(parts)


def ring(x: float, y: float, w: float, h: float) -> NDArray[np.float64]:
    """Return points along the ellipse in a rectangle, (N, 2)."""
    angle = np.linspace(0.0, 2.0 * math.pi, max(16, math.ceil(1.1 * (w + h))), endpoint=False)
    return np.stack([x + 0.5 * w * (1.0 + np.cos(angle)), y + 0.5 * h * (1.0 + np.sin(angle))], axis=-1)


def joined(points: Iterable[NDArray[np.float64]], words: Iterable[Rect] = (), areas: Iterable[Rect] = ()) -> Taken:
    """Return what is taken by outlines, words and areas together."""
    return Taken(np.concatenate([np.zeros((0, 2)), *points]), tuple(words), tuple(areas))


def free_place(rect: Rect, size: tuple[float, float], bounds: Rect, gap: float, em: float, taken: Taken) -> tuple[float, float]:
    """Return the top left corner for a letter near a rectangle.

    Parameters
    ----------
    rect : (x, y, w, h)
        What the letter names.
    size : (w, h)
        The letter with a little room.
    bounds : (x, y, w, h)
        The picture; the letter stays inside.
    gap, em : float
        Distance kept from `rect`, and the type size.

    Returns
    -------
    (x, y)
        The first of these that nothing crosses, or the least crossed: at the upper right, upper left, lower right, lower
        left; the same farther away; above, below.
    """
    x, y, w, h = rect
    wide, high = size
    beside = [
        at
        for d in (gap + away * em for away in AWAY_EM)
        for at in ((x + w + d, y), (x - d - wide, y), (x + w + d, y + h - high), (x - d - wide, y + h - high))
    ]
    middle = x + 0.5 * (w - wide)
    best: tuple[int, tuple[float, float]] | None = None
    for at in (*beside, (middle, y - gap - high), (middle, y + h + gap)):
        place = _inside(at, size, bounds)
        crossed = taken.crossed((*place, wide, high), rect)
        if best is None or crossed < best[0]:
            best = crossed, place
        if not crossed:
            return place
    assert best is not None
    return best[1]


def _inside(at: tuple[float, float], size: tuple[float, float], bounds: Rect) -> tuple[float, float]:
    (x, y), (w, h), (left, top, wide, high) = at, size, bounds
    return min(max(x, left), left + wide - w), min(max(y, top), top + high - h)


__all__ = ["NOTHING", "Rect", "Taken", "free_place", "joined", "outline", "ring"]

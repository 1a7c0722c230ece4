"""Regions and notes as shapes: where they lie in a clip, where the pointer hits them, how they move and grow.

Geometry is in pixels of the reference clip unless a region has a place of its own in a clip (`overrides`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from viewer.align.transform import Pose
from viewer.session.model import Clip, Note, Region, Session
from viewer.tasks.carry import carried

Item = Region | Note
BOXES = ("rect", "ellipse", "edge", "bars", "box", "inset")
LINES = ("line", "arrow")
POINTS = ("light", "point", "text", "scale_bar")

TOOLS: dict[str, tuple[str, str]] = {
    "rect": ("region", "rect"),
    "ellipse": ("region", "ellipse"),
    "light": ("region", "light"),
    "edge": ("region", "edge"),
    "bars": ("region", "bars"),
    "line": ("region", "line"),
    "arrow": ("note", "arrow"),
    "box": ("note", "box"),
    "oval": ("note", "ellipse"),
    "text": ("note", "text"),
    "inset": ("note", "inset"),
    "scale": ("note", "scale_bar"),
}


@dataclass(frozen=True)
class Shape:
    """An item as it lies in one clip, in clip px.  `own` when the clip has a place of its own for it."""

    item: Item
    kind: str
    geometry: tuple[float, ...]
    own: bool = False

    @property
    def box(self) -> bool:
        """Whether it is a box."""
        return self.kind in BOXES

    def corners(self) -> list[tuple[float, float]]:
        """Return its corner points, ends, or its point; boxes by the outer edges of their pixels."""
        if self.box:
            x, y, w, h = self.geometry
            return [(x - 0.5, y - 0.5), (x + w - 0.5, y - 0.5), (x + w - 0.5, y + h - 0.5), (x - 0.5, y + h - 0.5)]
        return [(self.geometry[n], self.geometry[n + 1]) for n in range(0, len(self.geometry), 2)]


def shape_of(item: Item, clip: Clip) -> Shape:
    """Return where an item lies in a clip."""
    if isinstance(item, Region):
        return Shape(item, item.kind, carried(item, clip), clip.id in item.overrides)
    # Notes are carried like regions of the same form.
    form = "rect" if item.kind in BOXES else "line" if item.kind in LINES else "point"
    stand_in = Region(id=item.id, scene=item.scene, kind=form, name="", geometry=item.geometry)  # type: ignore[arg-type]
    return Shape(item, item.kind, carried(stand_in, clip))


def shapes_of(session: Session, clip: Clip) -> list[Shape]:
    """Return all shapes of a clip's scene; notes above regions."""
    items: list[Item] = [*session.regions_of(clip.scene), *(note for note in session.notes if note.scene == clip.scene)]
    return [shape_of(item, clip) for item in items]


def to_reference(clip: Clip, x: float, y: float) -> tuple[float, float]:
    """Carry a point of a clip to the reference clip (as it is without a pose: that is how regions are carried, too)."""
    rx, ry = (clip.pose or Pose()).to_reference(np.array([[x, y]]))[0]
    return float(rx), float(ry)


def box_from(a: tuple[float, float], b: tuple[float, float], *, least: int = 2) -> tuple[float, float, float, float]:
    """Return the box of whole pixels between two points."""
    x0, x1 = sorted((a[0], b[0]))
    y0, y1 = sorted((a[1], b[1]))
    x, y = math.floor(x0 + 0.5), math.floor(y0 + 0.5)
    w, h = max(least, math.floor(x1 + 0.5) - x), max(least, math.floor(y1 + 0.5) - y)
    return float(x), float(y), float(w), float(h)


def geometry_from(kind: str, a: tuple[float, float], b: tuple[float, float]) -> tuple[float, ...]:
    """Return the geometry that a drag from `a` to `b` draws."""
    if kind in BOXES:
        return box_from(a, b)
    if kind in LINES:
        return (*a, *b)
    return b if kind == "scale_bar" else a


def moved(kind: str, geometry: tuple[float, ...], dx: float, dy: float) -> tuple[float, ...]:
    """Return the geometry shifted."""
    if kind in BOXES:
        x, y, w, h = geometry
        return x + dx, y + dy, w, h
    return tuple(value + (dx if n % 2 == 0 else dy) for n, value in enumerate(geometry))


def grown(kind: str, geometry: tuple[float, ...], dx: float, dy: float) -> tuple[float, ...]:
    """Return the geometry with its far corner or end moved."""
    if kind in BOXES:
        x, y, w, h = geometry
        return x, y, max(2.0, w + dx), max(2.0, h + dy)
    if kind in LINES:
        return geometry[0], geometry[1], geometry[2] + dx, geometry[3] + dy
    return moved(kind, geometry, dx, dy)


def corner_moved(kind: str, geometry: tuple[float, ...], corner: int, to: tuple[float, float]) -> tuple[float, ...]:
    """Return the geometry with one corner (0 top left, clockwise) or end dragged to a point."""
    if kind in BOXES:
        x, y, w, h = geometry
        opposite = [(x + w, y + h), (x, y + h), (x, y), (x + w, y)][corner]
        return box_from(opposite, (to[0] + 0.0, to[1] + 0.0))
    if kind in LINES:
        return (*to, *geometry[2:]) if corner == 0 else (*geometry[:2], *to)
    return to


def put_geometry(session: Session, item: Item, geometry: tuple[float, ...], clip: Clip | None = None) -> Session:
    """Return the session with an item moved: in the reference, or (regions, with `clip`) in that clip alone."""
    if clip is not None and isinstance(item, Region):
        return session.put(replace(item, overrides={**item.overrides, clip.id: geometry}))
    return session.put(replace(item, geometry=geometry))


def hit(shape: Shape, points: list[tuple[float, float]], at: tuple[float, float], slack: float = 6.0) -> float | None:
    """Return how far the pointer is from a shape whose corners lie at screen `points`, or None beyond `slack`.

    Inside of a box counts as a weak hit (`slack`), so that what is drawn on top of it can still be picked.
    """
    if shape.box:
        edges = [_to_segment(at, points[n], points[(n + 1) % 4]) for n in range(4)]
        near = min(edges)
        if near <= slack:
            return near
        return slack if _inside(at, points) else None
    if shape.kind in LINES:
        near = _to_segment(at, points[0], points[1])
    else:
        near = math.dist(at, points[0]) - 6.0
    return max(0.0, near) if near <= slack else None


def _inside(at: tuple[float, float], points: list[tuple[float, float]]) -> bool:
    signs = []
    for n, (x0, y0) in enumerate(points):
        x1, y1 = points[(n + 1) % len(points)]
        signs.append((x1 - x0) * (at[1] - y0) - (y1 - y0) * (at[0] - x0) >= 0)
    return all(signs) or not any(signs)


def _to_segment(p: tuple[float, float], a: tuple[float, float], b: tuple[float, float]) -> float:
    length2 = (b[0] - a[0]) ** 2 + (b[1] - a[1]) ** 2
    t = 0.0 if length2 == 0 else max(0.0, min(1.0, ((p[0] - a[0]) * (b[0] - a[0]) + (p[1] - a[1]) * (b[1] - a[1])) / length2))
    return math.dist(p, (a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])))


def fresh_name(session: Session, scene: str, kind_word: str) -> str:
    """Return ``Light 3``: the kind's word and the first free number."""
    taken = {region.name for region in session.regions_of(scene)} | {note.text for note in session.notes if note.scene == scene}
    number = 1
    while f"{kind_word} {number}" in taken:
        number += 1
    return f"{kind_word} {number}"


__all__ = [
    "BOXES",
    "LINES",
    "POINTS",
    "TOOLS",
    "Item",
    "Shape",
    "box_from",
    "corner_moved",
    "fresh_name",
    "geometry_from",
    "grown",
    "hit",
    "moved",
    "put_geometry",
    "shape_of",
    "shapes_of",
    "to_reference",
]

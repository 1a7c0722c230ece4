"""What is drawn on a picture: regions, notes, magnified insets, a scale bar; all anchored in the scene."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from viewer.publish.canvas import Canvas
from viewer.publish.gather import Gathered, Pane
from viewer.publish.labels import NOTHING, Rect, Taken, free_place, joined, outline, ring
from viewer.publish.layout import Box, nice_length
from viewer.publish.rendering import show
from viewer.publish.rows import Mark
from viewer.publish.text import width as text_width
from viewer.publish.view import View
from viewer.session.model import Note, Region, Rendering
from viewer.tasks.carry import carried

INK, RIM = "#ffffff", "#000000"
# An inset covers part of the picture: at most this share of its sides.
INSET_SHARE = 0.45
_RECTS = ("rect", "edge", "bars")
# Where the strokes about a light begin and end.
NEAR_EM, FAR_EM = 0.55, 0.95


@dataclass(frozen=True, kw_only=True)
class Place:
    """Where one pane's picture stands on the canvas, how scene places get there, and what letters keep clear of."""

    box: Box
    view: View
    em: float
    taken: Taken = NOTHING

    @property
    def scale(self) -> float:
        """Canvas px per reference px."""
        return self.box.w / self.view.w

    @property
    def clip(self) -> tuple[float, float, float, float]:
        """The picture's rectangle, for clipping."""
        return float(self.box.x), float(self.box.y), float(self.box.w), float(self.box.h)

    def point(self, x: float, y: float) -> tuple[float, float]:
        """Return the canvas place (corner coordinates) of a reference place (pixel centres whole numbers)."""
        return self.box.x + (x - self.view.x) * self.scale, self.box.y + (y - self.view.y) * self.scale

    def rect(self, x: float, y: float, w: float, h: float) -> tuple[float, float, float, float]:
        """Return the canvas rectangle of reference px x .. x + w - 1."""
        left, top = self.point(x - 0.5, y - 0.5)
        return left, top, w * self.scale, h * self.scale


def in_scene(region: Region, pane: Pane) -> tuple[float, ...]:
    """Return a region's geometry in the reference plane, a clip's own override carried back."""
    if pane.clip.id not in region.overrides:
        return region.geometry
    geometry = carried(region, pane.clip)
    m = pane.place.matrix
    scale = math.sqrt(abs(float(np.linalg.det(m[:, :2]))))
    if region.kind in (*_RECTS, "ellipse"):
        x, y, w, h = geometry
        cx, cy = m[:, :2] @ np.array([x + 0.5 * (w - 1), y + 0.5 * (h - 1)]) + m[:, 2]
        return float(cx - 0.5 * (w * scale - 1)), float(cy - 0.5 * (h * scale - 1)), w * scale, h * scale
    points = np.array(geometry, float).reshape(-1, 2) @ m[:, :2].T + m[:, 2]
    return tuple(float(v) for v in points.ravel())


def draw_mark(canvas: Canvas, place: Place, mark: Mark, pane: Pane, time_s: float) -> Rect | None:
    """Draw what a letter stands for: its region, the region of this moment, or corners about the whole group.

    Returns
    -------
    (x, y, w, h) or None
        Where the letter stands, canvas px.
    """
    if not mark.group or mark.timed:
        return draw_region(canvas, place, _now(mark, time_s), pane, mark.letter)
    x, y, w, h = _about(place, mark, pane)
    # Corners alone: a closed outline about many would cross what lies among them.
    arm = min(0.9 * place.em, 0.3 * w, 0.3 * h)
    for cx, cy, dx, dy in ((x, y, 1, 1), (x + w, y, -1, 1), (x + w, y + h, -1, -1), (x, y + h, 1, -1)):
        corner = [(cx + dx * arm, cy), (cx, cy), (cx, cy + dy * arm)]
        canvas.line(corner, INK, max(1.5, 0.075 * place.em), halo=RIM, clip=place.clip)
    return _letter(canvas, place, mark.letter, (x, y, w, h))


def _now(mark: Mark, time_s: float) -> Region:
    return mark.regions[mark.at(time_s) if mark.timed else 0]


def _about(place: Place, mark: Mark, pane: Pane) -> Rect:
    """Return the rectangle about a group of regions, with a little room."""
    corners = [corner for region in mark.regions for corner in _corners(region, pane)]
    (x0, y0), (x1, y1) = np.min(corners, axis=0), np.max(corners, axis=0)
    x, y, w, h = place.rect(x0, y0, x1 - x0 + 1, y1 - y0 + 1)
    pad = 0.25 * place.em
    return x - pad, y - pad, w + 2 * pad, h + 2 * pad


def _corners(region: Region, pane: Pane) -> list[tuple[float, float]]:
    """Return the first and last px of a region in the reference plane."""
    geometry = in_scene(region, pane)
    if region.kind in (*_RECTS, "ellipse"):
        x, y, w, h = geometry
        return [(x, y), (x + w - 1, y + h - 1)]
    return [(x, y) for x, y in zip(geometry[::2], geometry[1::2], strict=False)]


def draw_region(canvas: Canvas, place: Place, region: Region, pane: Pane, letter: str) -> Rect | None:
    """Draw the outline of a region and its letter; return where the letter stands."""
    geometry = in_scene(region, pane)
    width = max(1.5, 0.075 * place.em)
    if region.kind in (*_RECTS, "ellipse"):
        x, y, w, h = place.rect(*geometry)
        if region.kind == "ellipse":
            canvas.ellipse(x, y, w, h, INK, width, halo=RIM, clip=place.clip)
        else:
            canvas.line(_sides(x, y, w, h), INK, width, halo=RIM, closed=True, clip=place.clip)
        return _letter(canvas, place, letter, (x, y, w, h))
    if region.kind == "line":
        ends = [place.point(*geometry[:2]), place.point(*geometry[2:4])]
        canvas.line(ends, INK, width, halo=RIM, clip=place.clip)
        return _letter(canvas, place, letter, (*ends[1], 0.0, 0.0))
    for ends in _cross(place, *geometry[:2]):
        canvas.line(ends, INK, width, halo=RIM, clip=place.clip)
    (x, y), far = place.point(*geometry[:2]), FAR_EM * place.em
    return _letter(canvas, place, letter, (x - far, y - 0.4 * place.em, 2 * far, 0.8 * place.em))


def _cross(place: Place, cx: float, cy: float) -> list[list[tuple[float, float]]]:
    """Return the four strokes about a light."""
    x, y = place.point(cx, cy)
    near, far = NEAR_EM * place.em, FAR_EM * place.em
    return [[(x + dx * near, y + dy * near), (x + dx * far, y + dy * far)] for dx, dy in ((1, 0), (-1, 0), (0, 1), (0, -1))]


def _sides(x: float, y: float, w: float, h: float) -> list[tuple[float, float]]:
    return [(x, y), (x + w, y), (x + w, y + h), (x, y + h)]


def _letter(canvas: Canvas, place: Place, letter: str, rect: Rect) -> Rect | None:
    """Write a letter beside a rectangle, where nothing is drawn; return where it stands."""
    if not letter:
        return None
    em, box = place.em, place.box
    wide, high = text_width(letter, em, "bold"), 0.8 * em
    bounds = box.x + 0.2 * em, box.y + 0.25 * em, box.w - 0.5 * em, box.h - 0.55 * em
    x, y = free_place(rect, (wide, high), bounds, 0.25 * em, em, place.taken)
    canvas.text(x, y + 0.75 * em, letter, em, INK, face="bold", halo=RIM)
    return x, y, wide, high


def taken_by(place: Place, pane: Pane, marks: Sequence[Mark], notes: Sequence[Note], time_s: float) -> Taken:
    """Return what marks and notes cover of a picture: lines, areas and words; of an inset its source."""
    points, words, areas = [], [], []
    for mark in marks:
        region = _now(mark, time_s)
        geometry = in_scene(region, pane)
        if mark.group and not mark.timed:
            areas.append(_about(place, mark, pane))
        elif region.kind in (*_RECTS, "ellipse"):
            rect = place.rect(*geometry[:4])
            areas.append(rect)
            points.append(ring(*rect) if region.kind == "ellipse" else outline(_sides(*rect), closed=True))
        elif region.kind == "line":
            points.append(outline([place.point(*geometry[:2]), place.point(*geometry[2:4])]))
        else:
            points += [outline(ends) for ends in _cross(place, *geometry[:2])]
    for note in notes:
        if note.kind == "arrow":
            points.append(outline([place.point(*note.geometry[:2]), place.point(*note.geometry[2:4])]))
        elif note.kind == "ellipse":
            points.append(ring(*place.rect(*note.geometry[:4])))
        elif note.kind in ("box", "inset"):
            points.append(outline(_sides(*place.rect(*note.geometry[:4])), closed=True))
        if note.text and note.kind in ("arrow", "box", "ellipse", "text"):
            x, y = place.rect(*note.geometry[:4])[:2] if note.kind in ("box", "ellipse") else place.point(*note.geometry[:2])
            x, y = _text_place(place, note.text, x, y - (0.4 * place.em if note.kind in ("box", "ellipse") else 0.0))
            words.append((x, y - 0.85 * place.em, text_width(note.text, place.em, "bold"), 1.1 * place.em))
    return joined(points, words, areas)


def draw_note(
    canvas: Canvas, place: Place, note: Note, gathered: Gathered, pane: Pane, rendering: Rendering, *, filled: bool = True
) -> None:
    """Draw one note; of an inset that is not `filled`, all but its pixels."""
    width = max(2.0, 0.1 * place.em)
    if note.kind == "arrow":
        _arrow(canvas, place.point(*note.geometry[:2]), place.point(*note.geometry[2:4]), width, place)
        _note_text(canvas, place, note.text, *place.point(*note.geometry[:2]))
    elif note.kind in ("box", "ellipse"):
        x, y, w, h = place.rect(*note.geometry[:4])
        if note.kind == "ellipse":
            canvas.ellipse(x, y, w, h, INK, width, halo=RIM, clip=place.clip)
        else:
            canvas.line(_sides(x, y, w, h), INK, width, halo=RIM, closed=True, clip=place.clip)
        _note_text(canvas, place, note.text, x, y - 0.4 * place.em)
    elif note.kind == "text":
        _note_text(canvas, place, note.text, *place.point(*note.geometry[:2]))
    elif note.kind == "inset":
        draw_inset(canvas, place, note, pane, rendering, filled=filled)
    elif note.kind == "scale_bar":
        x, y = place.point(*note.geometry[:2])
        scale_bar(canvas, x, y, place.em, gathered, place.scale, most=0.3 * place.box.w, ink=INK, rim=RIM)


def _text_place(place: Place, text: str, x: float, y: float) -> tuple[float, float]:
    """Return where a note's words start, on their base line, inside the picture."""
    wide = text_width(text, place.em, "bold")
    x = min(max(x, place.box.x + 0.3 * place.em), max(place.box.x + 0.3 * place.em, place.box.right - wide - 0.3 * place.em))
    return x, min(max(y, place.box.y + 1.1 * place.em), place.box.bottom - 0.4 * place.em)


def _note_text(canvas: Canvas, place: Place, text: str, x: float, y: float) -> None:
    if text:
        canvas.text(*_text_place(place, text, x, y), text, place.em, INK, face="bold", halo=RIM)


def _arrow(canvas: Canvas, start: tuple[float, float], tip: tuple[float, float], width: float, place: Place) -> None:
    dx, dy = tip[0] - start[0], tip[1] - start[1]
    length = math.hypot(dx, dy) or 1.0
    ux, uy = dx / length, dy / length
    head = 0.7 * place.em
    base = (tip[0] - head * ux, tip[1] - head * uy)
    canvas.line([start, base], INK, width, halo=RIM, clip=place.clip)
    side = 0.42 * head
    triangle = [tip, (base[0] - side * uy, base[1] + side * ux), (base[0] + side * uy, base[1] - side * ux)]
    canvas.line(triangle, RIM, 0.8 * width, closed=True, clip=place.clip)
    canvas.polygon(triangle, INK, clip=place.clip)


def inset_factor(width: float, height: float, room_w: float, room_h: float) -> int:
    """Return by which whole number px are repeated so that `width` x `height` px fill the room but do not exceed it."""
    return max(1, int(min(room_w / max(width, 1.0), room_h / max(height, 1.0))))


def _inset_part(pane: Pane, geometry: Sequence[float]) -> tuple[int, int, int, int]:
    """Return first column, first row, rows and columns of a clip's own px that a rectangle (reference px) asks for."""
    x, y, w, h = geometry[:4]
    m = pane.place.matrix
    centre = np.array([x + 0.5 * (w - 1), y + 0.5 * (h - 1)])
    cx, cy = np.linalg.solve(m[:, :2], centre - m[:, 2])
    scale = math.sqrt(abs(float(np.linalg.det(m[:, :2]))))
    cols, rows = max(1, round(w / scale)), max(1, round(h / scale))
    return round(cx - 0.5 * (cols - 1)), round(cy - 0.5 * (rows - 1)), rows, cols


def inset_light(pane: Pane, geometry: Sequence[float], light: np.ndarray, clipped: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return light and clip mask of the clip's own pixels in a rectangle (reference px); edges repeat outside."""
    x0, y0, rows, cols = _inset_part(pane, geometry)
    high, wide = clipped.shape
    part = np.ix_(np.clip(np.arange(y0, y0 + rows), 0, high - 1), np.clip(np.arange(x0, x0 + cols), 0, wide - 1))
    return light[part], clipped[part]


def inset_pixels(pane: Pane, geometry: Sequence[float], factor: int, rendering: Rendering) -> np.ndarray:
    """Return the clip's own pixels of a rectangle (reference px), each repeated `factor` times; nothing is smoothed."""
    light, clipped = inset_light(pane, geometry, pane.light, pane.clipped)
    gain = pane.gain if rendering == "brightness_matched" else 1.0
    shown = show(light, clipped, pane.transfer, pane.primaries, rendering=rendering, gain=gain)
    return shown.repeat(factor, axis=0).repeat(factor, axis=1)


def inset_size(place: Place, note: Note) -> int:
    """Return the whole factor of an inset: as wished, but no more than leaves over half of the picture's sides free.

    0 says that there is no room for it, or that it would show nothing larger than the picture itself.
    """
    room = INSET_SHARE * min(place.box.w, place.box.h)
    if max(note.geometry[2], note.geometry[3]) > room:
        return 0
    most = inset_factor(note.geometry[2], note.geometry[3], room, room)
    wanted = int(float(note.settings.get("factor", 0)))
    return min(wanted, most) if wanted else most


def inset_place(place: Place, note: Note, pane: Pane) -> tuple[int, int, int, int, int]:
    """Return where an inset stands, (x, y, w, h) canvas px, and its factor (0: no room): far from its source."""
    x, y, w, h = place.rect(*note.geometry[:4])
    box, factor = place.box, inset_size(place, note)
    rows, cols = (n * factor for n in _inset_part(pane, note.geometry)[2:])
    left = x + 0.5 * w > box.x + 0.5 * box.w
    top = y + 0.5 * h > box.y + 0.5 * box.h
    return box.x if left else box.right - cols, box.y if top else box.bottom - rows, cols, rows, factor


def draw_inset(canvas: Canvas, place: Place, note: Note, pane: Pane, rendering: Rendering, *, filled: bool = True) -> None:
    """Draw a magnified piece, joined to its source by outline and factor; not `filled`, all but its pixels."""
    ix, iy, wide, high, factor = inset_place(place, note, pane)
    if not factor:
        return
    x, y, w, h = place.rect(*note.geometry[:4])
    box, width = place.box, max(1.5, 0.075 * place.em)
    canvas.line(_sides(x, y, w, h), INK, width, halo=RIM, closed=True, clip=place.clip)
    if filled:
        canvas.picture(inset_pixels(pane, note.geometry, factor, rendering), ix, iy)
    canvas.line(_sides(ix, iy, wide, high), INK, width, halo=RIM, closed=True, clip=place.clip)
    text = f"×{factor}" + (f"  {note.text}" if note.text else "")
    ty = iy + high + 1.05 * place.em if iy == box.y else iy - 0.4 * place.em
    left = ix == box.x
    tx = ix + 0.3 * place.em if left else ix + wide - 0.3 * place.em
    canvas.text(tx, ty, text, place.em, INK, face="bold", halo=RIM, align="left" if left else "right")


def scale_bar(
    canvas: Canvas,
    x: float,
    y: float,
    em: float,
    gathered: Gathered,
    scale: float,
    *,
    most: float,
    ink: str,
    rim: str | None = None,
    align_right: bool = False,
) -> float:
    """Draw a bar of whole degrees (px of the reference clip where the scale is not known) and return its width."""
    per_unit = (gathered.scale.px_per_degree or 1.0) * scale
    length = nice_length(most / per_unit)
    wide = length * per_unit
    text = f"{length:g}°" if gathered.scale.px_per_degree else f"{length:g} px"
    x0 = x - wide if align_right else x
    tick, width = 0.35 * em, max(2.0, 0.09 * em)
    bar = [(x0, y - tick), (x0, y), (x0 + wide, y), (x0 + wide, y - tick)]
    canvas.line(bar, ink, width, halo=rim)
    canvas.text(x0 + 0.5 * wide, y - 0.55 * em, text, em, ink, align="centre", halo=rim)
    return wide


__all__ = [
    "Place",
    "draw_inset",
    "draw_mark",
    "draw_note",
    "draw_region",
    "in_scene",
    "inset_factor",
    "inset_light",
    "inset_pixels",
    "inset_place",
    "inset_size",
    "scale_bar",
    "taken_by",
]

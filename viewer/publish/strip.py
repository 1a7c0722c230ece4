"""The strip beside one large picture: the same piece of the scene from every device, px repeated by one whole number."""

from __future__ import annotations

import numpy as np

from viewer.publish import rows as table
from viewer.publish.gather import Gathered, Pane
from viewer.publish.layout import VALUE_EM, WORDS_EM, Box, Cell
from viewer.publish.look import LARGE_SHARE, WIDE, Look
from viewer.publish.overlay import Place, inset_factor, inset_pixels
from viewer.publish.panewords import name_line, reading_rows, rendering_words
from viewer.publish.text import fit


def draw_strip(look: Look, places: list[Cell]) -> None:
    """Draw the punch-in of every pane: the same piece of the scene, px repeated by one whole number."""
    body, em, page = look.page.body, look.page.em, look.page
    panes, gap = look.gathered.panes, round(look.page.em)
    piece = punch_in(look.gathered)
    place = Place(box=places[0].picture, view=look.view, em=em)
    x, y, w, h = place.rect(*piece)
    corners = [(x, y), (x + w, y), (x + w, y + h), (x, y + h)]
    look.canvas.line(corners, "#ffffff", 0.08 * em, halo="#000000", closed=True, clip=place.clip)
    beside = page.width > WIDE * page.height
    if beside:
        x0 = body.x + round(LARGE_SHARE * body.w) + round(1.2 * em)
        each = (body.h - (len(panes) - 1) * gap) // len(panes)
        room = (round(min(0.5 * (body.right - x0), body.right - x0 - (WORDS_EM + 1) * em)), each)
        boxes = [Box(x0, body.y + n * (each + gap), body.right - x0, each) for n in range(len(panes))]
    else:
        top = body.y + round(LARGE_SHARE * body.h) + gap
        each = (body.w - (len(panes) - 1) * gap) // len(panes)
        room = (each, round(max(0.3 * (body.bottom - top), body.bottom - top - 8.0 * em)))
        boxes = [Box(body.x + n * (each + gap), top, each, body.bottom - top) for n in range(len(panes))]
    scales = [float(np.sqrt(abs(np.linalg.det(p.place.matrix[:, :2])))) for p in panes]
    factor = min(inset_factor(piece[2] / s, piece[3] / s, *room) for s in scales)
    size = tuple(round(factor * max(side / s for s in scales)) for side in piece[2:])
    for pane, box in zip(panes, boxes, strict=True):
        _piece(look, pane, box, piece, factor, (min(size[0], room[0]), min(size[1], room[1])), beside=beside)


def _piece(
    look: Look,
    pane: Pane,
    box: Box,
    piece: tuple[float, float, float, float],
    factor: int,
    size: tuple[int, int],
    *,
    beside: bool,
) -> None:
    """Draw one device's piece at the top left of a box, and its words to the right or below."""
    em = look.page.em
    pixels = inset_pixels(pane, piece, factor, look.rendering)[: size[1], : size[0]]
    look.canvas.picture(pixels, box.x, box.y)
    left, top = (box.x + size[0] + em, float(box.y)) if beside else (float(box.x), box.y + size[1] + 0.5 * em)
    width = box.right - left
    base = top + 1.0 * em
    name_line(look, pane, left, base, width)
    base += 1.45 * em
    words = f"px ×{factor} · {rendering_words(pane, look.rendering)}"
    look.canvas.text(left, base, fit(words, width, em), em, look.greys.quiet)
    if width >= VALUE_EM * em:
        line = (2.75 if width < WORDS_EM * em else 1.45) * em
        keep = max(0, int((box.bottom - base - 1.2 * em) / line))
        reading_rows(look, pane, left, base + 1.4 * em, width, look.rows[:keep])


def punch_in(gathered: Gathered) -> tuple[float, float, float, float]:
    """Return the piece of the scene that the strip magnifies: the first inset note, else about the first region."""
    for note in gathered.session.notes:
        if note.scene == gathered.scene.id and note.kind == "inset":
            return note.geometry[0], note.geometry[1], note.geometry[2], note.geometry[3]
    view = gathered.view
    side_w, side_h = view.w / 5.0, view.h / 5.0
    cx, cy = view.x + 0.5 * view.w, view.y + 0.5 * view.h
    for mark in table.marks(gathered.session, gathered.scene.id):
        region = mark.regions[mark.at(gathered.spec.time_s) if mark.timed else 0]
        g = region.geometry
        cx, cy = (g[0] + 0.5 * g[2], g[1] + 0.5 * g[3]) if len(g) == 4 and region.kind != "line" else (g[0], g[1])
        break
    return cx - 0.5 * side_w, cy - 0.5 * side_h, side_w, side_h


__all__ = ["draw_strip", "punch_in"]

"""The published still: every device at one moment of a scene, equal degrees as equal sizes, words below the pictures."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from viewer.publish import rows as table
from viewer.publish.canvas import to_8_bit
from viewer.publish.footer import draw_footer, footer_lines
from viewer.publish.gather import Gathered, Pane, gather
from viewer.publish.images import write_animation, write_picture
from viewer.publish.layout import Box, Cell, Page
from viewer.publish.look import CAPTION_EM, Look, prepare
from viewer.publish.overlay import Place, draw_mark, draw_note, taken_by
from viewer.publish.palette import Greys
from viewer.publish.panewords import draw_words, rendering_words
from viewer.publish.rendering import RENDERING_WORDS, recipe_words, show
from viewer.publish.strip import draw_strip, punch_in
from viewer.publish.text import fit
from viewer.publish.view import View, combined, resample
from viewer.publish.words import take_words
from viewer.session.model import Note, Rendering, Session, StillSpec


@dataclass(frozen=True, kw_only=True)
class Still:
    """A finished still: `pixels` uint16 (h, w, 3) sRGB signal, and the `facts` that its caption rests on (strict JSON)."""

    pixels: np.ndarray
    facts: dict[str, Any]
    troubles: tuple[str, ...] = ()

    @property
    def words(self) -> dict[str, str]:
        """The words that go into the file."""
        return {"Title": str(self.facts["title"]), "Description": str(self.facts["caption"])}


def render_still(
    session: Session,
    folder: Path,
    spec: StillSpec,
    *,
    size: tuple[int, int] | None = None,
    allow_outside: bool = False,
    progress: Callable[[int, int], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> Still:
    """Read the clips of a still and draw it.

    Parameters
    ----------
    session, folder : Session, Path
        The document, and the folder that its file references start from.
    spec : StillSpec
        Moment, rule, rendering, layout (``row``, ``column``, ``grid``, ``large``) and shape (``16:9``, ``square``,
        ``portrait``, ``print``).  Settings: ``view_x``, ``view_y``, ``view_w``, ``view_h`` (reference px); ``readings``
        (names, comma-separated); ``regions``, ``notes``, ``sheet`` (0: not drawn); ``match_region`` (id); ``ground``.
    size : (width, height), optional
        Overrules the shape's px.

    Raises
    ------
    UsageError
        If nothing can be shown, or the spec asks for what does not exist.
    Cancelled
        On request.
    """
    gathered = gather(session, folder, spec, allow_outside=allow_outside, progress=progress, cancelled=cancelled)
    return compose(gathered, size=size)


def compose(
    gathered: Gathered, *, rendering: Rendering | None = None, size: tuple[int, int] | None = None, only: int | None = None
) -> Still:
    """Draw a still from what was gathered.

    Parameters
    ----------
    rendering : optional
        Instead of the spec's (for the brightness-matched twin).
    only : int, optional
        Draw just this pane, at the place it has among all (for blinking).
    """
    look, places, footer = prepare(gathered, rendering, size, alone=only is not None)
    _header(look)
    panes = gathered.panes if only is None else (gathered.panes[only],)
    for pane, cell in zip(panes, places, strict=False):
        _pane(look, pane, cell)
    if gathered.spec.layout == "large" and only is None:
        draw_strip(look, places)
    draw_footer(look.canvas, look.page, look.greys, look.view, gathered, footer, places[0])
    return Still(pixels=look.canvas.pixels, facts=_facts(look), troubles=gathered.troubles)


@dataclass(frozen=True, kw_only=True)
class Stage:
    """A still without its pictures: what stays while they move.

    ``base`` and ``share`` are (h, w, 3) float32: a finished frame is ``base + share * picture`` (sRGB signal 0..1).
    ``stamps`` are (right end, top, width) of the words of each pane, px; ``insets`` the notes whose pixels move too;
    ``readout`` and ``caption`` the room for words that change (None: none was asked for).
    """

    base: np.ndarray
    share: np.ndarray
    boxes: tuple[Box, ...]
    stamps: tuple[tuple[int, int, int], ...]
    view: View
    em: float
    greys: Greys
    insets: tuple[Note, ...] = ()
    readout: Box | None = None
    caption: Box | None = None


def stage(gathered: Gathered, *, rendering: Rendering | None = None, size: tuple[int, int] | None = None) -> Stage:
    """Draw everything of a still but the pictures, once on black and once on white: that tells what covers them."""
    drawn: list[np.ndarray] = []
    for fill in (0, 65535):
        look, places, footer = prepare(gathered, rendering, size, alone=False, moving=True)
        _header(look)
        for pane, cell in zip(gathered.panes, places, strict=False):
            _pane(look, pane, cell, fill=fill)
        draw_footer(look.canvas, look.page, look.greys, look.view, gathered, footer, places[0])
        drawn.append(look.canvas.pixels.astype(np.float32) / 65535.0)
    share = np.zeros_like(drawn[0])
    for cell in places:
        part = (slice(cell.picture.y, cell.picture.bottom), slice(cell.picture.x, cell.picture.right))
        share[part] = np.clip(drawn[1][part] - drawn[0][part], 0.0, 1.0)
    return Stage(
        base=drawn[0],
        share=share,
        boxes=tuple(cell.picture for cell in places),
        stamps=tuple((cell.words.right, cell.words.y, cell.words.w) for cell in places),
        view=look.view,
        em=look.page.em,
        greys=look.greys,
        insets=tuple(
            note
            for note in gathered.session.notes
            if note.kind == "inset" and note.scene == gathered.scene.id and float(gathered.spec.settings.get("notes", 1))
        ),
        readout=readout_box(look.page),
        caption=caption_box(look.page) if look.caption else None,
    )


def readout_box(page: Page) -> Box:
    """Return the right part of the header, where moving pictures tell the light level."""
    wide = round(0.34 * page.header.w)
    return Box(page.header.right - wide, page.header.y, wide, round(1.9 * page.em))


def caption_box(page: Page) -> Box:
    """Return the line between pictures and footer that holds captions."""
    return Box(page.body.x, page.footer.y - round(CAPTION_EM * page.em), page.body.w, round(CAPTION_EM * page.em))


def _header(look: Look) -> None:
    em, box = look.page.em, look.page.header
    base = box.y + 1.35 * em
    session, scene = look.gathered.session, look.gathered.scene
    title = look.gathered.spec.name or scene.name
    if look.moving:
        # The right end belongs to the light level.
        room = box.w - readout_box(look.page).w - em
        left = look.canvas.text(box.x, base, fit(title, room, 1.6 * em, "bold"), 1.6 * em, look.greys.text, face="bold")
        look.canvas.text(box.x + left + em, base, fit(session.title, room - left - em, em), em, look.greys.quiet)
        return
    right = fit(session.title, 0.45 * box.w, em)
    wide = look.canvas.text(box.right, base, right, em, look.greys.quiet, align="right")
    look.canvas.text(box.x, base, fit(title, box.w - wide - 2 * em, 1.6 * em, "bold"), 1.6 * em, look.greys.text, face="bold")


def _pane(look: Look, pane: Pane, cell: Cell, *, fill: int | None = None) -> None:
    if fill is None:
        _picture(look, pane, cell.picture)
    else:
        blank = np.full((cell.picture.h, cell.picture.w, 3), fill, np.uint16)
        look.canvas.picture(blank, cell.picture.x, cell.picture.y)
    place = Place(box=cell.picture, view=look.view, em=look.page.em)
    settings = look.gathered.spec.settings
    notes = _notes(look) if float(settings.get("notes", 1)) else []
    marks = _marks(look) if float(settings.get("regions", 1)) else []
    time_s = look.gathered.spec.time_s
    place = replace(place, taken=taken_by(place, pane, marks, notes, time_s))
    for mark in marks:
        letter = draw_mark(look.canvas, place, mark, pane, time_s)
        if letter is not None:
            place = replace(place, taken=place.taken.and_word(letter))
    for note in notes:
        draw_note(look.canvas, place, note, look.gathered, pane, look.rendering, filled=not look.moving)
    draw_words(look, pane, cell)


def _marks(look: Look) -> list[table.Mark]:
    """Return what gets a letter; in moving pictures what moves does not."""
    shown = look.rows if look.gathered.spec.layout == "large" else look.rows[: look.amount.rows]
    marks = table.shown_marks(look.gathered.session, look.gathered.scene.id, shown)
    return [mark for mark in marks if not (look.moving and mark.timed)]


def _notes(look: Look) -> list[Note]:
    """Return the scene's notes.  The strip beside a large picture shows what an inset would."""
    large = look.gathered.spec.layout == "large"
    here = (note for note in look.gathered.session.notes if note.scene == look.gathered.scene.id)
    return [note for note in here if not (large and note.kind == "inset")]


def _picture(look: Look, pane: Pane, box: Box) -> None:
    matrix = combined(look.view, box.w, pane.place)
    light, clipped, inside = resample(pane.light, pane.clipped, matrix, box.w, box.h)
    gain = pane.gain if look.rendering == "brightness_matched" else 1.0
    shown = show(light, clipped, pane.transfer, pane.primaries, rendering=look.rendering, gain=gain)
    shown[~inside] = 0
    look.canvas.picture(shown, box.x, box.y)


def _facts(look: Look) -> dict[str, Any]:
    """Return what the caption rests on."""
    gathered = look.gathered
    scene, spec = gathered.scene, gathered.spec
    scale = gathered.scale.px_per_degree
    panes = [
        {
            "clip": pane.clip.id,
            "file": pane.clip.name,
            "device": pane.device.name if pane.device else None,
            "take": pane.clip.take,
            "frames": list(pane.moment.numbers),
            "clip_time_s": round(pane.moment.clip_s, 6),
            "scene_time_s": round(pane.moment.scene_s, 6),
            "rule": pane.moment.words,
            "level_percentile": pane.moment.level_percentile,
            "sharpness_percentile": pane.moment.sharpness_percentile,
            "percentile_of_frames": pane.moment.of_frames,
            "gain": pane.gain if look.rendering == "brightness_matched" else 1.0,
            "clipped_share": pane.clipped_share(look.view),
            "remarks": [text for text in (pane.place.remark, pane.moment.remark, pane.gain_remark) if text],
        }
        for pane in gathered.panes
    ]
    names = ", ".join(f"{p.device.name if p.device else p.clip.name} ({take_words(p.clip)})" for p in gathered.panes)
    caption = f"{scene.name}: {names}; {RENDERING_WORDS[look.rendering]}. " + " ".join(footer_lines(gathered, look.rendering))
    return {
        "title": f"{spec.name or scene.name} - {gathered.session.title}",
        "caption": caption,
        "scene": scene.name,
        "rendering": look.rendering,
        "recipe": recipe_words({pane.transfer for pane in gathered.panes}),
        "view_px": [look.view.x + 0.5, look.view.y + 0.5, look.view.w, look.view.h],
        "px_per_degree": scale,
        "scale_source": gathered.scale.source,
        "size": [look.page.width, look.page.height],
        "panes": panes,
    }


def write_still(still: Still, path: Path, *, bits: int = 8) -> Path:
    """Write a still as ``.png`` (8 or 16 bits), ``.tif`` or ``.jpg``, with the sRGB profile and its caption."""
    return write_picture(path, still.pixels, still.words, bits=bits)


def write_blink(
    gathered: Gathered, *paths: Path, seconds: float = 1.0, size: tuple[int, int] | None = None
) -> tuple[Path, ...]:
    """Write pictures (``.png``, ``.webp``) that show the panes one after another at the same place.

    Raises
    ------
    UsageError
        If the scan finds flashes above the limit, or there is one pane only.
    """
    from viewer.errors import UsageError
    from viewer.tasks.flash import scan_pictures

    stills = [compose(gathered, size=size, only=number) for number in range(len(gathered.panes))]
    frames = [to_8_bit(still.pixels) for still in stills]
    report = scan_pictures(frames, seconds) if len(frames) > 1 else None
    if report is not None and not report.passes:
        raise UsageError(f"the blink would flash: {report.verdict.sentence}", hint="Show each picture longer.")
    return tuple(write_animation(path, frames, seconds, stills[0].words) for path in paths)


__all__ = [
    "Stage",
    "Still",
    "compose",
    "gather",
    "punch_in",
    "render_still",
    "rendering_words",
    "stage",
    "write_blink",
    "write_still",
]

"""The published still: every device at one moment of a scene, equal degrees as equal sizes, words below the pictures."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from viewer.publish import rows as table
from viewer.publish.canvas import Canvas, to_8_bit
from viewer.publish.gather import Gathered, Pane, gather, match_words
from viewer.publish.images import blink_bytes, write_file, write_picture
from viewer.publish.layout import WORDS_EM, Box, Cell, Page, cells, page
from viewer.publish.overlay import Place, draw_note, draw_region, inset_factor, inset_pixels, scale_bar
from viewer.publish.palette import DARK, LIGHT, DeviceStyle, Greys
from viewer.publish.rendering import RENDERING_WORDS, recipe_words, show
from viewer.publish.text import fit, wrap
from viewer.publish.text import width as text_width
from viewer.publish.view import View, combined, resample
from viewer.publish.words import CAUTION, device_name, percentile_words, sheet_words, take_words, value_words
from viewer.session.model import Rendering, Session, StillSpec, StoredReading

MOST_ROWS = 5
LEAST_SHARE = 0.55
LARGE_SHARE = 0.5
FOOTER_SHARE = 0.8


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


@dataclass(frozen=True, slots=True)
class _Amount:
    """How much stands below a picture."""

    rows: int
    sheet: bool
    typical: bool

    def height(self, narrow: bool) -> float:
        """Return the height of the words, em."""
        lines = 2 + narrow + (1 + narrow) * self.typical + (1 + narrow) * self.sheet
        each = 2.75 if narrow else 1.45
        return 0.6 + 1.4 * lines + (0.9 + each * self.rows if self.rows else 0.0)


@dataclass(frozen=True, kw_only=True)
class _Look:
    """What drawing one still needs throughout."""

    canvas: Canvas
    gathered: Gathered
    page: Page
    greys: Greys
    styles: dict[str, DeviceStyle]
    rendering: Rendering
    view: View
    rows: list[table.Row]
    amount: _Amount
    moving: bool = False


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
    look, places, footer = _prepare(gathered, rendering, size, alone=only is not None)
    _header(look)
    panes = gathered.panes if only is None else (gathered.panes[only],)
    for pane, cell in zip(panes, places, strict=False):
        _pane(look, pane, cell)
    if gathered.spec.layout == "large" and only is None:
        _strip(look, places)
    _footer(look, footer, places[0])
    return Still(pixels=look.canvas.pixels, facts=_facts(look), troubles=gathered.troubles)


@dataclass(frozen=True, kw_only=True)
class Stage:
    """A still without its pictures: what stays while they move.

    ``base`` and ``share`` are (h, w, 3) float32: a finished frame is ``base + share * picture`` (sRGB signal 0..1).
    ``stamps`` are (right end, top, width) of the words of each pane, px.
    """

    base: np.ndarray
    share: np.ndarray
    boxes: tuple[Box, ...]
    stamps: tuple[tuple[int, int, int], ...]
    view: View
    em: float
    greys: Greys


def stage(gathered: Gathered, *, rendering: Rendering | None = None, size: tuple[int, int] | None = None) -> Stage:
    """Draw everything of a still but the pictures, once on black and once on white: that tells what covers them."""
    drawn: list[np.ndarray] = []
    for fill in (0, 65535):
        look, places, footer = _prepare(gathered, rendering, size, alone=False, moving=True)
        _header(look)
        for pane, cell in zip(gathered.panes, places, strict=False):
            _pane(look, pane, cell, fill=fill)
        _footer(look, footer, places[0])
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
    )


def _prepare(
    gathered: Gathered, rendering: Rendering | None, size: tuple[int, int] | None, *, alone: bool, moving: bool = False
) -> tuple[_Look, list[Cell], list[str]]:
    """Return the empty page, the cells on it, and the footer's lines."""
    spec = gathered.spec
    chosen: Rendering = rendering or spec.rendering
    ground = str(spec.settings.get("ground", "light" if spec.shape == "print" else "dark"))
    sheet = bool(float(spec.settings.get("sheet", 1))) and any(p.device and p.device.sheet for p in gathered.panes)
    wanted = str(spec.settings.get("readings", ""))
    lines = table.rows(gathered.session, spec.scene, most=MOST_ROWS, wanted=wanted, time_s=gathered.spec.time_s)
    footer = [*_footer_lines(gathered, chosen, moving=moving), *_refusals(gathered, lines)]
    paper = _paper(gathered, spec, size, footer)
    aspect = _aspect(gathered.view)
    places, amount = _places(gathered, paper, spec.layout, aspect, len(lines), sheet, alone)
    greys = LIGHT if ground == "light" else DARK
    look = _Look(
        canvas=Canvas(paper.width, paper.height, greys.panel if ground == "light" else greys.surround),
        gathered=gathered,
        page=paper,
        greys=greys,
        styles=gathered.styles("light" if ground == "light" else "dark"),
        rendering=chosen,
        view=gathered.view.fitted(aspect, 1.0),
        rows=lines,
        amount=amount,
        moving=moving,
    )
    return look, places, footer


def _aspect(view: View) -> float:
    return min(2.4, max(0.6, view.w / view.h))


def _paper(gathered: Gathered, spec: StillSpec, size: tuple[int, int] | None, footer: list[str]) -> Page:
    draft = page(spec.shape, size, 1)
    count = len(_wrapped(footer, draft))
    return page(spec.shape, size, count)


def _amounts(rows: int, sheet: bool) -> Iterator[_Amount]:
    """Yield what may stand below a picture, from rich to poor."""
    for keep in range(rows, 2, -1):
        yield _Amount(keep, sheet, True)
    for keep in range(min(rows, 2), 0, -1):
        yield _Amount(keep, sheet, True)
        yield _Amount(keep, False, True)
    yield _Amount(min(rows, 1), False, False)
    yield _Amount(0, False, False)


def _places(
    gathered: Gathered, paper: Page, layout: str, aspect: float, rows: int, sheet: bool, alone: bool
) -> tuple[list[Cell], _Amount]:
    """Return the cells, and as many words as leave the pictures their room."""
    count = 1 if alone else len(gathered.panes)
    if layout == "large" and not alone:
        amount = _Amount(0, sheet, True)
        left = replace(paper, body=replace(paper.body, w=round(LARGE_SHARE * paper.body.w)))
        return cells(left, "row", 1, aspect, amount.height(False) * paper.em, below=True), amount
    chosen = "row" if layout == "large" else layout
    found: list[tuple[float, list[Cell], _Amount]] = []
    for amount in _amounts(rows, sheet):
        for narrow in (False, True):
            made = cells(paper, chosen, count, aspect, amount.height(narrow) * paper.em)
            cell = made[0]
            if (cell.words.w < WORDS_EM * paper.em) != narrow:
                continue
            if cell.beside and amount.height(narrow) * paper.em > cell.words.h:
                continue
            if cell.share >= LEAST_SHARE:
                return made, amount
            found.append((cell.share, made, amount))
    _, made, amount = max(found, key=lambda item: item[0])
    return made, amount


def _header(look: _Look) -> None:
    em, box = look.page.em, look.page.header
    base = box.y + 1.35 * em
    session, scene = look.gathered.session, look.gathered.scene
    right = fit(session.title, 0.45 * box.w, em)
    wide = look.canvas.text(box.right, base, right, em, look.greys.quiet, align="right")
    title = look.gathered.spec.name or scene.name
    look.canvas.text(box.x, base, fit(title, box.w - wide - 2 * em, 1.6 * em, "bold"), 1.6 * em, look.greys.text, face="bold")


def _pane(look: _Look, pane: Pane, cell: Cell, *, fill: int | None = None) -> None:
    if fill is None:
        _picture(look, pane, cell.picture)
    else:
        blank = np.full((cell.picture.h, cell.picture.w, 3), fill, np.uint16)
        look.canvas.picture(blank, cell.picture.x, cell.picture.y)
    place = Place(box=cell.picture, view=look.view, em=look.page.em)
    settings = look.gathered.spec.settings
    if float(settings.get("regions", 1)):
        for region, letter in table.drawn_regions(look.gathered.session, look.gathered.scene.id):
            draw_region(look.canvas, place, region, pane, letter)
    if float(settings.get("notes", 1)):
        for note in look.gathered.session.notes:
            # An inset would stand still in moving pictures.
            if note.scene == look.gathered.scene.id and not (look.moving and note.kind == "inset"):
                draw_note(look.canvas, place, note, look.gathered, pane, look.rendering)
    _words(look, pane, cell)


def _picture(look: _Look, pane: Pane, box: Box) -> None:
    matrix = combined(look.view, box.w, pane.place)
    light, clipped, inside = resample(pane.light, pane.clipped, matrix, box.w, box.h)
    gain = pane.gain if look.rendering == "brightness_matched" else 1.0
    shown = show(light, clipped, pane.transfer, pane.primaries, rendering=look.rendering, gain=gain)
    shown[~inside] = 0
    look.canvas.picture(shown, box.x, box.y)


def _name_line(look: _Look, pane: Pane, x: float, y: float, w: float, *, stamp: str = "") -> None:
    """Write marker and name, and the time at the right end."""
    canvas, em, greys = look.canvas, look.page.em, look.greys
    style = look.styles.get(pane.device.id) if pane.device else None
    left = x
    if style:
        canvas.marker(x + 0.55 * em, y - 0.42 * em, 0.5 * em, style)
        left = x + 1.5 * em
    room = text_width(stamp, 0.9 * em, "mono") + 0.8 * em if stamp else 0.0
    name = fit(device_name(pane.device), w - (left - x) - room, 1.25 * em, "bold")
    canvas.text(left, y, name, 1.25 * em, greys.text, face="bold")
    if stamp:
        canvas.text(x + w, y, stamp, 0.9 * em, greys.quiet, face="mono", align="right")


def _words(look: _Look, pane: Pane, cell: Cell) -> None:
    """Write the label strip, the sheet line and the readings of a pane."""
    canvas, em = look.canvas, look.page.em
    x, w = float(cell.words.x), float(cell.words.w)
    narrow = w < WORDS_EM * em
    y = cell.words.y + (1.0 if cell.beside else 1.5) * em
    stamp = f"{pane.moment.clip_s:.3f} s"
    _name_line(look, pane, x, y, w, stamp="" if narrow or look.moving else stamp)
    y += 1.45 * em
    if narrow and not look.moving:
        canvas.text(x, y, stamp, 0.9 * em, look.greys.quiet, face="mono")
        y += 1.4 * em
    for text in _label_lines(look, pane, w):
        canvas.text(x, y, fit(text, w, em), em, look.greys.quiet)
        y += 1.4 * em
    _reading_rows(look, pane, x, y, w, look.rows[: look.amount.rows])


def _label_lines(look: _Look, pane: Pane, width: float) -> list[str]:
    em = look.page.em
    narrow = width < WORDS_EM * em
    parts = [take_words(pane.clip), rendering_words(pane, look.rendering)]
    share = 0.0 if look.moving else pane.clipped_share(look.view)
    if share >= 0.0005:
        parts.append(f"clipped {100 * share:.1f} %")
    if pane.repeated and not look.moving:
        parts.append("repeated frame")
    if pane.place.remark:
        parts.append(pane.place.remark)
    if pane.moment.remark:
        parts.append(pane.moment.remark)
    lines = [" · ".join(parts)]
    if look.amount.typical and not look.moving:
        typical = typicality_words(pane)
        if text_width(typical, em) > width:
            typical = typicality_words(pane, short=True)
        lines += wrap(typical, width, em, lines=2) if narrow else [typical]
    if look.amount.sheet:
        sheet = sheet_words(pane.device) if pane.device else []
        text = "Sheet: " + (" · ".join(sheet) if sheet else "none given")
        lines += wrap(text, width, em, lines=2) if narrow else [text]
    return lines


def rendering_words(pane: Pane, rendering: Rendering) -> str:
    """Return the badge of a rendering: what is different about this picture."""
    words = RENDERING_WORDS[rendering]
    if rendering == "brightness_matched":
        words += f" ×{pane.gain:.2f}" if not pane.gain_remark else f": {pane.gain_remark}"
    return words


def typicality_words(pane: Pane, *, short: bool = False) -> str:
    """Return how typical the shown frame is of its clip."""
    moment = pane.moment
    if len(moment.numbers) > 1:
        return moment.words
    if moment.level_percentile is None or moment.sharpness_percentile is None:
        return "typicality not known: too few frames"
    level, sharp = (percentile_words(v) for v in (moment.level_percentile, moment.sharpness_percentile))
    if short:
        return f"level {level.split()[0]}, sharpness {sharp.split()[0]} pct."
    return f"level {level.split()[0]}, sharpness {sharp} of {moment.of_frames} frames"


def _reading_rows(look: _Look, pane: Pane, x: float, y: float, w: float, lines: list[table.Row]) -> None:
    if not lines:
        return
    canvas, em, greys = look.canvas, look.page.em, look.greys
    narrow = w < WORDS_EM * em
    y += 0.1 * em
    canvas.line([(x, y - 0.75 * em), (x + w, y - 0.75 * em)], greys.strong, max(1.0, 0.05 * em))
    y += 0.55 * em
    for row in lines:
        reading = table.cell_of(look.gathered.session, row, pane.clip.id)
        label = f"{row.letters}  {row.label}" if row.letters else row.label
        if narrow:
            canvas.text(x, y, fit(label, w, em), em, greys.quiet)
            y += 1.3 * em
            _value(look, reading, x, y, w)
        else:
            left = _value(look, reading, x, y, w)
            canvas.text(x, y, fit(label, left - x - 0.6 * em, em), em, greys.quiet)
        y += 1.45 * em


def _value(look: _Look, reading: StoredReading | None, x: float, y: float, w: float) -> float:
    """Write a value at the right end of a line and return where it begins."""
    canvas, em, greys = look.canvas, look.page.em, look.greys
    if reading is None:
        return x + w - canvas.text(x + w, y, "not measured", em, greys.disabled, align="right")
    if reading.value is None:
        return x + w - canvas.text(x + w, y, "refused", em, greys.quiet, align="right")
    value, rest = value_words(reading)
    flags = [flag for flag in reading.flags if flag != "within this take"]
    if flags:
        rest += " *"
    tail = canvas.text(x + w, y, rest, em, greys.quiet, align="right")
    tail += canvas.text(x + w - tail - 0.3 * em, y, value, 1.1 * em, greys.text, face="bold", align="right")
    return x + w - tail - 0.3 * em


def _strip(look: _Look, places: list[Cell]) -> None:
    """Draw the punch-in of every pane: the same piece of the scene, px repeated by one whole number."""
    body, em = look.page.body, look.page.em
    x0 = places[0].picture.x + round(LARGE_SHARE * body.w) + round(1.2 * em)
    panes = look.gathered.panes
    gap = round(em)
    each = (body.h - (len(panes) - 1) * gap) // len(panes)
    room = round(min(0.5 * (body.right - x0), body.right - x0 - (WORDS_EM + 1) * em))
    piece = punch_in(look.gathered)
    scales = [float(np.sqrt(abs(np.linalg.det(p.place.matrix[:, :2])))) for p in panes]
    factor = min(inset_factor(piece[2] / s, piece[3] / s, room, each) for s in scales)
    place = Place(box=places[0].picture, view=look.view, em=em)
    x, y, w, h = place.rect(*piece)
    corners = [(x, y), (x + w, y), (x + w, y + h), (x, y + h)]
    look.canvas.line(corners, "#ffffff", 0.08 * em, halo="#000000", closed=True, clip=place.clip)
    for number, pane in enumerate(panes):
        top = body.y + number * (each + gap)
        pixels = inset_pixels(pane, piece, factor, look.rendering)[:each, :room]
        look.canvas.picture(pixels, x0, top)
        left = x0 + round(factor * max(piece[2] / s for s in scales)) + em
        width = body.right - left
        base = top + 1.0 * em
        _name_line(look, pane, left, base, width)
        base += 1.45 * em
        words = f"px ×{factor} · {rendering_words(pane, look.rendering)}"
        look.canvas.text(left, base, fit(words, width, em), em, look.greys.quiet)
        keep = max(0, int((each - 3.4 * em) / (1.45 * em)))
        _reading_rows(look, pane, left, base + 1.4 * em, width, look.rows[:keep])


def punch_in(gathered: Gathered) -> tuple[float, float, float, float]:
    """Return the piece of the scene that the strip magnifies: the first inset note, else about the first region."""
    for note in gathered.session.notes:
        if note.scene == gathered.scene.id and note.kind == "inset":
            return note.geometry[0], note.geometry[1], note.geometry[2], note.geometry[3]
    view = gathered.view
    side_w, side_h = view.w / 5.0, view.h / 5.0
    cx, cy = view.x + 0.5 * view.w, view.y + 0.5 * view.h
    for region, _ in table.drawn_regions(gathered.session, gathered.scene.id):
        g = region.geometry
        cx, cy = (g[0] + 0.5 * g[2], g[1] + 0.5 * g[3]) if len(g) == 4 and region.kind != "line" else (g[0], g[1])
        break
    return cx - 0.5 * side_w, cy - 0.5 * side_h, side_w, side_h


def _footer_lines(gathered: Gathered, rendering: Rendering, *, moving: bool = False) -> list[str]:
    recipe = recipe_words({pane.transfer for pane in gathered.panes})
    rule = gathered.panes[0].moment.words
    if len({pane.moment.words for pane in gathered.panes}) > 1:
        rule = "mean over whole beat periods of each clip"
    if moving:
        rule = "nearest frame of each clip at a constant rate, nothing blended"
    scale = "Equal degrees are equal sizes" if gathered.scale.px_per_degree else "Equal scale"
    parts = [f"{rule[0].upper()}{rule[1:]}", f"{recipe[0].upper()}{recipe[1:]}", f"{scale} ({gathered.scale.source})"]
    if rendering == "brightness_matched":
        parts.append(f"Light matched to the first picture on {match_words(gathered.session, gathered.spec)}")
    numbers = "Numbers: linear light, 95 % intervals"
    if any(_marked(gathered.session, pane.clip.id) for pane in gathered.panes):
        numbers += "; * needs care, see the report"
    return [". ".join([*parts, numbers]) + ".", CAUTION]


def _refusals(gathered: Gathered, lines: list[table.Row]) -> list[str]:
    """Return why readings under the pictures were refused, one sentence each, at most two."""
    found: dict[str, None] = {}
    for row in lines:
        for pane in gathered.panes:
            reading = table.cell_of(gathered.session, row, pane.clip.id)
            if reading is not None and reading.value is None:
                name = pane.device.name if pane.device else pane.clip.name
                found[f"Refused ({name}, {row.label[0].lower()}{row.label[1:]}): {reading.reason}"] = None
    return list(found)[: 1 if gathered.spec.shape == "portrait" else 2]


def _marked(session: Session, clip: str) -> bool:
    return any(r.clip == clip and [f for f in r.flags if f != "within this take"] for r in session.readings)


def _wrapped(lines: list[str], paper: Page) -> list[str]:
    """Return the footer's lines, which leave room for the scale bar at their right."""
    made: list[str] = []
    for text in lines:
        beside = wrap(text, FOOTER_SHARE * paper.footer.w, paper.em)
        if len(made) >= 2:
            made += wrap(text, paper.footer.w, paper.em)
        elif len(made) + len(beside) > 2:
            keep = beside[: 2 - len(made)]
            rest = text.removeprefix(" ".join(keep)).strip()
            made += [*keep, *wrap(rest, paper.footer.w, paper.em)]
        else:
            made += beside
    return made


def _footer(look: _Look, lines: list[str], cell: Cell) -> None:
    em, box, canvas = look.page.em, look.page.footer, look.canvas
    top = box.y + 0.4 * em
    canvas.line([(box.x, top), (box.right, top)], look.greys.strong, max(1.0, 0.05 * em))
    y = top + 1.45 * em
    for part in _wrapped(lines, look.page):
        canvas.text(box.x, y, part, em, look.greys.quiet)
        y += 1.4 * em
    scale = cell.picture.w / look.view.w
    most = min(0.16 * box.w, 0.5 * cell.picture.w)
    scale_bar(canvas, box.right, top + 2.3 * em, em, look.gathered, scale, most=most, ink=look.greys.text, align_right=True)


def _facts(look: _Look) -> dict[str, Any]:
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
    caption = f"{scene.name}: {names}; {RENDERING_WORDS[look.rendering]}. " + " ".join(_footer_lines(gathered, look.rendering))
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


def write_blink(gathered: Gathered, path: Path, *, seconds: float = 1.0, size: tuple[int, int] | None = None) -> Path:
    """Write a PNG that shows the panes one after another at the same place.

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
    return write_file(path, blink_bytes(frames, seconds, stills[0].words))


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

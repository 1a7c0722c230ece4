"""The words below one picture: name and time, what is different about it, data sheet, readings."""

from __future__ import annotations

import re

from viewer.publish import rows as table
from viewer.publish.gather import Pane
from viewer.publish.layout import WORDS_EM, Cell
from viewer.publish.look import Look
from viewer.publish.rendering import RENDERING_WORDS
from viewer.publish.text import fit, wrap
from viewer.publish.text import width as text_width
from viewer.publish.words import INFORMING, device_name, percentile_words, sheet_words, take_words, unit_words, value_words
from viewer.session.model import Rendering, StoredReading


def name_line(look: Look, pane: Pane, x: float, y: float, w: float, *, stamp: str = "") -> None:
    """Write marker and name, and the time at the right end."""
    canvas, em, greys = look.canvas, look.page.em, look.greys
    style = look.styles.get(pane.device.id) if pane.device else None
    left = x
    if style:
        canvas.marker(x + 0.55 * em, y - 0.42 * em, 0.5 * em, style)
        left = x + 1.5 * em
    room = text_width(stamp, 0.9 * em, "figures") + 0.8 * em if stamp else 0.0
    most = w - (left - x) - room
    name = device_name(pane.device)
    if pane.device and text_width(name, 1.25 * em, "bold") > most:
        name = pane.device.name
    name = fit(name, most, 1.25 * em, "bold")
    canvas.text(left, y, name, 1.25 * em, greys.text, face="bold")
    if stamp:
        canvas.text(x + w, y, stamp, 0.9 * em, greys.quiet, face="figures", align="right")


def draw_words(look: Look, pane: Pane, cell: Cell) -> None:
    """Write the label strip, the sheet line and the readings of a pane."""
    canvas, em = look.canvas, look.page.em
    x, w = float(cell.words.x), float(cell.words.w)
    narrow = w < WORDS_EM * em
    y = cell.words.y + (1.0 if cell.beside else 1.5) * em
    moment = pane.moment
    stamp = f"{moment.clip_s:.3f} s"
    if len(moment.numbers) > 1 and moment.last_s is not None:
        stamp = f"{moment.clip_s:.2f} to {moment.last_s:.2f} s"
    name_line(look, pane, x, y, w, stamp="" if narrow or look.moving else stamp)
    y += 1.45 * em
    if narrow and not look.moving:
        canvas.text(x, y, stamp, 0.9 * em, look.greys.quiet, face="figures")
        y += 1.4 * em
    for text in _label_lines(look, pane, w):
        canvas.text(x, y, fit(text, w, em), em, look.greys.quiet)
        y += 1.4 * em
    reading_rows(look, pane, x, y, w, look.rows[: look.amount.rows])


def _label_lines(look: Look, pane: Pane, width: float) -> list[str]:
    em, rich = look.page.em, 1 if width >= WORDS_EM * look.page.em else 2
    parts = [take_words(pane.clip), rendering_words(pane, look.rendering)]
    share = 0.0 if look.moving else pane.clipped_share(look.view)
    if share >= 0.0005:
        parts.append(f"clipped {100 * share:.1f} %")
    if pane.repeated and not look.moving:
        parts.append("repeated frame")
    # A moving picture's moment is only where its light was matched.
    parts += [text for text in (pane.place.remark, "" if look.moving else pane.moment.remark) if text]
    if not (look.amount.typical and not look.moving):
        lines = _packed(parts, width, em, most=rich)
    else:
        typical = typicality_words(pane)
        if text_width(typical, em) > (rich * width if rich == 1 else width):
            typical = typicality_words(pane, short=True)
            if text_width(typical, em) > width:
                # bare numbers: 85 instead of 85th
                typical = re.sub(r"(\d+)(st|nd|rd|th)", r"\1", typical)
        lines = _packed([*parts, typical], width, em, most=1 + rich)
    if look.amount.sheet:
        sheet = sheet_words(pane.device) if pane.device else []
        lines += _packed(
            [f"Sheet: {sheet[0]}", *sheet[1:]] if sheet else ["Sheet: none given"], width, em, most=look.amount.sheet
        )
    return lines


def _packed(parts: list[str], width: float, em: float, *, most: int) -> list[str]:
    """Return items joined by dots in at most so many lines, broken between items; what finds no room is counted."""
    lines: list[str] = []
    for place, part in enumerate(parts):
        longer = f"{lines[-1]} · {part}" if lines else part
        rest = len(parts) - place - 1
        tail = f" · +{rest} in the report" if rest and len(lines) == most else ""
        if not lines or text_width(longer + tail, em) <= width:
            lines = [*lines[:-1], longer]
        elif len(lines) < most:
            lines += wrap(part, width, em, lines=most - len(lines))
        else:
            counted = f"{lines[-1]} · +{rest + 1} in the report"
            return [*lines[:-1], counted if text_width(counted, em) <= width else longer]
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
        return f"level {level.split()[0]}, sharp {sharp.split()[0]} pct."
    return f"level {level.split()[0]}, sharpness {sharp} of {moment.of_frames} frames"


def reading_rows(look: Look, pane: Pane, x: float, y: float, w: float, lines: list[table.Row]) -> None:
    if not lines:
        return
    canvas, em, greys = look.canvas, look.page.em, look.greys
    narrow = w < WORDS_EM * em
    y += 0.1 * em
    canvas.line([(x, y - 0.75 * em), (x + w, y - 0.75 * em)], greys.strong, max(1.0, 0.05 * em))
    y += 0.55 * em
    for row in lines:
        reading = table.cell_of(look.gathered.session, row, pane.clip.id)
        missing = table.missing_words(look.gathered.session, row, pane.clip.id)
        if narrow:
            shown = _fitting(reading, w, em) if reading is not None and reading.value is not None else None
            unit = f", {unit_words(reading.unit)}" if shown and reading and not shown[2] else ""
            canvas.text(x, y, _label(row, w - text_width(unit, em), em) + unit, em, greys.quiet)
            y += 1.3 * em
            _value(look, reading, missing, x, y, w, shown)
        else:
            left = _value(look, reading, missing, x, y, w)
            canvas.text(x, y, _label(row, left - x - 0.6 * em, em), em, greys.quiet)
        y += 1.45 * em


def _label(row: table.Row, room: float, em: float) -> str:
    """Return letters and name of a row, the short name where the full one does not fit."""
    front = f"{row.letters}  " if row.letters else ""
    full = front + row.label
    return full if text_width(full, em) <= room else fit(front + row.short, room, em)


def _fitting(reading: StoredReading, room: float, em: float) -> tuple[str, str, bool]:
    """Return value, interval and whether the unit stands with them: all if it fits, else without unit, else the value alone."""
    value, rest = value_words(reading)
    unit = unit_words(reading.unit)
    star = _star(reading)
    bare = rest.removesuffix(unit).rstrip() if unit else rest
    for words, with_unit in ((rest, True), (bare, not unit), (unit, True)):
        if text_width(words + star, em) + 0.3 * em + text_width(value, 1.1 * em, "bold") <= room:
            return value, words + star, with_unit
    return value, star.strip(), False


def _star(reading: StoredReading) -> str:
    return " *" if set(reading.flags) - INFORMING else ""


def _value(
    look: Look,
    reading: StoredReading | None,
    missing: str,
    x: float,
    y: float,
    w: float,
    shown: tuple[str, str, bool] | None = None,
) -> float:
    """Write a value at the right end of a line and return where it begins."""
    canvas, em, greys = look.canvas, look.page.em, look.greys
    if reading is None or reading.value is None:
        return x + w - canvas.text(x + w, y, missing if reading is None else "refused", em, greys.quiet, align="right")
    value, rest = shown[:2] if shown else value_words(reading)
    if shown is None:
        rest += _star(reading)
    tail = canvas.text(x + w, y, rest, em, greys.quiet, align="right")
    tail += canvas.text(x + w - tail - 0.3 * em, y, value, 1.1 * em, greys.text, face="bold", align="right")
    return x + w - tail - 0.3 * em


__all__ = ["draw_words", "name_line", "reading_rows", "rendering_words", "typicality_words"]

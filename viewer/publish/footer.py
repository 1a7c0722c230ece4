"""The lines at the foot of a still: how it was made, what was refused, the caution; and the scale bar."""

from __future__ import annotations

from viewer.publish import rows as table
from viewer.publish.canvas import Canvas
from viewer.publish.compared import told_verdicts
from viewer.publish.gather import Gathered, match_words
from viewer.publish.layout import Cell, Page
from viewer.publish.overlay import scale_bar
from viewer.publish.palette import Greys
from viewer.publish.rendering import recipe_words
from viewer.publish.text import wrap
from viewer.publish.view import View
from viewer.publish.words import CAUTION, INFORMING
from viewer.session.model import Rendering, Session

FOOTER_SHARE = 0.8
# Lines of verdicts under moving pictures.
MOVING_VERDICTS = 2


def footer_lines(gathered: Gathered, rendering: Rendering, *, moving: bool = False) -> list[str]:
    """Return how the pictures were made, and the caution."""
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
    if not moving and any(_marked(gathered.session, pane.clip.id) for pane in gathered.panes):
        numbers += "; * needs care, see the report"
    told = told_verdicts(gathered.session, gathered.scene.id, most=MOVING_VERDICTS) if moving else []
    return [". ".join([*parts, numbers]) + ".", CAUTION, *(f"{line}." for line in told)]


def refusals(gathered: Gathered, lines: list[table.Row]) -> list[str]:
    """Return why readings under the pictures were refused, one sentence a reason, at most two."""
    found: dict[str, tuple[list[str], list[str]]] = {}
    for row in lines:
        for pane in gathered.panes:
            reading = table.cell_of(gathered.session, row, pane.clip.id)
            if reading is not None and reading.value is None:
                names, labels = found.setdefault(reading.reason or "no reason was given.", ([], []))
                names.append(pane.device.name if pane.device else pane.clip.name)
                labels.append(row.label[0].lower() + row.label[1:])
    told = [
        f"Refused ({', '.join(dict.fromkeys(names))}: {', '.join(dict.fromkeys(labels))}): {reason}"
        for reason, (names, labels) in found.items()
    ]
    return told[: 1 if gathered.spec.shape == "portrait" else 2]


def _marked(session: Session, clip: str) -> bool:
    return any(r.clip == clip and set(r.flags) - INFORMING for r in session.readings)


def wrapped(lines: list[str], paper: Page) -> list[str]:
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


def draw_footer(
    canvas: Canvas, paper: Page, greys: Greys, view: View, gathered: Gathered, lines: list[str], cell: Cell
) -> None:
    """Draw the footer; the scale bar belongs to the pictures, of which `cell` is one."""
    em, box = paper.em, paper.footer
    top = box.y + 0.4 * em
    canvas.line([(box.x, top), (box.right, top)], greys.strong, max(1.0, 0.05 * em))
    y = top + 1.45 * em
    for part in wrapped(lines, paper):
        canvas.text(box.x, y, part, em, greys.quiet)
        y += 1.4 * em
    scale = cell.picture.w / view.w
    most = min(0.16 * box.w, 0.5 * cell.picture.w)
    scale_bar(canvas, box.right, top + 2.3 * em, em, gathered, scale, most=most, ink=greys.text, align_right=True)


__all__ = ["draw_footer", "footer_lines", "refusals", "wrapped"]

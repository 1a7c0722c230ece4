"""What one still needs throughout, and how much stands below its pictures."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from viewer.publish import rows as table
from viewer.publish.canvas import Canvas
from viewer.publish.footer import footer_lines, refusals, wrapped
from viewer.publish.gather import Gathered
from viewer.publish.layout import VALUE_EM, WORDS_EM, Cell, Page, cells, columns_of, page
from viewer.publish.palette import DARK, LIGHT, DeviceStyle, Greys
from viewer.publish.view import View
from viewer.session.model import Rendering, StillSpec

MOST_ROWS = 5
LARGE_SHARE = 0.5
# Pages wider than this have the strip at the side of a large picture, others below it.
WIDE = 1.2
# Height of the line for captions in moving pictures.
CAPTION_EM = 2.0


@dataclass(frozen=True, slots=True)
class Amount:
    """How much stands below a picture."""

    rows: int
    sheet: int
    typical: bool

    def height(self, narrow: bool) -> float:
        """Return the height of the words, em."""
        lines = 2 + 2 * narrow + (1 + narrow) * self.typical + self.sheet
        each = 2.75 if narrow else 1.45
        return 0.6 + 1.4 * lines + (0.9 + each * self.rows if self.rows else 0.0)

    def worth(self) -> float:
        """Return how much smaller a picture may be for the sake of these words: 11 % for a reading, and so on."""
        return (
            1.0
            + 0.11 * min(self.rows, 3)
            + 0.06 * max(self.rows - 3, 0)
            + 0.09 * (self.sheet > 0)
            + 0.03 * (self.sheet > 1)
            + 0.15 * self.typical
        )


@dataclass(frozen=True, kw_only=True)
class Look:
    """What drawing one still needs throughout."""

    canvas: Canvas
    gathered: Gathered
    page: Page
    greys: Greys
    styles: dict[str, DeviceStyle]
    rendering: Rendering
    view: View
    rows: list[table.Row]
    amount: Amount
    moving: bool = False
    caption: bool = False


def prepare(
    gathered: Gathered, rendering: Rendering | None, size: tuple[int, int] | None, *, alone: bool, moving: bool = False
) -> tuple[Look, list[Cell], list[str]]:
    """Return the empty page, the cells on it, and the footer's lines."""
    spec = gathered.spec
    chosen: Rendering = rendering or spec.rendering
    ground = str(spec.settings.get("ground", "light" if spec.shape == "print" else "dark"))
    sheet = bool(float(spec.settings.get("sheet", 1))) and any(p.device and p.device.sheet for p in gathered.panes)
    wanted = str(spec.settings.get("readings", ""))
    lines = table.rows(gathered.session, spec.scene, most=MOST_ROWS, wanted=wanted, time_s=gathered.spec.time_s)
    footer = footer_lines(gathered, chosen, moving=moving)
    if not moving:
        footer += refusals(gathered, lines[:3])
    paper = _paper(spec, size, footer)
    caption = moving and bool(float(spec.settings.get("captions", 0)))
    if caption:
        body = paper.body
        paper = replace(paper, body=replace(body, h=body.h - round(CAPTION_EM * paper.em)))
    aspect = _aspect(gathered.view)
    places, amount = _places(gathered, paper, spec.layout, aspect, len(lines), sheet, alone)
    greys = LIGHT if ground == "light" else DARK
    look = Look(
        canvas=Canvas(paper.width, paper.height, greys.panel if ground == "light" else greys.surround),
        gathered=gathered,
        page=paper,
        greys=greys,
        styles=gathered.styles("light" if ground == "light" else "dark"),
        rendering=chosen,
        view=gathered.view.fitted(places[0].picture.w, places[0].picture.h),
        rows=lines,
        amount=amount,
        moving=moving,
        caption=caption,
    )
    return look, places, footer


def _aspect(view: View) -> float:
    return min(2.4, max(0.6, view.w / view.h))


def _paper(spec: StillSpec, size: tuple[int, int] | None, footer: list[str]) -> Page:
    draft = page(spec.shape, size, 1)
    return page(spec.shape, size, len(wrapped(footer, draft)))


def _amounts(rows: int, sheet: bool) -> Iterator[Amount]:
    """Yield what may stand below a picture."""
    for keep in range(rows, -1, -1):
        yield from (Amount(keep, lines, True) for lines in ((2, 1, 0) if sheet else (0,)))
    yield Amount(0, 0, False)


def _places(
    gathered: Gathered, paper: Page, layout: str, aspect: float, rows: int, sheet: bool, alone: bool
) -> tuple[list[Cell], Amount]:
    """Return the cells, columns_of, and as many words as leave the pictures their room."""
    count = 1 if alone else len(gathered.panes)
    if layout == "large" and not alone:
        wide = paper.width > WIDE * paper.height
        size = {"w": round(LARGE_SHARE * paper.body.w)} if wide else {"h": round(LARGE_SHARE * paper.body.h)}
        paper, count, rows = replace(paper, body=replace(paper.body, **size)), 1, 0
    chosen = "row" if layout == "large" else layout
    found: list[tuple[float, list[Cell], Amount]] = []
    for amount in _amounts(rows, sheet):
        for narrow in (False, True):
            height = amount.height(narrow) * paper.em
            ways = [(side, cols) for cols in columns_of(paper, chosen, count) for side in (False, True)]
            for made in (cells(paper, chosen, count, aspect, height, beside=side, cols=cols) for side, cols in ways):
                cell = made[0]
                if amount.rows and cell.words.w < VALUE_EM * paper.em:
                    continue
                if (cell.words.w < WORDS_EM * paper.em) == narrow and height <= cell.words.h + 1:
                    found.append((min(cell.picture.w, cell.picture.h * aspect) * amount.worth(), made, amount))
    if not found:
        return cells(paper, chosen, count, aspect, Amount(0, 0, False).height(True) * paper.em), Amount(0, 0, False)
    _, made, amount = max(found, key=lambda item: item[0])
    return made, amount


__all__ = ["CAPTION_EM", "LARGE_SHARE", "MOST_ROWS", "WIDE", "Amount", "Look", "prepare"]

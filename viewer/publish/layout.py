"""Where things stand on a still: pictures as large as they can be, texts on a grid below or beside them."""

from __future__ import annotations

import math
from dataclasses import dataclass

from viewer.errors import UsageError

SHAPES: dict[str, tuple[int, int]] = {
    "16:9": (1920, 1080),
    "square": (1440, 1440),
    "portrait": (1080, 1350),
    "print": (3508, 2480),
}
LAYOUTS = ("row", "column", "grid", "large")
MOST_PANES = 6
# Words in a column narrower than this many em take two lines a reading.
WORDS_EM = 18
# A column narrower than this holds no value with its interval.
VALUE_EM = 11.5
MOST_WORDS_EM = 28
# A picture that fills its column but for this factor is widened to it: both sides stand flush with the words.
WIDEN = 1.2


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle of whole px."""

    x: int
    y: int
    w: int
    h: int

    @property
    def right(self) -> int:
        """First column beyond."""
        return self.x + self.w

    @property
    def bottom(self) -> int:
        """First row beyond."""
        return self.y + self.h


@dataclass(frozen=True, slots=True)
class Cell:
    """Room for one device: its picture, and its words below (`beside` false) or to the right."""

    picture: Box
    words: Box
    beside: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """The whole still: size, type size, and the boxes of its parts."""

    width: int
    height: int
    em: float
    margin: int
    header: Box
    body: Box
    footer: Box

    @property
    def line(self) -> float:
        """Height of a line of quiet text."""
        return 1.4 * self.em


def page(shape: str, size: tuple[int, int] | None, footer_lines: int) -> Page:
    """Return the page of a shape; `size` overrules its px.

    The smallest text is 2.2 % of the picture's height on screens (readable on a phone), and 3.4 mm on paper.

    Raises
    ------
    UsageError
        For an unknown shape or a size under 320 px.
    """
    if shape not in SHAPES:
        raise UsageError(f"unknown shape {shape!r}.", hint=f"Choose one of {', '.join(SHAPES)}.")
    width, height = size or SHAPES[shape]
    if min(width, height) < 320:
        raise UsageError(f"a still of {width} x {height} px holds no readable text.", hint="Use 320 px or more.")
    em = (0.0165 if shape == "print" else 0.022) * height
    margin = round(1.7 * em)
    head, foot = round(2.3 * em), round(footer_lines * 1.4 * em + 1.1 * em)
    inner = width - 2 * margin
    return Page(
        width=width,
        height=height,
        em=em,
        margin=margin,
        header=Box(margin, margin, inner, head),
        body=Box(margin, margin + head, inner, height - 2 * margin - head - foot),
        footer=Box(margin, height - margin - foot, inner, foot),
    )


def cells(
    page: Page, layout: str, count: int, aspect: float, words_height: float, *, beside: bool = False, cols: int = 0
) -> list[Cell]:
    """Return the cells of `count` devices whose pictures have `aspect` (width / height), or are up to `WIDEN` times wider.

    Parameters
    ----------
    layout : {"row", "column", "grid", "large"}
        ``large`` is for its first picture only; the rest of the page is the caller's.
    words_height : float
        Height of the words below a picture, px.
    beside : bool
        Put the words to the right of each picture instead of below it.
    cols : int, optional
        Columns of a grid; the first of `columns_of` if left out.

    Raises
    ------
    UsageError
        For an unknown layout or a count outside 1..6.
    """
    if layout not in LAYOUTS:
        raise UsageError(f"unknown layout {layout!r}.", hint=f"Choose one of {', '.join(LAYOUTS)}.")
    if not 1 <= count <= MOST_PANES:
        raise UsageError(f"a still holds 1 to {MOST_PANES} pictures, not {count}.", hint="Choose fewer clips.")
    cols = cols or columns_of(page, layout, count)[0]
    rows = math.ceil(count / cols)
    gap = round(page.em)
    w = (page.body.w - (cols - 1) * gap) // cols
    h = (page.body.h - (rows - 1) * gap) // rows
    boxes = [Box(page.body.x + (n % cols) * (w + gap), page.body.y + (n // cols) * (h + gap), w, h) for n in range(count)]
    return [_cell(box, aspect, words_height, gap, beside) for box in boxes]


def columns_of(page: Page, layout: str, count: int) -> tuple[int, ...]:
    """Return how many columns a layout may have: a grid as square as it goes, lying or standing."""
    if layout != "grid":
        return (count if layout == "row" else 1,)
    side = math.ceil(math.sqrt(count))
    if count == 2:
        return (1 if page.height > page.width else 2,)
    return tuple(dict.fromkeys((side, math.ceil(count / side))))


def _cell(box: Box, aspect: float, words_height: float, gap: int, beside: bool) -> Cell:
    """Return a cell: picture at the top left, its words to the right or below."""
    if beside:
        w, h = _fit(box.w - max(0.3 * box.w, WORDS_EM * gap) - gap, box.h, aspect)
        room = min(box.w - w - gap, MOST_WORDS_EM * gap)
        return Cell(Box(box.x, box.y, w, h), Box(box.x + w + gap, box.y, room, box.h), True)
    w, h = _fit(box.w, box.h - words_height, aspect)
    if w < box.w <= WIDEN * w:
        w = box.w
    # The words use the whole column, up to a width at which a line still reads as one.
    wide = min(box.w, max(w, MOST_WORDS_EM * gap))
    return Cell(Box(box.x, box.y, w, h), Box(box.x, box.y + h, wide, box.h - h), False)


def _fit(w: float, h: float, aspect: float) -> tuple[int, int]:
    wide = max(16, int(min(w, h * aspect)))
    return wide, max(16, round(wide / aspect))


def nice_length(most: float) -> float:
    """Return the largest of 1, 2, 5 times a power of ten that is at most `most`."""
    power = 10.0 ** math.floor(math.log10(most))
    return max(step * power for step in (1.0, 2.0, 5.0) if step * power <= most * (1 + 1e-9))


__all__ = ["LAYOUTS", "MOST_PANES", "SHAPES", "Box", "Cell", "Page", "cells", "columns_of", "nice_length", "page"]

"""Text in several lines, as it is painted in tables and heads."""

from __future__ import annotations

from PySide6.QtCore import QPointF
from PySide6.QtGui import QFont, QTextLayout, QTextOption

_heights_known: dict[tuple[str, str, int], float] = {}


def text_height(text: str, font: QFont, width: float) -> float:
    """Return the height of wrapped text; known ones are kept, for a table asks for the same again and again."""
    key = (text, font.key(), int(width))
    found = _heights_known.get(key)
    if found is None:
        if len(_heights_known) > 20000:
            _heights_known.clear()
        found = _heights_known[key] = lay_out(text, font, width)[1]
    return found


def lay_out(text: str, font: QFont, width: float) -> tuple[QTextLayout, float]:
    """Return text laid out in lines of a width (px), and its height; a word is broken only where it is longer than a line."""
    layout = QTextLayout(text.replace("\n", "\u2028"), font)
    option = QTextOption()
    option.setWrapMode(QTextOption.WrapMode.WrapAtWordBoundaryOrAnywhere)
    layout.setTextOption(option)
    layout.beginLayout()
    height = 0.0
    while True:
        line = layout.createLine()
        if not line.isValid():
            break
        line.setLineWidth(max(20.0, width))
        line.setPosition(QPointF(0, height))
        # An empty line parts two sentences: half of its height is enough.
        height += line.height() * (1.12 if line.naturalTextWidth() > 0 else 0.5)
    layout.endLayout()
    return layout, height


__all__ = ["lay_out", "text_height"]

"""The label below a picture: whose it is, and what is different about it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QRectF, Qt
from PySide6.QtGui import QPainter

from viewer.app.theme import color, figures, words
from viewer.app.views.parts import elided, paint_marker
from viewer.session.model import Clip

if TYPE_CHECKING:
    from viewer.app.views.wall import Wall


def paint_label(painter: QPainter, wall: Wall, clip: Clip, rect: QRectF) -> None:
    """Paint the strip below a picture: device and take, what is different about the rendering, time, marks."""
    style = wall.styles.get(clip.device or "")
    line = rect.height() / 2
    upper = QRectF(rect.left(), rect.top() + 3, rect.width(), line - 3)
    lower = QRectF(rect.left(), rect.top() + line - 1, rect.width(), line - 3)
    paint_marker(painter, style, upper.left() + 6, upper.center().y(), 5)
    painter.setPen(color("text"))
    painter.setFont(words(13, strong=wall.stage.chosen.id == clip.id))
    name = wall.name_of(clip)
    badge = wall.badge_of(clip)
    width = painter.fontMetrics().horizontalAdvance(name) + 6
    elided(painter, QRectF(upper.left() + 18, upper.top(), upper.width() - 18, upper.height()), name)
    painter.setPen(color("quiet"))
    painter.setFont(words(11))
    rest = QRectF(upper.left() + 18 + width + 6, upper.top(), upper.width() - 24 - width, upper.height())
    # A rendering's badge is never cut off: where it does not fit beside the name it goes to the line below.
    below = bool(badge) and painter.fontMetrics().horizontalAdvance(badge) > rest.width()
    if badge and not below:
        elided(painter, rest, badge)
    painter.setFont(figures(11))
    time_text = wall.time_of(clip)
    marks = " · ".join(part for part in (badge if below else "", wall.marks_of(clip)) if part)
    painter.setPen(color("quiet"))
    elided(painter, lower, time_text)
    used = painter.fontMetrics().horizontalAdvance(time_text) + 12
    painter.setFont(words(11))
    if marks and lower.width() - used > 40:
        elided(painter, lower.adjusted(used, 0, 0, 0), marks, Qt.AlignmentFlag.AlignRight)


__all__ = ["paint_label"]

"""What is drawn on a picture: regions, notes, the rubber band, the field circle.  Only what the user drew."""

from __future__ import annotations

import math

import numpy as np
from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFontMetricsF, QImage, QPainter, QPainterPath, QPen, QPolygonF

from viewer.app.i18n import number, tr
from viewer.app.model.geometry import apply
from viewer.app.model.shapes import Shape
from viewer.app.theme import figures, theme, words
from viewer.session.model import Note, Region

Points = list[tuple[float, float]]
HANDLE = 4.0
LIGHT_FROM, LIGHT_TO = 15, 22


def ink() -> QColor:
    """Return the colour of what is drawn on pictures: white, or the theme's red."""
    return QColor(theme().focus) if theme().red else QColor("#ffffff")


def on_screen(shape: Shape, matrix: np.ndarray) -> Points:
    """Return a shape's corners in pane px."""
    return [apply(matrix, x, y) for x, y in shape.corners()]


def _pens(chosen: bool, own: bool) -> tuple[QPen, QPen]:
    """Return a dark pen below and a light pen above, so that lines show on any picture."""
    below = QPen(QColor(0, 0, 0, 150), 4.0 if chosen else 3.0)
    above = QPen(ink(), 2.0 if chosen else 1.25)
    if own:
        above.setDashPattern([4, 3])
    for pen in (below, above):
        pen.setJoinStyle(Qt.PenJoinStyle.MiterJoin)
    return below, above


class Names:
    """The places that names take up on one picture, so that none is written over another."""

    def __init__(self, points: list[Points], rect: QRectF) -> None:
        self._rect = rect
        self._metrics = QFontMetricsF(words(11, strong=True))
        self._crowd = [(min(p[0] for p in group), min(p[1] for p in group)) for group in points]
        self._taken: list[QRectF] = []
        self._lines: list[QRectF] = []  # pieces of what is drawn

    def keep_off_lines(self, points: Points) -> None:
        """Keep names off the lines of a shape, so that none is struck through."""
        ends = [*points[1:], points[0]] if len(points) > 2 else points[1:]
        for (x0, y0), (x1, y1) in zip(points, ends, strict=False):
            pieces = max(1, min(200, math.ceil(math.dist((x0, y0), (x1, y1)) / 6)))
            for n in range(pieces + 1):
                x, y = x0 + n / pieces * (x1 - x0), y0 + n / pieces * (y1 - y0)
                self._lines.append(QRectF(x - 1.5, y - 1.5, 3, 3))

    def within(self, at: tuple[float, float], text: str, size: float) -> tuple[float, float]:
        """Return where words begin that are to stand there: further left where they would leave the picture.

        Words of what lies outside of the view stay with it.
        """
        if not self._rect.left() <= at[0] <= self._rect.right():
            return at
        width = QFontMetricsF(words(size, strong=True)).horizontalAdvance(text)
        return max(self._rect.left() + 2, min(at[0], self._rect.right() - width - 4)), at[1]

    def keep_free(self, at: tuple[float, float], text: str, size: float) -> None:
        """Take the place of words that will be written there in any case."""
        metrics = QFontMetricsF(words(size, strong=True))
        at = self.within(at, text, size)
        self._taken.append(QRectF(at[0], at[1] - metrics.ascent(), metrics.horizontalAdvance(text), metrics.height()))

    def keep_clear(self, at: tuple[float, float], reach: float) -> None:
        """Keep names off a place that something points at."""
        self._taken.append(QRectF(at[0] - reach, at[1] - reach, 2 * reach, 2 * reach))

    def place(self, points: Points, name: str) -> QPointF | None:
        """Take a free place for the name of a region: above it, below, right of it, left; None where there is none."""
        x0, y0 = min(p[0] for p in points), min(p[1] for p in points)
        x1, y1 = max(p[0] for p in points), max(p[1] for p in points)
        if sum(abs(cx - x0) < 70 and abs(cy - y0) < 40 for cx, cy in self._crowd) > 6:
            return None
        width, up, height = self._metrics.horizontalAdvance(name), self._metrics.ascent(), self._metrics.height()
        if len(points) == 1:  # a light
            x, y = points[0]
            off = LIGHT_FROM
            spots = [(x + off, y - 6), (x + off, y + up + 4), (x - off - width, y - 6), (x - off - width, y + up + 4)]
            spots += [(x - width / 2, y + LIGHT_TO + up), (x - width / 2, y - LIGHT_TO - 4)]
        else:
            spots = [(x0, y0 - 6), (x0, y1 + 4 + up), (x1 + 6, y0 + up), (x0 - 6 - width, y0 + up)]
            spots += [(x1 - width, y0 - 6), (x1 - width, y1 + 4 + up)]
        for x, y in spots:
            rect = QRectF(x, y - up, width, height)
            if self._rect.contains(rect) and not any(map(rect.intersects, (*self._taken, *self._lines))):
                self._taken.append(rect)
                return QPointF(x, y)
        return None


def _text(painter: QPainter, at: QPointF, text: str, *, size: float = 12, mono: bool = False) -> None:
    """Write with a dark outline, readable on any picture."""
    path = QPainterPath()
    path.addText(at, figures(size) if mono else words(size, strong=True), text)
    painter.setPen(QPen(QColor(0, 0, 0, 190), 3.0, Qt.PenStyle.SolidLine, Qt.PenCapStyle.RoundCap, Qt.PenJoinStyle.RoundJoin))
    painter.setBrush(Qt.BrushStyle.NoBrush)
    painter.drawPath(path)
    painter.fillPath(path, ink())


def paint_shape(
    painter: QPainter,
    shape: Shape,
    points: Points,
    *,
    chosen: bool,
    px_per_degree: float,
    scale_known: bool,
    names: Names,
) -> None:
    """Paint one region or note; a region's name only where it hides no other."""
    painter.save()
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    painter.setBrush(Qt.BrushStyle.NoBrush)
    if isinstance(shape.item, Region):
        _paint_region(painter, shape, points, chosen, names)
    else:
        _paint_note(painter, shape.item, shape, points, chosen, px_per_degree, scale_known, names)
    if chosen:
        _handles(painter, shape, points)
    painter.restore()


def _outline(painter: QPainter, shape: Shape, points: Points, chosen: bool) -> None:
    path = QPainterPath()
    if shape.kind == "ellipse":
        path = _ellipse_path(points)
    elif shape.kind in ("light", "point"):
        # Open in the middle: the light and its halo are what is looked at.
        x, y = points[0]
        for dx, dy in ((1, 0), (-1, 0), (0, 1), (0, -1)):
            path.moveTo(x + LIGHT_FROM * dx, y + LIGHT_FROM * dy)
            path.lineTo(x + LIGHT_TO * dx, y + LIGHT_TO * dy)
    elif len(points) == 2:
        path.moveTo(*points[0])
        path.lineTo(*points[1])
    else:
        path.addPolygon(QPolygonF([QPointF(*p) for p in [*points, points[0]]]))
    for pen in _pens(chosen, shape.own):
        painter.setPen(pen)
        painter.drawPath(path)


def _ellipse_path(points: Points) -> QPainterPath:
    (x0, y0), (x1, y1), _, (x3, y3) = points
    path = QPainterPath()
    for n in range(65):
        a, b = 0.5 + 0.5 * math.cos(math.tau * n / 64), 0.5 + 0.5 * math.sin(math.tau * n / 64)
        x, y = x0 + a * (x1 - x0) + b * (x3 - x0), y0 + a * (y1 - y0) + b * (y3 - y0)
        path.lineTo(x, y) if n else path.moveTo(x, y)
    return path


def _paint_region(painter: QPainter, shape: Shape, points: Points, chosen: bool, names: Names) -> None:
    _outline(painter, shape, points, chosen)
    if isinstance(shape.item, Region):
        name = shape.item.name + (f" · {tr('own place')}" if shape.own else "")
        at = names.place(points, name)
        if at is None and chosen:
            at = QPointF(min(p[0] for p in points), min(p[1] for p in points) - 6)
        if at is not None:
            _text(painter, at, name, size=11)


def _paint_note(
    painter: QPainter,
    note: Note,
    shape: Shape,
    points: Points,
    chosen: bool,
    px_per_degree: float,
    scale_known: bool,
    names: Names,
) -> None:
    if note.kind == "text":
        _text(painter, QPointF(*points[0]), note.text or "…", size=float(note.settings.get("size", 14)))
        return
    if note.kind == "scale_bar":
        _paint_scale(painter, note, points[0], px_per_degree, scale_known)
        return
    _outline(painter, shape, points, chosen)
    if note.kind == "arrow":
        _arrow_head(painter, points[0], points[1])
    if note.text:
        _text(painter, QPointF(*names.within(note_text_at(note, points), note.text, 13)), note.text, size=13)


def note_text_at(note: Note, points: Points) -> tuple[float, float]:
    """Return where the words of a note begin."""
    if note.kind == "arrow":
        # Behind the tail, so that the shaft does not run through the words.
        (x0, y0), (x1, y1) = points[0], points[1]
        width = QFontMetricsF(words(13, strong=True)).horizontalAdvance(note.text)
        return x0 - (
            width / 2 if abs(y1 - y0) >= abs(x1 - x0) else (width + 4 if x1 > x0 else -4)
        ), y0 - 5 if y1 >= y0 else y0 + 14
    return points[0][0], points[0][1] - 6


def _arrow_head(painter: QPainter, tail: tuple[float, float], tip: tuple[float, float]) -> None:
    angle = math.atan2(tip[1] - tail[1], tip[0] - tail[0])
    corners = [QPointF(*tip)]
    for turn in (-0.42, 0.42):
        corners.append(QPointF(tip[0] - 14 * math.cos(angle + turn), tip[1] - 14 * math.sin(angle + turn)))
    painter.setPen(QPen(QColor(0, 0, 0, 150), 1.5))
    painter.setBrush(ink())
    painter.drawPolygon(QPolygonF(corners))
    painter.setBrush(Qt.BrushStyle.NoBrush)


def scale_bar_degrees(note: Note, px_per_degree: float) -> float:
    """Return the length of a scale bar: as set, else a round one that fills 60 to 160 px."""
    typed = note.settings.get("degrees")
    if typed:
        return float(typed)
    for degrees in (0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0):
        if degrees * px_per_degree >= 60:
            return degrees
    return 20.0


def _paint_scale(painter: QPainter, note: Note, at: tuple[float, float], px_per_degree: float, scale_known: bool) -> None:
    degrees = scale_bar_degrees(note, px_per_degree)
    x, y = at
    length = degrees * px_per_degree
    path = QPainterPath()
    path.moveTo(x, y - 5)
    path.lineTo(x, y + 5)
    path.moveTo(x, y)
    path.lineTo(x + length, y)
    path.moveTo(x + length, y - 5)
    path.lineTo(x + length, y + 5)
    for pen in _pens(False, False):
        painter.setPen(pen)
        painter.drawPath(path)
    text = f"{number(degrees)}°" + ("" if scale_known else f" ({tr('scale assumed')})")
    _text(painter, QPointF(x + 4, y - 8), text, size=12)


def _handles(painter: QPainter, shape: Shape, points: Points) -> None:
    if shape.kind in ("light", "point", "text", "scale_bar"):
        return
    painter.setPen(QPen(QColor(0, 0, 0, 200), 1))
    painter.setBrush(ink())
    for x, y in points:
        painter.drawRect(QRectF(x - HANDLE, y - HANDLE, 2 * HANDLE, 2 * HANDLE))


def paint_point(painter: QPainter, at: tuple[float, float], name: str, *, waiting: bool = False) -> None:
    """Paint a small cross with a number: one of two matching points; ringed while it waits for its partner."""
    x, y = at
    path = QPainterPath()
    for dx, dy in ((1, 0), (-1, 0), (0, 1), (0, -1)):
        path.moveTo(x + 2 * dx, y + 2 * dy)
        path.lineTo(x + 8 * dx, y + 8 * dy)
    if waiting:
        path.addEllipse(QPointF(x, y), 11, 11)
    painter.setBrush(Qt.BrushStyle.NoBrush)
    for pen in _pens(False, False):
        painter.setPen(pen)
        painter.drawPath(path)
    _text(painter, QPointF(x + 10, y - 6), name, size=11)


def paint_dim(painter: QPainter, rect: QRectF, centre: tuple[float, float], radius: float) -> None:
    """Darken what lies outside the field circle."""
    path = QPainterPath()
    path.addRect(rect)
    hole = QPainterPath()
    hole.addEllipse(QPointF(*centre), radius, radius)
    painter.save()
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    painter.fillPath(path.subtracted(hole), QColor(0, 0, 0, 150))
    painter.restore()


def paint_patch(painter: QPainter, image: QImage, rect: QRectF, source: Points | None = None) -> None:
    """Paint a magnified patch, pixels as squares, with lines to where it comes from."""
    painter.save()
    painter.setRenderHint(QPainter.RenderHint.SmoothPixmapTransform, False)
    if source:
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(QPen(ink(), 1, Qt.PenStyle.DotLine))
        near = min(source, key=lambda p: math.dist(p, (rect.center().x(), rect.center().y())))
        edge = min(
            [
                (rect.left(), rect.top()),
                (rect.right(), rect.top()),
                (rect.left(), rect.bottom()),
                (rect.right(), rect.bottom()),
            ],
            key=lambda p: math.dist(p, near),
        )
        painter.drawLine(QPointF(*near), QPointF(*edge))
    painter.drawImage(rect, image)
    painter.setBrush(Qt.BrushStyle.NoBrush)
    painter.setPen(QPen(QColor(0, 0, 0, 200), 3))
    painter.drawRect(rect)
    painter.setPen(QPen(ink(), 1))
    painter.drawRect(rect)
    painter.restore()


__all__ = [
    "Names",
    "Points",
    "ink",
    "note_text_at",
    "on_screen",
    "paint_dim",
    "paint_patch",
    "paint_point",
    "paint_shape",
    "scale_bar_degrees",
]

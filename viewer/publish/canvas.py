"""A picture in memory, 16 bits a channel, that needs no screen and gives the same bytes everywhere."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Literal

import numpy as np
from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QBrush, QColor, QImage, QPainter, QPainterPath, QPen, QPolygonF

from viewer.publish.palette import DeviceStyle, marker_points, rgb
from viewer.publish.text import Face, outline
from viewer.publish.text import width as text_width

Align = Literal["left", "centre", "right"]
Point = tuple[float, float]

# Qt's first use of a class from two threads at once is not safe; painting here is short, so it takes turns.
_LOCK = threading.RLock()


def colour(text: str, opacity: float = 1.0) -> QColor:
    """Return ``#rrggbb`` as a colour."""
    r, g, b = rgb(text)
    return QColor.fromRgb(r, g, b, round(255 * opacity))


class Canvas:
    """Draws shapes, letters and pictures; `pixels` holds the result, uint16 (h, w, 3).

    Coordinates are px, (x, y), with whole numbers at the corners of pixels.
    """

    def __init__(self, width: int, height: int, ground: str) -> None:
        self.width, self.height = width, height
        self._data = np.empty((height, width, 4), np.uint16)
        self._data[..., :3] = [257 * v for v in rgb(ground)]
        self._data[..., 3] = 65535

    @property
    def pixels(self) -> np.ndarray:
        """The picture, uint16 (h, w, 3), sRGB signal."""
        return self._data[..., :3]

    @contextmanager
    def _painter(self, clip: tuple[float, float, float, float] | None = None) -> Iterator[QPainter]:
        with _LOCK:
            image = QImage(self._data.data, self.width, self.height, self._data.strides[0], QImage.Format.Format_RGBX64)
            painter = QPainter(image)
            painter.setRenderHint(QPainter.RenderHint.Antialiasing)
            if clip:
                painter.setClipRect(QRectF(*clip))
            try:
                yield painter
            finally:
                painter.end()

    def picture(self, pixels: np.ndarray, x: int, y: int) -> None:
        """Put a picture (uint16, (h, w, 3)) at whole pixels; what lies outside is left out."""
        h, w = pixels.shape[:2]
        x0, y0, x1, y1 = max(x, 0), max(y, 0), min(x + w, self.width), min(y + h, self.height)
        if x1 > x0 and y1 > y0:
            self._data[y0:y1, x0:x1, :3] = pixels[y0 - y : y1 - y, x0 - x : x1 - x]

    def box(self, x: float, y: float, w: float, h: float, fill: str, *, radius: float = 0.0, opacity: float = 1.0) -> None:
        """Fill a rectangle."""
        with self._painter() as painter:
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(QBrush(colour(fill, opacity)))
            painter.drawRoundedRect(QRectF(x, y, w, h), radius, radius)

    def text(
        self,
        x: float,
        y: float,
        text: str,
        size: float,
        fill: str,
        *,
        face: Face = "regular",
        align: Align = "left",
        halo: str | None = None,
    ) -> float:
        """Write a line with its baseline at `y` and return its width; a `halo` is a rim in another grey."""
        wide = text_width(text, size, face)
        x -= {"left": 0.0, "centre": 0.5 * wide, "right": wide}[align]
        path = outline(text, x, y, size, face)
        with self._painter() as painter:
            if halo:
                painter.strokePath(path, _pen(halo, 0.22 * size, ()))
            painter.fillPath(path, QBrush(colour(fill)))
        return wide

    def line(
        self,
        points: Sequence[Point],
        stroke: str,
        width: float,
        *,
        dash: tuple[float, ...] = (),
        halo: str | None = None,
        closed: bool = False,
        clip: tuple[float, float, float, float] | None = None,
    ) -> None:
        """Draw a polyline, with a rim in another grey if `halo` is given."""
        shape = QPolygonF([QPointF(*p) for p in points])
        path = QPainterPath()
        path.addPolygon(shape)
        if closed:
            path.closeSubpath()
        self._stroke(path, stroke, width, dash, halo, clip)

    def ellipse(
        self,
        x: float,
        y: float,
        w: float,
        h: float,
        stroke: str,
        width: float,
        *,
        halo: str | None = None,
        dash: tuple[float, ...] = (),
        clip: tuple[float, float, float, float] | None = None,
    ) -> None:
        """Draw the ellipse inside a rectangle."""
        path = QPainterPath()
        path.addEllipse(QRectF(x, y, w, h))
        self._stroke(path, stroke, width, dash, halo, clip)

    def polygon(self, points: Sequence[Point], fill: str, *, clip: tuple[float, float, float, float] | None = None) -> None:
        """Fill a polygon."""
        with self._painter(clip) as painter:
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(QBrush(colour(fill)))
            painter.drawPolygon(QPolygonF([QPointF(*p) for p in points]))

    def marker(self, x: float, y: float, radius: float, style: DeviceStyle) -> None:
        """Draw a device's marker about (x, y)."""
        path = QPainterPath()
        path.addPolygon(QPolygonF([QPointF(x + radius * a, y + radius * b) for a, b in marker_points(style.marker)]))
        path.closeSubpath()
        with self._painter() as painter:
            if style.hollow:
                painter.strokePath(path, _pen(style.colour, 0.28 * radius, ()))
            else:
                painter.fillPath(path, QBrush(colour(style.colour)))

    def _stroke(
        self,
        path: QPainterPath,
        stroke: str,
        width: float,
        dash: tuple[float, ...],
        halo: str | None,
        clip: tuple[float, float, float, float] | None,
    ) -> None:
        with self._painter(clip) as painter:
            if halo:
                painter.strokePath(path, _pen(halo, 2.6 * width, ()))
            painter.strokePath(path, _pen(stroke, width, dash))


def _pen(stroke: str, width: float, dash: tuple[float, ...]) -> QPen:
    pen = QPen(QBrush(colour(stroke)), width)
    pen.setJoinStyle(Qt.PenJoinStyle.RoundJoin)
    pen.setCapStyle(Qt.PenCapStyle.FlatCap if dash else Qt.PenCapStyle.RoundCap)
    if dash:
        pen.setDashPattern([float(v) for v in dash])
    return pen


def to_8_bit(pixels: np.ndarray) -> np.ndarray:
    """Return a uint16 picture in 8 bits, rounded to the nearest (65535 -> 255)."""
    return np.asarray((pixels.astype(np.uint32) + 128) // 257, np.uint8)


__all__ = ["Align", "Canvas", "colour", "to_8_bit"]

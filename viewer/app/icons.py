"""Icons: one family of line drawings, in the colour of the text beside them."""

from __future__ import annotations

from functools import lru_cache

from PySide6.QtCore import QByteArray, QRectF, Qt
from PySide6.QtGui import QColor, QIcon, QPainter, QPixmap
from PySide6.QtSvg import QSvgRenderer

from viewer.app.theme import color, theme
from viewer.errors import FileError
from viewer.resources import resource

STROKE = 'stroke-width="1.5"'


@lru_cache(maxsize=256)
def _source(name: str) -> str:
    try:
        text = resource(f"icons/{name}.svg").read_text(encoding="utf-8")
    except FileError:
        text = resource("icons/square.svg").read_text(encoding="utf-8")
    return text.replace('stroke-width="2"', STROKE)


@lru_cache(maxsize=1024)
def pixmap(name: str, rgb: str, size: int = 16, scale: float = 1.0) -> QPixmap:
    """Return the icon drawn in a colour (``#rrggbb``), `size` logical px."""
    renderer = QSvgRenderer(QByteArray(_source(name).replace("currentColor", rgb).encode()))
    side = max(1, round(size * scale))
    found = QPixmap(side, side)
    found.fill(Qt.GlobalColor.transparent)
    painter = QPainter(found)
    renderer.render(painter, QRectF(0, 0, side, side))
    painter.end()
    found.setDevicePixelRatio(scale)
    return found


def icon(name: str, role: str = "text", size: int = 16) -> QIcon:
    """Return the icon in the theme's colours, dimmed when its button is disabled."""
    found = QIcon()
    for scale in (1.0, 2.0):
        found.addPixmap(pixmap(name, getattr(theme(), role), size, scale), QIcon.Mode.Normal)
        found.addPixmap(pixmap(name, theme().disabled, size, scale), QIcon.Mode.Disabled)
    return found


def tinted(name: str, shade: QColor, size: int = 16, scale: float = 2.0) -> QPixmap:
    """Return the icon in any colour."""
    return pixmap(name, shade.name(), size, scale)


def paint(painter: QPainter, name: str, x: float, y: float, size: int = 16, role: str = "text") -> None:
    """Paint an icon with its top left corner at (x, y)."""
    scale = painter.device().devicePixelRatio() if painter.device() else 1.0
    painter.drawPixmap(
        QRectF(x, y, size, size), pixmap(name, color(role).name(), size, scale), QRectF(0, 0, size * scale, size * scale)
    )


__all__ = ["icon", "paint", "pixmap", "tinted"]

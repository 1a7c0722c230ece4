"""Small pieces that the views share: buttons, labels, device marks, empty states."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from PySide6.QtCore import QPointF, QRectF, QSize, Qt
from PySide6.QtGui import QAction, QColor, QIcon, QImage, QPainter, QPen, QPixmap, QPolygonF
from PySide6.QtWidgets import (
    QFrame,
    QHBoxLayout,
    QLabel,
    QMenu,
    QPushButton,
    QSizePolicy,
    QSpinBox,
    QToolButton,
    QVBoxLayout,
    QWidget,
)

from viewer.app.icons import icon
from viewer.app.theme import color, theme
from viewer.publish.palette import DeviceStyle, Ground, device_styles, marker_points
from viewer.session.model import Session


def styles_of(session: Session) -> dict[str, DeviceStyle]:
    """Return the style of every device in the theme in use."""
    ground: Ground = "dark" if theme().dark else "light"
    return device_styles([(device.id, device.control) for device in session.devices], ground=ground)


def device_color(style: DeviceStyle | None) -> QColor:
    """Return a device's colour; in the dim red theme the text colour, so that eyes stay adapted."""
    if style is None:
        return color("quiet")
    return color("text") if theme().red else QColor(style.colour)


def paint_marker(painter: QPainter, style: DeviceStyle | None, x: float, y: float, radius: float = 5.0) -> None:
    """Paint a device's marker centred at (x, y)."""
    shade = device_color(style)
    points = marker_points(style.marker if style else "ring")
    polygon = QPolygonF([QPointF(x + radius * px, y + radius * py) for px, py in points])
    painter.save()
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    hollow = style is None or style.hollow
    painter.setPen(QPen(shade, 1.5))
    painter.setBrush(Qt.BrushStyle.NoBrush if hollow else shade)
    painter.drawPolygon(polygon)
    painter.restore()


def marker_icon(style: DeviceStyle | None, size: int = 14) -> QIcon:
    """Return a device's marker as an icon."""
    picture = QPixmap(2 * size, 2 * size)
    picture.fill(Qt.GlobalColor.transparent)
    picture.setDevicePixelRatio(2)
    painter = QPainter(picture)
    paint_marker(painter, style, size / 2, size / 2, size / 2 - 2)
    painter.end()
    return QIcon(picture)


def to_image(array: np.ndarray) -> QImage:
    """Return a picture of shape (h, w, 4), BGRA, as an image that owns its bytes."""
    height, width = array.shape[:2]
    data = np.ascontiguousarray(array)
    return QImage(data.data, width, height, 4 * width, QImage.Format.Format_RGB32).copy()


def button(text: str, run: Callable[[], object], *, main: bool = False, name: str = "") -> QPushButton:
    """Return a push button; `main` for the one that settles the dialog."""
    made = QPushButton(text)
    made.setProperty("main", main)
    made.setAutoDefault(main)
    made.setDefault(main)
    made.setAccessibleName(name or text)
    made.clicked.connect(lambda _=False: run())
    return made


def tool(action: QAction, *, text: bool = False, flat: bool = True) -> QToolButton:
    """Return a tool button of an action."""
    made = QToolButton()
    made.setDefaultAction(action)
    made.setIconSize(QSize(16, 16))
    made.setToolButtonStyle(Qt.ToolButtonStyle.ToolButtonTextBesideIcon if text else Qt.ToolButtonStyle.ToolButtonIconOnly)
    made.setProperty("flat", flat)
    made.setProperty("tight", not text)
    made.setFocusPolicy(Qt.FocusPolicy.TabFocus)
    made.setAccessibleName(action.text())
    return made


def menu_tool(text: str, icon_name: str, actions: list[QAction | None], *, tip: str = "") -> QToolButton:
    """Return a button that opens a menu of actions; None stands for a line between groups."""
    made = QToolButton()
    made.setText(text)
    made.setIcon(icon(icon_name))
    made.setProperty("iconName", icon_name)
    made.setIconSize(QSize(16, 16))
    made.setToolButtonStyle(Qt.ToolButtonStyle.ToolButtonTextBesideIcon)
    made.setPopupMode(QToolButton.ToolButtonPopupMode.InstantPopup)
    made.setProperty("flat", True)
    made.setFocusPolicy(Qt.FocusPolicy.TabFocus)
    made.setToolTip(tip or text)
    made.setAccessibleName(tip or text)
    menu = QMenu(made)
    for action in actions:
        if action is None:
            menu.addSeparator()
        else:
            menu.addAction(action)
    made.setMenu(menu)
    return made


def label(text: str, *, kind: str = "", wrap: bool = False) -> QLabel:
    """Return a label; `kind` is ``quiet``, ``section``, ``title``, ``head`` or nothing."""
    made = QLabel(text)
    made.setTextFormat(Qt.TextFormat.PlainText)
    if kind:
        made.setProperty(kind, True)
    made.setWordWrap(wrap)
    return made


def number_box(low: int, high: int, value: int, name: str) -> QSpinBox:
    """Return a box for a whole number; its text begins where that of other fields does."""
    made = QSpinBox()
    made.setRange(low, high)
    made.setValue(value)
    made.setAccessibleName(name)
    made.lineEdit().setTextMargins(6, 0, 6, 0)
    return made


def hairline(*, upright: bool = False) -> QFrame:
    """Return one hairline."""
    line = QFrame()
    line.setFixedWidth(1) if upright else line.setFixedHeight(1)
    line.setStyleSheet(f"background: {theme().hairline};")
    return line


def row(*items: QWidget | int | None, spacing: int = 8, margins: tuple[int, int, int, int] = (0, 0, 0, 0)) -> QHBoxLayout:
    """Return widgets side by side; a number is a gap, None stretches."""
    layout = QHBoxLayout()
    layout.setSpacing(spacing)
    layout.setContentsMargins(*margins)
    _fill(layout, items)
    return layout


def column(*items: QWidget | int | None, spacing: int = 8, margins: tuple[int, int, int, int] = (0, 0, 0, 0)) -> QVBoxLayout:
    """Return widgets one below the other; a number is a gap, None stretches."""
    layout = QVBoxLayout()
    layout.setSpacing(spacing)
    layout.setContentsMargins(*margins)
    _fill(layout, items)
    return layout


def _fill(layout: QHBoxLayout | QVBoxLayout, items: tuple[QWidget | int | None, ...]) -> None:
    for item in items:
        if item is None:
            layout.addStretch(1)
        elif isinstance(item, int):
            layout.addSpacing(item)
        else:
            layout.addWidget(item)


class Empty(QWidget):
    """An empty state: a line or two, and the actions that end it."""

    def __init__(
        self, title: str, text: str = "", buttons: tuple[QPushButton, ...] = (), *, large: bool = False, narrow: bool = False
    ) -> None:
        super().__init__()
        head = label(title, kind="title" if large else "head", wrap=True)
        head.setAlignment(Qt.AlignmentFlag.AlignCenter)
        body = label(text, wrap=True)
        body.setAlignment(Qt.AlignmentFlag.AlignCenter)
        body.setStyleSheet(f"color: {theme().quiet};")
        body.setVisible(bool(text))
        buttons_layout = QVBoxLayout() if narrow else QHBoxLayout()
        buttons_layout.setSpacing(8)
        for made in buttons:
            buttons_layout.addWidget(made)
        strip = QHBoxLayout()
        strip.addStretch(1)
        strip.addLayout(buttons_layout)
        strip.addStretch(1)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(16, 16, 16, 16)
        layout.setSpacing(12)
        layout.addStretch(1)
        layout.addWidget(head)
        layout.addWidget(body)
        layout.addLayout(strip)
        layout.addStretch(1)
        for part in (head, body):
            part.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Minimum)


def elided(painter: QPainter, rect: QRectF, text: str, flags: Qt.AlignmentFlag = Qt.AlignmentFlag.AlignLeft) -> None:
    """Paint one line of text, shortened with an ellipsis if it is too long."""
    short = painter.fontMetrics().elidedText(text, Qt.TextElideMode.ElideRight, max(0, int(rect.width())))
    painter.drawText(rect, int(flags | Qt.AlignmentFlag.AlignVCenter), short)


__all__ = [
    "Empty",
    "button",
    "column",
    "device_color",
    "elided",
    "hairline",
    "label",
    "marker_icon",
    "menu_tool",
    "number_box",
    "paint_marker",
    "row",
    "styles_of",
    "to_image",
    "tool",
]

"""The transport: a bar of time, play and step, the clocks, speed and sound."""

from __future__ import annotations

from PySide6.QtCore import QPointF, QRectF, QSize, Qt
from PySide6.QtGui import QKeyEvent, QMouseEvent, QPainter, QPaintEvent, QPen, QPolygonF
from PySide6.QtWidgets import QComboBox, QLabel, QSizePolicy, QWidget

from viewer.app.actions import Actions
from viewer.app.i18n import number, seconds, tr
from viewer.app.icons import icon
from viewer.app.model.player import SPEEDS, Player
from viewer.app.model.stage import Stage
from viewer.app.theme import color, figures, px
from viewer.app.views.parts import column, label, row, tool


class TimeBar(QWidget):
    """Scene time from end to end: loop, markers, and where we are.  Click or drag to go there."""

    def __init__(self, stage: Stage, player: Player) -> None:
        super().__init__()
        self.stage, self.player = stage, player
        self.setFixedHeight(px(20))
        self.setMinimumWidth(120)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setAccessibleName(tr("Scene time"))
        self.setToolTip(tr("Click or drag to go to a moment."))
        player.time_changed.connect(lambda _t: self.update())
        stage.document.changed.connect(lambda *_: self.update())

    def _x(self, time_s: float) -> float:
        start, end = self.player.range_s()
        return 8 + (self.width() - 16) * ((time_s - start) / (end - start) if end > start else 0.0)

    def time_at(self, x: float) -> float:
        """Return the scene time at a place of the bar."""
        start, end = self.player.range_s()
        share = (x - 8) / max(1, self.width() - 16)
        return start + (end - start) * min(1.0, max(0.0, share))

    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self)
        painter.fillRect(self.rect(), color("window"))
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        middle = self.height() / 2
        groove = QRectF(8, middle - 2, self.width() - 16, 4)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(color("hairline"))
        painter.drawRoundedRect(groove, 2, 2)
        loop = self.player.loop_s()
        if loop is not None:
            a, b = self._x(loop[0]), self._x(loop[1])
            painter.setBrush(color("strong" if not self.player.looping else "quiet"))
            painter.drawRect(QRectF(a, middle - 2, max(2.0, b - a), 4))
            painter.setPen(QPen(color("text"), 1.5))
            for x, way in ((a, 4), (b, -4)):
                painter.drawPolyline(
                    QPolygonF(
                        [
                            QPointF(x + way, middle - 6),
                            QPointF(x, middle - 6),
                            QPointF(x, middle + 6),
                            QPointF(x + way, middle + 6),
                        ]
                    )
                )
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(color("quiet"))
        for mark in self.player.landmarks():
            x = self._x(mark)
            painter.drawPolygon(QPolygonF([QPointF(x - 3.5, middle - 8), QPointF(x + 3.5, middle - 8), QPointF(x, middle - 3)]))
        x = self._x(self.player.time_s)
        painter.setPen(QPen(color("focus"), 2))
        painter.drawLine(QPointF(x, 2), QPointF(x, self.height() - 2))
        if self.hasFocus():
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.setPen(QPen(color("focus"), 1))
            painter.drawRoundedRect(QRectF(self.rect()).adjusted(1, 1, -1, -1), 3, 3)
        painter.end()

    def mousePressEvent(self, event: QMouseEvent) -> None:
        self.player.pause()
        self.player.go(self.time_at(event.position().x()))

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        if event.buttons() & Qt.MouseButton.LeftButton:
            self.player.go(self.time_at(event.position().x()))

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.key() in (Qt.Key.Key_Up, Qt.Key.Key_Down):
            self.player.step(10 if event.key() == Qt.Key.Key_Up else -10)
        else:
            super().keyPressEvent(event)


class Transport(QWidget):
    """Buttons, clocks, speed; the pixel read-out at the right end."""

    def __init__(self, stage: Stage, player: Player, actions: Actions) -> None:
        super().__init__()
        self.setObjectName("bar")
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground)
        self.stage, self.player, self._actions = stage, player, actions
        self.bar = TimeBar(stage, player)
        self.clock = QLabel("0:00.000")
        self.clock.setFont(figures(15))
        self.clock.setAccessibleName(tr("Scene time"))
        self.clock.setToolTip(tr("Scene time: the clock that all clips of the scene share."))
        self.frame = label("", kind="quiet")
        self.frame.setAccessibleName(tr("Timestamp and frame of the leading clip"))
        self.readout = QLabel("")
        self.readout.setAccessibleName(tr("Pixel under the pointer"))
        self.readout.setAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
        self.readout.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        self.speed = QComboBox()
        for value in SPEEDS:
            self.speed.addItem(f"{number(value)}×", value)
        self.speed.setCurrentIndex(SPEEDS.index(1.0))
        self.speed.setAccessibleName(tr("Speed"))
        self.speed.setToolTip(tr("Speed"))
        self.speed.activated.connect(lambda n: player.set_speed(SPEEDS[n]))
        self.play = tool(actions["play"])
        self.play.setIconSize(QSize(18, 18))
        left = [tool(actions[name]) for name in ("to_start", "step_back")]
        right = [tool(actions[name]) for name in ("step_on", "to_end")]
        self.loop, self.sound = tool(actions["loop"]), tool(actions["sound"])
        line = row(
            *left, self.play, *right, self.loop, 4, self.clock, 4, self.frame, self.readout, self.speed, self.sound, spacing=2
        )
        line.setStretchFactor(self.readout, 1)
        box = column(self.bar, spacing=2, margins=(8, 4, 8, 6))
        box.addLayout(line)
        self.setLayout(box)
        player.time_changed.connect(lambda _t: self.refresh())
        player.state_changed.connect(self.refresh)
        stage.chosen_changed.connect(self.refresh)
        self.refresh()

    def refresh(self) -> None:
        """Show the clocks as they are."""
        player = self.player
        self.clock.setText(seconds(player.time_s))
        lead = self.stage.lead
        entry = player.engine.clips.get(lead.id) if lead is not None else None
        text = ""
        if lead is not None and entry is not None and entry.index is not None:
            at = player.number(lead)
            if at is not None:
                text = tr("frame {n} of {total}", n=at, total=len(entry.index))
        self.frame.setText(text)
        self.play.setIcon(icon("pause" if player.playing else "play"))
        if player.speed in SPEEDS:
            self.speed.setCurrentIndex(SPEEDS.index(player.speed))

    def show_pixel(self, text: str, short: str = "") -> None:
        """Show a pixel read-out; the short one where there is no room for the whole."""
        self.readout.setFont(figures(11))
        fits = self.readout.fontMetrics().horizontalAdvance(text) + 12 <= self.readout.width()
        self.readout.setText(text if fits else short)
        self.readout.setAccessibleDescription(text)

    def theme_changed(self) -> None:
        """Dress again."""
        self.clock.setFont(figures(15))
        self.bar.setFixedHeight(px(20))
        self.refresh()


__all__ = ["TimeBar", "Transport"]

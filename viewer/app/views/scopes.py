"""Scopes of the leading clip's picture: histogram, waveform, profile along a line.  Codes and linear light."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QImage, QPainter, QPainterPath, QPaintEvent, QPen
from PySide6.QtWidgets import QScrollArea, QWidget

from viewer.app.i18n import number, tr
from viewer.app.model.render import Scopes
from viewer.app.model.stage import Stage
from viewer.app.theme import color, figures, px, words
from viewer.app.views.parts import column, label

if TYPE_CHECKING:
    from viewer.app.window import MainWindow


class Scope(QWidget):
    """One scope."""

    def __init__(self, kind: str, title: str) -> None:
        super().__init__()
        self.kind = kind
        self.data: Scopes | None = None
        self.setMinimumHeight(px(140))
        self.setAccessibleName(title)

    def show_data(self, data: Scopes | None) -> None:
        """Show this content."""
        self.data = data
        self.setAccessibleDescription(self.spoken())
        self.update()

    def spoken(self) -> str:
        """Return the content in a sentence, for screen readers."""
        data = self.data
        if data is None:
            return ""
        if self.kind == "profile":
            if data.profile is None:
                return tr("Draw a line on the wall to see the light along it.")
            return tr("from {low} to {high}", low=number(float(data.profile.min())), high=number(float(data.profile.max())))
        share = np.cumsum(data.histogram) / max(1, data.histogram.sum())
        low, mid, high = (int(np.searchsorted(share, q)) for q in (0.01, 0.5, 0.99))
        scale = (data.top_code + 1) // 256
        return tr(
            "codes: 1 % below {low}, median {mid}, 99 % below {high}", low=low * scale, mid=mid * scale, high=high * scale
        )

    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self)
        painter.fillRect(self.rect(), color("panel"))
        frame = QRectF(self.rect()).adjusted(px(44), 4, -12, -px(18))
        painter.setPen(color("hairline"))
        painter.drawRect(frame)
        if self.data is not None:
            if self.kind == "histogram":
                self._histogram(painter, frame, self.data)
            elif self.kind == "waveform":
                self._waveform(painter, frame, self.data)
            else:
                self._profile(painter, frame, self.data)
        painter.end()

    def _axis(self, painter: QPainter, frame: QRectF, left: tuple[str, str], below: tuple[str, str]) -> None:
        painter.setFont(figures(10))
        painter.setPen(color("quiet"))
        right = int(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
        painter.drawText(QRectF(0, frame.top() - 6, frame.left() - 4, 12), right, left[1])
        painter.drawText(QRectF(0, frame.bottom() - 6, frame.left() - 4, 12), right, left[0])
        top = frame.bottom() + 2
        painter.drawText(QRectF(frame.left(), top, 80, px(14)), int(Qt.AlignmentFlag.AlignLeft), below[0])
        painter.drawText(QRectF(frame.right() - 120, top, 120, px(14)), int(Qt.AlignmentFlag.AlignRight), below[1])

    def _histogram(self, painter: QPainter, frame: QRectF, data: Scopes) -> None:
        counts = np.log1p(data.histogram.astype(float))
        top = float(counts.max()) or 1.0
        path = QPainterPath(QPointF(frame.left(), frame.bottom()))
        for n, value in enumerate(counts):
            path.lineTo(frame.left() + frame.width() * n / 255, frame.bottom() - frame.height() * float(value) / top)
        path.lineTo(frame.right(), frame.bottom())
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.fillPath(path, color("strong"))
        self._axis(painter, frame, ("0", number(float(data.histogram.max()))), ("0", f"{tr('code')} {data.top_code}"))

    def _waveform(self, painter: QPainter, frame: QRectF, data: Scopes) -> None:
        wave = np.log1p(data.waveform.astype(float))
        wave = wave / (wave.max() or 1.0)
        tone = color("text")
        grey = np.zeros((*wave.shape, 4), np.uint8)
        grey[..., 0], grey[..., 1], grey[..., 2] = tone.blue(), tone.green(), tone.red()
        grey[..., 3] = (235 * np.sqrt(wave)).astype(np.uint8)
        image = QImage(grey.tobytes(), wave.shape[1], wave.shape[0], 4 * wave.shape[1], QImage.Format.Format_ARGB32)
        painter.drawImage(frame, image)
        self._axis(painter, frame, ("0", str(data.top_code)), (tr("left"), tr("right")))

    def _profile(self, painter: QPainter, frame: QRectF, data: Scopes) -> None:
        if data.profile is None:
            painter.setFont(words(11))
            painter.setPen(color("quiet"))
            painter.drawText(frame, int(Qt.AlignmentFlag.AlignCenter | Qt.TextFlag.TextWordWrap), self.spoken())
            return
        low, high = min(0.0, float(data.profile.min())), float(data.profile.max())
        span = (high - low) or 1.0
        path = QPainterPath()
        for n, value in enumerate(data.profile):
            x = frame.left() + frame.width() * n / max(1, len(data.profile) - 1)
            y = frame.bottom() - frame.height() * (float(value) - low) / span
            path.lineTo(x, y) if n else path.moveTo(x, y)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(QPen(color("text"), 1.5))
        painter.drawPath(path)
        self._axis(painter, frame, (number(low, 3), number(high, 3)), ("0", f"{len(data.profile) - 1} px"))


class ScopesPanel(QScrollArea):
    """Histogram, waveform and line profile, one below the other."""

    def __init__(self, window: MainWindow, stage: Stage) -> None:
        super().__init__()
        self.window_, self.stage = window, stage
        self.setWidgetResizable(True)
        self.which = label("", kind="quiet")
        self.scopes = {
            "histogram": Scope("histogram", tr("Histogram of luma codes")),
            "waveform": Scope("waveform", tr("Waveform: codes across the picture")),
            "profile": Scope("profile", tr("Linear light along a line")),
        }
        parts: list[QWidget | int | None] = [self.which]
        for scope in self.scopes.values():
            parts += [label(scope.accessibleName(), kind="head"), scope, 4]
        body = QWidget()
        body.setObjectName("panel")
        body.setLayout(column(*parts, None, margins=(12, 8, 0, 12), spacing=4))
        self.setWidget(body)
        self.setAccessibleName(tr("Scopes"))
        window.engine.shown.connect(self.take)

    def take(self, clip_id: str) -> None:
        """Show the scopes that came with a picture."""
        entry = self.window_.engine.clips.get(clip_id)
        if entry is None or entry.shown is None or entry.shown.scopes is None:
            return
        clip = next((c for c in self.stage.clips if c.id == clip_id), None)
        if clip is not None:
            self.which.setText(f"{self.window_.wall.name_of(clip)} · {self.window_.wall.time_of(clip)}")
        for scope in self.scopes.values():
            scope.show_data(entry.shown.scopes)


__all__ = ["ScopesPanel"]

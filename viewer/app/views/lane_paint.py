"""How the lanes are painted: the ruler with its loop and landmarks, and one lane a clip with its light level or sound."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QPainter, QPainterPath, QPen, QPolygonF

from viewer.app.i18n import number, tr
from viewer.app.theme import color, figures, px, words
from viewer.app.views.parts import device_color, elided, paint_marker, styles_of
from viewer.session.model import Clip

if TYPE_CHECKING:
    from viewer.app.views.lanes import Lanes

RULER, LANE, LEFT, RIGHT = 24, 32, 132, 164


class LanePainter:
    """Paints what stands still while clips play."""

    def __init__(self, lanes: Lanes) -> None:
        self._lanes = lanes

    def paint(self, painter: QPainter) -> None:
        """Paint ruler and lanes."""
        styles = styles_of(self._lanes.stage.session)
        painter.setClipRect(QRectF(0, px(RULER), self._lanes.viewport().width(), self._lanes.viewport().height()))
        for n, clip in enumerate(self._lanes.stage.clips):
            self._lane(painter, self._lanes.lane_rect(n), clip, styles.get(clip.device or ""))
        painter.setClipping(False)
        self._ruler(painter)

    def _ruler(self, painter: QPainter) -> None:
        left, right = self._lanes.axis()
        start, end = self._lanes.shown_span()
        height = px(RULER)
        painter.fillRect(QRectF(0, 0, self._lanes.viewport().width(), height), color("panel"))
        painter.setFont(words(11))
        painter.setPen(color("quiet"))
        what = tr("Light level") if self._lanes.content == "light" else tr("Sound")
        painter.drawText(QRectF(12, 0, left - 16, height), int(Qt.AlignmentFlag.AlignVCenter), what)
        painter.setFont(figures(10))
        step = tick_step((end - start) / max(1.0, (right - left) / 88))
        n = math.ceil(start / step)
        while n * step <= end:
            x = self._lanes.x_of(n * step)
            painter.setPen(color("hairline"))
            painter.drawLine(QPointF(x, height - 5), QPointF(x, height))
            painter.setPen(color("quiet"))
            text = number(n * step, max(0, -math.floor(math.log10(step) + 1e-9))) + " s"
            painter.drawText(QRectF(x - 40, 0, 80, height - 5), int(Qt.AlignmentFlag.AlignCenter), text)
            n += 1
        painter.setPen(color("hairline"))
        painter.drawLine(QPointF(0, height - 0.5), QPointF(self._lanes.viewport().width(), height - 0.5))
        self._loop(painter, height)
        painter.setBrush(color("text"))
        painter.setPen(Qt.PenStyle.NoPen)
        for at in self._lanes.player.landmarks():
            x = self._lanes.x_of(at)
            if left <= x <= right:
                painter.drawPolygon(QPolygonF([QPointF(x - 4, height - 8), QPointF(x + 4, height - 8), QPointF(x, height)]))

    def _loop(self, painter: QPainter, height: int) -> None:
        loop = self._lanes.player.loop_s()
        if loop is None:
            return
        a, b = self._lanes.x_of(loop[0]), self._lanes.x_of(loop[1])
        painter.fillRect(QRectF(a, height - 4, b - a, 4), color("text" if self._lanes.player.looping else "strong"))
        painter.fillRect(QRectF(a, height, b - a, self._lanes.viewport().height() - height), color("text", 14))
        painter.setPen(QPen(color("text"), 1.5))
        for x in (a, b):
            painter.drawLine(QPointF(x, height - 10), QPointF(x, height))

    def _lane(self, painter: QPainter, rect: QRectF, clip: Clip, style: Any) -> None:
        left, right = self._lanes.axis()
        chosen = self._lanes.stage.chosen.id == clip.id
        if chosen:
            painter.fillRect(rect, color("fill", 140))
        painter.setPen(color("hairline"))
        painter.drawLine(QPointF(0, rect.bottom() - 0.5), QPointF(rect.right(), rect.bottom() - 0.5))
        paint_marker(painter, style, 18, rect.center().y(), 4.5)
        painter.setPen(color("text"))
        painter.setFont(words(12, strong=chosen))
        name = self._lanes.stage.session.device(clip.device).name if clip.device else clip.name
        elided(painter, QRectF(32, rect.top(), left - 40, rect.height()), name)
        entry = self._lanes.player.engine.clips.get(clip.id)
        painter.setFont(words(11))
        painter.setPen(color("quiet"))
        side = QRectF(right + 8, rect.top(), px(RIGHT) - 16, rect.height())
        if entry is None or entry.index is None:
            text = tr("cannot be read") if entry is not None and entry.trouble else tr("loading")
            elided(painter, side, text)
            return
        elided(painter, side, self._lanes.residual_words(clip))
        times = entry.index.times_s
        shift = self._lanes.shifts.get(clip.id, 0.0)
        x0 = self._lanes.x_of(self._lanes.player.scene_time(clip, float(times[0])) + shift)
        x1 = self._lanes.x_of(self._lanes.player.scene_time(clip, float(entry.index.end_s)) + shift)
        painter.save()
        painter.setClipRect(QRectF(left, rect.top(), right - left, rect.height()), Qt.ClipOperation.IntersectClip)
        body = QRectF(x0, rect.top() + 3, max(2.0, x1 - x0), rect.height() - 6)
        shade = QColor(device_color(style))
        shade.setAlpha(46)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(QPen(QColor(shade.red(), shade.green(), shade.blue(), 130), 1))
        painter.setBrush(shade)
        painter.drawRoundedRect(body, 3, 3)
        self._content(painter, body, clip, shift)
        painter.restore()

    def _content(self, painter: QPainter, body: QRectF, clip: Clip, shift: float) -> None:
        data = self._lanes.data.get(clip.id)
        if data is None:
            return
        painter.setPen(QPen(color("text", 210), 1.2))
        if self._lanes.content == "sound":
            if data.loudness is None:
                painter.setPen(color("quiet"))
                painter.setFont(words(11))
                elided(painter, body.adjusted(8, 0, -8, 0), tr("no sound"))
                return
            bins = np.linspace(data.sound_from_s, data.sound_to_s, len(data.loudness))
            xs = [self._lanes.x_of(self._lanes.player.scene_time(clip, float(t)) + shift) for t in (bins[0], bins[-1])]
            grid = np.linspace(xs[0], xs[1], len(bins))
            half = 0.5 * (body.height() - 4) * data.loudness
            painter.setPen(QPen(color("quiet"), 1))
            for x, h in _per_pixel(grid, half):
                painter.drawLine(QPointF(x, body.center().y() - h), QPointF(x, body.center().y() + h))
            return
        low, high = float(data.level.min()), float(data.level.max())
        spread = max(high - low, 0.02 * max(abs(high), 1.0))
        xs_all = np.array(
            [
                self._lanes.x_of(self._lanes.player.scene_time(clip, float(t)) + shift)
                for t in data.times_s[:: max(1, len(data.times_s) // 1200)]
            ]
        )
        ys = data.level[:: max(1, len(data.times_s) // 1200)]
        path = QPainterPath()
        for n, (x, y) in enumerate(zip(xs_all, ys, strict=True)):
            point = QPointF(float(x), body.bottom() - 3 - (body.height() - 6) * (float(y) - low) / spread)
            path.lineTo(point) if n else path.moveTo(point)
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.drawPath(path)
        for start, end in data.gaps:
            a = self._lanes.x_of(self._lanes.player.scene_time(clip, start) + shift)
            b = self._lanes.x_of(self._lanes.player.scene_time(clip, end) + shift)
            painter.fillRect(QRectF(a, body.top(), max(2.0, b - a), body.height()), QColor(color("window")))


def _per_pixel(xs: np.ndarray, values: np.ndarray) -> list[tuple[float, float]]:
    """Return the largest value in every pixel column."""
    if not len(xs):
        return []
    columns = np.floor(xs).astype(int)
    cuts = np.flatnonzero(np.diff(columns, prepend=columns[0] - 1))
    return [(float(columns[c]) + 0.5, float(v)) for c, v in zip(cuts, np.maximum.reduceat(values, cuts), strict=True)]


def tick_step(least: float) -> float:
    """Return the round step (1, 2, 5 times a power of ten) that is at least `least`."""
    power = 10.0 ** math.floor(math.log10(max(least, 1e-6)))
    for factor in (1, 2, 5, 10):
        if factor * power >= least:
            return factor * power
    return 10 * power


__all__ = ["LANE", "LEFT", "RIGHT", "RULER", "LanePainter", "tick_step"]

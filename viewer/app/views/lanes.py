"""The lanes: scene time with one lane a clip; drag a lane to nudge it, click the ruler to go there."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from PySide6.QtCore import QPointF, QRectF, QSize, Qt, QVariantAnimation, Signal
from PySide6.QtGui import (
    QColor,
    QKeyEvent,
    QMouseEvent,
    QPainter,
    QPainterPath,
    QPaintEvent,
    QPen,
    QPixmap,
    QPolygonF,
    QWheelEvent,
)
from PySide6.QtWidgets import QAbstractScrollArea, QSizePolicy

from viewer.app.i18n import mark, number, tr
from viewer.app.jobs import Jobs
from viewer.app.model import wave
from viewer.app.model.player import Player
from viewer.app.model.stage import Stage
from viewer.app.theme import color, figures, px, reduced_flicker, words
from viewer.app.views.parts import device_color, elided, paint_marker, styles_of
from viewer.session.model import Clip

RULER, LANE, LEFT, RIGHT = 24, 32, 132, 164


# What lined a clip up, as the document keeps it.
WITNESSES = {
    "sound": mark("sound"),
    "sound onsets": mark("sound onsets"),
    "light steps": mark("light steps"),
    "motion": mark("motion"),
    "marks": mark("marks"),
}


class Lanes(QAbstractScrollArea):
    """All lanes of the scene on the wall."""

    nudged = Signal(str, float)  # clip id, s
    go_wanted = Signal(float)
    loop_wanted = Signal(float, float)

    def __init__(self, stage: Stage, player: Player, jobs: Jobs, folder: Callable[[], Path]) -> None:
        super().__init__()
        self.stage, self.player, self._jobs, self._folder = stage, player, jobs, folder
        self.data: dict[str, wave.LaneData] = {}
        self._asked: dict[str, Any] = {}
        self.content = "light"
        self.span: tuple[float, float] | None = None
        self._drag: tuple[str, float, float] | None = None  # what, x, time
        self._shift: dict[str, float] = {}
        self._snap: QVariantAnimation | None = None
        self._kept: QPixmap | None = None
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setMinimumHeight(px(RULER + LANE))
        self.viewport().setMouseTracking(True)
        self.setAccessibleName(tr("Lanes: one for each clip, on the scene's clock"))
        for signal in (stage.clips_changed, stage.chosen_changed, stage.scene_changed):
            signal.connect(self.refresh)
        stage.document.changed.connect(lambda *_: self.refresh())
        player.time_changed.connect(lambda _t: self.viewport().update())
        player.state_changed.connect(self.renew)
        player.engine.opened.connect(lambda _c: self.refresh())

    def sizeHint(self) -> QSize:
        return QSize(600, px(RULER + 3 * LANE + 8))

    # --- content ---

    def renew(self) -> None:
        """Paint everything anew; while playing only the play line moves over what is kept."""
        self._kept = None
        self.viewport().update()

    def scrollContentsBy(self, dx: int, dy: int) -> None:
        self.renew()

    def refresh(self) -> None:
        """Show the clips as they are, and read what is not known yet."""
        for clip in self.stage.clips:
            entry = self.player.engine.clips.get(clip.id)
            if entry is None or entry.index is None:
                continue
            key = (tuple(ref.sha256 or ref.path for ref in clip.files), clip.circle)
            if self._asked.get(clip.id) == key:
                continue
            self._asked[clip.id] = key
            self._jobs.start(
                clip.name,
                partial(wave.read, self._folder(), clip),
                done=partial(self._take, clip.id),
                failed=lambda _error: None,
                quiet=True,
            )
        content = px(RULER) + px(LANE) * len(self.stage.clips) + 4
        bar = self.verticalScrollBar()
        bar.setRange(0, max(0, content - self.viewport().height()))
        bar.setPageStep(self.viewport().height())
        self.renew()

    def _take(self, clip_id: str, data: wave.LaneData) -> None:
        self.data[clip_id] = data
        self.renew()

    def resizeEvent(self, event: Any) -> None:
        super().resizeEvent(event)
        self.refresh()

    # --- axis ---

    def shown_span(self) -> tuple[float, float]:
        """Return the scene time from the left to the right end."""
        if self.span is not None:
            return self.span
        start, end = self.player.range_s()
        if end <= start:
            return 0.0, 1.0
        pad = 0.02 * (end - start)
        return start - pad, end + pad

    def _axis(self) -> tuple[float, float]:
        return px(LEFT), self.viewport().width() - px(RIGHT)

    def x_of(self, time_s: float) -> float:
        """Return where a scene time is."""
        left, right = self._axis()
        start, end = self.shown_span()
        return left + (right - left) * (time_s - start) / (end - start)

    def time_at(self, x: float) -> float:
        """Return the scene time at a place."""
        left, right = self._axis()
        start, end = self.shown_span()
        return start + (end - start) * (x - left) / max(1.0, right - left)

    def _lane_rect(self, n: int) -> QRectF:
        top = px(RULER) + n * px(LANE) - self.verticalScrollBar().value()
        return QRectF(0, top, self.viewport().width(), px(LANE))

    def _lane_at(self, y: float) -> Clip | None:
        n = math.floor((y - px(RULER) + self.verticalScrollBar().value()) / px(LANE))
        clips = self.stage.clips
        return clips[n] if y > px(RULER) and 0 <= n < len(clips) else None

    # --- painting ---

    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self.viewport())
        painter.fillRect(self.viewport().rect(), color("panel"))
        if not self.stage.clips:
            painter.setPen(color("quiet"))
            painter.setFont(words(13))
            text = tr("The clips of the chosen scene appear here, one lane each.")
            painter.drawText(QRectF(self.viewport().rect()), int(Qt.AlignmentFlag.AlignCenter), text)
            painter.end()
            return
        painter.drawPixmap(0, 0, self._still_part())
        x = self.x_of(self.player.time_s)
        left, right = self._axis()
        if left <= x <= right:
            painter.setPen(QPen(color("focus"), 2))
            painter.drawLine(QPointF(x, 6), QPointF(x, self.viewport().height()))
        if self.hasFocus():
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.setPen(QPen(color("focus"), 2))
            painter.drawRect(QRectF(self.viewport().rect()).adjusted(1, 1, -1, -1))
        painter.end()

    def _still_part(self) -> QPixmap:
        """Return all but the play line, kept until something changes."""
        size, ratio = self.viewport().size(), self.devicePixelRatioF()
        if self._kept is not None and self._kept.size() == size * ratio:
            return self._kept
        kept = QPixmap(size * ratio)
        kept.setDevicePixelRatio(ratio)
        kept.fill(color("panel"))
        painter = QPainter(kept)
        try:
            self._paint_still(painter)
        finally:
            painter.end()
        self._kept = kept
        return kept

    def _paint_still(self, painter: QPainter) -> None:
        styles = styles_of(self.stage.session)
        painter.setClipRect(QRectF(0, px(RULER), self.viewport().width(), self.viewport().height()))
        for n, clip in enumerate(self.stage.clips):
            self._paint_lane(painter, self._lane_rect(n), clip, styles.get(clip.device or ""))
        painter.setClipping(False)
        self._paint_ruler(painter)

    def _paint_ruler(self, painter: QPainter) -> None:
        left, right = self._axis()
        start, end = self.shown_span()
        height = px(RULER)
        painter.fillRect(QRectF(0, 0, self.viewport().width(), height), color("panel"))
        painter.setFont(words(11))
        painter.setPen(color("quiet"))
        what = tr("Light level") if self.content == "light" else tr("Sound")
        painter.drawText(QRectF(12, 0, left - 16, height), int(Qt.AlignmentFlag.AlignVCenter), what)
        painter.setFont(figures(10))
        step = tick_step((end - start) / max(1.0, (right - left) / 88))
        n = math.ceil(start / step)
        while n * step <= end:
            x = self.x_of(n * step)
            painter.setPen(color("hairline"))
            painter.drawLine(QPointF(x, height - 5), QPointF(x, height))
            painter.setPen(color("quiet"))
            text = number(n * step, max(0, -math.floor(math.log10(step) + 1e-9))) + " s"
            painter.drawText(QRectF(x - 40, 0, 80, height - 5), int(Qt.AlignmentFlag.AlignCenter), text)
            n += 1
        painter.setPen(color("hairline"))
        painter.drawLine(QPointF(0, height - 0.5), QPointF(self.viewport().width(), height - 0.5))
        self._paint_loop(painter, height)
        painter.setBrush(color("text"))
        painter.setPen(Qt.PenStyle.NoPen)
        for at in self.player.landmarks():
            x = self.x_of(at)
            if left <= x <= right:
                painter.drawPolygon(QPolygonF([QPointF(x - 4, height - 8), QPointF(x + 4, height - 8), QPointF(x, height)]))

    def _paint_loop(self, painter: QPainter, height: int) -> None:
        loop = self.player.loop_s()
        if loop is None:
            return
        a, b = self.x_of(loop[0]), self.x_of(loop[1])
        painter.fillRect(QRectF(a, height - 4, b - a, 4), color("text" if self.player.looping else "strong"))
        painter.fillRect(QRectF(a, height, b - a, self.viewport().height() - height), color("text", 14))
        painter.setPen(QPen(color("text"), 1.5))
        for x in (a, b):
            painter.drawLine(QPointF(x, height - 10), QPointF(x, height))

    def _paint_lane(self, painter: QPainter, rect: QRectF, clip: Clip, style: Any) -> None:
        left, right = self._axis()
        chosen = self.stage.chosen.id == clip.id
        if chosen:
            painter.fillRect(rect, color("fill", 140))
        painter.setPen(color("hairline"))
        painter.drawLine(QPointF(0, rect.bottom() - 0.5), QPointF(rect.right(), rect.bottom() - 0.5))
        paint_marker(painter, style, 18, rect.center().y(), 4.5)
        painter.setPen(color("text"))
        painter.setFont(words(12, strong=chosen))
        name = self.stage.session.device(clip.device).name if clip.device else clip.name
        elided(painter, QRectF(32, rect.top(), left - 40, rect.height()), name)
        entry = self.player.engine.clips.get(clip.id)
        painter.setFont(words(11))
        painter.setPen(color("quiet"))
        side = QRectF(right + 8, rect.top(), px(RIGHT) - 16, rect.height())
        if entry is None or entry.index is None:
            text = tr("cannot be read") if entry is not None and entry.trouble else tr("loading")
            elided(painter, side, text)
            return
        elided(painter, side, self.residual_words(clip))
        times = entry.index.times_s
        shift = self._shift.get(clip.id, 0.0)
        x0 = self.x_of(self.player.scene_time(clip, float(times[0])) + shift)
        x1 = self.x_of(self.player.scene_time(clip, float(entry.index.end_s)) + shift)
        painter.save()
        painter.setClipRect(QRectF(left, rect.top(), right - left, rect.height()), Qt.ClipOperation.IntersectClip)
        body = QRectF(x0, rect.top() + 3, max(2.0, x1 - x0), rect.height() - 6)
        shade = QColor(device_color(style))
        shade.setAlpha(46)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(QPen(QColor(shade.red(), shade.green(), shade.blue(), 130), 1))
        painter.setBrush(shade)
        painter.drawRoundedRect(body, 3, 3)
        self._paint_content(painter, body, clip, shift)
        painter.restore()

    def _paint_content(self, painter: QPainter, body: QRectF, clip: Clip, shift: float) -> None:
        data = self.data.get(clip.id)
        if data is None:
            return
        painter.setPen(QPen(color("text", 210), 1.2))
        if self.content == "sound":
            if data.loudness is None:
                painter.setPen(color("quiet"))
                painter.setFont(words(11))
                elided(painter, body.adjusted(8, 0, -8, 0), tr("no sound"))
                return
            bins = np.linspace(data.sound_from_s, data.sound_to_s, len(data.loudness))
            xs = [self.x_of(self.player.scene_time(clip, float(t)) + shift) for t in (bins[0], bins[-1])]
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
                self.x_of(self.player.scene_time(clip, float(t)) + shift)
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
            a = self.x_of(self.player.scene_time(clip, start) + shift)
            b = self.x_of(self.player.scene_time(clip, end) + shift)
            painter.fillRect(QRectF(a, body.top(), max(2.0, b - a), body.height()), QColor(color("window")))

    def residual_words(self, clip: Clip) -> str:
        """Return how well a clip is lined up in time."""
        reference = self.stage.reference
        if reference is not None and reference.id == clip.id:
            return tr("reference")
        shift = self._shift.get(clip.id)
        if shift:
            moved = f"{'+' if shift > 0 else '−'}{number(abs(1000 * shift), 1)} ms"
            match = self.match(clip, shift)
            return moved if match is None else f"{moved} · {tr('match {r}', r=number(match, 2))}"
        if clip.clock is None:
            return tr("not lined up")
        if clip.clock.sync_by == "hand":
            return tr("by hand, {offset} s", offset=number(clip.clock.offset_s, 3))
        by = tr(WITNESSES.get(clip.clock.sync_by, clip.clock.sync_by))
        return by if clip.clock.residual_s is None else f"±{number(1000 * clip.clock.residual_s, 1)} ms · {by}"

    def match(self, clip: Clip, shift: float) -> float | None:
        """Return how alike the light levels of a clip and the reference run when the clip is moved by `shift` (s).

        The correlation over the time both show, -1 to 1; None where the light of either hardly changes.
        """
        reference = self.stage.reference
        if reference is None or reference.id == clip.id or clip.id not in self.data or reference.id not in self.data:
            return None
        mine, theirs = self.data[clip.id], self.data[reference.id]
        a = np.array([self.player.scene_time(clip, float(t)) for t in mine.times_s]) + shift
        b = np.array([self.player.scene_time(reference, float(t)) for t in theirs.times_s])
        start, end = max(a[0], b[0]), min(a[-1], b[-1])
        if end - start < 0.3:
            return None
        grid = np.linspace(start, end, 400)
        one, two = np.interp(grid, a, mine.level), np.interp(grid, b, theirs.level)
        if one.std() < 0.01 * abs(one.mean()) or two.std() < 0.01 * abs(two.mean()):
            return None
        return float(np.corrcoef(one, two)[0, 1])

    def _set_shift(self, shift: dict[str, float]) -> None:
        """Let a lane, and its picture on the wall, stand elsewhere while it is dragged."""
        self._shift = shift
        self.player.shifts = dict(shift)
        self.player.time_changed.emit(self.player.time_s)
        self.renew()

    # --- pointer and keys ---

    def mousePressEvent(self, event: QMouseEvent) -> None:
        x, y = event.position().x(), event.position().y()
        left, right = self._axis()
        if y <= px(RULER):
            loop = self.player.loop_s()
            if loop is not None:
                for name, mark in (("in", loop[0]), ("out", loop[1])):
                    if abs(x - self.x_of(mark)) < 5:
                        self._drag = (name, x, mark)
                        return
            self._drag = ("go", x, 0.0)
            self.player.pause()
            self.go_wanted.emit(self.time_at(x))
            return
        clip = self._lane_at(y)
        if clip is None:
            return
        self.stage.choose("clip", clip.id)
        if left <= x <= right:
            self._drag = (clip.id, x, 0.0)

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        x = event.position().x()
        if self._drag is None:
            self.viewport().setCursor(
                Qt.CursorShape.ArrowCursor if event.position().y() <= px(RULER) else Qt.CursorShape.OpenHandCursor
            )
            return
        what, start, _ = self._drag
        if what == "go":
            self.go_wanted.emit(self.time_at(x))
        elif what in ("in", "out"):
            loop = self.player.loop_s()
            if loop is not None:
                a, b = (self.time_at(x), loop[1]) if what == "in" else (loop[0], self.time_at(x))
                if b > a:
                    self.loop_wanted.emit(a, b)
        elif abs(x - start) > 3 or what in self._shift:
            self._set_shift({what: self.time_at(x) - self.time_at(start)})

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        drag, self._drag = self._drag, None
        shift = self._shift
        self._set_shift({})
        if drag is not None and shift:
            self.nudged.emit(drag[0], shift[drag[0]])
        self.renew()

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:
        self.go_wanted.emit(self.time_at(event.position().x()))

    def wheelEvent(self, event: QWheelEvent) -> None:
        if event.modifiers() & Qt.KeyboardModifier.ControlModifier:
            self.zoom(0.8 ** (event.angleDelta().y() / 120.0), event.position().x())
            event.accept()
        else:
            super().wheelEvent(event)

    def zoom(self, factor: float, x: float) -> None:
        """Show less (factor below 1) or more time about a place."""
        start, end = self.shown_span()
        whole = self.player.range_s()
        at = self.time_at(x)
        a, b = at - factor * (at - start), at + factor * (end - at)
        if b - a >= 1.04 * (whole[1] - whole[0]):
            self.span = None
        elif b - a > 0.02:
            self.span = (a, b)
        self.renew()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.key() in (Qt.Key.Key_Up, Qt.Key.Key_Down) and self.stage.clips:
            ids = [clip.id for clip in self.stage.clips]
            at = ids.index(self.stage.chosen.id) if self.stage.chosen.id in ids else -1
            at = max(0, min(len(ids) - 1, at + (1 if event.key() == Qt.Key.Key_Down else -1)))
            self.stage.choose("clip", ids[at])
        else:
            super().keyPressEvent(event)

    def set_content(self, content: str) -> None:
        """Show light level or sound."""
        self.content = content
        self.renew()

    def slide(self, clip_id: str, by_s: float) -> None:
        """Let a lane slide from where it was into line: 120 ms, none under reduced flicker."""
        if reduced_flicker() or abs(by_s) < 1e-9:
            return
        self._snap = QVariantAnimation(self)
        self._snap.setDuration(120)
        self._snap.setStartValue(float(-by_s))
        self._snap.setEndValue(0.0)
        self._snap.valueChanged.connect(partial(self._slid, clip_id))
        self._snap.start()

    def _slid(self, clip_id: str, value: float) -> None:
        self._shift = {clip_id: float(value)} if abs(float(value)) > 1e-6 else {}
        self.renew()


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


__all__ = ["Lanes", "tick_step"]

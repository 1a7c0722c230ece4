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
    QKeyEvent,
    QMouseEvent,
    QPainter,
    QPaintEvent,
    QPen,
    QPixmap,
    QWheelEvent,
)
from PySide6.QtWidgets import QAbstractScrollArea, QSizePolicy

from viewer.app.i18n import mark, number, tr
from viewer.app.jobs import Jobs
from viewer.app.model import wave
from viewer.app.model.player import Player
from viewer.app.model.stage import Stage
from viewer.app.theme import color, px, reduced_flicker, words
from viewer.app.views.lane_paint import LANE, LEFT, RIGHT, RULER, LanePainter
from viewer.session.model import Clip

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
        self._painter = LanePainter(self)
        self.content = "light"
        self.span: tuple[float, float] | None = None
        self._drag: tuple[str, float, float] | None = None  # what, x, time
        self.shifts: dict[str, float] = {}
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

    def axis(self) -> tuple[float, float]:
        """Return where lanes begin and end across the view (px)."""
        return px(LEFT), self.viewport().width() - px(RIGHT)

    def x_of(self, time_s: float) -> float:
        """Return where a scene time is."""
        left, right = self.axis()
        start, end = self.shown_span()
        return left + (right - left) * (time_s - start) / (end - start)

    def time_at(self, x: float) -> float:
        """Return the scene time at a place."""
        left, right = self.axis()
        start, end = self.shown_span()
        return start + (end - start) * (x - left) / max(1.0, right - left)

    def lane_rect(self, n: int) -> QRectF:
        """Return the place of the `n`-th lane in the view (px)."""
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
        left, right = self.axis()
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
            self._painter.paint(painter)
        finally:
            painter.end()
        self._kept = kept
        return kept

    def residual_words(self, clip: Clip) -> str:
        """Return how well a clip is lined up in time."""
        reference = self.stage.reference
        if reference is not None and reference.id == clip.id:
            return tr("reference")
        shift = self.shifts.get(clip.id)
        if shift:
            moved = f"{'+' if shift > 0 else '−'}{number(abs(1000 * shift), 1)} ms"
            match = self.match(clip, shift)
            return moved if match is None else f"{moved} · {tr('match {r}', r=number(match, 2))}"
        if clip.clock is None:
            return tr("not lined up")
        if clip.clock.sync_by == "hand":
            return tr("by hand, {offset} s", offset=number(clip.clock.offset_s, 3))
        by = tr(WITNESSES.get(clip.clock.sync_by, clip.clock.sync_by))
        half = clip.clock.half_width_s
        if half is None:
            return by
        # Two digits that count: 0.16, 3.7, 24.
        places = max(0, min(3, 1 - math.floor(math.log10(max(1000 * half, 1e-3)))))
        return f"±{number(1000 * half, places)} ms · {by}"

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
        self.shifts = shift
        self.player.shifts = dict(shift)
        self.player.time_changed.emit(self.player.time_s)
        self.renew()

    # --- pointer and keys ---

    def mousePressEvent(self, event: QMouseEvent) -> None:
        x, y = event.position().x(), event.position().y()
        left, right = self.axis()
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
        elif abs(x - start) > 3 or what in self.shifts:
            self._set_shift({what: self.time_at(x) - self.time_at(start)})

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        drag, self._drag = self._drag, None
        shift = self.shifts
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
        self.shifts = {clip_id: float(value)} if abs(float(value)) > 1e-6 else {}
        self.renew()


__all__ = ["Lanes"]

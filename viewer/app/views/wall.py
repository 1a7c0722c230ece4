"""The wall: the panes, and what they ask of the engine."""

from __future__ import annotations

from typing import Any

from PySide6.QtCore import QRectF, Qt, QTimer, Signal
from PySide6.QtGui import QColor, QPainter, QPaintEvent, QResizeEvent
from PySide6.QtWidgets import QWidget

from viewer.app.i18n import number, tr
from viewer.app.model.engine import Engine
from viewer.app.model.geometry import View, fitting, grid_shape
from viewer.app.model.player import Player
from viewer.app.model.render import FALSE_HIGH, FALSE_LOW, PixelReading, cividis
from viewer.app.model.stage import Stage
from viewer.app.theme import color, figures, px, reduced_flicker, theme, words
from viewer.app.views.pane import STRIP, PaneView, percent, stamp
from viewer.app.views.parts import styles_of
from viewer.session.model import Clip

BLINK_MS = 500  # two changes a second; never above three
GAP = 2


class Wall(QWidget):
    """Panes that share one view.  Asks the engine for pictures when time, view or look change."""

    draw_wanted = Signal(object, object, object, bool)  # clip, from, to (clip px), dragged
    rename_wanted = Signal()
    pixel_read = Signal(object, object)  # clip, PixelReading
    legend = Signal()
    drop_wanted = Signal(list)

    def __init__(self, stage: Stage, engine: Engine, player: Player) -> None:
        super().__init__()
        self.stage, self.engine, self.player = stage, engine, player
        self.panes: list[PaneView] = []
        self.styles = styles_of(stage.session)
        self.pointer_x: float | None = None
        self.lens_deg: tuple[float, float] | None = None
        self.scopes_for: str | None = None
        self.setObjectName("surround")
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground)
        self.setAccessibleName(tr("Wall"))
        self._blink = QTimer(self)
        self._blink.setInterval(BLINK_MS)
        self._blink.timeout.connect(self._turn)
        self._asking = QTimer(self)
        self._asking.setSingleShot(True)
        self._asking.setInterval(0)
        self._asking.timeout.connect(self.ask_now)
        self._connect()

    def _connect(self) -> None:
        stage, engine = self.stage, self.engine
        stage.clips_changed.connect(self.rebuild)
        stage.look_changed.connect(self.rebuild)
        stage.view_changed.connect(self._view_changed)
        stage.chosen_changed.connect(self.repaint_panes)
        stage.tool_changed.connect(self.repaint_panes)
        stage.sizes_changed.connect(self._refit)
        stage.document.changed.connect(self._document_changed)
        engine.opened.connect(self._opened)
        engine.shown.connect(self._shown)
        engine.failed.connect(lambda *_: self.repaint_panes())
        engine.probed.connect(self._probed)
        self.player.time_changed.connect(lambda _t: self.ask())

    # --- panes ---

    def rebuild(self) -> None:
        """Make the panes that clips and look call for."""
        stage = self.stage
        pair = stage.pair if stage.look != "side" else None
        groups = [pair] if pair else [(clip,) for clip in stage.clips]
        while len(self.panes) > len(groups):
            pane = self.panes.pop()
            pane.hide()
            pane.deleteLater()
        while len(self.panes) < len(groups):
            self.panes.append(PaneView(self, f"pane-{len(self.panes)}"))
        for pane, clips in zip(self.panes, groups, strict=True):
            pane.show_clips(tuple(clips))
            pane.show()
        self._arrange()
        blinking = stage.look == "blink" and pair is not None and not reduced_flicker()
        self._blink.start() if blinking else self._blink.stop()
        self._refit()
        self.legend.emit()
        self.ask()
        self.update()

    def _turn(self) -> None:
        for pane in self.panes:
            pane.first_on_top = not pane.first_on_top
            pane.update()

    def turn_by_hand(self) -> None:
        """Change sides of blink by key: the way under reduced flicker."""
        self._turn()

    def _arrange(self) -> None:
        count = len(self.panes)
        if not count:
            return
        w, h = self.width(), self.height()
        rows, columns = grid_shape(count, w, h, aspect=self._aspect(), strip=px(STRIP))
        for n, pane in enumerate(self.panes):
            r, c = divmod(n, columns)
            x0, x1 = round(c * (w + GAP) / columns), round((c + 1) * (w + GAP) / columns) - GAP
            y0, y1 = round(r * (h + GAP) / rows), round((r + 1) * (h + GAP) / rows) - GAP
            pane.setGeometry(x0, y0, x1 - x0, y1 - y0)

    def _aspect(self) -> float:
        reference = self.stage.reference
        if reference is None or reference.circle is not None:
            return 1.0
        w, h = self.stage.sizes.get(reference.id, (16, 9))
        return w / h

    def resizeEvent(self, event: QResizeEvent) -> None:
        self._arrange()
        self._refit()
        self.ask()
        super().resizeEvent(event)

    def _refit(self) -> None:
        if self.stage.fitted:
            self.fit()

    def fit(self) -> None:
        """Show the whole field in every pane."""
        reference = self.stage.reference or (self.stage.clips[0] if self.stage.clips else None)
        if reference is None or not self.panes:
            return
        rect = self.panes[0].picture_rect
        placement = self.stage.placement(reference)
        self.stage.set_view(fitting(placement, reference, rect.width(), rect.height()), fitted=True)

    def one_to_one(self) -> None:
        """Show one pixel of the reference on one pixel of the screen."""
        reference = self.stage.reference
        if reference is None:
            return
        view = self.stage.view
        scale = self.stage.placement(reference).px_per_degree / self.devicePixelRatioF()
        self.stage.set_view(View(view.x_deg, view.y_deg, scale))

    def zoom(self, factor: float) -> None:
        """Zoom all panes about their middle."""
        if self.panes:
            rect = self.panes[0].picture_rect
            size = (rect.width(), rect.height())
            self.stage.set_view(self.stage.view.zoomed(factor, (size[0] / 2, size[1] / 2), size))

    def repaint_panes(self) -> None:
        """Paint every pane again."""
        for pane in self.panes:
            pane.update()

    def _view_changed(self) -> None:
        self.repaint_panes()
        self.ask()

    def _document_changed(self, before: Any, now: Any) -> None:
        if before.devices != now.devices:
            self.styles = styles_of(now)
        if before.id != now.id:
            for pane in self.panes:
                pane.forget_pictures()
        if before.clips != now.clips or before.scenes != now.scenes or before.devices != now.devices:
            self.rebuild()
        else:
            self.repaint_panes()
            self.ask()

    def theme_changed(self) -> None:
        """Dress again."""
        self.styles = styles_of(self.stage.session)
        for pane in self.panes:
            pane.forget_pictures()
        self.rebuild()

    # --- asking ---

    def ask(self) -> None:
        """Ask for what the panes need, once the event that led here is done with."""
        if not self._asking.isActive():
            self._asking.start()

    def ask_now(self) -> None:
        """Ask the engine for the pictures of this moment."""
        playing = self.player.playing
        for clip in self.stage.clips:
            number_ = self.player.number(clip)
            if number_ is None:
                continue
            targets = tuple(pane.target(clip) for pane in self.panes if clip in pane.clips and pane.isVisible())
            if not targets:
                continue
            scopes = self.scopes_for == clip.id and not playing
            self.engine.ask(
                clip.id, number_, targets, playing=playing, scopes=scopes, line=self._line(clip) if scopes else None
            )
        if playing:
            for pane in self.panes:
                pane.update(0, int(pane.picture_rect.bottom()), pane.width(), px(STRIP))

    def _line(self, clip: Clip) -> tuple[float, float, float, float] | None:
        from viewer.tasks.carry import carried

        region = self.stage.region
        if region is None or region.kind != "line":
            lines = [r for r in self.stage.session.regions_of(clip.scene) if r.kind == "line"]
            region = lines[0] if lines else None
        return carried(region, clip) if region is not None else None  # type: ignore[return-value]

    def _opened(self, clip_id: str) -> None:
        info = self.engine.clips[clip_id].info
        self.stage.set_size(clip_id, (info.width, info.height))
        self.legend.emit()
        self.ask()

    def _shown(self, clip_id: str) -> None:
        entry = self.engine.clips[clip_id]
        for pane in self.panes:
            picture = entry.pictures.get(pane.name)
            if picture is not None and any(clip.id == clip_id for clip in pane.clips):
                pane.take(clip_id, picture)

    def _probed(self, clip_id: str, reading: PixelReading | None) -> None:
        clip = next((c for c in self.stage.clips if c.id == clip_id), None)
        if clip is not None:
            self.pixel_read.emit(clip, reading)

    def read_pixel(self, clip: Clip | None, x: int, y: int) -> None:
        """Ask what a pixel holds; None clears the read-out."""
        if clip is None:
            self.pixel_read.emit(None, None)
        else:
            self.engine.probe(clip.id, x, y)

    def set_lens(self, at_deg: tuple[float, float] | None) -> None:
        """Move the linked magnifier."""
        if at_deg == self.lens_deg:
            return
        self.lens_deg = at_deg
        if self.stage.magnifier:
            self.repaint_panes()
            self.ask()

    def draw(self, clip: Clip, start: tuple[float, float], end: tuple[float, float], *, dragged: bool) -> None:
        """Pass on what was drawn."""
        self.draw_wanted.emit(clip, start, end, dragged)

    def legend_changed(self) -> None:
        """The scale of the difference changed."""
        QTimer.singleShot(0, self, self.legend.emit)

    # --- words on the strips ---

    def gain(self, clip: Clip) -> float:
        """Return the factor that brings a clip to the reference's mean light, in linear light."""
        reference = self.stage.reference
        mine = self.engine.clips.get(clip.id)
        theirs = self.engine.clips.get(reference.id) if reference is not None else None
        if mine is None or theirs is None or mine.level <= 0 or theirs.level <= 0:
            return 1.0
        return min(64.0, max(1 / 64, theirs.level / mine.level))

    def name_of(self, clip: Clip) -> str:
        """Return device and take."""
        session = self.stage.session
        name = session.device(clip.device).name if clip.device else clip.name
        takes = session.clips_of(clip.scene, device=clip.device) if clip.device else ()
        return f"{name} · {tr('take {n}', n=clip.take)}" if len(takes) > 1 else name

    def badge_of(self, clip: Clip) -> str:
        """Return what is different about this rendering; never empty when something is."""
        parts = []
        rendering = self.stage.rendering
        if self.stage.look == "difference":
            parts.append(tr("difference"))
        elif self.stage.look == "over":
            parts.append(tr("half transparent"))
        if rendering == "brightness_matched":
            parts.append(tr("brightness matched") + f" ×{number(self.gain(clip), 2)}")
        elif rendering == "neutral_grey" and self.stage.look != "difference":
            parts.append(tr("neutral grey"))
        elif rendering == "false_luminance" and self.stage.look != "difference":
            parts.append(tr("false luminance"))
        if theme().red:
            parts.append(tr("colours not true"))
        if self.stage.placement(clip).scale_by == "assumed":
            parts.append(tr("scale assumed"))
        return " · ".join(parts)

    def time_of(self, clip: Clip) -> str:
        """Return the timestamp and number of the frame that is shown: those of the picture, not those asked for."""
        entry = self.engine.clips.get(clip.id)
        if entry is None or entry.shown is None or entry.trouble or self.player.number(clip) is None:
            return "–"
        return stamp(entry.shown.time_s, entry.shown.number)

    def marks_of(self, clip: Clip) -> str:
        """Return the quiet marks: clipped share, damage, frames that came late."""
        entry = self.engine.clips.get(clip.id)
        if entry is None or entry.shown is None or self.player.number(clip) is None:
            return ""
        parts = []
        shares = [p.clipped_share for p in entry.shown.pictures if p.clipped_share is not None]
        if shares:
            parts.append(tr("clipped {share}", share=percent(shares[0])))
        if entry.shown.damaged:
            parts.append(tr("damaged"))
        if self.player.playing and entry.late:
            parts.append(tr("{n} frames skipped", n=entry.late))
        return " · ".join(parts)


class Legend(QWidget):
    """The scale of false luminance or difference: always there when one of them is on."""

    def __init__(self, wall: Wall) -> None:
        super().__init__()
        self._wall = wall
        self.setFixedHeight(px(28))
        wall.legend.connect(self.refresh)
        self.refresh()

    def refresh(self) -> None:
        """Show or hide, and say what the scale is."""
        stage = self._wall.stage
        on = bool(stage.clips) and (stage.look == "difference" or stage.rendering == "false_luminance")
        self.setVisible(on)
        self.setAccessibleName(self._words()[0] if on else "")
        self.update()

    def _words(self) -> tuple[str, str, str, str]:
        stage = self._wall.stage
        if stage.look == "difference":
            reach = self._wall.panes[0].reach if self._wall.panes else 0.0
            side = f"{number(100 * reach)} %"
            title = tr("First minus second, linear light, share of nominal white")
            return title, f"−{side}", "0", f"+{side}"
        title = tr("Linear luminance, share of nominal white, logarithmic")
        return title, f"{number(100 * FALSE_LOW)} %", f"{number(10**0.5, 1)} %", f"{number(100 * FALSE_HIGH)} %"

    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self)
        painter.fillRect(self.rect(), color("window"))
        title, low, middle, high = self._words()
        painter.setFont(words(11))
        painter.setPen(color("quiet"))
        width = min(280, self.width() // 3)
        painter.setFont(figures(10))
        left = self.width() - width - 16 - painter.fontMetrics().horizontalAdvance(high) - 8
        bar = QRectF(left, 6, width, 8)
        table = cividis()
        for n in range(int(bar.width())):
            t = n / max(1.0, bar.width() - 1)
            if self._wall.stage.look == "difference":
                grey = int(255 * t)
                shade = QColor(grey, grey, grey)
            else:
                b, g, r = (int(v) for v in table[int(255 * t)])
                shade = QColor(r, g, b)
            if theme().red:
                shade = QColor(int(0.75 * shade.lightness()), 0, 0)
            painter.fillRect(QRectF(bar.left() + n, bar.top(), 1.2, bar.height()), shade)
        metrics = painter.fontMetrics()
        baseline = bar.bottom() + metrics.ascent() + 1
        painter.drawText(int(bar.left()), int(baseline), low)
        painter.drawText(int(bar.center().x() - metrics.horizontalAdvance(middle) / 2), int(baseline), middle)
        painter.drawText(int(bar.right() - metrics.horizontalAdvance(high)), int(baseline), high)
        painter.setFont(words(11))
        painter.drawText(QRectF(16, 0, left - 24, self.height()), int(Qt.AlignmentFlag.AlignVCenter), title)
        painter.end()


def pixel_words(clip_name: str, reading: PixelReading | None, *, short: bool = False) -> str:
    """Return a pixel read-out: place, code, linear light; `short` leaves name and channels out."""
    if reading is None:
        return ""
    r, g, b = (number(v, 4) for v in reading.rgb)
    text = f"{reading.x}, {reading.y}  Y′ {reading.code}  L {number(reading.luminance, 4)}"
    if not short:
        text = f"{clip_name}  {text}  R {r} G {g} B {b}"
    return text + (f"  {tr('clipped')}" if reading.clipped else "")


__all__ = ["BLINK_MS", "Legend", "Wall", "pixel_words"]

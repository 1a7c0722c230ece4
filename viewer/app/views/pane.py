"""One pane: the picture, what the user drew on it, and the label strip below."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from PySide6.QtCore import QEvent, QPointF, QRectF, QSize, Qt
from PySide6.QtGui import QColor, QImage, QKeyEvent, QMouseEvent, QPainter, QPaintEvent, QPen, QTransform, QWheelEvent
from PySide6.QtWidgets import QSizePolicy, QWidget

from viewer.app.i18n import number, seconds, tr
from viewer.app.model.engine import Open
from viewer.app.model.geometry import apply, compose, invert, scale_of
from viewer.app.model.render import Inset, Picture, Target, nice_reach, reddened, signed_difference
from viewer.app.model.shapes import shapes_of
from viewer.app.theme import color, px, theme, words
from viewer.app.views import overlay
from viewer.app.views.insets import Insets
from viewer.app.views.pane_label import paint_label
from viewer.app.views.parts import to_image
from viewer.app.views.pointer import Pointer
from viewer.session.model import Clip, Note, Region

if TYPE_CHECKING:
    from viewer.app.views.wall import Wall

STRIP = 44


class PaneView(QWidget):
    """One pane of the wall.  `clips` holds one clip, or the two of split, blink, laid over and difference."""

    def __init__(self, wall: Wall, name: str) -> None:
        super().__init__(wall)
        self.wall, self.name = wall, name
        self.stage = wall.stage
        self.clips: tuple[Clip, ...] = ()
        self.images: dict[str, tuple[Picture, QImage]] = {}
        self._mixed: tuple[tuple[int, int], QImage] | None = None
        self.reach = 0.0
        self.first_on_top = True
        self.lens: tuple[float, float] | None = None
        self.insets = Insets(self)
        self.pointer = Pointer(self)
        self.setAttribute(Qt.WidgetAttribute.WA_OpaquePaintEvent)
        self.setMouseTracking(True)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.setMinimumSize(QSize(80, 80))

    # --- geometry ---

    @property
    def picture_rect(self) -> QRectF:
        """Where the picture is, in widget px."""
        return QRectF(0, 0, self.width(), max(1, self.height() - px(STRIP)))

    def matrix(self, clip: Clip) -> np.ndarray:
        """Clip px -> widget px."""
        rect = self.picture_rect
        return self.stage.view.clip_to_screen(self.stage.placement(clip), rect.width(), rect.height())

    def clip_at(self, x: float) -> Clip | None:
        """Return the clip that is seen at this place (split has two)."""
        if not self.clips:
            return None
        if len(self.clips) == 2 and self.stage.look == "split":
            return self.clips[0] if x < self.stage.split * self.width() else self.clips[1]
        if len(self.clips) == 2 and self.stage.look == "blink":
            return self.clips[0] if self.first_on_top else self.clips[1]
        return self.clips[0]

    def target(self, clip: Clip) -> Target:
        """Return what this pane wants of a clip."""
        rect, ratio = self.picture_rect, self.devicePixelRatioF()
        matrix = compose(np.array([[ratio, 0, 0], [0, ratio, 0]]), self.matrix(clip))
        stage = self.stage
        size = (max(1, round(rect.width() * ratio)), max(1, round(rect.height() * ratio)))
        difference = stage.look == "difference" and len(self.clips) == 2
        return Target(
            pane=self.name,
            matrix=tuple(round(float(v), 6) for v in matrix.ravel()),
            size=size,
            rendering="as_filmed" if difference else stage.rendering,
            gain=self.wall.gain(clip),
            clipped=stage.clipped_marks and not difference,
            light=difference,
            surround=QColor(theme().surround).red(),
            red=theme().red,
            insets=self._insets(clip),
        )

    def _insets(self, clip: Clip) -> tuple[Inset, ...]:
        found = []
        for shape in shapes_of(self.stage.session, clip):
            if shape.kind == "inset":
                x, y, w, h = shape.geometry
                if w * h <= 512 * 512:
                    found.append(Inset(shape.item.id, x, y, w, h))
        if self.stage.magnifier and self.wall.lens_deg is not None:
            x, y = apply(invert(self.stage.placement(clip).to_deg), *self.wall.lens_deg)
            found.append(Inset("lens", round(x) - 16.0, round(y) - 16.0, 32.0, 32.0))
        return tuple(found)

    # --- pictures ---

    def show_clips(self, clips: tuple[Clip, ...]) -> None:
        """Show these clips."""
        if tuple(c.id for c in clips) != tuple(c.id for c in self.clips):
            self.images = {key: value for key, value in self.images.items() if key in {c.id for c in clips}}
            self._mixed = None
        self.clips = clips
        self.setAccessibleName(self.spoken())
        self.update()

    def take(self, clip_id: str, picture: Picture) -> None:
        """Show a picture that was rendered for this pane."""
        self.images[clip_id] = (picture, to_image(picture.array))
        self._mixed = None
        if not self.wall.player.playing:
            self.setAccessibleName(self.spoken())
        self.update()

    def forget_pictures(self) -> None:
        """Drop what is shown (another theme, another session)."""
        self.images.clear()
        self._mixed = None
        self.update()

    def has_picture(self) -> bool:
        """Whether every clip has a picture to show."""
        return bool(self.clips) and all(clip.id in self.images for clip in self.clips)

    def sizeHint(self) -> QSize:
        return QSize(480, 320)

    # --- painting ---

    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self)
        try:
            self._paint_all(painter)
        finally:
            painter.end()  # a painter left open would take the program down with it

    def _paint_all(self, painter: QPainter) -> None:
        rect = self.picture_rect
        painter.fillRect(rect, color("surround"))
        if self.clips:
            painter.save()
            painter.setClipRect(rect)
            self._paint_pictures(painter, rect)
            self._paint_drawn(painter, rect)
            painter.restore()
        self._paint_strip(painter)
        if self.hasFocus():
            painter.setPen(QPen(color("focus"), 2))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawRect(QRectF(self.rect()).adjusted(1, 1, -1, -1))

    def _paint_pictures(self, painter: QPainter, rect: QRectF) -> None:
        look = self.stage.look
        if len(self.clips) < 2 or look == "side":
            self._paint_clip(painter, self.clips[0])
        elif look == "split":
            x = round(self.stage.split * rect.width())
            for clip, part in (
                (self.clips[0], QRectF(0, 0, x, rect.height())),
                (self.clips[1], QRectF(x, 0, rect.width() - x, rect.height())),
            ):
                painter.save()
                painter.setClipRect(part)
                self._paint_clip(painter, clip)
                painter.restore()
            painter.setPen(QPen(QColor(0, 0, 0, 160), 3))
            painter.drawLine(QPointF(x, 0), QPointF(x, rect.height()))
            painter.setPen(QPen(overlay.ink(), 1))
            painter.drawLine(QPointF(x, 0), QPointF(x, rect.height()))
        elif look == "blink":
            self._paint_clip(painter, self.clips[0] if self.first_on_top else self.clips[1])
        elif look == "over":
            self._paint_over(painter)
        else:
            self._paint_difference(painter, rect)

    def _paint_over(self, painter: QPainter) -> None:
        """Paint both clips, half of each; where one has no picture, what it has to say."""
        absent = next((clip for clip in self.clips if self._silent(clip)), None)
        if absent is not None:
            self._paint_clip(painter, absent)
            return
        self._paint_clip(painter, self.clips[0])
        painter.setOpacity(0.5)
        self._paint_clip(painter, self.clips[1])
        painter.setOpacity(1.0)

    def _silent(self, clip: Clip) -> bool:
        """Whether a clip has no picture to show just now."""
        entry = self.wall.engine.clips.get(clip.id)
        if clip.id not in self.images or (entry is not None and bool(entry.trouble)):
            return True
        return entry is not None and entry.index is not None and self.wall.player.number(clip) is None

    def _paint_clip(self, painter: QPainter, clip: Clip) -> None:
        held = self.images.get(clip.id)
        entry = self.wall.engine.clips.get(clip.id)
        trouble = entry is not None and bool(entry.trouble)
        if not trouble and entry is not None and entry.index is not None and self.wall.player.number(clip) is None:
            self._message(painter, tr("No picture at this time"), self._when(clip))
            return
        if held is None or trouble:
            self._paint_absent(painter, clip, entry)
            return
        picture, image = held
        ratio = self.devicePixelRatioF()
        wanted = compose(np.array([[ratio, 0, 0], [0, ratio, 0]]), self.matrix(clip))
        drawn = np.array(picture.target.matrix).reshape(2, 3)
        if np.allclose(wanted, drawn, rtol=0, atol=2e-3):
            image.setDevicePixelRatio(ratio)
            painter.drawImage(QPointF(0, 0), image)
            return
        # The view has moved on: show the old picture where it now belongs until the new one comes.
        m = compose(np.array([[1 / ratio, 0, 0], [0, 1 / ratio, 0]]), compose(wanted, invert(drawn)))
        painter.save()
        painter.setTransform(QTransform(m[0, 0], m[1, 0], m[0, 1], m[1, 1], m[0, 2], m[1, 2]), True)
        image.setDevicePixelRatio(1)
        painter.drawImage(QPointF(0, 0), image)
        painter.restore()

    def _when(self, clip: Clip) -> str:
        """Say when a clip begins or ended, seen from now."""
        span = self.wall.player.span_of(clip)
        if span is None:
            return ""
        first, last = span
        if self.wall.player.time_s < first:
            return tr("The clip begins at {time}.", time=seconds(first, 3))
        return tr("The clip ended at {time}.", time=seconds(last, 3))

    def _paint_absent(self, painter: QPainter, clip: Clip, entry: Open | None) -> None:
        trouble = entry.trouble if entry is not None else ""
        if trouble:
            self._message(painter, tr("This clip cannot be shown"), trouble)
        else:
            self._message(painter, "", tr("Opening {name}", name=clip.name))

    def _message(self, painter: QPainter, head: str, text: str) -> None:
        rect = self.picture_rect.adjusted(16, 16, -16, -16)
        painter.setPen(color("text"))
        painter.setFont(words(13, strong=True))
        middle = rect.center().y()
        flags = int(Qt.AlignmentFlag.AlignHCenter | Qt.TextFlag.TextWordWrap)
        if head:
            painter.drawText(QRectF(rect.left(), middle - 24, rect.width(), 22), flags, head)
        painter.setFont(words(11))
        painter.setPen(color("text") if not theme().dark else color("quiet"))
        painter.drawText(QRectF(rect.left(), middle + 2, rect.width(), max(0.0, rect.bottom() - middle)), flags, text)

    def _paint_difference(self, painter: QPainter, rect: QRectF) -> None:
        held = [self.images.get(clip.id) for clip in self.clips]
        if held[0] is None or held[1] is None:
            self._message(painter, "", tr("Opening {name}", name=self.clips[0 if held[0] is None else 1].name))
            return
        if any(self.wall.player.number(clip) is None for clip in self.clips):
            self._message(painter, tr("No picture at this time"), "")
            return
        a, b = held[0][0], held[1][0]
        if a.light is None or b.light is None or a.light.shape != b.light.shape:
            return
        key = (id(a), id(b))
        if self._mixed is None or self._mixed[0] != key:
            first, second = a.light, b.light
            if self.stage.rendering == "brightness_matched":
                second = second * (self.wall.gain(self.clips[1]) / max(1e-9, self.wall.gain(self.clips[0])))
            inside = None if a.inside is None or b.inside is None else a.inside & b.inside
            self.reach = nice_reach(first, second, inside)
            array = signed_difference(first, second, self.reach)
            if inside is not None:
                array[~inside] = (a.target.surround, a.target.surround, a.target.surround, 255)
            if theme().red:
                array = reddened(array)
            self._mixed = (key, to_image(array))
            self.wall.legend_changed()
        image = self._mixed[1]
        image.setDevicePixelRatio(self.devicePixelRatioF())
        painter.drawImage(QPointF(0, 0), image)

    def _paint_drawn(self, painter: QPainter, rect: QRectF) -> None:
        clip = self.clip_at(self.wall.pointer_x if self.wall.pointer_x is not None else 0) or self.clips[0]
        if clip.id not in self.images or self.wall.player.number(clip) is None:
            return  # nothing is marked where nothing is seen
        matrix = self.matrix(clip)
        placement = self.stage.placement(clip)
        if self.stage.circle_dim and clip.circle is not None:
            c = clip.circle
            overlay.paint_dim(painter, rect, apply(matrix, c.cx, c.cy), c.radius * scale_of(matrix))
        known = placement.scale_by != "assumed"
        placed = [(shape, overlay.on_screen(shape, matrix)) for shape in shapes_of(self.stage.session, clip)]
        names = overlay.Names([points for shape, points in placed if isinstance(shape.item, Region)], rect)
        for shape, points in placed:
            if not isinstance(shape.item, Region) and shape.item.text and shape.kind != "text":
                names.keep_free(overlay.note_text_at(shape.item, points), shape.item.text, 13)
            if shape.kind == "arrow":
                names.keep_clear(points[1], 12)
            if len(points) > 1:
                names.keep_off_lines(points)
        for shape, points in placed:
            chosen = self.stage.chosen.id == shape.item.id
            if shape.kind == "inset" and isinstance(shape.item, Note):
                self.insets.paint_note(painter, clip, shape.item, points)
            overlay.paint_shape(
                painter,
                shape,
                points,
                chosen=chosen,
                px_per_degree=self.stage.view.px_per_degree,
                scale_known=known,
                names=names,
            )
        if self.stage.tool == "pair":
            self._paint_pairs(painter, clip, matrix)
        self.insets.paint_lens(painter, clip)
        self.pointer.paint(painter)

    def _paint_pairs(self, painter: QPainter, clip: Clip, matrix: np.ndarray) -> None:
        """Mark the matching points: numbered, the one that waits for its partner with a ring."""
        stage, reference = self.stage, self.stage.reference
        if reference is None:
            return
        if clip.id == reference.id:
            known = list(dict.fromkeys(here for pairs in stage.pairs.values() for here, _ in pairs))
            places = [(apply(matrix, *here), str(n)) for n, here in enumerate(known, 1) if here != stage.pair_from]
            if stage.pair_from is not None:
                overlay.paint_point(painter, apply(matrix, *stage.pair_from), "?", waiting=True)
        else:
            places = [(apply(matrix, *there), str(n)) for n, (_, there) in enumerate(stage.pairs.get(clip.id, ()), 1)]
        for place, name in places:
            overlay.paint_point(painter, place, name)

    # --- the label strip ---

    def _paint_strip(self, painter: QPainter) -> None:
        top = self.picture_rect.bottom()
        strip = QRectF(0, top, self.width(), self.height() - top)
        painter.fillRect(strip, color("window"))
        if not self.clips:
            return
        half = self.width() / 2
        if len(self.clips) == 2:
            for clip, left in ((self.clips[0], 0.0), (self.clips[1], half)):
                paint_label(painter, self.wall, clip, QRectF(left + 8, top, half - 12, strip.height()))
        else:
            paint_label(painter, self.wall, self.clips[0], QRectF(8, top, self.width() - 16, strip.height()))

    def spoken(self) -> str:
        """Return the pane as words for a screen reader."""
        if not self.clips:
            return tr("Empty pane")
        return " / ".join(f"{self.wall.name_of(clip)}, {self.wall.time_of(clip)}" for clip in self.clips)

    # --- events go to the pointer ---

    def mousePressEvent(self, event: QMouseEvent) -> None:
        self.setFocus(Qt.FocusReason.MouseFocusReason)
        self.pointer.press(event)

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        self.pointer.move(event)

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:
        self.pointer.release(event)

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:
        self.pointer.double_click(event)

    def wheelEvent(self, event: QWheelEvent) -> None:
        self.pointer.wheel(event)

    def leaveEvent(self, event: QEvent) -> None:
        self.pointer.leave()
        super().leaveEvent(event)

    def event(self, event: QEvent) -> bool:
        if event.type() == QEvent.Type.ShortcutOverride and isinstance(event, QKeyEvent) and self.pointer.wants(event):
            event.accept()
            return True
        return super().event(event)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if not self.pointer.key(event):
            super().keyPressEvent(event)


def percent(share: float) -> str:
    """Return a share as percent, with the digits it deserves."""
    return f"{number(100 * share, 2 if share < 0.01 else 1)} %"


def stamp(time_s: float, frame: int) -> str:
    """Return a clip's own timestamp and frame number."""
    return f"{seconds(time_s, 4)}  #{frame}"


__all__ = ["STRIP", "PaneView", "percent", "stamp"]

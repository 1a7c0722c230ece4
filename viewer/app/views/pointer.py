"""What pointer and keys do in a pane: pan, zoom, draw, select, move, read a pixel."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QKeyEvent, QMouseEvent, QPainter, QPen, QWheelEvent

from viewer.app.i18n import tr
from viewer.app.model import shapes
from viewer.app.model.geometry import apply, invert
from viewer.app.model.shapes import Item, Shape
from viewer.app.views import overlay
from viewer.session.model import Clip

if TYPE_CHECKING:
    from viewer.app.views.pane import PaneView

ARROWS = {
    Qt.Key.Key_Left: (-1.0, 0.0),
    Qt.Key.Key_Right: (1.0, 0.0),
    Qt.Key.Key_Up: (0.0, -1.0),
    Qt.Key.Key_Down: (0.0, 1.0),
}


class Pointer:
    """The hand of one pane."""

    def __init__(self, pane: PaneView) -> None:
        self.pane = pane
        self.doing = ""  # "", pan, draw, move, corner, split
        self._from = (0.0, 0.0)
        self._now = (0.0, 0.0)
        self._shape: Shape | None = None
        self._corner = 0
        self._moved = False

    # --- helpers ---

    def _at(self, event: QMouseEvent) -> tuple[float, float]:
        return event.position().x(), event.position().y()

    def _clip(self, x: float) -> Clip | None:
        return self.pane.clip_at(x)

    def _to_clip(self, clip: Clip, at: tuple[float, float]) -> tuple[float, float]:
        return apply(invert(self.pane.matrix(clip)), *at)

    def _pick(self, clip: Clip, at: tuple[float, float]) -> Shape | None:
        matrix = self.pane.matrix(clip)
        best: tuple[float, Shape] | None = None
        for shape in shapes.shapes_of(self.pane.stage.session, clip):
            near = shapes.hit(shape, overlay.on_screen(shape, matrix), at)
            if near is not None and (best is None or near <= best[0]):
                best = (near, shape)
        return best[1] if best else None

    def _pick_corner(self, clip: Clip, at: tuple[float, float]) -> tuple[Shape, int] | None:
        chosen = self._chosen(clip)
        if chosen is None or chosen.kind in shapes.POINTS:
            return None
        for n, point in enumerate(overlay.on_screen(chosen, self.pane.matrix(clip))):
            if math.dist(point, at) <= 7:
                return chosen, n
        return None

    def _chosen(self, clip: Clip) -> Shape | None:
        item: Item | None = self.pane.stage.region or self.pane.stage.note
        return shapes.shape_of(item, clip) if item is not None and item.scene == clip.scene else None

    def _near_split(self, x: float) -> bool:
        pane = self.pane
        return pane.stage.look == "split" and len(pane.clips) == 2 and abs(x - pane.stage.split * pane.width()) <= 6

    # --- pointer ---

    def press(self, event: QMouseEvent) -> None:
        """Begin to pan, draw, move or drag the split line."""
        at = self._at(event)
        self._from = self._now = at
        self._moved = False
        clip = self._clip(at[0])
        stage = self.pane.stage
        if clip is None:
            return
        if event.button() == Qt.MouseButton.MiddleButton:
            self.doing = "pan"
            return
        if event.button() != Qt.MouseButton.LeftButton:
            return
        if at[1] > self.pane.picture_rect.bottom():
            other = self.pane.clips[-1] if len(self.pane.clips) == 2 and at[0] > self.pane.width() / 2 else self.pane.clips[0]
            stage.choose("clip", other.id)
            return
        if self._near_split(at[0]):
            self.doing = "split"
            return
        if stage.tool != "select":
            self.doing = "draw"
            return
        corner = self._pick_corner(clip, at)
        if corner is not None:
            self._shape, self._corner = corner
            self.doing = "corner"
            return
        shape = self._pick(clip, at)
        if shape is not None:
            stage.choose("region" if shape.item in stage.session.regions else "note", shape.item.id)
            self._shape = shape
            self.doing = "move"
        else:
            stage.choose("clip", clip.id)
            self.doing = "pan"

    def move(self, event: QMouseEvent) -> None:
        """Go on with what was begun; without a button, read the pixel."""
        at = self._at(event)
        pane = self.pane
        pane.wall.pointer_x = at[0] if pane.stage.look == "split" else None
        if self.doing == "pan":
            pane.stage.set_view(pane.stage.view.moved(at[0] - self._now[0], at[1] - self._now[1]))
        elif self.doing == "split":
            pane.stage.set_split(at[0] / max(1, pane.width()))
        elif self.doing in ("move", "corner"):
            self._drag(at, event)
        self._now = at
        if self.doing == "draw":
            pane.update()
        if not self.doing:
            self._hover(at)

    def _drag(self, at: tuple[float, float], event: QMouseEvent) -> None:
        clip, shape, stage = self._clip(at[0]), self._shape, self.pane.stage
        if clip is None or shape is None or (not self._moved and math.dist(at, self._from) < 3):
            return
        self._moved = True
        start, now = self._to_clip(clip, self._from), self._to_clip(clip, at)
        if self.doing == "move":
            dx, dy = now[0] - start[0], now[1] - start[1]
            if shape.box:
                dx, dy = round(dx), round(dy)
            geometry = shapes.moved(shape.kind, shape.geometry, dx, dy)
        else:
            geometry = shapes.corner_moved(shape.kind, shape.geometry, self._corner, now)
        alone = bool(event.modifiers() & Qt.KeyboardModifier.AltModifier) or shape.own
        self._put(clip, shape, geometry, alone=alone)
        del stage

    def _put(self, clip: Clip, shape: Shape, geometry: tuple[float, ...], *, alone: bool) -> None:
        """Write a geometry given in clip px back: into the clip's own place, or carried to the reference."""
        document = self.pane.stage.document
        item: Item | None = self.pane.stage.region or self.pane.stage.note
        if item is None or item.id != shape.item.id:
            return
        own = alone and item in document.session.regions
        placed = geometry if own else carried_back(shape.kind, geometry, clip)
        name = getattr(item, "name", "") or getattr(item, "text", "")
        document.edit(
            shapes.put_geometry(document.session, item, placed, clip if own else None),
            tr("Move {name}", name=name).strip(),
            merge=f"move {item.id}",
        )

    def _hover(self, at: tuple[float, float]) -> None:
        pane, clip = self.pane, self._clip(at[0])
        if clip is None or at[1] > pane.picture_rect.bottom():
            pane.wall.set_lens(None)
            pane.setCursor(Qt.CursorShape.ArrowCursor)
            return
        if self._near_split(at[0]):
            pane.setCursor(Qt.CursorShape.SplitHCursor)
        elif pane.stage.tool != "select":
            pane.setCursor(Qt.CursorShape.CrossCursor)
        else:
            pane.setCursor(Qt.CursorShape.ArrowCursor)
        x, y = self._to_clip(clip, at)
        pane.wall.read_pixel(clip, math.floor(x + 0.5), math.floor(y + 0.5))
        if pane.stage.magnifier:
            size = pane.picture_rect
            pane.wall.set_lens(apply(invert(pane.stage.view.to_screen(size.width(), size.height())), *at))

    def release(self, event: QMouseEvent) -> None:
        """End what was begun."""
        at = self._at(event)
        doing, self.doing = self.doing, ""
        if doing == "draw":
            clip = self._clip(self._from[0])
            if clip is not None:
                self.pane.wall.draw(
                    clip, self._to_clip(clip, self._from), self._to_clip(clip, at), dragged=math.dist(at, self._from) >= 4
                )
        self._shape = None
        self.pane.update()

    def double_click(self, event: QMouseEvent) -> None:
        """Rename what is under the pointer, or show the whole field."""
        clip = self._clip(event.position().x())
        if clip is None or self.pane.stage.tool != "select":
            return
        if self._pick(clip, self._at(event)) is not None:
            self.doing = ""
            self.pane.wall.rename_wanted.emit()
        else:
            self.pane.wall.fit()

    def wheel(self, event: QWheelEvent) -> None:
        """Zoom about the pointer."""
        rect = self.pane.picture_rect
        if event.position().y() > rect.bottom():
            return
        steps = event.angleDelta().y() / 120.0
        at = (event.position().x(), event.position().y())
        view = self.pane.stage.view.zoomed(1.25**steps, at, (rect.width(), rect.height()))
        self.pane.stage.set_view(view)
        event.accept()

    def leave(self) -> None:
        """The pointer left the pane."""
        self.pane.wall.set_lens(None)
        self.pane.wall.read_pixel(None, 0, 0)

    # --- keys ---

    def wants(self, event: QKeyEvent) -> bool:
        """Whether a key that is also an action's shortcut belongs to the selection."""
        if event.key() not in ARROWS or event.modifiers() & Qt.KeyboardModifier.AltModifier:
            return False
        return (self.pane.stage.region or self.pane.stage.note) is not None

    def key(self, event: QKeyEvent) -> bool:
        """Move or size the selection by arrows; drop it by Escape."""
        stage = self.pane.stage
        if event.key() == Qt.Key.Key_Escape and (stage.tool != "select" or stage.chosen.kind in ("region", "note")):
            if stage.tool != "select":
                stage.set_tool("select")
            else:
                stage.choose()
            return True
        if not self.wants(event):
            return False
        clip = self.pane.clips[0] if self.pane.clips else None
        shape = self._chosen(clip) if clip is not None else None
        if clip is None or shape is None:
            return False
        step = 10.0 if event.modifiers() & Qt.KeyboardModifier.ShiftModifier else 1.0
        dx, dy = (step * v for v in ARROWS[Qt.Key(event.key())])
        change = shapes.grown if event.modifiers() & Qt.KeyboardModifier.ControlModifier else shapes.moved
        self._put(clip, shape, change(shape.kind, shape.geometry, dx, dy), alone=shape.own)
        return True

    # --- painting ---

    def paint(self, painter: QPainter) -> None:
        """Paint the rubber band."""
        if self.doing != "draw":
            return
        form = shapes.TOOLS.get(self.pane.stage.tool, ("", ""))[1]
        painter.save()
        for pen in (QPen(Qt.GlobalColor.black, 3), QPen(overlay.ink(), 1, Qt.PenStyle.DashLine)):
            painter.setPen(pen)
            a, b = QPointF(*self._from), QPointF(*self._now)
            if form in shapes.LINES:
                painter.drawLine(a, b)
            elif form == "ellipse":
                painter.drawEllipse(QRectF(a, b).normalized())
            elif form in shapes.BOXES:
                painter.drawRect(QRectF(a, b).normalized())
        painter.restore()


def carried_back(kind: str, geometry: tuple[float, ...], clip: Clip) -> tuple[float, ...]:
    """Carry a geometry from a clip's px to the reference clip's; the inverse of `viewer.tasks.carry.carried`."""
    if clip.pose is None:
        return geometry
    if kind in shapes.BOXES:
        x, y, w, h = geometry
        cx, cy = shapes.to_reference(clip, x + 0.5 * (w - 1), y + 0.5 * (h - 1))
        turned = abs(math.sin(math.radians(clip.pose.rotation_deg))) > math.sqrt(0.5)
        if turned:
            w, h = h, w
        w, h = w * clip.pose.scale, h * clip.pose.scale
        return cx - 0.5 * (w - 1), cy - 0.5 * (h - 1), w, h
    points = [shapes.to_reference(clip, geometry[n], geometry[n + 1]) for n in range(0, len(geometry), 2)]
    return tuple(v for point in points for v in point)


__all__ = ["Pointer", "carried_back"]

"""Magnified patches on a pane: those that notes ask for, and the linked magnifier beside the pointer."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from PySide6.QtCore import QRectF
from PySide6.QtGui import QImage, QPainter

from viewer.app.model.geometry import apply, scale_of
from viewer.app.views import overlay
from viewer.app.views.parts import to_image
from viewer.session.model import Clip, Note

if TYPE_CHECKING:
    from viewer.app.views.pane import PaneView


class Insets:
    """The patches of one pane."""

    def __init__(self, pane: PaneView) -> None:
        self._pane = pane

    def _patch(self, clip: Clip, key: str) -> QImage | None:
        held = self._pane.images.get(clip.id)
        if held is None or key not in held[0].insets:
            return None
        return to_image(held[0].insets[key])

    def paint_note(self, painter: QPainter, clip: Clip, note: Note, points: overlay.Points) -> None:
        """Magnify a patch; of a split line and of clips laid over each other in both, each on its side.

        Not over a difference, which it would hide.
        """
        rect = self._pane.picture_rect
        if self._pane.stage.look == "difference" and len(self._pane.clips) == 2:
            return
        cx, cy = sum(p[0] for p in points) / 4, sum(p[1] for p in points) / 4
        low = cy < rect.height() / 2
        if self._pane.stage.look in ("split", "over") and len(self._pane.clips) == 2:
            step = self.step(note, 0.25)
            for n, other in enumerate(self._pane.clips):
                self._paint(painter, other, note.id, step, points, left=n == 0, low=low)
        else:
            step = self.step(note, 0.45)
            self._paint(painter, clip, note.id, step, points, left=cx >= rect.width() / 2, low=low)

    def step(self, note: Note, share: float) -> float:
        """Return how large a clip's pixel is drawn: by the reference clip, so that all panes magnify alike."""
        ratio = self._pane.devicePixelRatioF()
        reference = self._pane.stage.reference or self._pane.clips[0]
        step = max(1, round(float(note.settings.get("factor", 4)))) * max(
            1, round(scale_of(self._pane.matrix(reference)) * ratio)
        )
        room = math.floor(share * self._pane.picture_rect.width() / max(1.0, note.geometry[2]) * ratio)
        return max(1, min(step, room)) / ratio

    def _paint(
        self, painter: QPainter, clip: Clip, key: str, step: float, points: overlay.Points, *, left: bool, low: bool
    ) -> None:
        image = self._patch(clip, key)
        if image is None:
            return
        rect = self._pane.picture_rect
        w, h = image.width() * step, image.height() * step
        x = 12.0 if left else rect.right() - w - 12
        y = rect.bottom() - h - 12 if low else 12.0
        overlay.paint_patch(painter, image, QRectF(round(x), round(y), w, h), points)

    def paint_lens(self, painter: QPainter, clip: Clip) -> None:
        """Magnify what lies under the pointer, beside it."""
        if not self._pane.stage.magnifier or self._pane.wall.lens_deg is None:
            return
        image = self._patch(clip, "lens")
        if image is None:
            return
        x, y = apply(
            self._pane.stage.view.to_screen(self._pane.picture_rect.width(), self._pane.picture_rect.height()),
            *self._pane.wall.lens_deg,
        )
        side = 32 * 5.0
        rect = self._pane.picture_rect
        left = x + 24 if x + 24 + side < rect.right() else x - 24 - side
        top = y + 24 if y + 24 + side < rect.bottom() else y - 24 - side
        overlay.paint_patch(painter, image, QRectF(round(left), round(top), side, side))


__all__ = ["Insets"]

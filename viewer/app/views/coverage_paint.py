"""How the coverage is painted: names of scenes, cells with thumbnails and marks, column heads."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from PySide6.QtCore import QModelIndex, QPersistentModelIndex, QPoint, QRect, QRectF, QSize, Qt
from PySide6.QtGui import QColor, QFontMetricsF, QImage, QPainter, QPen
from PySide6.QtWidgets import QHeaderView, QStyle, QStyledItemDelegate, QStyleOptionViewItem

from viewer.app import icons
from viewer.app.i18n import tr
from viewer.app.model.coverage import KIND_NAMES, Cell
from viewer.app.model.render import reddened
from viewer.app.theme import color, figures, px, state_color, theme, words
from viewer.app.views.parts import elided, paint_marker, to_image
from viewer.app.views.wrapped import lay_out, text_height

if TYPE_CHECKING:
    from viewer.app.views.coverage import CoverageView

Index = QModelIndex | QPersistentModelIndex
HEAD_HEIGHT = 32
GAP = 4  # each side of a cell
EDGE = 12  # left and right of the table: cells begin where names do
MARKER = 18  # room for a device's marker


class CellDelegate(QStyledItemDelegate):
    """Paints a scene's name, or a cell with its thumbnail and marks."""

    def __init__(self, view: CoverageView) -> None:
        super().__init__(view)
        self._view = view
        self._images: dict[tuple[str, int], QImage] = {}

    def theme_changed(self) -> None:
        """Dress again."""
        self._images.clear()
        self._view.head.fit()

    def forget(self, clip_id: str) -> None:
        """Drop the images of a clip."""
        for key in [key for key in self._images if key[0] == clip_id]:
            del self._images[key]

    def image(self, clip_id: str, number: int) -> QImage | None:
        """Return one thumbnail."""
        pictures = self._view.thumbs.pictures.get(clip_id)
        if not pictures:
            return None
        number = min(number, len(pictures) - 1)
        if (clip_id, number) not in self._images:
            picture = reddened(pictures[number]) if theme().red else pictures[number]
            self._images[clip_id, number] = to_image(picture)
        return self._images[clip_id, number]

    def sizeHint(self, option: QStyleOptionViewItem, index: Index) -> QSize:
        return QSize(64, px(HEAD_HEIGHT) if index.row() % 2 == 0 else self._view.cell_height())

    def paint(self, painter: QPainter, option: QStyleOptionViewItem, index: Index) -> None:
        model = self._view.grid
        painter.save()
        cell = model.cell(index)
        chosen = model.scene_of(index) == self._view.stage.scene_id
        rect: QRect = option.rect
        focus = bool(option.state & QStyle.StateFlag.State_HasFocus)
        if cell is None:
            self._paint_scene(painter, rect, index, chosen=chosen, focus=focus)
        else:
            self._paint_cell(painter, rect, cell, focus=focus)
        painter.restore()

    def _paint_scene(self, painter: QPainter, rect: QRect, index: Index, *, chosen: bool, focus: bool) -> None:
        model = self._view.grid
        if index.row():
            painter.setPen(color("hairline"))
            painter.drawLine(rect.left(), rect.top(), rect.right(), rect.top())
        if model.session is None:
            return
        scene = model.session.scene(model.scenes[index.row() // 2])
        if chosen:
            painter.fillRect(QRect(rect.left(), rect.top() + 8, 3, rect.height() - 14), color("text"))
        painter.setPen(color("text"))
        painter.setFont(words(13, strong=chosen))
        body = QRectF(rect).adjusted(EDGE, 2, -8, 0)
        width = min(body.width(), painter.fontMetrics().horizontalAdvance(scene.name) + 8)
        elided(painter, QRectF(body.left(), body.top(), width, body.height()), scene.name)
        painter.setPen(color("quiet"))
        painter.setFont(words(11))
        rest = QRectF(body.left() + width, body.top() + 1, body.width() - width, body.height())
        if rest.width() > 24:
            elided(painter, rest, tr(KIND_NAMES[scene.kind]))
        if focus:
            painter.setPen(QPen(color("focus"), 2))
            painter.drawRoundedRect(QRectF(rect).adjusted(2, 2, -2, -2), 4, 4)

    def _paint_cell(self, painter: QPainter, rect: QRect, cell: Cell, *, focus: bool) -> None:
        view = self._view
        left, width = view.cell_span(view.grid.columns.index(cell.device) if cell.device in view.grid.columns else 0)
        box = QRectF(left, rect.top(), width, rect.height() - 8)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        on_wall = [clip.id for clip in cell.clips if clip.id in view.stage.clip_ids]
        if not cell.clips:
            painter.setPen(QPen(color("strong"), 1, Qt.PenStyle.DashLine))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawRoundedRect(box.adjusted(0.5, 0.5, -0.5, -0.5), 4, 4)
            icons.paint(painter, "plus", box.center().x() - 8, box.center().y() - 8, 16, "quiet")
        else:
            clip_id = on_wall[0] if on_wall else cell.clips[0].id
            number = view.scrub[1] if view.scrub[0] == (cell.scene, cell.device) else 0
            image = self.image(clip_id, number)
            painter.fillRect(box, color("surround"))
            if image is not None:
                painter.setRenderHint(QPainter.RenderHint.SmoothPixmapTransform)
                side = box.width() / box.height()
                w, h = image.width(), image.height()
                crop = (
                    QRectF(0, (h - w / side) / 2, w, w / side) if w / h < side else QRectF((w - h * side) / 2, 0, h * side, h)
                )
                painter.drawImage(box, image, crop)
            elif cell.trouble:
                painter.drawPixmap(
                    QPoint(int(box.center().x()) - 8, int(box.center().y()) - 8),
                    icons.tinted("triangle-alert", state_color("trouble"), 16, painter.device().devicePixelRatio()),
                )
            else:
                painter.setPen(color("quiet"))
                painter.setFont(words(11))
                painter.drawText(box, int(Qt.AlignmentFlag.AlignCenter), tr("loading"))
            self._paint_marks(painter, box, cell)
        if on_wall or focus:
            painter.setPen(QPen(color("focus" if focus else "text"), 2 if focus else 1))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawRoundedRect(box.adjusted(0.5, 0.5, -0.5, -0.5), 3, 3)

    def _paint_marks(self, painter: QPainter, box: QRectF, cell: Cell) -> None:
        ground = QColor(0, 0, 0, 170)
        if len(cell.clips) > 1:
            painter.setFont(figures(10))
            text = f"×{len(cell.clips)}"
            width = painter.fontMetrics().horizontalAdvance(text) + 8
            corner = QRectF(box.right() - width, box.top(), width, px(16))
            painter.fillRect(corner, ground)
            painter.setPen(color("text") if theme().red else QColor("#ececec"))
            painter.drawText(corner, int(Qt.AlignmentFlag.AlignCenter), text)
        names = []
        if cell.trouble:
            names.append("triangle-alert")
        if cell.lined_up:
            names.append("link")
        if cell.out_of_date:
            names.append("clock")
        elif cell.measured:
            names.append("check")
        if cell.reference:
            names.append("crosshair")
        if not names:
            return
        step = min(16.0, (box.width() - 4) / len(names))  # four marks in a narrow cell stand closer
        strip = QRectF(box.left(), box.bottom() - 16, step * len(names) + 4, 16)
        painter.fillRect(strip, ground)
        scale = painter.device().devicePixelRatio()
        for n, name in enumerate(names):
            shade = state_color("trouble") if name == "triangle-alert" else QColor("#ececec")
            if theme().red:
                shade = color("text")
            painter.drawPixmap(
                QRectF(strip.left() + 3 + step * n, strip.top() + 2, 12, 12),
                icons.pixmap(name, shade.name(), 12, scale),
                QRectF(0, 0, 12 * scale, 12 * scale),
            )


class DeviceHeader(QHeaderView):
    """Column heads with the device's marker: beside the name where all names fit, else above it, the name in several lines."""

    def __init__(self, view: CoverageView) -> None:
        super().__init__(Qt.Orientation.Horizontal, view)
        self._view = view
        self._stacked = False
        self.setSectionResizeMode(QHeaderView.ResizeMode.Stretch)
        self.setSectionsClickable(True)
        self.setMinimumSectionSize(48)
        self.setStyleSheet("padding: 0px")  # columns of the head are those of the table
        self.fit()

    def _name(self, logical: int) -> str:
        return str(self._view.grid.headerData(logical, Qt.Orientation.Horizontal) or "")

    def fit(self) -> None:
        """Grow to the height that the names need in columns of this width."""
        metrics = QFontMetricsF(words(11))
        tall, lone = 0.0, 0.0
        self._stacked = False
        for column, ident in enumerate(self._view.grid.columns):
            name, width = self._name(column), self._view.cell_span(column)[1]
            self._stacked |= bool(ident) and metrics.horizontalAdvance(name) > width - MARKER
            tall = max(tall, text_height(name, words(11), width) + (MARKER + 2 if ident else 0) + 6)
            lone = max(lone, 0.0 if ident else text_height(name, words(11), width) + 6)
        height = max(px(HEAD_HEIGHT), math.ceil(tall if self._stacked else lone))
        if height != self.height():
            self.setFixedHeight(height)

    def paintSection(self, painter: QPainter, rect: QRect, logical: int) -> None:
        model = self._view.grid
        painter.save()
        ident = model.columns[logical] if logical < len(model.columns) else ""
        left, width = self._view.cell_span(logical)
        # Cells stand a little right of their sections: nothing of the one before may be painted over.
        ground = QRectF(left if logical else rect.left(), rect.top(), rect.right() + EDGE - left, rect.height())
        painter.fillRect(ground, color("panel"))
        painter.setPen(color("hairline"))
        painter.drawLine(rect.left(), rect.bottom(), rect.right(), rect.bottom())
        body = QRectF(left, rect.top(), width, rect.height())
        if ident:
            beside = rect.center().y() + 0.5
            paint_marker(painter, model.styles.get(ident), left + 6, 12.0 if self._stacked else beside, 4.5)
            body.adjust(0 if self._stacked else MARKER, MARKER + 2 if self._stacked else 0, 0, 0)
        painter.setPen(color("text" if ident else "quiet"))
        painter.setFont(words(11))
        if self._stacked or not ident:
            if not self._stacked:
                body.adjust(0, (rect.height() - text_height(self._name(logical), words(11), width)) / 2, 0, 0)
            lay_out(self._name(logical), words(11), width)[0].draw(painter, body.topLeft())
        else:
            elided(painter, body, self._name(logical))
        painter.restore()


__all__ = ["EDGE", "GAP", "HEAD_HEIGHT", "CellDelegate", "DeviceHeader"]

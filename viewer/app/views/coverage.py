"""The coverage: scenes down, devices across, thumbnails in the cells."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from PySide6.QtCore import (
    QAbstractTableModel,
    QEvent,
    QModelIndex,
    QObject,
    QPersistentModelIndex,
    QPoint,
    QRect,
    QRectF,
    QSize,
    Qt,
    Signal,
)
from PySide6.QtGui import QColor, QDragEnterEvent, QDragMoveEvent, QDropEvent, QImage, QMouseEvent, QPainter, QPen
from PySide6.QtWidgets import (
    QAbstractItemView,
    QHeaderView,
    QStyle,
    QStyledItemDelegate,
    QStyleOptionViewItem,
    QTableView,
)

from viewer.app import icons
from viewer.app.i18n import tr
from viewer.app.model.coverage import KIND_NAMES, OTHERS, Cell, cells, columns
from viewer.app.model.render import reddened
from viewer.app.model.stage import Stage
from viewer.app.model.thumbs import Thumbs
from viewer.app.theme import color, figures, px, state_color, theme, words
from viewer.app.views.parts import elided, paint_marker, styles_of, to_image
from viewer.publish.palette import DeviceStyle
from viewer.session.model import Session

Index = QModelIndex | QPersistentModelIndex
HEAD_HEIGHT = 32


class CoverageModel(QAbstractTableModel):
    """Two rows for each scene: its name across, then its cells."""

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.session: Session | None = None
        self.columns: list[str] = []
        self.cells: dict[tuple[str, str], Cell] = {}
        self.scenes: list[str] = []
        self.styles: dict[str, DeviceStyle] = {}

    def show(self, session: Session, found: dict[tuple[str, str], Cell]) -> bool:
        """Show this state; return whether rows or columns changed."""
        across, down = columns(session) or [OTHERS], [scene.id for scene in session.scenes]
        reshaped = across != self.columns or down != self.scenes or self.session is None
        if reshaped:
            self.beginResetModel()
        self.session, self.cells, self.columns, self.scenes = session, found, across, down
        self.styles = styles_of(session)
        if reshaped:
            self.endResetModel()
        else:
            self.dataChanged.emit(self.index(0, 0), self.index(max(0, self.rowCount() - 1), max(0, self.columnCount() - 1)))
            self.headerDataChanged.emit(Qt.Orientation.Horizontal, 0, max(0, self.columnCount() - 1))
        return reshaped

    def rowCount(self, parent: Index = QModelIndex()) -> int:  # noqa: B008
        return 0 if parent.isValid() else 2 * len(self.scenes)

    def columnCount(self, parent: Index = QModelIndex()) -> int:  # noqa: B008
        return 0 if parent.isValid() else len(self.columns)

    def cell(self, index: Index) -> Cell | None:
        """Return the cell at an index, or None on a scene's name."""
        if not index.isValid() or index.row() % 2 == 0:
            return None
        return self.cells.get((self.scenes[index.row() // 2], self.columns[index.column()]))

    def scene_of(self, index: Index) -> str | None:
        """Return the scene that an index belongs to."""
        return self.scenes[index.row() // 2] if index.isValid() and index.row() // 2 < len(self.scenes) else None

    def data(self, index: Index, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        if self.session is None or not index.isValid():
            return None
        cell = self.cell(index)
        if cell is None:
            scene = self.session.scene(self.scenes[index.row() // 2])
            if role == Qt.ItemDataRole.DisplayRole:
                return scene.name
            if role == Qt.ItemDataRole.AccessibleTextRole:
                return tr("Scene {name}, {kind}", name=scene.name, kind=tr(KIND_NAMES[scene.kind]))
            if role == Qt.ItemDataRole.ToolTipRole:
                return tr("Scene {name}, {kind}", name=scene.name, kind=tr(KIND_NAMES[scene.kind]))
            return None
        if role in (Qt.ItemDataRole.ToolTipRole, Qt.ItemDataRole.AccessibleTextRole):
            return cell.words(self.session)
        return None

    def headerData(self, section: int, orientation: Qt.Orientation, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        if orientation != Qt.Orientation.Horizontal or self.session is None or section >= len(self.columns):
            return None
        ident = self.columns[section]
        if role in (Qt.ItemDataRole.DisplayRole, Qt.ItemDataRole.ToolTipRole, Qt.ItemDataRole.AccessibleTextRole):
            if not ident:
                return tr("No device")
            device = self.session.device(ident)
            return device.name + (f" ({tr('control')})" if device.control and role != Qt.ItemDataRole.DisplayRole else "")
        return None

    def flags(self, index: Index) -> Qt.ItemFlag:
        return Qt.ItemFlag.ItemIsEnabled | Qt.ItemFlag.ItemIsSelectable | Qt.ItemFlag.ItemIsDropEnabled


class CellDelegate(QStyledItemDelegate):
    """Paints a scene's name, or a cell with its thumbnail and marks."""

    def __init__(self, view: CoverageView) -> None:
        super().__init__(view)
        self._view = view
        self._images: dict[tuple[str, int], QImage] = {}

    def theme_changed(self) -> None:
        """Dress again."""
        self._images.clear()

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
        painter.fillRect(rect, color("panel"))
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
        body = QRectF(rect).adjusted(12, 2, -8, 0)
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
        box = QRectF(rect).adjusted(4, 0, -4, -8)
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
    """Column heads with the device's marker."""

    def __init__(self, view: CoverageView) -> None:
        super().__init__(Qt.Orientation.Horizontal, view)
        self._view = view
        self.setSectionResizeMode(QHeaderView.ResizeMode.Stretch)
        self.setSectionsClickable(True)
        self.setFixedHeight(px(32))
        self.setMinimumSectionSize(48)

    def paintSection(self, painter: QPainter, rect: QRect, logical: int) -> None:
        model = self._view.grid
        painter.save()
        painter.fillRect(rect, color("panel"))
        painter.setPen(color("hairline"))
        painter.drawLine(rect.left(), rect.bottom(), rect.right(), rect.bottom())
        ident = model.columns[logical] if logical < len(model.columns) else ""
        left = rect.left() + 4.0
        if ident:
            paint_marker(painter, model.styles.get(ident), left + 7, rect.center().y() + 0.5, 4.5)
            left += 18
        painter.setPen(color("text" if ident else "quiet"))
        painter.setFont(words(11))
        elided(
            painter,
            QRectF(left, rect.top(), rect.right() - left - 2, rect.height()),
            str(model.headerData(logical, Qt.Orientation.Horizontal) or ""),
        )
        painter.restore()


class CoverageView(QTableView):
    """The grid.  Emits what the user asks for; the window answers."""

    scene_wanted = Signal(str)
    clip_wanted = Signal(str)
    add_wanted = Signal(str, str)  # scene, device
    dropped = Signal(list, str, str)  # paths, scene, device
    device_wanted = Signal(str)
    menu_wanted = Signal(QPoint, str, str)  # place, scene, device

    def __init__(self, stage: Stage, thumbs: Thumbs) -> None:
        super().__init__()
        self.stage, self.thumbs = stage, thumbs
        self.scrub: tuple[tuple[str, str], int] = (("", ""), 0)
        self.out_of_date: Callable[[], set[str]] = set
        self.grid = CoverageModel(self)
        self.setModel(self.grid)
        self.delegate = CellDelegate(self)
        self.setItemDelegate(self.delegate)
        self.setHorizontalHeader(DeviceHeader(self))
        self.horizontalHeader().sectionClicked.connect(self._head_clicked)
        self.verticalHeader().hide()
        self.setShowGrid(False)
        self.setSelectionMode(QAbstractItemView.SelectionMode.NoSelection)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setVerticalScrollMode(QAbstractItemView.ScrollMode.ScrollPerPixel)
        self.setAcceptDrops(True)
        self.setMouseTracking(True)
        self.setTabKeyNavigation(False)
        self.setAccessibleName(tr("Coverage: scenes down, devices across"))
        self.setContextMenuPolicy(Qt.ContextMenuPolicy.CustomContextMenu)
        self.customContextMenuRequested.connect(self._menu)
        self.clicked.connect(self._clicked)
        self.activated.connect(self._clicked)
        stage.document.changed.connect(lambda *_: self.refresh())
        for signal in (stage.scene_changed, stage.clips_changed, stage.trouble_changed):
            signal.connect(self.refresh)
        thumbs.ready.connect(self._thumb_ready)
        self.refresh()

    def cell_height(self) -> int:
        """Return the height of a row of cells: thumbnails are 16:9."""
        count = max(1, len(self.grid.columns))
        return max(40, round((self.viewport().width() / count - 8) * 9 / 16)) + 8

    def refresh(self) -> None:
        """Show the session as it is now."""
        session = self.stage.session
        found = cells(session, trouble=self.stage.trouble, out_of_date=self.out_of_date())
        reshaped = self.grid.show(session, found)
        if reshaped:
            self._shape()
        self.viewport().update()
        self.horizontalHeader().viewport().update()

    def _shape(self) -> None:
        self.clearSpans()
        across = max(1, len(self.grid.columns))
        for n in range(len(self.grid.scenes)):
            if across > 1:
                self.setSpan(2 * n, 0, 1, across)
            self.setRowHeight(2 * n, px(HEAD_HEIGHT))
            self.setRowHeight(2 * n + 1, self.cell_height())

    def resizeEvent(self, event: Any) -> None:
        super().resizeEvent(event)
        for n in range(len(self.grid.scenes)):
            self.setRowHeight(2 * n + 1, self.cell_height())

    def _thumb_ready(self, clip_id: str) -> None:
        self.delegate.forget(clip_id)
        self.viewport().update()

    def _head_clicked(self, section: int) -> None:
        if section < len(self.grid.columns) and self.grid.columns[section]:
            self.device_wanted.emit(self.grid.columns[section])

    def _clicked(self, index: QModelIndex) -> None:
        scene, cell = self.grid.scene_of(index), self.grid.cell(index)
        if scene is None:
            return
        if cell is None:
            self.scene_wanted.emit(scene)
        elif not cell.clips:
            self.add_wanted.emit(scene, cell.device)
        else:
            shown = [clip for clip in cell.clips if clip.id in self.stage.clip_ids]
            if shown and len(cell.clips) > 1 and self.stage.chosen.id == shown[0].id:
                # A second click on the same cell goes on to the next take.
                nth = cell.clips.index(shown[0])
                self.clip_wanted.emit(cell.clips[(nth + 1) % len(cell.clips)].id)
            else:
                self.clip_wanted.emit((shown or list(cell.clips))[0].id)

    def _menu(self, at: QPoint) -> None:
        index = self.indexAt(at)
        scene, cell = self.grid.scene_of(index), self.grid.cell(index)
        self.menu_wanted.emit(self.viewport().mapToGlobal(at), scene or "", cell.device if cell else "")

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        """Scrub through the first seconds of the clip under the pointer."""
        index = self.indexAt(event.position().toPoint())
        cell = self.grid.cell(index)
        before = self.scrub
        if cell is not None and cell.clips:
            rect = self.visualRect(index)
            share = (event.position().x() - rect.left()) / max(1, rect.width())
            pictures = self.thumbs.pictures.get(cell.clips[0].id, [])
            self.scrub = ((cell.scene, cell.device), max(0, min(len(pictures) - 1, int(share * len(pictures)))))
        else:
            self.scrub = (("", ""), 0)
        if before != self.scrub:
            self.viewport().update()
        super().mouseMoveEvent(event)

    def leaveEvent(self, event: QEvent) -> None:
        self.scrub = (("", ""), 0)
        self.viewport().update()
        super().leaveEvent(event)

    # --- dropping ---

    def dragEnterEvent(self, event: QDragEnterEvent) -> None:
        if event.mimeData().hasUrls():
            event.acceptProposedAction()

    def dragMoveEvent(self, event: QDragMoveEvent) -> None:
        if event.mimeData().hasUrls():
            index = self.indexAt(event.position().toPoint())
            if index.isValid():
                self.setCurrentIndex(index)
            event.acceptProposedAction()

    def dropEvent(self, event: QDropEvent) -> None:
        paths = local_paths(event.mimeData().urls())
        if not paths:
            return
        index = self.indexAt(event.position().toPoint())
        scene, cell = self.grid.scene_of(index), self.grid.cell(index)
        event.acceptProposedAction()
        self.dropped.emit(paths, scene or "", cell.device if cell else "")


def local_paths(urls: list[Any]) -> list[Path]:
    """Return the local files among dropped addresses."""
    return [Path(url.toLocalFile()) for url in urls if url.isLocalFile()]


__all__ = ["CoverageModel", "CoverageView", "local_paths"]

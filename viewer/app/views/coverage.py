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
    Qt,
    Signal,
)
from PySide6.QtGui import (
    QDragEnterEvent,
    QDragMoveEvent,
    QDropEvent,
    QMouseEvent,
)
from PySide6.QtWidgets import (
    QAbstractItemView,
    QTableView,
)

from viewer.app.i18n import tr
from viewer.app.model.coverage import KIND_NAMES, OTHERS, Cell, cells, columns
from viewer.app.model.stage import Stage
from viewer.app.model.thumbs import Thumbs
from viewer.app.theme import px
from viewer.app.views.coverage_paint import EDGE, GAP, HEAD_HEIGHT, CellDelegate, DeviceHeader
from viewer.app.views.parts import styles_of
from viewer.publish.palette import DeviceStyle
from viewer.session.model import Session

Index = QModelIndex | QPersistentModelIndex


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
        self.head = DeviceHeader(self)
        self.setHorizontalHeader(self.head)
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

    def cell_span(self, column: int) -> tuple[float, float]:
        """Return where a cell of a column begins and how wide it is (px)."""
        step = (self.viewport().width() - 2 * EDGE + 2 * GAP) / max(1, len(self.grid.columns))
        return EDGE + column * step, max(8.0, step - 2 * GAP)

    def cell_height(self) -> int:
        """Return the height of a row of cells: thumbnails are 16:9."""
        return max(40, round(self.cell_span(0)[1] * 9 / 16)) + 8

    def refresh(self) -> None:
        """Show the session as it is now."""
        session = self.stage.session
        found = cells(session, trouble=self.stage.trouble, out_of_date=self.out_of_date())
        reshaped = self.grid.show(session, found)
        if reshaped:
            self._shape()
        self.head.fit()
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
        self.head.fit()
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

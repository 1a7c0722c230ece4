"""The readings: a table of regions by devices, plots with their tables, scopes of the picture."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from PySide6.QtCore import (
    QAbstractTableModel,
    QModelIndex,
    QObject,
    QPersistentModelIndex,
    QPointF,
    QRect,
    QRectF,
    QSize,
    Qt,
    QTimer,
    Signal,
)
from PySide6.QtGui import QKeyEvent, QPainter, QPen, QTextLayout, QTextOption
from PySide6.QtWidgets import (
    QAbstractItemView,
    QComboBox,
    QHeaderView,
    QLineEdit,
    QStackedWidget,
    QStyle,
    QStyledItemDelegate,
    QStyleOptionViewItem,
    QTableView,
    QTabWidget,
    QWidget,
)

from viewer.app.i18n import mark, number, tr
from viewer.app.model import table
from viewer.app.model.glossary import tip_of
from viewer.app.model.stage import Stage
from viewer.app.model.table import TableRow
from viewer.app.theme import color, figures, px, words
from viewer.app.views.parts import Empty, button, column, elided, paint_marker, row, styles_of
from viewer.session.model import Clip, StoredReading

if TYPE_CHECKING:
    from viewer.app.window import MainWindow

Index = QModelIndex | QPersistentModelIndex
SORTS = {
    "request": mark("In order"),
    "name": mark("By name"),
    "refused": mark("Refused first"),
    "differs": mark("Differences first"),
}


class ReadingsModel(QAbstractTableModel):
    """Three kinds of lines for each reading: its title, its values, its verdict (title and verdict run across)."""

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.rows: list[TableRow] = []
        self.clips: tuple[Clip, ...] = ()
        self.heads: list[str] = []
        self.lines: list[tuple[str, TableRow]] = []

    def show(self, rows: list[TableRow], clips: tuple[Clip, ...], heads: list[str]) -> None:
        """Show these rows."""
        self.beginResetModel()
        self.rows, self.clips, self.heads = rows, clips, heads
        self.lines = []
        for row_ in rows:
            self.lines.append(("title", row_))
            self.lines.append(("values", row_))
            if row_.verdicts:
                self.lines.append(("verdict", row_))
        self.endResetModel()

    def rowCount(self, parent: Index = QModelIndex()) -> int:  # noqa: B008
        return 0 if parent.isValid() else len(self.lines)

    def columnCount(self, parent: Index = QModelIndex()) -> int:  # noqa: B008
        return 0 if parent.isValid() else max(1, len(self.clips))

    def reading(self, index: Index) -> StoredReading | None:
        """Return the reading in a cell."""
        kind, row_ = self.lines[index.row()]
        return row_.cells[index.column()][1] if kind == "values" and index.column() < len(row_.cells) else None

    def data(self, index: Index, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        if not index.isValid() or index.row() >= len(self.lines):
            return None
        kind, row_ = self.lines[index.row()]
        if role in (Qt.ItemDataRole.DisplayRole, Qt.ItemDataRole.AccessibleTextRole):
            if kind == "title":
                return f"{row_.title} · {row_.where}"
            if kind == "verdict":
                return verdict_words(row_)
            reading = self.reading(index)
            head = f"{self.heads[index.column()]}: " if role == Qt.ItemDataRole.AccessibleTextRole else ""
            return head + cell_words(reading)
        if role == Qt.ItemDataRole.ToolTipRole:
            return self._tip(kind, row_, index)
        return None

    def _tip(self, kind: str, row_: TableRow, index: Index) -> str:
        if kind == "title":
            return tip_of(row_.name)
        reading = self.reading(index)
        if reading is None:
            return ""
        lines = [cell_words(reading)]
        if reading.low is not None and reading.high is not None:
            lines.append(
                tr(
                    "95 % interval {low} … {high}, from {frames} frames",
                    low=number(reading.low),
                    high=number(reading.high),
                    frames=reading.frames,
                )
            )
        if reading.method:
            lines.append(reading.method)
        lines += [f"{word}: {meaning}" for word, meaning in table.flag_hints(reading.flags)]
        return "\n".join(lines)

    def headerData(self, section: int, orientation: Qt.Orientation, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        if orientation == Qt.Orientation.Horizontal and role in (
            Qt.ItemDataRole.DisplayRole,
            Qt.ItemDataRole.AccessibleTextRole,
        ):
            return self.heads[section] if section < len(self.heads) else ""
        return None

    def flags(self, index: Index) -> Qt.ItemFlag:
        return Qt.ItemFlag.ItemIsEnabled | Qt.ItemFlag.ItemIsSelectable


def cell_words(reading: StoredReading | None) -> str:
    """Return a cell as words."""
    if reading is None:
        return tr("not measured")
    if reading.state == "refused" or reading.value is None:
        return reading.reason or tr("refused")
    value, interval, unit = table.digits(reading)
    text = " ".join(part for part in (value, interval, unit) if part)
    if reading.state == "limit":
        text = tr("beyond {value}", value=text) + (f". {reading.reason}" if reading.reason else "")
    return ", ".join([text, *(tr(flag) for flag in reading.flags)])


def verdict_words(row_: TableRow) -> str:
    """Return the verdicts of a row, a sentence each."""
    return "\n\n".join(v.sentence for v in row_.verdicts)


def _lay_out(text: str, font: Any, width: float) -> tuple[QTextLayout, float]:
    layout = QTextLayout(text.replace("\n", "\u2028"), font)
    option = QTextOption()
    option.setWrapMode(QTextOption.WrapMode.WordWrap)
    layout.setTextOption(option)
    layout.beginLayout()
    height = 0.0
    while True:
        line = layout.createLine()
        if not line.isValid():
            break
        line.setLineWidth(max(20.0, width))
        line.setPosition(QPointF(0, height))
        # An empty line parts two sentences: half of its height is enough.
        height += line.height() * (1.12 if line.naturalTextWidth() > 0 else 0.5)
    layout.endLayout()
    return layout, height


class ReadingDelegate(QStyledItemDelegate):
    """Paints titles, values and verdicts."""

    def __init__(self, view: ReadingsTable) -> None:
        super().__init__(view)
        self._view = view

    def _flags(self, reading: StoredReading, *, stale: bool) -> str:
        if reading.state == "limit" and reading.reason:
            return reading.reason
        flags = list(reading.flags) + (["out of date"] if stale and "out of date" not in reading.flags else [])
        return ", ".join(tr(flag) for flag in flags if flag != "within this take")

    def height(self, kind: str, row_: TableRow, width: int) -> int:
        """Return the height of a line of the table."""
        if kind == "title":
            return px(28)
        if kind == "verdict":
            return int(_lay_out(verdict_words(row_), words(12), self._view.viewport().width() - 24)[1]) + px(12)
        need = px(40)
        for clip_id, reading in row_.cells:
            if reading is None:
                continue
            if reading.state == "refused":
                need = max(need, int(_lay_out(reading.reason or "", words(11), width - 16)[1]) + 12)
            else:
                flags = self._flags(reading, stale=reading.id in self._view.stale)
                extra = _lay_out(flags, words(11), width - 16)[1] if flags else 0
                need = max(need, px(42) + int(extra))
            del clip_id
        return need

    def sizeHint(self, option: QStyleOptionViewItem, index: Index) -> QSize:
        kind, row_ = self._view.grid.lines[index.row()]
        return QSize(80, self.height(kind, row_, self._view.columnWidth(index.column())))

    def paint(self, painter: QPainter, option: QStyleOptionViewItem, index: Index) -> None:
        rect: QRect = option.rect
        kind, row_ = self._view.grid.lines[index.row()]
        painter.save()
        painter.fillRect(rect, color("panel"))
        state = option.state
        if kind == "values" and state & QStyle.StateFlag.State_Selected:
            painter.fillRect(rect.adjusted(2, 0, -2, 0), color("fill"))
        if kind == "title":
            self._paint_title(painter, rect, row_, first=index.row() == 0)
        elif kind == "verdict":
            layout, _ = _lay_out(verdict_words(row_), words(12), rect.width() - 24)
            painter.setPen(color("text"))
            layout.draw(painter, QPointF(rect.left() + 12, rect.top() + 2))
        else:
            self._paint_value(painter, rect, self._view.grid.reading(index))
        if state & QStyle.StateFlag.State_HasFocus and kind == "values":
            painter.setRenderHint(QPainter.RenderHint.Antialiasing)
            painter.setPen(QPen(color("focus"), 2))
            painter.drawRoundedRect(QRectF(rect).adjusted(3, 1, -3, -1), 4, 4)
        painter.restore()

    def _paint_title(self, painter: QPainter, rect: QRect, row_: TableRow, *, first: bool) -> None:
        if not first:
            painter.setPen(color("hairline"))
            painter.drawLine(rect.left(), rect.top(), rect.right(), rect.top())
        body = QRectF(rect).adjusted(12, 6, -8, 0)
        painter.setFont(words(13, strong=True))
        painter.setPen(color("text"))
        width = min(body.width(), painter.fontMetrics().horizontalAdvance(row_.title) + 8.0)
        elided(painter, QRectF(body.left(), body.top(), width, body.height()), row_.title)
        painter.setFont(words(11))
        painter.setPen(color("quiet"))
        rest = body.adjusted(width, 1, 0, 0)
        if rest.width() > 24:
            elided(painter, rest, row_.where)

    def _paint_value(self, painter: QPainter, rect: QRect, reading: StoredReading | None) -> None:
        body = QRectF(rect).adjusted(12, 2, -4, -4)
        if reading is None:
            painter.setFont(words(11))
            painter.setPen(color("quiet"))
            painter.drawText(body, int(Qt.AlignmentFlag.AlignTop | Qt.TextFlag.TextWordWrap), tr("not measured"))
            return
        if reading.state == "refused":
            layout, _ = _lay_out(reading.reason or tr("refused"), words(11), body.width())
            painter.setPen(color("quiet"))
            layout.draw(painter, body.topLeft())
            return
        stale = reading.id in self._view.stale
        value, interval, unit = table.digits(reading)
        value = table.bound_sign(reading) + value
        painter.setFont(figures(17))
        painter.setPen(color("quiet" if stale else "text"))
        painter.drawText(QRectF(body.left(), body.top(), body.width(), px(22)), int(Qt.AlignmentFlag.AlignVCenter), value)
        painter.setFont(figures(10.5))
        painter.setPen(color("quiet"))
        painter.drawText(
            QRectF(body.left(), body.top() + px(22), body.width(), px(14)),
            int(Qt.AlignmentFlag.AlignVCenter),
            f"{interval} {unit}".strip(),
        )
        flags = self._flags(reading, stale=stale)
        if flags:
            layout, _ = _lay_out(flags, words(11), body.width())
            layout.draw(painter, QPointF(body.left(), body.top() + px(38)))


class ClipHeader(QHeaderView):
    """Column heads: marker and name of the device."""

    def __init__(self, view: ReadingsTable) -> None:
        super().__init__(Qt.Orientation.Horizontal, view)
        self._view = view
        self.setSectionResizeMode(QHeaderView.ResizeMode.Stretch)
        self.setFixedHeight(px(32))

    def paintSection(self, painter: QPainter, rect: QRect, logical: int) -> None:
        model = self._view.grid
        painter.save()
        painter.fillRect(rect, color("panel"))
        painter.setPen(color("hairline"))
        painter.drawLine(rect.left(), rect.bottom(), rect.right(), rect.bottom())
        if logical < len(model.clips):
            paint_marker(
                painter,
                self._view.styles.get(model.clips[logical].device or ""),
                rect.left() + 18,
                rect.center().y() + 0.5,
                4.5,
            )
            painter.setPen(color("text"))
            painter.setFont(words(12))
            elided(painter, QRectF(rect.left() + 28, rect.top(), rect.width() - 30, rect.height()), model.heads[logical])
        painter.restore()


class ReadingsTable(QTableView):
    """The table itself."""

    wanted = Signal(object, str)  # StoredReading, clip id

    def __init__(self) -> None:
        super().__init__()
        self.grid = ReadingsModel(self)
        self.styles: dict[str, Any] = {}
        self.stale: set[str] = set()
        self.setModel(self.grid)
        self.delegate = ReadingDelegate(self)
        self.setItemDelegate(self.delegate)
        self.setHorizontalHeader(ClipHeader(self))
        self.verticalHeader().hide()
        self.setShowGrid(False)
        self.setWordWrap(False)
        self.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        # Always there: heights follow the width of wrapped text, and a bar that comes and goes would change it.
        self.setVerticalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOn)
        self.setVerticalScrollMode(QAbstractItemView.ScrollMode.ScrollPerPixel)
        self.setTabKeyNavigation(False)
        self.setAccessibleName(tr("Readings: regions down, devices across"))
        self.clicked.connect(self._clicked)
        self.activated.connect(self._clicked)
        self._later = QTimer(self)
        self._later.setSingleShot(True)
        self._later.setInterval(0)
        self._later.timeout.connect(self._heights)
        self.horizontalHeader().sectionResized.connect(lambda *_: self._later.start())

    def show_rows(self, rows: list[TableRow], clips: tuple[Clip, ...], heads: list[str], stale: set[str]) -> None:
        """Show these rows."""
        self.stale = stale
        at = self.currentIndex().row(), self.currentIndex().column()
        scroll = self.verticalScrollBar().value()
        self.grid.show(rows, clips, heads)
        self.clearSpans()
        across = self.grid.columnCount()
        for n, (kind, _) in enumerate(self.grid.lines):
            if kind != "values" and across > 1:
                self.setSpan(n, 0, 1, across)
        self._heights()
        if 0 <= at[0] < self.grid.rowCount():
            self.setCurrentIndex(self.grid.index(at[0], min(at[1], across - 1)))
        self.verticalScrollBar().setValue(scroll)

    def _heights(self) -> None:
        across = range(self.grid.columnCount())
        width = max(40, min((self.columnWidth(c) for c in across), default=40))
        for n, (kind, row_) in enumerate(self.grid.lines):
            self.setRowHeight(n, self.delegate.height(kind, row_, width))

    def resizeEvent(self, event: Any) -> None:
        super().resizeEvent(event)
        self._heights()

    def showEvent(self, event: Any) -> None:
        super().showEvent(event)
        self._heights()

    def _clicked(self, index: QModelIndex) -> None:
        if not index.isValid():
            return
        kind, row_ = self.grid.lines[index.row()]
        if kind != "values":
            return
        clip_id, reading = row_.cells[index.column()]
        if reading is not None:
            self.wanted.emit(reading, clip_id)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter, Qt.Key.Key_Space):
            self._clicked(self.currentIndex())
        else:
            super().keyPressEvent(event)


class ReadingsPanel(QWidget):
    """Table, plots and scopes."""

    reading_wanted = Signal(object, str)

    def __init__(self, window: MainWindow, stage: Stage) -> None:
        super().__init__()
        from viewer.app.views.plots import PlotsPanel
        from viewer.app.views.scopes import ScopesPanel

        self.setObjectName("panel")
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground)
        self.window_, self.stage = window, stage
        self.filter = QLineEdit()
        self.filter.setPlaceholderText(tr("Filter"))
        self.filter.setAccessibleName(tr("Filter the readings"))
        self.filter.setClearButtonEnabled(True)
        self.filter.textChanged.connect(lambda _t: self.refresh())
        self.which = QComboBox()
        self.which.addItem(tr("Main"), True)
        self.which.addItem(tr("All"), False)
        self.which.setAccessibleName(tr("Which readings"))
        self.sort = QComboBox()
        for key, text in SORTS.items():
            self.sort.addItem(tr(text), key)
        self.sort.setAccessibleName(tr("Order"))
        self.which.activated.connect(lambda _n: self.refresh())
        self.sort.activated.connect(lambda _n: self.refresh())
        self.table = ReadingsTable()
        self.table.wanted.connect(self.reading_wanted)
        self.empty = QStackedWidget()
        self.tools = QWidget()
        self.tools.setLayout(row(self.filter, self.which, self.sort, margins=(12, 8, 12, 8)))
        page = QWidget()
        page.setLayout(column(self.tools, self.table, spacing=0))
        self.empty.addWidget(page)
        self._empty_page: QWidget | None = None
        self.plots = PlotsPanel(window, stage)
        self.scopes = ScopesPanel(window, stage)
        self.tabs = QTabWidget()
        self.tabs.setDocumentMode(True)
        self.tabs.tabBar().setDrawBase(False)
        self.tabs.setAccessibleName(tr("Readings"))
        self.tabs.addTab(self.empty, tr("Readings"))
        self.tabs.addTab(self.plots, tr("Plots"))
        self.tabs.addTab(self.scopes, tr("Scopes"))
        self.tabs.currentChanged.connect(lambda _n: window.wall_scopes())
        self.setLayout(column(self.tabs, spacing=0))
        for signal in (stage.clips_changed, stage.scene_changed):
            signal.connect(self.refresh)
        stage.document.changed.connect(lambda *_: self.refresh())
        self.refresh()

    def rows(self) -> list[TableRow]:
        """Return the rows that are shown."""
        if self.stage.scene_id is None or self.stage.scene is None:
            return []
        return table.rows_of(
            self.stage.session,
            self.stage.scene_id,
            self.stage.clips,
            main_only=bool(self.which.currentData()),
            words=self.filter.text(),
            sort=self.sort.currentData(),
        )

    def heads(self) -> list[str]:
        """Return the column heads."""
        return [self.window_.wall.name_of(clip) for clip in self.stage.clips]

    def refresh(self) -> None:
        """Show the session as it is."""
        rows = self.rows()
        self.table.styles = styles_of(self.stage.session)
        self.table.show_rows(rows, self.stage.clips, self.heads(), self.window_.out_of_date())
        scene = self.stage.scene_id
        requests = [q for q in self.stage.session.requests if q.scene == scene]
        made = [r for r in self.stage.session.readings if r.request in {q.id for q in requests}]
        if made:
            self.empty.setCurrentIndex(0)
        else:
            self._show_empty(bool(requests))
        self.plots.refresh()

    def _show_empty(self, asked: bool) -> None:
        if self._empty_page is not None:
            self.empty.removeWidget(self._empty_page)
            self._empty_page.deleteLater()
        run = self.window_.run
        if self.stage.scene is None or not self.stage.clips:
            page: QWidget = Empty(tr("No readings yet"), tr("Numbers appear here once a scene has clips and regions."))
        elif asked:
            page = Empty(
                tr("Not measured yet"),
                tr("The regions are set. Measuring reads every frame they need."),
                (button(tr("Measure"), lambda: run("measure"), main=True),),
            )
        else:
            page = Empty(
                tr("Nothing to measure yet"),
                tr("Draw a region on the wall, then choose what to measure in it."),
                (button(tr("Choose a measure"), lambda: run("add_measure"), main=True),),
            )
        self._empty_page = page
        self.empty.addWidget(page)
        self.empty.setCurrentWidget(page)

    def show_alignment(self, run: Any) -> None:
        """Lining up ended: residuals stand on the lanes, troubles were told."""
        del run
        self.refresh()

    def as_text(self) -> str:
        """Return the table as tab-separated text."""
        rows = self.rows()
        return table.as_text(rows, self.heads()) if rows else ""

    def as_csv(self) -> str:
        """Return every reading of the scene as CSV."""
        scene = self.stage.scene_id
        return table.as_csv(self.stage.session, scene) if scene is not None else ""


__all__ = ["ReadingsPanel", "ReadingsTable", "cell_words", "verdict_words"]

"""The table of readings: for each reading its title, its values device by device, what holds for all, and its verdict."""

from __future__ import annotations

from collections.abc import Container
from typing import Any

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
from PySide6.QtGui import QKeyEvent, QPainter, QPen
from PySide6.QtWidgets import QAbstractItemView, QHeaderView, QStyle, QStyledItemDelegate, QStyleOptionViewItem, QTableView

from viewer.app.i18n import number, tr
from viewer.app.model import table
from viewer.app.model.glossary import tip_of
from viewer.app.model.table import TableRow
from viewer.app.model.verdict_words import typeset
from viewer.app.said import said
from viewer.app.theme import color, figures, px, words
from viewer.app.views.parts import elided, paint_marker
from viewer.app.views.wrapped import lay_out, text_height
from viewer.session.model import Clip, StoredReading

Index = QModelIndex | QPersistentModelIndex


class ReadingsModel(QAbstractTableModel):
    """Lines of each reading: ``title``, ``values`` (or ``refused`` where all are, for one reason), ``common`` (flags of all),
    ``verdict``.  All but the values run across."""

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.rows: list[TableRow] = []
        self.clips: tuple[Clip, ...] = ()
        self.heads: list[str] = []
        self.lines: list[tuple[str, TableRow]] = []
        self.stale: set[str] = set()

    def show(self, rows: list[TableRow], clips: tuple[Clip, ...], heads: list[str]) -> None:
        """Show these rows."""
        self.beginResetModel()
        self.rows, self.clips, self.heads = rows, clips, heads
        self.lines = []
        for row_ in rows:
            self.lines += [(kind, row_) for kind in table.lines_of(row_, self.stale)]
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
            if kind in ("refused", "common", "verdict"):
                return across_words(kind, row_, self.stale)
            reading = self.reading(index)
            head = f"{self.heads[index.column()]}: " if role == Qt.ItemDataRole.AccessibleTextRole else ""
            return head + cell_words(reading)
        if role == Qt.ItemDataRole.ToolTipRole:
            return self._tip(kind, row_, index)
        return None

    def _tip(self, kind: str, row_: TableRow, index: Index) -> str:
        if kind == "title":
            return tip_of(row_.name)
        if kind == "verdict":
            return "\n\n".join(typeset(said(v.sentence)) for v in row_.verdicts)
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
            lines.append(said(reading.method))
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
        return said(reading.reason) or tr("refused")
    value, interval, unit = table.digits(reading)
    text = " ".join(part for part in (value, interval, unit) if part)
    if reading.state == "limit":
        text = tr("beyond {value}", value=text) + (f". {said(reading.reason)}" if reading.reason else "")
    return ", ".join([text, *(tr(flag) for flag in reading.flags)])


def across_words(kind: str, row_: TableRow, stale: Container[str] = ()) -> str:
    """Return a line that runs across: why all were refused, the flags of all, or the verdicts."""
    if kind == "refused":
        return said(table.common_reason(row_))
    if kind == "common":
        return ", ".join(tr(flag) for flag in table.common_flags(row_, stale))
    return verdict_words(row_)


def verdict_words(row_: TableRow) -> str:
    """Return the verdicts of a row, a sentence each."""
    return "\n\n".join(row_.said)


class ReadingDelegate(QStyledItemDelegate):
    """Paints titles, values and verdicts."""

    def __init__(self, view: ReadingsTable) -> None:
        super().__init__(view)
        self._view = view

    def _flags(self, row_: TableRow, reading: StoredReading, *, stale: bool) -> str:
        if reading.state == "limit" and reading.reason:
            return said(reading.reason)
        flags = list(reading.flags) + (["out of date"] if stale and "out of date" not in reading.flags else [])
        above = (*table.common_flags(row_, self._view.stale), "within this take")
        return ", ".join(tr(flag) for flag in flags if flag not in above)

    def height(self, kind: str, row_: TableRow, width: int) -> int:
        """Return the height of a line of the table."""
        if kind == "title":
            return px(28)
        across = sum(self._view.columnWidth(c) for c in range(self._view.grid.columnCount())) - 24
        if kind == "verdict":
            return int(text_height(verdict_words(row_), words(12), across)) + px(12)
        if kind in ("refused", "common"):
            return int(text_height(across_words(kind, row_, self._view.stale), words(11), across)) + px(8)
        need = px(40)
        for clip_id, reading in row_.cells:
            if reading is None:
                continue
            if reading.state == "refused":
                need = max(need, int(text_height(said(reading.reason) or tr("refused"), words(11), width - 16)) + 12)
            else:
                flags = self._flags(row_, reading, stale=reading.id in self._view.stale)
                extra = text_height(flags, words(11), width - 16) if flags else 0.0
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
            layout, _ = lay_out(verdict_words(row_), words(12), rect.width() - 24)
            painter.setPen(color("text"))
            layout.draw(painter, QPointF(rect.left() + 12, rect.top() + 2))
        elif kind in ("refused", "common"):
            layout, _ = lay_out(across_words(kind, row_, self._view.stale), words(11), rect.width() - 24)
            painter.setPen(color("quiet"))
            layout.draw(painter, QPointF(rect.left() + 12, rect.top()))
        else:
            self._paint_value(painter, rect, row_, self._view.grid.reading(index))
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

    def _paint_value(self, painter: QPainter, rect: QRect, row_: TableRow, reading: StoredReading | None) -> None:
        body = QRectF(rect).adjusted(12, 2, -4, -4)
        if reading is None:
            painter.setFont(words(11))
            painter.setPen(color("quiet"))
            painter.drawText(body, int(Qt.AlignmentFlag.AlignTop | Qt.TextFlag.TextWordWrap), tr("not measured"))
            return
        if reading.state == "refused":
            layout, _ = lay_out(said(reading.reason) or tr("refused"), words(11), body.width())
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
        flags = self._flags(row_, reading, stale=stale)
        if flags:
            layout, _ = lay_out(flags, words(11), body.width())
            layout.draw(painter, QPointF(body.left(), body.top() + px(38)))


class ClipHeader(QHeaderView):
    """Column heads: marker and name of the device."""

    def __init__(self, view: ReadingsTable) -> None:
        super().__init__(Qt.Orientation.Horizontal, view)
        self._view = view
        self.setSectionResizeMode(QHeaderView.ResizeMode.Stretch)
        self.setFixedHeight(px(36))

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
            name, dot, rest = model.heads[logical].partition(" · ")
            body = QRectF(rect.left() + 28, rect.top(), rect.width() - 30, rect.height())
            if not dot or painter.fontMetrics().horizontalAdvance(model.heads[logical]) <= body.width():
                elided(painter, body, model.heads[logical])
            else:
                # The take goes below the name rather than be cut off.
                elided(painter, body.adjusted(0, 1, 0, -body.height() / 2), name)
                painter.setFont(words(11))
                painter.setPen(color("quiet"))
                elided(painter, body.adjusted(0, body.height() / 2 - 2, 0, -1), rest)
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
        self.stale = self.grid.stale = stale
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
        if kind not in ("values", "refused"):
            return
        clip_id, reading = row_.cells[index.column()]
        if reading is not None:
            self.wanted.emit(reading, clip_id)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter, Qt.Key.Key_Space):
            self._clicked(self.currentIndex())
        else:
            super().keyPressEvent(event)


__all__ = ["ReadingsModel", "ReadingsTable", "across_words", "cell_words", "verdict_words"]

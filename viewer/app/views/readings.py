"""The readings: a table of regions by devices, plots with their tables, scopes of the picture."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from PySide6.QtCore import Qt, QTimer, Signal
from PySide6.QtGui import QResizeEvent
from PySide6.QtWidgets import QComboBox, QLineEdit, QSplitter, QStackedWidget, QTabWidget, QWidget

from viewer.app.i18n import mark, tr
from viewer.app.model import table
from viewer.app.model.stage import Stage
from viewer.app.model.table import TableRow
from viewer.app.theme import px
from viewer.app.views.parts import Empty, button, column, row, styles_of
from viewer.app.views.readings_table import ReadingsTable, cell_words, verdict_words
from viewer.session.model import StoredReading

if TYPE_CHECKING:
    from viewer.app.window import MainWindow

SORTS = {
    "request": mark("In order"),
    "name": mark("By name"),
    "refused": mark("Refused first"),
    "differs": mark("Differences first"),
}


TALL = 640  # px of height from which plots fit below the table


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
        self.table.wanted.connect(self._wanted)
        self.empty = QStackedWidget()
        self.tools = QWidget()
        self.tools.setLayout(row(self.filter, self.which, self.sort, margins=(12, 8, 12, 8)))
        page = QWidget()
        page.setLayout(column(self.tools, self.table, spacing=0))
        self.empty.addWidget(page)
        self._empty_page: QWidget | None = None
        self.plots = PlotsPanel(window, stage)
        self.scopes = ScopesPanel(window, stage)
        self.tabs, self.below = self._tabs(tr("Readings")), self._tabs(tr("Plots"))
        self.tabs.addTab(self.empty, tr("Readings"))
        self.parts = QSplitter(Qt.Orientation.Vertical)
        self.parts.setHandleWidth(1)
        self.parts.setChildrenCollapsible(False)
        self.parts.addWidget(self.tabs)
        self.parts.addWidget(self.below)
        self.setLayout(column(self.parts, spacing=0))
        self.tall: bool | None = None
        self._again = QTimer(self)
        self._again.setSingleShot(True)
        self._again.setInterval(0)
        self._again.timeout.connect(self._lay_out)
        self._lay_out()
        for signal in (stage.clips_changed, stage.scene_changed):
            signal.connect(self.refresh)
        stage.document.changed.connect(lambda *_: self.refresh())
        self.refresh()

    # --- parts: on a tall screen the plots stand below the table, else behind it ---

    def _tabs(self, name: str) -> QTabWidget:
        made = QTabWidget()
        made.setDocumentMode(True)
        made.tabBar().setDrawBase(False)
        made.setAccessibleName(name)
        made.currentChanged.connect(lambda _n: self.window_.wall_scopes())
        return made

    def _lay_out(self) -> None:
        tall = self.height() >= px(TALL)
        if tall == self.tall:
            return
        self.tall = tall
        shown = self.shown_part()
        host = self.below if tall else self.tabs
        for part, name in ((self.plots, tr("Plots")), (self.scopes, tr("Scopes"))):
            host.addTab(part, name)
        self.below.setVisible(tall)
        if tall:
            self.parts.setSizes([int(0.54 * self.height()), int(0.46 * self.height())])
        if shown is not None:
            self.show_part(shown)

    def shown_part(self) -> QWidget | None:
        """Return which of plots and scopes is shown, or None."""
        for part in (self.plots, self.scopes):
            if self.shows(part):
                return part
        return None

    def shows(self, part: QWidget) -> bool:
        """Whether a part is the one in front of its tabs."""
        return part in (self.tabs.currentWidget(), self.below.currentWidget() if self.tall else None)

    def show_part(self, part: QWidget) -> None:
        """Bring the table, the plots or the scopes to the front."""
        for tabs in (self.tabs, self.below):
            if tabs.indexOf(part) >= 0:
                tabs.setCurrentWidget(part)

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self._again.start()  # widgets do not change their parents within a resize

    # --- content ---

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
            gates=self.window_.standing.gates(),
        )

    def heads(self) -> list[str]:
        """Return the column heads."""
        return [self.window_.wall.name_of(clip) for clip in self.stage.clips]

    def refresh(self) -> None:
        """Show the session as it is."""
        rows = self.rows()
        self.table.styles = styles_of(self.stage.session)
        self.table.show_rows(rows, self.stage.clips, self.heads(), self.window_.standing.out_of_date())
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
        elif self.window_.measuring:
            page = Empty(
                tr("Measuring"),
                tr("Numbers appear request by request. Everything else can be used meanwhile."),
                (button(tr("Stop"), lambda: run("cancel_jobs")),),
            )
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
                (
                    button(tr("Lay out the usual regions"), lambda: run("presets"), main=True),
                    button(tr("Choose a measure"), lambda: run("add_measure")),
                ),
            )
        self._empty_page = page
        self.empty.addWidget(page)
        self.empty.setCurrentWidget(page)

    def measure(self) -> str:
        """Return the measure of the row or the plot that has the focus; empty if none has."""
        at = self.window_.focusWidget()
        if at is self.table:
            index = self.table.currentIndex()
            return self.table.grid.lines[index.row()][1].measure if index.isValid() else ""
        plot = self.plots.plot if at is not None and self.plots.isAncestorOf(at) else None
        request = next((q for q in self.stage.session.requests if plot is not None and q.id == plot.request), None)
        return request.measure if request is not None else ""

    def _wanted(self, reading: StoredReading, clip_id: str) -> None:
        self.plots.choose_for(reading)
        self.reading_wanted.emit(reading, clip_id)

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

"""Plots of what was measured, all devices together; each has its table, and a large window of its own."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QComboBox, QDialog, QStackedWidget, QTableWidget, QTableWidgetItem, QToolButton, QWidget

from viewer.app.i18n import tr
from viewer.app.icons import icon
from viewer.app.model.glossary import MEASURES
from viewer.app.model.plots import Plot, Source, level_plots, plot_for, plots_of
from viewer.app.model.stage import Stage
from viewer.app.theme import figures
from viewer.app.views.parts import Empty, button, column, row, styles_of
from viewer.session.model import StoredReading

if TYPE_CHECKING:
    from viewer.app.window import MainWindow


class PlotsPanel(QWidget):
    """Choose a plot, look at it or at its table."""

    def __init__(self, window: MainWindow, stage: Stage) -> None:
        super().__init__()
        self.window_, self.stage = window, stage
        self.plots: list[Plot] = []
        self._names: list[str] = []
        self.setObjectName("panel")
        self.choice = QComboBox()
        self.choice.setAccessibleName(tr("Plot"))
        self.choice.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
        self.choice.setMinimumContentsLength(12)
        self.choice.activated.connect(lambda _n: self._chosen())
        self.as_table = self._tool("table-2", tr("The same content as a table"))
        self.as_table.setCheckable(True)
        self.as_table.toggled.connect(lambda _on: self._show())
        self.enlarge = self._tool("maximize", tr("This plot in a large window"))
        self.enlarge.clicked.connect(lambda: self.open_large())
        self.bar = QWidget()
        line = row(self.choice, self.as_table, self.enlarge, margins=(12, 8, 12, 4), spacing=4)
        line.setStretchFactor(self.choice, 1)
        self.bar.setLayout(line)
        self.stack = QStackedWidget()
        self.table = table_of_text(tr("Content of the plot"))
        self.stack.addWidget(self.table)
        self._canvas: Any = None
        self._drawn: Plot | None = None
        self._dressed: tuple[Any, ...] = ()
        self._empty: QWidget | None = None
        body = column(self.bar, self.stack, spacing=0)
        body.setStretch(1, 1)
        self.setLayout(body)

    def _tool(self, name: str, tip: str) -> QToolButton:
        made = QToolButton()
        made.setIcon(icon(name))
        made.setToolTip(tip)
        made.setAccessibleName(tip)
        return made

    # --- content ---

    def refresh(self) -> None:
        """Collect what there is to plot in the scene."""
        chosen = self.choice.currentText()
        found = self._collect()
        names = [name for _, name in found]
        same = names == self._names
        self.plots, self._names = [plot for plot, _ in found], names
        if not same:
            self.choice.clear()
            self.choice.addItems(names)
            if chosen in names:
                self.choice.setCurrentIndex(names.index(chosen))
            width = max((self.choice.fontMetrics().horizontalAdvance(name) for name in names), default=0) + 40
            self.choice.view().setMinimumWidth(min(560, width))
        self._show()

    def _collect(self) -> list[tuple[Plot, str]]:
        session, scene, clips = self.stage.session, self.stage.scene, self.stage.clips
        if scene is None:
            return []
        scale = {}
        for clip in clips:
            place = self.stage.placement(clip)
            if place.scale_by != "assumed":
                scale[clip.id] = place.px_per_degree
        first: list[tuple[Plot, str]] = []
        last: list[tuple[Plot, str]] = []
        for request in session.requests:
            if request.scene != scene.id:
                continue
            results = {
                c.id: self.window_.results[request.id, c.id] for c in clips if (request.id, c.id) in self.window_.results
            }
            measure = tr(MEASURES[request.measure][0])
            for plot in plots_of(Source(session, request, clips, results, scale)):
                (last if plot.ticks else first).append((plot, f"{measure}: {plot.title}" if plot.title else measure))
        levels = [(plot, plot.title) for plot in level_plots(session, scene, clips)]
        summed = [entry for entry in levels if entry[0].names[0] != "modulation"]
        return [*summed, *first, *last, *(entry for entry in levels if entry not in summed)]

    @property
    def plot(self) -> Plot | None:
        """The plot that is chosen."""
        n = self.choice.currentIndex()
        return self.plots[n] if 0 <= n < len(self.plots) else None

    def choose(self, words_: str) -> None:
        """Show the first plot whose name holds these words."""
        for n in range(self.choice.count()):
            if words_ in self.choice.itemText(n):
                self.choice.setCurrentIndex(n)
                self._show()
                return

    def choose_for(self, reading: StoredReading) -> None:
        """Show the plot that a reading belongs to."""
        n = plot_for(self.plots, reading)
        if n is not None and n != self.choice.currentIndex():
            self.choice.setCurrentIndex(n)
            self._show()

    def _chosen(self) -> None:
        plot = self.plot
        if plot is not None and plot.empty:
            self.read_frames()
        self._show()

    def read_frames(self) -> None:
        """Read the frames that the chosen plot needs."""
        plot = self.plot
        if plot is not None:
            self.window_.measure_commands.draw_curves(plot.request, [clip.id for clip in self.stage.clips])

    # --- showing ---

    def showEvent(self, event: Any) -> None:
        super().showEvent(event)
        self._show()

    def _show(self) -> None:
        self.bar.setVisible(bool(self.plots))
        plot = self.plot
        if plot is None:
            self._show_empty(
                tr("No plots yet"),
                tr("Profiles, spectra and curves of this scene appear after measuring."),
                ("measure_all", tr("Measure")) if self.stage.session.requests else None,
            )
            return
        self.choice.setToolTip(self.choice.currentText())
        self.enlarge.setEnabled(not plot.empty)
        if plot.empty:
            self._show_empty(
                tr("Not drawn yet"), tr("Profiles and spectra are made from the frames, not kept in the session."), None
            )
        elif self.as_table.isChecked():
            fill_table(self.table, plot, self.names())
            self.stack.setCurrentWidget(self.table)
        elif self.isVisible() or self._canvas is not None:  # pyqtgraph is loaded when it is first needed
            self._draw(plot)

    def _show_empty(self, head: str, text: str, action: tuple[str, str] | None) -> None:
        if self._empty is not None:
            self.stack.removeWidget(self._empty)
            self._empty.deleteLater()
        if action is not None:
            made = button(action[1], lambda: self.window_.run(action[0]), main=True)
            buttons: tuple[Any, ...] = (made,)
        elif self.plot is not None:
            buttons = (button(tr("Draw the curves"), self.read_frames, main=True),)
        else:
            buttons = ()
        self._empty = Empty(head, text, buttons)
        self.stack.addWidget(self._empty)
        self.stack.setCurrentWidget(self._empty)

    def names(self) -> dict[str, str]:
        """Return clip id -> column head."""
        return {clip.id: self.window_.wall.name_of(clip) for clip in self.stage.clips}

    def _make(self, plot: Plot) -> QWidget:
        from viewer.app.views.plot_canvas import PlotView

        styles, names = styles_of(self.stage.session), self.names()
        return PlotView(plot, {clip.id: (names[clip.id], styles.get(clip.device or "")) for clip in self.stage.clips})

    def _draw(self, plot: Plot) -> None:
        if self._canvas is not None:
            styles = styles_of(self.stage.session)
            if plot.same_as(self._drawn) and (styles, self.names()) == self._dressed:
                self.stack.setCurrentWidget(self._canvas)
                return
            self.stack.removeWidget(self._canvas)
            self._canvas.close_canvas()
            self._canvas.deleteLater()
        self._canvas, self._drawn = self._make(plot), plot
        self._dressed = (styles_of(self.stage.session), self.names())
        self.stack.addWidget(self._canvas)
        self.stack.setCurrentWidget(self._canvas)

    def theme_changed(self) -> None:
        """Draw again in the colours of the theme."""
        self._drawn = None
        self.enlarge.setIcon(icon("maximize"))
        self.as_table.setIcon(icon("table-2"))
        self._show()

    def open_large(self) -> None:
        """Show the plot in a window of its own, with its table beside it."""
        plot = self.plot
        if plot is not None and not plot.empty:
            self.window_.show_dialog(LargePlot(self, plot))


class LargePlot(QDialog):
    """One plot as large as the screen allows, with its title."""

    def __init__(self, panel: PlotsPanel, plot: Plot) -> None:
        super().__init__(panel.window())
        self.setWindowTitle(panel.choice.currentText())
        view = panel._make(plot)
        from viewer.app.views.parts import label

        head = label(panel.choice.currentText(), kind="head", wrap=True)
        layout = column(head, view, margins=(16, 12, 8, 8), spacing=8)
        layout.setStretch(1, 1)
        self.setLayout(layout)
        self.resize(1100, 720)
        self.finished.connect(lambda _r: view.close_canvas())  # type: ignore[attr-defined]


def table_of_text(name: str) -> QTableWidget:
    """Return an empty table that only shows text."""
    table = QTableWidget()
    table.setEditTriggers(QTableWidget.EditTrigger.NoEditTriggers)
    table.verticalHeader().hide()
    table.setShowGrid(False)
    table.setAccessibleName(name)
    return table


def fill_table(table: QTableWidget, plot: Plot, names: dict[str, str]) -> None:
    """Show the content of a plot as text."""
    heads, lines = plot.table(names)
    table.setColumnCount(max(len(heads), 2))
    table.setHorizontalHeaderLabels(heads)
    shown = lines[:2000]
    table.setRowCount(len(shown))
    for r, line in enumerate(shown):
        for c, text in enumerate(line[:64]):
            item = QTableWidgetItem(text)
            item.setTextAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
            table.setItem(r, c, item)
    table.setFont(figures(11))
    table.resizeColumnsToContents()


__all__ = ["LargePlot", "PlotsPanel", "fill_table"]

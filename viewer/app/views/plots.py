"""Plots of what was measured, all devices together; each has its table."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from PySide6.QtCore import Qt
from PySide6.QtGui import QColor, QPen
from PySide6.QtWidgets import QComboBox, QStackedWidget, QTableWidget, QTableWidgetItem, QToolButton, QWidget

from viewer.app.i18n import tr
from viewer.app.icons import icon
from viewer.app.model.glossary import MEASURES
from viewer.app.model.plots import Plot, Source, plots_of
from viewer.app.model.stage import Stage
from viewer.app.theme import color, figures, theme, words
from viewer.app.views.parts import Empty, button, column, device_color, row, styles_of

if TYPE_CHECKING:
    from viewer.app.window import MainWindow

SYMBOLS = {"ring": "o", "circle": "o", "triangle": "t1", "square": "s", "diamond": "d", "cross": "+", "star": "star"}


class PlotsPanel(QWidget):
    """Choose a plot, look at it or at its table."""

    def __init__(self, window: MainWindow, stage: Stage) -> None:
        super().__init__()
        self.window_, self.stage = window, stage
        self.plots: list[Plot] = []
        self.choice = QComboBox()
        self.choice.setAccessibleName(tr("Plot"))
        self.choice.activated.connect(lambda _n: self._show())
        self.as_table = QToolButton()
        self.as_table.setCheckable(True)
        self.as_table.setIcon(icon("table-2"))
        self.as_table.setText(tr("Table"))
        self.as_table.setToolTip(tr("The same content as a table"))
        self.as_table.setAccessibleName(tr("The same content as a table"))
        self.as_table.setToolButtonStyle(Qt.ToolButtonStyle.ToolButtonTextBesideIcon)
        self.as_table.toggled.connect(lambda _on: self._show())
        self.bar = QWidget()
        line = row(self.choice, self.as_table, margins=(12, 8, 12, 8))
        line.setStretchFactor(self.choice, 1)
        self.bar.setLayout(line)
        self.stack = QStackedWidget()
        self.table = QTableWidget()
        self.table.setEditTriggers(QTableWidget.EditTrigger.NoEditTriggers)
        self.table.verticalHeader().hide()
        self.table.setShowGrid(False)
        self.table.setAccessibleName(tr("Content of the plot"))
        self.stack.addWidget(self.table)
        self._canvas: Any = None
        self._empty: QWidget | None = None
        self.setLayout(column(self.bar, self.stack, spacing=0))

    def refresh(self) -> None:
        """Collect what there is to plot in the scene."""
        chosen = self.choice.currentText()
        self.plots, names = [], []
        session, scene = self.stage.session, self.stage.scene
        for request in session.requests:
            if scene is None or request.scene != scene.id:
                continue
            results = {
                clip.id: self.window_.results[request.id, clip.id]
                for clip in self.stage.clips
                if (request.id, clip.id) in self.window_.results
            }
            for plot in plots_of(Source(session, request, self.stage.clips, results)):
                self.plots.append(plot)
                names.append(
                    f"{tr(MEASURES[request.measure][0])}: {plot.title}" if plot.title else tr(MEASURES[request.measure][0])
                )
        self.choice.clear()
        self.choice.addItems(names)
        if chosen in names:
            self.choice.setCurrentIndex(names.index(chosen))
        self._show()

    def choose(self, words_: str) -> None:
        """Show the first plot whose name holds these words."""
        for n in range(self.choice.count()):
            if words_ in self.choice.itemText(n):
                self.choice.setCurrentIndex(n)
                self._show()
                return

    def showEvent(self, event: Any) -> None:
        super().showEvent(event)
        self._show()

    def _show(self) -> None:
        self.bar.setVisible(bool(self.plots))
        if not self.plots:
            self._show_empty()
            return
        plot = self.plots[max(0, self.choice.currentIndex())]
        if self.as_table.isChecked():
            self._fill_table(plot)
            self.stack.setCurrentWidget(self.table)
            return
        if not self.isVisible() and self._canvas is None:
            return  # pyqtgraph is loaded when it is first needed
        self._draw(plot)

    def _show_empty(self) -> None:
        if self._empty is not None:
            self.stack.removeWidget(self._empty)
            self._empty.deleteLater()
        measurable = bool(self.stage.session.requests)
        buttons = (button(tr("Measure"), lambda: self.window_.run("measure_all"), main=True),) if measurable else ()
        self._empty = Empty(
            tr("No plots yet"), tr("Profiles, spectra and curves of this scene appear after measuring."), buttons
        )
        self.stack.addWidget(self._empty)
        self.stack.setCurrentWidget(self._empty)

    def _names(self) -> dict[str, str]:
        return {clip.id: self.window_.wall.name_of(clip) for clip in self.stage.clips}

    def _fill_table(self, plot: Plot) -> None:
        heads, lines = plot.table(self._names())
        self.table.setColumnCount(max(len(heads), 2))
        self.table.setHorizontalHeaderLabels(heads)
        shown = lines[:2000]
        self.table.setRowCount(len(shown))
        for r, line in enumerate(shown):
            for c, text in enumerate(line[:64]):
                item = QTableWidgetItem(text)
                item.setTextAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
                self.table.setItem(r, c, item)
        self.table.setFont(figures(11))
        self.table.resizeColumnsToContents()

    def _draw(self, plot: Plot) -> None:
        import pyqtgraph as pg

        pg.setConfigOptions(imageAxisOrder="row-major", antialias=True, background=theme().panel, foreground=theme().quiet)
        if self._canvas is not None:
            self.stack.removeWidget(self._canvas)
            self._canvas.close()
            self._canvas.deleteLater()
        canvas = pg.PlotWidget(background=theme().panel)
        self._canvas = canvas
        canvas.setAccessibleName(tr("{title}; the table beside it holds the numbers", title=plot.title))
        canvas.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        item = canvas.getPlotItem()
        item.setContentsMargins(4, 8, 16, 8)
        item.hideButtons()
        item.setMenuEnabled(False)
        item.setLogMode(x=plot.log_x, y=plot.log_y)
        for side, text in (("bottom", plot.x_title), ("left", plot.y_title)):
            axis = item.getAxis(side)
            axis.setPen(QPen(color("strong")))
            axis.setTextPen(QPen(color("quiet")))
            axis.setTickFont(figures(10))
            axis.enableAutoSIPrefix(False)
            axis.setLabel(text)
            axis.label.setFont(words(11))
            axis.label.setDefaultTextColor(color("quiet"))
        if plot.ticks:
            item.getAxis("bottom").setTicks([list(plot.ticks)])
            item.getAxis("bottom").setTickFont(words(11))
        self._draw_zones(pg, item, plot)
        if plot.image is not None:
            self._draw_image(pg, item, plot)
        self._draw_curves(pg, item, plot)
        if plot.ticks:
            xs = [x for x, _ in plot.ticks]
            item.setXRange(min(xs) - 0.6, max(xs) + 0.6, padding=0)
        self.stack.addWidget(canvas)
        self.stack.setCurrentWidget(canvas)

    def _draw_zones(self, pg: Any, item: Any, plot: Plot) -> None:
        shade = color("hairline")
        for low, high in plot.zones:
            region = pg.LinearRegionItem((low, high), movable=False, brush=shade, pen=QPen(Qt.PenStyle.NoPen))
            region.setZValue(-10)
            item.addItem(region)
        if plot.zones:
            note = pg.LabelItem()
            del note
            text = pg.TextItem(plot.zone_words, color=color("quiet"), anchor=(0, 0))
            text.setFont(words(10))
            text.setPos(plot.zones[0][0], 0)
            item.addItem(text, ignoreBounds=True)

    def _draw_image(self, pg: Any, item: Any, plot: Plot) -> None:
        from viewer.app.model.render import cividis

        table = cividis()[:, ::-1].copy()
        if theme().red:
            import numpy as np

            ramp = np.linspace(0, 192, 256).astype(np.uint8)
            table = np.stack([ramp, 0 * ramp, 0 * ramp], axis=1)
        image = pg.ImageItem(plot.image)
        image.setLookupTable(table)
        x, y, w, h = plot.image_rect
        image.setRect(x, y, w, h)
        item.addItem(image)
        item.invertY(True)

    def _draw_curves(self, pg: Any, item: Any, plot: Plot) -> None:
        import numpy as np

        styles = styles_of(self.stage.session)
        clips = {clip.id: clip for clip in self.stage.clips}
        for curve in plot.curves:
            clip = clips.get(curve.clip)
            style = styles.get(clip.device or "") if clip is not None else None
            shade = QColor(device_color(style))
            if curve.quiet:
                shade.setAlpha(140)
            pen = QPen(shade, 1.0 if curve.quiet else 2.0)
            pen.setCosmetic(True)
            if style is not None and style.dash:
                pen.setDashPattern(list(style.dash))
            symbol = SYMBOLS.get(style.marker if style else "ring", "o")
            fill = None if style is None or style.hollow else shade
            if curve.error is not None and not plot.log_y and (curve.points or len(curve.x) <= 40):
                bars = pg.ErrorBarItem(
                    x=curve.x,
                    y=curve.y,
                    height=2 * np.asarray(curve.error),
                    beam=0.12 if curve.points else 0,
                    pen=QPen(shade, 0),
                )
                item.addItem(bars)
            every = max(1, len(curve.x) // 12)
            item.plot(curve.x, curve.y, pen=None if curve.points else pen)
            x, y = (
                (np.log10(curve.x) if plot.log_x else curve.x),
                (np.log10(np.maximum(curve.y, 1e-12)) if plot.log_y else curve.y),
            )
            dots = pg.ScatterPlotItem(
                x=x[::every], y=y[::every], symbol=symbol, size=11 if curve.points else 7, pen=QPen(shade, 0), brush=fill
            )
            item.addItem(dots)
        for mark in plot.marks:
            clip = clips.get(mark.clip)
            style = styles.get(clip.device or "") if clip is not None else None
            line = pg.InfiniteLine(
                mark.x,
                pen=QPen(device_color(style) if mark.clip else color("quiet"), 0, Qt.PenStyle.DotLine),
                label=mark.text,
                labelOpts={"position": 0.94, "color": color("quiet"), "rotateAxis": (1, 0), "anchors": [(1, 1), (1, 1)]},
            )
            item.addItem(line)


__all__ = ["PlotsPanel"]

"""The field of the clips on the wall: circle, scale, fall of light, distortion; each plot with its table."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from PySide6.QtCore import Qt
from PySide6.QtWidgets import (
    QApplication,
    QCheckBox,
    QComboBox,
    QFrame,
    QHeaderView,
    QLineEdit,
    QPlainTextEdit,
    QSplitter,
    QStackedWidget,
    QTableWidgetItem,
    QToolButton,
    QWidget,
)

from viewer.app.i18n import parse_number, tr
from viewer.app.icons import icon
from viewer.app.jobs import error_words
from viewer.app.model import field
from viewer.app.model.glossary import tip_of
from viewer.app.model.plot import Plot
from viewer.app.said import error_said
from viewer.app.theme import figures, px
from viewer.app.views.dialog import Dialog, quiet
from viewer.app.views.parts import Empty, column, label, row, styles_of
from viewer.app.views.plots import fill_table, table_of_text
from viewer.errors import UsageError

if TYPE_CHECKING:
    from viewer.app.window import MainWindow


class FieldDialog(Dialog):
    """Measures in the background; says at the left what the scene is, shows at the right what was found."""

    manual_page = "field"

    def __init__(self, window: MainWindow) -> None:
        super().__init__(window, tr("Field of the clips"), size=(1080, 680))
        self.session = window.document.session
        self.scene = window.stage.scene_id or ""
        self.clips = window.stage.clips
        self.names = {clip.id: window.wall.name_of(clip) for clip in self.clips}
        self.results: dict[str, Any] = {}
        self.plots: list[Plot] = []
        self.marks = field.marks_of(self.session, self.scene)
        self._canvas: Any = None
        across = QSplitter(Qt.Orientation.Horizontal)
        across.setHandleWidth(1)
        across.addWidget(self._left())
        across.addWidget(self._right())
        across.setStretchFactor(1, 1)
        across.setSizes([px(360), px(660)])
        self.fill(across)
        self.copying = self.add_button(tr("Copy readings"), self.copy)
        self.add_closing()
        self.go = self.add_button(tr("Measure"), self.measure, main=True)
        self.finished.connect(lambda _r: self._drop_canvas())
        self._show()
        if self.clips:
            self.measure()

    # --- building ---

    def _left(self) -> QWidget:
        self.even = QCheckBox(tr("The scene is an evenly lit field"))
        self.even.setChecked(True)
        self.even.setToolTip(tip_of("edge_light"))
        self.first, self.second = QComboBox(), QComboBox()
        for box, words in ((self.first, tr("First mark")), (self.second, tr("Second mark"))):
            box.setAccessibleName(words)
            box.addItem(tr("none"), "")
            for mark in self.marks:
                box.addItem(mark.name, mark.id)
        self.apart = QLineEdit()
        self.apart.setPlaceholderText(tr("degrees"))
        self.apart.setAccessibleName(tr("Angle between the marks (°)"))
        self.apart.setMaximumWidth(px(96))
        self.angles = table_of_text(tr("Angles of marks from the middle"))
        self.angles.setEditTriggers(self.angles.EditTrigger.AllEditTriggers)
        self.angles.setColumnCount(2)
        self.angles.setHorizontalHeaderLabels([tr("Mark"), tr("Angle from the middle (°)")])
        self.angles.horizontalHeader().setDefaultAlignment(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter)
        self.angles.horizontalHeader().setSectionResizeMode(0, QHeaderView.ResizeMode.Stretch)
        self.angles.horizontalHeader().setSectionResizeMode(1, QHeaderView.ResizeMode.ResizeToContents)
        self.angles.setRowCount(len(self.marks))
        for n, mark in enumerate(self.marks):
            name = QTableWidgetItem(mark.name)
            name.setFlags(Qt.ItemFlag.ItemIsEnabled)
            self.angles.setItem(n, 0, name)
            self.angles.setItem(n, 1, QTableWidgetItem(""))
        self.note = quiet("")
        pair = QWidget()
        pair.setLayout(row(self.first, self.second, self.apart))
        parts: list[QWidget | int | None] = [self.even]
        if self.marks:
            parts += [label(tr("Two marks a known angle apart"), kind="head"), pair]
            parts += [label(tr("Three or more marks of known angle: distortion"), kind="head"), self.angles]
        else:
            parts.append(
                quiet(tr("Put lights on marks of known angle to measure scale and distortion: draw them with the Light tool."))
            )
        holder = QWidget()
        holder.setLayout(column(*parts, self.note, *([] if self.marks else [None]), margins=(0, 0, 12, 0)))
        return holder

    def _right(self) -> QWidget:
        self.choice = QComboBox()
        self.choice.setAccessibleName(tr("Plot"))
        self.choice.activated.connect(lambda _n: self._show_plot())
        self.as_table = QToolButton()
        self.as_table.setIcon(icon("table-2"))
        self.as_table.setCheckable(True)
        self.as_table.setToolTip(tr("The same content as a table"))
        self.as_table.setAccessibleName(tr("The same content as a table"))
        self.as_table.toggled.connect(lambda _on: self._show_plot())
        self.bar = QWidget()
        line = row(self.choice, self.as_table, spacing=4)
        line.setStretchFactor(self.choice, 1)
        self.bar.setLayout(line)
        self.stack = QStackedWidget()
        words = tr("Circle, scale and fall of light of every clip of the scene.")
        self.empty, self.busy = Empty(tr("Not measured yet"), words), Empty(tr("Measuring the field"), words)
        self.twin = table_of_text(tr("Content of the plot"))
        self.stack.addWidget(self.empty)
        self.stack.addWidget(self.busy)
        self.stack.addWidget(self.twin)
        self.readings = table_of_text(tr("Readings"))
        self.readings.horizontalHeader().setDefaultAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
        self.said = QPlainTextEdit()
        self.said.setReadOnly(True)
        self.said.setFrameShape(QFrame.Shape.NoFrame)
        self.said.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.said.setAccessibleName(tr("Refusals and doubts"))
        self.said.setProperty("quiet", True)
        self.said.setMaximumHeight(px(84))
        lower = QWidget()
        lower.setLayout(column(self.readings, self.said, margins=(12, 8, 0, 0)))
        upper = QWidget()
        body = column(self.bar, self.stack, spacing=4)
        body.setStretch(1, 1)
        body.setContentsMargins(12, 0, 0, 8)
        upper.setLayout(body)
        down = QSplitter(Qt.Orientation.Vertical)
        down.setHandleWidth(1)
        down.addWidget(upper)
        down.addWidget(lower)
        down.setStretchFactor(0, 1)
        down.setSizes([px(300), px(270)])
        return down

    # --- measuring ---

    def asked(self) -> field.Asked:
        """Return what the user said of the scene.

        Raises
        ------
        UsageError
            If an angle is no number.
        """
        angles = {}
        for n, mark in enumerate(self.marks):
            item = self.angles.item(n, 1)
            text = item.text().strip() if item is not None else ""
            if text:
                angles[mark.id] = parse_number(text)
        apart = self.apart.text().strip()
        asked = field.Asked(even=self.even.isChecked(), angles=angles)
        first, second = str(self.first.currentData() or ""), str(self.second.currentData() or "")
        return field.pair_of(first, second, parse_number(apart) if apart else None, asked)

    def measure(self) -> None:
        """Measure the clips of the scene, in the background."""
        try:
            asked = self.asked()
        except UsageError as error:
            self.note.setText(error_said(error))  # type: ignore[attr-defined]
            return
        self.note.setText("")  # type: ignore[attr-defined]
        session, folder, clips = self.window_.document.session, self.window_.document.folder, self.clips
        self.go.setEnabled(False)

        def work(progress: Any, cancelled: Any) -> dict[str, Any]:
            return field.measure(session, folder, clips, asked, progress=progress, cancelled=cancelled)

        job = self.window_.jobs.start(tr("Measuring the field"), work, done=self.show_results, failed=self._failed)
        job.ended.connect(self._ended)
        if not self.plots:
            self._show_plot()

    def _failed(self, error: Exception) -> None:
        self.note.setText(error_words(error))  # type: ignore[attr-defined]

    def _ended(self) -> None:
        self.go.setEnabled(True)
        if not self.plots:
            self._show_plot()

    def show_results(self, results: dict[str, Any]) -> None:
        """Show what was found."""
        self.results = results
        self.plots = field.plots_of(results, self.names)
        chosen = self.choice.currentText()
        self.choice.clear()
        self.choice.addItems([plot.title for plot in self.plots])
        self.choice.setCurrentIndex(max(0, self.choice.findText(chosen)))
        self._show()

    def copy(self) -> None:
        """Copy the readings as text."""
        QApplication.clipboard().setText(field.as_text(self.results, self.names))
        self.window_.say(tr("Copied."))

    # --- showing ---

    def _show(self) -> None:
        self.bar.setVisible(bool(self.plots))
        self.copying.setEnabled(bool(self.results))
        lines = field.rows_of(self.results)
        heads = [tr("Reading"), *(self.names[clip] for clip in self.results)]
        self.readings.setVisible(bool(lines))
        self.readings.setColumnCount(len(heads))
        self.readings.setHorizontalHeaderLabels(heads)
        first = self.readings.horizontalHeaderItem(0)
        if first is not None:
            first.setTextAlignment(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter)
        self.readings.setRowCount(len(lines))
        for n, (title, cells) in enumerate(lines):
            self.readings.setItem(n, 0, QTableWidgetItem(title))
            for c, text in enumerate(cells, 1):
                item = QTableWidgetItem(text)
                item.setFont(figures(11))
                item.setTextAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
                self.readings.setItem(n, c, item)
        head = self.readings.horizontalHeader()
        for c in range(len(heads)):
            mode = QHeaderView.ResizeMode.ResizeToContents if c else QHeaderView.ResizeMode.Stretch
            head.setSectionResizeMode(c, mode)
        notes = field.notes_of(self.results, self.names)
        self.said.setPlainText("\n".join(notes))
        self.said.setVisible(bool(notes))
        self._show_plot()

    @property
    def plot(self) -> Plot | None:
        """The plot that is chosen."""
        n = self.choice.currentIndex()
        return self.plots[n] if 0 <= n < len(self.plots) else None

    def _show_plot(self) -> None:
        plot = self.plot
        self._drop_canvas()
        if plot is None:
            self.stack.setCurrentWidget(self.empty if self.go.isEnabled() else self.busy)
        elif self.as_table.isChecked():
            fill_table(self.twin, plot, self.names)
            self.stack.setCurrentWidget(self.twin)
        else:
            from viewer.app.views.plot_canvas import PlotView

            styles = styles_of(self.session)
            clips = {clip.id: (self.names[clip.id], styles.get(clip.device or "")) for clip in self.clips}
            self._canvas = PlotView(plot, clips)
            self.stack.addWidget(self._canvas)
            self.stack.setCurrentWidget(self._canvas)

    def _drop_canvas(self) -> None:
        if self._canvas is not None:
            self.stack.removeWidget(self._canvas)
            self._canvas.close_canvas()
            self._canvas.deleteLater()
            self._canvas = None


__all__ = ["FieldDialog"]

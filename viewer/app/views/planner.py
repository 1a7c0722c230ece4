"""Which flicker a shutter and a frame rate can show, before filming: what is blind, what stands still."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from PySide6.QtCore import QRectF, QSize, Qt
from PySide6.QtGui import QPainter, QPaintEvent, QPixmap
from PySide6.QtWidgets import QComboBox, QFormLayout, QLineEdit, QScrollArea, QWidget

from viewer.app.i18n import number, parse_number, tr
from viewer.app.said import error_said, said
from viewer.app.theme import color, figures, px, words
from viewer.app.views import ask
from viewer.app.views.camera import parse_shutter, shutter_words
from viewer.app.views.dialog import Dialog, quiet
from viewer.errors import UsageError
from viewer.measure.flicker_planner import Plan, exact_rate, plan

if TYPE_CHECKING:
    from viewer.app.window import MainWindow

LOW_HZ, HIGH_HZ = 20.0, 2400.0
TICKS_HZ = (20, 50, 100, 200, 500, 1000, 2000)
ROW, AXIS, LEFT, RIGHT = 26, 28, 132, 84


def parse_list(text: str, one: object = parse_number) -> list[float]:
    """Return the numbers of a list parted by spaces or semicolons; a comma followed by a space parts as well.

    Raises
    ------
    UsageError
        If one of them is no number above zero, or there is none.
    """
    assert callable(one)
    parts = text.replace(";", " ").replace(", ", " ").split()
    values = [float(one(part)) for part in parts]
    if not values or min(values) <= 0:
        raise UsageError(tr("Type one or more numbers above zero, parted by spaces."))
    return values


class PlanChart(QWidget):
    """One row for each setting: seen frequencies light, blind ones dark, on a logarithmic axis."""

    def __init__(self) -> None:
        super().__init__()
        self.plan: Plan | None = None
        self.setMinimumWidth(px(420))

    def show_plan(self, made: Plan | None) -> None:
        """Show this plan."""
        self.plan = made
        self.setMinimumHeight(self.sizeHint().height())
        self.setAccessibleName(tr("What each setting can show"))
        self.setAccessibleDescription("; ".join(f"{a}: {b}" for a, b, _ in self.rows()))
        self.updateGeometry()
        self.update()

    def rows(self) -> list[tuple[str, str, tuple[tuple[float, float], ...]]]:
        """Return (setting, share that can be seen, blind zones) of every row, all together last."""
        made = self.plan
        if made is None:
            return []
        found = [
            (
                f"{tr('{n} fps', n=number(s.frame_rate, 2 if s.frame_rate % 1 else 0))} · {shutter_words(s.exposure_s)}",
                tr("{n} % seen", n=round(100 * (1 - s.share_blind))),
                s.blind_hz,
            )
            for s in made.settings
        ]
        if len(made.settings) > 1:
            found.append((tr("all together"), "", made.blind_in_all_hz))
        return found

    def sizeHint(self) -> QSize:
        return QSize(px(640), px(AXIS) + px(ROW) * max(1, len(self.rows())) + 8)

    def _x(self, hz: float) -> float:
        left, right = px(LEFT), self.width() - px(RIGHT)
        share = math.log(min(HIGH_HZ, max(LOW_HZ, hz)) / LOW_HZ) / math.log(HIGH_HZ / LOW_HZ)
        return left + (right - left) * share

    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self)
        painter.fillRect(self.rect(), color("panel"))
        middle = int(Qt.AlignmentFlag.AlignVCenter)
        for n, (name, share, zones) in enumerate(self.rows()):
            top = px(AXIS) + n * px(ROW)
            painter.setFont(words(11))
            painter.setPen(color("text"))
            painter.drawText(QRectF(12, top, px(LEFT) - 16, px(ROW)), middle, name)
            bar = QRectF(self._x(LOW_HZ), top + 5, self._x(HIGH_HZ) - self._x(LOW_HZ), px(ROW) - 10)
            painter.fillRect(bar, color("quiet"))
            for low, high in zones:
                if high > LOW_HZ and low < HIGH_HZ:
                    x = self._x(low)
                    painter.fillRect(QRectF(x, bar.top(), max(1.0, self._x(high) - x), bar.height()), color("window"))
            painter.setPen(color("quiet"))
            painter.drawText(QRectF(self.width() - px(RIGHT) + 8, top, px(RIGHT), px(ROW)), middle, share)
        painter.setFont(figures(10))
        for hz in TICKS_HZ:
            x = self._x(hz)
            painter.setPen(color("hairline"))
            painter.drawLine(int(x), px(AXIS) - 5, int(x), self.height() - 4)
            painter.setPen(color("quiet"))
            painter.drawText(QRectF(x - 30, 0, 60, px(AXIS) - 6), int(Qt.AlignmentFlag.AlignCenter), f"{hz} Hz")
        painter.end()


class PlannerDialog(Dialog):
    """Type what the camera offers; see what it could not show."""

    manual_page = "flicker"

    def __init__(self, window: MainWindow) -> None:
        super().__init__(window, tr("Plan shutter and frame rate"), size=(760, 620))
        session = window.document.session
        rates = sorted({float(c.camera.capture_rate) for c in session.clips if c.camera.capture_rate}) or [50.0, 60000 / 1001]
        shutters = sorted({c.camera.shutter_s for c in session.clips if c.camera.shutter_s}, reverse=True)
        self.rates = QLineEdit("  ".join(number(r, 2 if r % 1 else 0) for r in rates[:4]))
        self.shutters = QLineEdit("  ".join(shutter_words(s) for s in shutters[:4]) or "1/50  1/250  1/1000")
        self.readout = QLineEdit()
        self.seconds = QLineEdit("4")
        self.mains = QComboBox()
        for hz in (50, 60):
            self.mains.addItem(f"{hz} Hz", hz)
        self.mains.setCurrentIndex(0 if session.preferences.mains_hz < 55 else 1)
        form = QFormLayout()
        form.setSpacing(8)
        for text, field in (
            (tr("Frame rates (1/s)"), self.rates),
            (tr("Shutters (s)"), self.shutters),
            (tr("Length of the clip (s)"), self.seconds),
            (tr("Readout time (ms), if known"), self.readout),
            (tr("Mains frequency (Hz)"), self.mains),
        ):
            field.setAccessibleName(text)
            form.addRow(text, field)
            if isinstance(field, QLineEdit):
                field.textChanged.connect(lambda _t: self.refresh())
        self.mains.activated.connect(lambda _n: self.refresh())
        body = QWidget()
        body.setLayout(form)
        self.chart = PlanChart()
        scroll = QScrollArea()
        scroll.setWidgetResizable(True)
        scroll.setWidget(self.chart)
        self.note = quiet("")
        self.fill(
            quiet(tr("Dark: a modulation of this frequency would not show, or stands still and looks like shading.")),
            body,
            scroll,
            self.note,
        )
        self.add_button(tr("Save as picture…"), self.save)
        self.add_closing().setDefault(True)
        self.refresh()

    def made(self) -> Plan:
        """Return the plan of what is typed.

        Raises
        ------
        UsageError
            If a field holds no number.
        """
        rates = [exact_rate(rate) for rate in parse_list(self.rates.text())]
        readout = self.readout.text().strip()
        return plan(
            rates[:4],
            parse_list(self.shutters.text(), parse_shutter)[:4],
            duration_s=parse_list(self.seconds.text())[0],
            readout_s=parse_list(readout)[0] / 1e3 if readout else None,
            mains_hz=float(self.mains.currentData()),
        )

    def refresh(self) -> None:
        """Show what the typed settings can see."""
        try:
            made = self.made()
        except UsageError as error:
            self.note.setText(error_said(error))  # type: ignore[attr-defined]
            return
        self.chart.show_plan(made)
        text = "\n".join(dict.fromkeys(map(said, made.notes)))
        self.note.setText(text or tr("Two frame rates that share no multiple leave one candidate."))  # type: ignore[attr-defined]

    def save(self) -> None:
        """Save the chart as a picture, to take along."""
        path = ask.save_file(self, tr("Save as picture"), self.window_.document.folder / "shutter-plan.png", "PNG (*.png)")
        if path is None:
            return
        picture = QPixmap(self.chart.size())
        self.chart.render(picture)
        if not picture.save(str(path)):
            self.note.setText(tr("The picture could not be written there."))  # type: ignore[attr-defined]


__all__ = ["PlanChart", "PlannerDialog", "parse_list"]

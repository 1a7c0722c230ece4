"""The blind reading of bars: one picture at a time, resolved or not, the devices hidden until the end."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
from PySide6.QtCore import QRectF, Qt
from PySide6.QtGui import QImage, QKeyEvent, QPainter, QPaintEvent
from PySide6.QtWidgets import QCheckBox, QHBoxLayout, QLineEdit, QStackedWidget, QWidget

from viewer.app.i18n import number, tr
from viewer.app.jobs import error_words
from viewer.app.model import blind_reading
from viewer.app.model.blind_reading import Reading
from viewer.app.said import error_said
from viewer.app.theme import color, px
from viewer.app.views import ask
from viewer.app.views.dialog import Dialog, quiet
from viewer.app.views.parts import button, column, label, row
from viewer.errors import ViewerError
from viewer.session import store

if TYPE_CHECKING:
    from viewer.app.window import MainWindow

SIDE = 320


class Patch(QWidget):
    """The picture to judge, pixels as squares, as large as whole multiples allow."""

    def __init__(self) -> None:
        super().__init__()
        self._image: QImage | None = None
        self.setMinimumSize(px(SIDE), px(SIDE))
        self.setAccessibleName(tr("Picture to judge"))

    def show_patch(self, array: np.ndarray | None) -> None:
        """Show grey levels (uint8)."""
        if array is None:
            self._image = None
        else:
            self._image = _grey(array)
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self)
        painter.fillRect(self.rect(), color("surround"))
        image = self._image
        if image is not None:
            factor = max(1, min(self.width() // image.width(), self.height() // image.height(), 12))
            w, h = factor * image.width(), factor * image.height()
            painter.drawImage(QRectF((self.width() - w) // 2, (self.height() - h) // 2, w, h), image)
        painter.end()


def _grey(array: np.ndarray) -> QImage:
    """Return grey levels as a picture that owns its memory."""
    height, width = array.shape
    return QImage(array.tobytes(), width, height, width, QImage.Format.Format_Grayscale8).copy()


class BlindDialog(Dialog):
    """Begin, judge, see the outcome; several readers in turn."""

    manual_page = "bars"

    def __init__(self, window: MainWindow) -> None:
        super().__init__(window, tr("Read bars blind"), size=(620, 620))
        self.reading: Reading | None = None
        self.sittings: list[Reading] = []
        self.pages = QStackedWidget()
        self._begin_page()
        self._judge_page()
        self.told = label("", wrap=True)
        self.told.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self.next_reader = button(tr("Next reader"), self.restart)
        self.csv = button(tr("Save answers as CSV…"), self.save)
        last = QWidget()
        last.setLayout(column(self.told, _line(self.next_reader, self.csv), None, spacing=16))
        self.pages.addWidget(last)
        self.fill(self.pages)
        self.add_closing()
        self.pages.setCurrentIndex(0)

    def _begin_page(self) -> None:
        scene, session = self.window_.stage.scene, self.window_.document.session
        bars = blind_reading.targets_of(session, scene.id, near_limit=False) if scene is not None else []
        self.reader = QLineEdit(tr("Reader {n}", n=1))
        self.reader.setAccessibleName(tr("Name of the reader"))
        self.near = QCheckBox(tr("Only targets about the measured limit"))
        self.near.setChecked(True)
        self.start = button(tr("Begin"), self.begin, main=True)
        self.note = quiet("")
        if len(bars) < 1:
            self.start.setEnabled(False)
            self.note.setText(tr("Mark bar targets on the wall first (Draw, Bars)."))  # type: ignore[attr-defined]
        page = QWidget()
        text = tr(
            "Each picture shows one target as one device filmed it at this moment: grey, at equal brightness, in random order. "
            "Say whether you can tell the bars apart (Y) or not (N). Which device it was is told at the end."
        )
        page.setLayout(column(label(text, wrap=True), self.reader, self.near, _line(self.start), self.note, None, spacing=12))
        self.pages.addWidget(page)

    def _judge_page(self) -> None:
        self.head = label("", kind="head")
        self.patch = Patch()
        self.yes = button(tr("Resolved (Y)"), lambda: self.judge(True), main=True)
        self.no = button(tr("Not resolved (N)"), lambda: self.judge(False))
        self.undo = button(tr("Back"), self.back)
        page = QWidget()
        layout = column(self.head, self.patch, _line(self.yes, self.no, self.undo), spacing=12)
        layout.setStretch(1, 1)
        page.setLayout(layout)
        self.pages.addWidget(page)

    # --- the course ---

    def begin(self) -> None:
        """Cut the pictures out in the background, then show the first."""
        window = self.window_
        scene = window.stage.scene
        if scene is None:
            return
        session = window.document.session
        work = partial(
            blind_reading.prepare,
            session,
            window.document.folder,
            [clip for clip in window.stage.clips if clip.device],
            blind_reading.targets_of(session, scene.id, near_limit=self.near.isChecked()),
            window.player.time_s,
            seed=len(self.sittings) + 1,
        )
        self.start.setEnabled(False)
        window.jobs.start(tr("Preparing the pictures"), work, done=self._ready, failed=self._failed)

    def _ready(self, reading: Any) -> None:
        reading.reader = self.reader.text().strip() or tr("Reader {n}", n=len(self.sittings) + 1)
        self.reading = reading
        self.pages.setCurrentIndex(1)
        self.refresh()

    def _failed(self, error: Exception) -> None:
        self.start.setEnabled(True)
        self.note.setText(error_words(error))  # type: ignore[attr-defined]

    def refresh(self) -> None:
        """Show the trial, or the outcome."""
        reading = self.reading
        if reading is None:
            return
        trial = reading.trial
        if trial is None:
            self.sittings.append(reading)
            self.reading = None
            self._tell()
            return
        text = tr("{n} of {all}", n=len(reading.answers) + 1, all=len(reading.trials))
        self.head.setText(f"{text}  ·  {trial.code}")
        self.patch.show_patch(reading.pictures[trial.device, trial.target])
        self.undo.setEnabled(bool(reading.answers))

    def judge(self, resolved: bool) -> None:
        """Answer, and go on."""
        if self.reading is not None:
            self.reading.answer(resolved)
            self.refresh()

    def back(self) -> None:
        """Take the last answer back."""
        if self.reading is not None:
            self.reading.back()
            self.refresh()

    def restart(self) -> None:
        """Let another reader judge."""
        self.reader.setText(tr("Reader {n}", n=len(self.sittings) + 1))
        self.start.setEnabled(True)
        self.pages.setCurrentIndex(0)

    def _tell(self) -> None:
        session, scene = self.window_.document.session, self.window_.stage.scene
        machine = blind_reading.machine_limits(session, scene.id) if scene is not None else {}
        found = blind_reading.outcome(self.sittings, machine)
        lines = []
        for device, limit in found.limits.items():
            name = next((d.name for d in session.devices if d.id == device), device)
            seen = tr("{n} lp/mm", n=number(limit, 3)) if limit is not None else tr("none of the targets")
            own = machine.get(device)
            measured = tr("measured {n} lp/mm", n=number(own, 3)) if own is not None else tr("not measured")
            lines.append(tr("{device}: finest read {seen}; {measured}.", device=name, seen=seen, measured=measured))
        for reader, (kappa, pairs) in found.machine.items():
            k = number(kappa, 2)
            lines.append(tr("{reader} and the statistics: kappa {k} over {n} targets.", reader=reader, k=k, n=pairs))
        for (one, two), (kappa, pairs) in found.readers.items():
            lines.append(tr("{one} and {two}: kappa {k} over {n} targets.", one=one, two=two, k=number(kappa, 2), n=pairs))
        lines.append(tr("Kappa is agreement beyond chance: 1 is full, 0 that of chance."))
        self.told.setText("\n\n".join(lines))
        self.pages.setCurrentIndex(2)

    def save(self) -> None:
        """Save every answer."""
        session = self.window_.document.session
        path = ask.save_file(self, tr("Save answers as CSV"), self.window_.document.folder / "blind-reading.csv", "CSV (*.csv)")
        if path is None:
            return
        text = blind_reading.as_csv(self.sittings, {device.id: device.name for device in session.devices})
        try:
            store.write_whole(path, text.encode("utf-8"))
        except ViewerError as error:
            self.window_.trouble(error_said(error))

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if self.reading is not None and event.key() in (Qt.Key.Key_Y, Qt.Key.Key_N):
            self.judge(event.key() == Qt.Key.Key_Y)
        elif self.reading is not None and event.key() == Qt.Key.Key_Backspace:
            self.back()
        else:
            super().keyPressEvent(event)


def _line(*parts: QWidget) -> QWidget:
    holder = QWidget()
    layout: QHBoxLayout = row(*parts, None)
    holder.setLayout(layout)
    return holder


__all__ = ["BlindDialog", "Patch"]

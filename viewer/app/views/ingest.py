"""The confirmation sheet: what was guessed of every file, to be set right before anything is added."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
from PySide6.QtCore import QEvent, QItemSelection, QItemSelectionModel, QRectF, QSignalBlocker, Qt, QTimer
from PySide6.QtGui import QImage, QMouseEvent, QPainter, QPaintEvent
from PySide6.QtWidgets import (
    QAbstractItemView,
    QApplication,
    QComboBox,
    QHeaderView,
    QSpinBox,
    QTableWidget,
    QTableWidgetItem,
    QWidget,
)
from shiboken6 import isValid

from viewer.app.i18n import number, tr, trn
from viewer.app.jobs import Job, error_words
from viewer.app.model import thumbs
from viewer.app.model.coverage import KIND_NAMES, ROLE_NAMES
from viewer.app.model.ingest import Proposal, kind_of_name
from viewer.app.theme import color, words
from viewer.app.views.dialog import Dialog, quiet
from viewer.app.views.parts import number_box, to_image
from viewer.session.model import Session

if TYPE_CHECKING:
    from viewer.app.window import MainWindow

FILE, PICTURE, DEVICE, SCENE, KIND, TAKE, ROLE = range(7)
PICTURE_WIDTH, PICTURE_HEIGHT = 100, 56


class Glimpse(QWidget):
    """The first seconds of a recording: move the pointer across to look through them."""

    def __init__(self, name: str) -> None:
        super().__init__()
        self._images: list[QImage] = []
        self._shown = 0
        self._words = "…"
        self.setMouseTracking(True)
        self.setAccessibleName(tr("First seconds of {name}", name=name))

    def show_pictures(self, arrays: list[np.ndarray], facts: dict[str, Any]) -> None:
        """Show these pictures."""
        self._images = [to_image(array) for array in arrays]
        length = facts["end_s"] - facts["start_s"]
        about = f"{number(length, 1)} s, {facts['width']} × {facts['height']}, {tr('{n} fps', n=number(facts['rate'], 2))}"
        self.setToolTip(about)
        self.setAccessibleDescription(about)
        self.update()

    def show_trouble(self, words_: str) -> None:
        """Say that it cannot be read."""
        self._words = tr("cannot be read")
        self.setToolTip(words_)
        self.setAccessibleDescription(words_)
        self.update()

    def mouseMoveEvent(self, event: QMouseEvent) -> None:
        if self._images:
            at = int(len(self._images) * event.position().x() / max(1, self.width()))
            self._shown = min(len(self._images) - 1, max(0, at))
            self.update()

    def leaveEvent(self, event: QEvent) -> None:
        self._shown = 0
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self)
        rect = QRectF(self.rect()).adjusted(2, 2, -2, -2)
        painter.fillRect(rect, color("surround"))
        if self._images:
            image = self._images[self._shown]
            scale = min(rect.width() / image.width(), rect.height() / image.height())
            w, h = scale * image.width(), scale * image.height()
            painter.setRenderHint(QPainter.RenderHint.SmoothPixmapTransform)
            painter.drawImage(QRectF(rect.center().x() - w / 2, rect.center().y() - h / 2, w, h), image)
        else:
            painter.setPen(color("quiet"))
            painter.setFont(words(11))
            painter.drawText(rect, int(Qt.AlignmentFlag.AlignCenter | Qt.TextFlag.TextWordWrap), self._words)
        painter.end()


class IngestDialog(Dialog):
    """One line a clip.  Untick what is not to be added; join files that are parts of one recording.

    What is set in a selected line is set in every selected line.  Takes are counted anew for each device and scene until
    they are typed.
    """

    manual_page = "clips"

    def __init__(self, window: MainWindow, session: Session, proposals: list[Proposal]) -> None:
        super().__init__(window, tr("Add clips"), size=(1060, 560), modal=True)
        self._session, self._proposals = session, list(proposals)
        self._reading: list[Job] = []
        self._group: set[int] = set()
        self.table = QTableWidget(0, 7)
        heads = (tr("File"), tr("Picture"), tr("Device"), tr("Scene"), tr("Kind"), tr("Take"), tr("Shows"))
        self.table.setHorizontalHeaderLabels(list(heads))
        self.table.verticalHeader().hide()
        self.table.horizontalHeader().setDefaultAlignment(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter)
        self.table.setShowGrid(False)
        self.table.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.table.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        head = self.table.horizontalHeader()
        head.setSectionResizeMode(FILE, QHeaderView.ResizeMode.Stretch)
        for column_, width in ((PICTURE, PICTURE_WIDTH), (DEVICE, 150), (SCENE, 190), (KIND, 104), (TAKE, 72), (ROLE, 140)):
            self.table.setColumnWidth(column_, width)
        self.table.itemSelectionChanged.connect(self._selected)
        self.table.setAccessibleName(tr("What was guessed of every file"))
        text = trn(
            "{n} recording found. Device, scene and take were guessed from folder and file names: set right what is wrong.",
            "{n} recordings found. Device, scene and take were guessed from folder and file names: set right what is wrong.",
            len(proposals),
        )
        more = tr("Select several lines to set device, scene or kind for all of them at once.")
        self._filling = False
        self._typed_takes: set[int] = set()
        self.glimpses: dict[int, Glimpse] = {}
        self.fill(quiet(text if len(proposals) < 2 else f"{text}\n{more}"), self.table)
        self.add_button(tr("Join selected files"), self.join)
        self.add_button(tr("Cancel"), self.reject)
        self.go = self.add_button(tr("Add"), self.accept, main=True)
        self._show()

    def _show(self) -> None:
        self.table.setRowCount(len(self._proposals))
        devices = list(dict.fromkeys([d.name for d in self._session.devices] + [p.device for p in self._proposals if p.device]))
        scenes = list(dict.fromkeys([s.name for s in self._session.scenes] + [p.scene for p in self._proposals if p.scene]))
        for n, proposal in enumerate(self._proposals):
            name = " + ".join(path.name for path in proposal.paths)
            item = QTableWidgetItem(name)
            item.setToolTip("\n".join(str(path) for path in proposal.paths))
            item.setFlags(item.flags() | Qt.ItemFlag.ItemIsUserCheckable)
            item.setCheckState(Qt.CheckState.Checked if proposal.keep else Qt.CheckState.Unchecked)
            self.table.setItem(n, FILE, item)
            self.table.setCellWidget(n, DEVICE, self._names(devices, proposal.device, tr("Device of {name}", name=name)))
            self.table.setCellWidget(n, SCENE, self._names(scenes, proposal.scene, tr("Scene of {name}", name=name)))
            kind = self._pairs(KIND_NAMES, proposal.kind, tr("Kind of scene of {name}", name=name))
            self.table.setCellWidget(n, KIND, kind)
            take = number_box(1, 99, proposal.take, tr("Take of {name}", name=name))
            take.valueChanged.connect(partial(self._take_typed, n))
            self.table.setCellWidget(n, TAKE, take)
            self.table.setCellWidget(n, ROLE, self._pairs(ROLE_NAMES, proposal.role, tr("What {name} shows", name=name)))
            self._look_at(n, proposal, name)
            self.table.setRowHeight(n, PICTURE_HEIGHT)
            for column_ in (DEVICE, SCENE, KIND, ROLE):
                box = self.table.cellWidget(n, column_)
                assert isinstance(box, QComboBox)
                box.currentTextChanged.connect(partial(self._changed, n, column_))
                line = box.lineEdit()
                if line is not None:
                    line.editingFinished.connect(partial(self._named, n, column_))
        self.table.itemChanged.connect(lambda _i: self._count())
        self._count()
        named = [proposal.take for proposal in self._proposals]
        self._count_takes()
        for n, take_number in enumerate(named):
            field = self.table.cellWidget(n, TAKE)
            assert isinstance(field, QSpinBox)
            if field.value() != take_number:  # the file's name said so: counting does not overrule it
                self._typed_takes.add(n)
                field.setValue(take_number)

    def _look_at(self, n: int, proposal: Proposal, name: str) -> None:
        """Show the first seconds of a line's recording as soon as they are read."""
        glimpse = Glimpse(name)
        self.glimpses[n] = glimpse
        self.table.setCellWidget(n, PICTURE, glimpse)

        def done(found: tuple[dict[str, Any], list[np.ndarray]]) -> None:
            if isValid(glimpse):
                glimpse.show_pictures(found[1], found[0])

        def failed(error: Exception) -> None:
            if isValid(glimpse):
                glimpse.show_trouble(error_words(error))

        work = partial(thumbs.make_of_files, tuple(proposal.paths))
        self._reading.append(self.window_.small_jobs.start(name, work, done=done, failed=failed, quiet=True))

    def done(self, result: int) -> None:
        for job in self._reading:
            if isValid(job):
                job.cancel()
        super().done(result)

    # --- setting many lines at once, counting takes ---

    def _changed(self, n: int, column_: int, _value: object = None) -> None:
        """Carry what was set in one of the selected lines to the others."""
        if self._filling:
            return
        self._filling = True
        source = self.table.cellWidget(n, column_)
        assert isinstance(source, QComboBox)
        for other in self._group - {n} if n in self._group else set():
            other_box = self.table.cellWidget(other, column_)
            assert isinstance(other_box, QComboBox)
            other_box.setCurrentText(source.currentText())
        self._filling = False
        self._count_takes()

    def _named(self, n: int, column_: int) -> None:
        """Offer a name that was typed in every line, and take the kind of scene that it tells."""
        source = self.table.cellWidget(n, column_)
        assert isinstance(source, QComboBox)
        text = source.currentText().strip()
        if not text:
            return
        for other in range(self.table.rowCount()):
            box, kind = self.table.cellWidget(other, column_), self.table.cellWidget(other, KIND)
            assert isinstance(box, QComboBox) and isinstance(kind, QComboBox)
            if box.findText(text) < 0:
                held, box_quiet = box.currentText(), QSignalBlocker(box)
                box.addItem(text)
                box.setCurrentIndex(-1)  # an empty box would take the first name that it is offered
                box.setEditText(held)
                box_quiet.unblock()
            if column_ == SCENE and box.currentText().strip() == text and kind.currentData() == "other":
                kind.setCurrentIndex(max(0, kind.findData(kind_of_name(text))))

    def _selected(self) -> None:
        """Note which lines are selected together; a click into a field of one of them does not part them."""
        rows = {index.row() for index in self.table.selectionModel().selectedRows()}
        inside = QApplication.focusWidget()
        typing = isinstance(inside, QWidget) and inside is not self.table and self.table.isAncestorOf(inside)
        if len(rows) == 1 and rows <= self._group and typing:
            QTimer.singleShot(0, self, self._select_again)
        else:
            self._group = rows

    def _select_again(self) -> None:
        model = self.table.model()
        chosen = QItemSelection()
        for n in self._group:
            chosen.select(model.index(n, 0), model.index(n, model.columnCount() - 1))
        quiet_ = QSignalBlocker(self.table)
        self.table.selectionModel().select(chosen, QItemSelectionModel.SelectionFlag.ClearAndSelect)
        quiet_.unblock()

    def _take_typed(self, n: int, _value: int) -> None:
        if not self._filling:
            self._typed_takes.add(n)

    def _count_takes(self) -> None:
        counts: dict[tuple[str, str, str], int] = {}
        for clip in self._session.clips:
            owner = self._session.device(clip.device).name if clip.device else ""
            key = (owner, self._session.scene(clip.scene).name, clip.role)
            counts[key] = max(counts.get(key, 0), clip.take)
        self._filling = True
        for n in range(self.table.rowCount()):
            device, scene, role, take = (self.table.cellWidget(n, c) for c in (DEVICE, SCENE, ROLE, TAKE))
            assert isinstance(device, QComboBox) and isinstance(scene, QComboBox)
            assert isinstance(role, QComboBox) and isinstance(take, QSpinBox)
            key = (device.currentText().strip(), scene.currentText().strip(), role.currentData())
            counts[key] = counts.get(key, 0) + 1
            if n not in self._typed_takes:
                take.setValue(counts[key])
            counts[key] = max(counts[key], take.value())
        self._filling = False

    def _names(self, names: list[str], chosen: str, spoken: str) -> QComboBox:
        box = QComboBox()
        box.setEditable(True)
        box.addItems(names)
        box.setCurrentText(chosen)
        box.setAccessibleName(spoken)
        return box

    def _pairs(self, pairs: dict[str, str], chosen: str, spoken: str) -> QComboBox:
        box = QComboBox()
        for key, text in pairs.items():
            box.addItem(tr(text), key)
        box.setCurrentIndex(max(0, box.findData(chosen)))
        box.setAccessibleName(spoken)
        return box

    def _count(self) -> None:
        count = sum(self._checked(n) for n in range(self.table.rowCount()))
        self.go.setText(trn("Add {n} clip", "Add {n} clips", count))
        self.go.setEnabled(count > 0)

    def _checked(self, n: int) -> bool:
        item = self.table.item(n, FILE)
        return item is not None and item.checkState() == Qt.CheckState.Checked

    def proposals(self) -> list[Proposal]:
        """Return the proposals as they stand in the sheet."""
        found = []
        for n, proposal in enumerate(self._proposals):
            device, scene, kind, take, role = (self.table.cellWidget(n, c) for c in (DEVICE, SCENE, KIND, TAKE, ROLE))
            assert isinstance(device, QComboBox) and isinstance(scene, QComboBox) and isinstance(kind, QComboBox)
            assert isinstance(take, QSpinBox) and isinstance(role, QComboBox)
            found.append(
                replace(
                    proposal,
                    device=device.currentText().strip(),
                    scene=scene.currentText().strip() or tr("Scene"),
                    kind=kind.currentData(),
                    take=take.value(),
                    role=role.currentData(),
                    keep=self._checked(n),
                )
            )
        return found

    def join(self) -> None:
        """Make the selected lines parts of one recording, in the order shown."""
        rows = sorted({index.row() for index in self.table.selectionModel().selectedRows()})
        if len(rows) < 2:
            return
        now = self.proposals()
        joined = replace(now[rows[0]], paths=tuple(path for n in rows for path in now[n].paths))
        self._proposals = [joined if n == rows[0] else p for n, p in enumerate(now) if n == rows[0] or n not in rows]
        self.table.itemChanged.disconnect()
        self._typed_takes.clear()
        self._show()


__all__ = ["IngestDialog"]

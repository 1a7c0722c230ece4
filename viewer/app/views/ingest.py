"""The confirmation sheet: what was guessed of every file, to be set right before anything is added."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QAbstractItemView, QComboBox, QHeaderView, QSpinBox, QTableWidget, QTableWidgetItem

from viewer.app.i18n import tr, trn
from viewer.app.model.coverage import KIND_NAMES, ROLE_NAMES
from viewer.app.model.ingest import Proposal
from viewer.app.views.dialog import Dialog, quiet
from viewer.session.model import Session

if TYPE_CHECKING:
    from viewer.app.window import MainWindow

FILE, DEVICE, SCENE, KIND, TAKE, ROLE = range(6)


class IngestDialog(Dialog):
    """One line a clip.  Untick what is not to be added; join files that are parts of one recording."""

    def __init__(self, window: MainWindow, session: Session, proposals: list[Proposal]) -> None:
        super().__init__(window, tr("Add clips"), size=(980, 480), modal=True)
        self._session, self._proposals = session, list(proposals)
        self.table = QTableWidget(0, 6)
        self.table.setHorizontalHeaderLabels([tr("File"), tr("Device"), tr("Scene"), tr("Kind"), tr("Take"), tr("Shows")])
        self.table.verticalHeader().hide()
        self.table.horizontalHeader().setDefaultAlignment(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter)
        self.table.setShowGrid(False)
        self.table.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.table.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        head = self.table.horizontalHeader()
        head.setSectionResizeMode(FILE, QHeaderView.ResizeMode.Stretch)
        for column_, width in ((DEVICE, 160), (SCENE, 190), (KIND, 104), (TAKE, 72), (ROLE, 140)):
            self.table.setColumnWidth(column_, width)
        self.table.setAccessibleName(tr("What was guessed of every file"))
        text = trn(
            "{n} recording found. Device, scene and take were guessed from folder and file names: set right what is wrong.",
            "{n} recordings found. Device, scene and take were guessed from folder and file names: set right what is wrong.",
            len(proposals),
        )
        self.fill(quiet(text), self.table)
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
            take = QSpinBox()
            take.setRange(1, 99)
            take.setValue(proposal.take)
            take.setAccessibleName(tr("Take of {name}", name=name))
            self.table.setCellWidget(n, TAKE, take)
            self.table.setCellWidget(n, ROLE, self._pairs(ROLE_NAMES, proposal.role, tr("What {name} shows", name=name)))
            self.table.setRowHeight(n, 34)
        self.table.itemChanged.connect(lambda _i: self._count())
        self._count()

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
        self._show()


__all__ = ["IngestDialog"]

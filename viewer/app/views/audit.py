"""Are the camera settings the same in all clips of a scene?  Same, different or unknown, with the evidence."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QHeaderView, QTableWidget, QTableWidgetItem

from viewer.app.i18n import mark, tr, trn
from viewer.app.icons import icon
from viewer.app.jobs import error_words
from viewer.app.said import said
from viewer.app.views.dialog import Dialog, quiet
from viewer.app.views.parts import label

if TYPE_CHECKING:
    from viewer.app.window import MainWindow

STATES = {"same": mark("same"), "different": mark("different"), "unknown": mark("unknown"), "odd": mark("different")}
MOST_NAMED = 4
STATE_ICONS = {"same": "check", "different": "triangle-alert", "odd": "triangle-alert", "unknown": "circle-question-mark"}


class AuditDialog(Dialog):
    """Reads the clips in the background, then shows one table a scene."""

    manual_page = "audit"

    def __init__(self, window: MainWindow) -> None:
        super().__init__(window, tr("Compare camera settings"), size=(820, 560))
        self.head = label(tr("Reading the clips"), kind="head", wrap=True)
        self.table = QTableWidget(0, 3)
        self.table.setHorizontalHeaderLabels([tr("Setting"), tr("State"), tr("Evidence")])
        self.table.verticalHeader().hide()
        self.table.horizontalHeader().setDefaultAlignment(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter)
        self.table.setShowGrid(False)
        self.table.setWordWrap(True)
        self.table.setEditTriggers(QTableWidget.EditTrigger.NoEditTriggers)
        self.table.setColumnWidth(0, 150)
        self.table.setColumnWidth(1, 120)
        self.table.horizontalHeader().setSectionResizeMode(2, QHeaderView.ResizeMode.Stretch)
        self.table.horizontalHeader().sectionResized.connect(lambda *_: self.table.resizeRowsToContents())
        self.table.setAccessibleName(tr("Camera settings"))
        self.fill(
            self.head,
            self.table,
            quiet(tr("What the files do not say is unknown, never the same. Type it under Camera and light.")),
        )
        self.add_closing().setDefault(True)
        self._start()

    def _start(self) -> None:
        window = self.window_
        session, folder = window.document.session, window.document.folder

        def work(progress: Any, cancelled: Any) -> Any:
            from viewer.tasks.audit import audit_session

            return audit_session(session, folder, progress=progress, cancelled=cancelled)

        window.jobs.start(tr("Comparing camera settings"), work, done=self.show_audits, failed=self._failed)

    def _failed(self, error: Exception) -> None:
        self.head.setText(error_words(error))

    def show_audits(self, audits: Any) -> None:
        """Show what was found."""
        rows: list[tuple[str, str, str]] = []
        for audit in audits:
            rows.append((audit.scene, "", ""))
            rows += [(tr(r.label), str(r.state), said(r.sentence)) for r in audit.rows]
            rows += [("", "different", said(text)) for text in audit.troubles]
        odd = [(setting or sentence, scene) for scene, setting, state, sentence in _placed(rows) if state == "different"]
        where = "; ".join(f"{setting} ({scene})" for setting, scene in odd[:MOST_NAMED])
        found = trn("{n} difference found: {where}", "{n} differences found: {where}", len(odd), where=where)
        self.head.setText(found + ("; …" if len(odd) > MOST_NAMED else "") if odd else tr("Nothing differs where it is known."))
        self.table.setRowCount(len(rows))
        for n, (setting, state, sentence) in enumerate(rows):
            for c, text in enumerate((setting, tr(STATES.get(state, state)) if state else "", sentence)):
                item = QTableWidgetItem(text)
                if c == 1 and state:
                    item.setIcon(icon(STATE_ICONS.get(state, "info"), "quiet" if state == "same" else "text"))
                if not state:
                    font = item.font()
                    font.setBold(True)
                    item.setFont(font)
                self.table.setItem(n, c, item)
        self.table.resizeRowsToContents()


def _placed(rows: list[tuple[str, str, str]]) -> Iterator[tuple[str, str, str, str]]:
    """Yield (scene, setting, state, sentence); a row without a state names the scene of those that follow."""
    scene = ""
    for setting, state, sentence in rows:
        if state:
            yield scene, setting, state, sentence
        else:
            scene = setting


__all__ = ["AuditDialog"]

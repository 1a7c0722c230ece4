"""The strip on top: what is still missing, and the work that runs."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from PySide6.QtCore import QSize, Qt, QTimer
from PySide6.QtGui import QIcon, QResizeEvent
from PySide6.QtWidgets import (
    QHBoxLayout,
    QLabel,
    QLayout,
    QMenu,
    QProgressBar,
    QPushButton,
    QSizePolicy,
    QToolButton,
    QWidget,
)

from viewer.app.i18n import tr
from viewer.app.icons import icon, tinted
from viewer.app.jobs import Jobs, time_left_words
from viewer.app.model.next_steps import NextStep
from viewer.app.theme import state_color
from viewer.app.views.parts import label

MOST = 3


class NextStrip(QWidget):
    """At most three sentences, each with the verb that settles it; running work at the right end."""

    def __init__(self, go: Callable[[NextStep], None], jobs: Jobs) -> None:
        super().__init__()
        self.setObjectName("strip")
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground)
        self.setAccessibleName(tr("Next"))
        self._go, self._jobs = go, jobs
        self.steps: list[NextStep] = []
        self._sure = True
        self._shown: list[QWidget] = []
        self._rest: QWidget | None = None
        self._later = QTimer(self)
        self._later.setSingleShot(True)
        self._later.setInterval(0)
        self._later.timeout.connect(self._fit)
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        self._layout = QHBoxLayout(self)
        self._layout.setContentsMargins(16, 4, 16, 4)
        self._layout.setSizeConstraint(QLayout.SizeConstraint.SetNoConstraint)
        self._layout.setSpacing(8)
        self._entries = QHBoxLayout()
        self._entries.setSpacing(16)
        self._layout.addLayout(self._entries)
        self._layout.addStretch(1)
        self._job_words = label("", kind="quiet")
        self._bar = QProgressBar()
        self._bar.setFixedWidth(120)
        self._bar.setTextVisible(False)
        self._bar.setAccessibleName(tr("Progress"))
        self._cancel = QToolButton()
        self._cancel.setIcon(icon("x"))
        self._cancel.setProperty("flat", True)
        self._cancel.setProperty("tight", True)
        self._cancel.setToolTip(tr("Stop the work that runs"))
        self._cancel.setAccessibleName(tr("Stop the work that runs"))
        self._cancel.clicked.connect(jobs.cancel_all)
        for part in (self._job_words, self._bar, self._cancel):
            self._layout.addWidget(part)
        self.setMinimumHeight(40)
        self._timer = QTimer(self)
        self._timer.setInterval(500)
        self._timer.timeout.connect(self._show_jobs)
        jobs.changed.connect(self._show_jobs)
        self._show_jobs()

    def set_steps(self, steps: list[NextStep], *, sure: bool = True) -> None:
        """Show these steps; only when it is `sure` that there are no more, an empty list says that nothing is missing."""
        if steps == self.steps and sure == self._sure and self._entries.count():
            return
        self.steps, self._sure = list(steps), sure
        while self._entries.count():
            item = self._entries.takeAt(0)
            widget = item.widget() if item else None
            if widget is not None:
                widget.hide()
                widget.deleteLater()
        self._shown = []
        self._rest = None
        if not steps:
            words = tr("Nothing is missing for a fair comparison.") if sure else tr("Looking for what is missing")
            self._entries.addWidget(label(words, kind="quiet"))
            return
        for step in steps[:MOST]:
            entry = self._entry(step)
            self._shown.append(entry)
            self._entries.addWidget(entry)
        self._fit()

    def _fit(self) -> None:
        """Show as many sentences as there is room for, one at least; the rest is one click away."""
        if not self.steps:
            return
        busy = [part for part in (self._job_words, self._bar, self._cancel) if not part.isHidden()]
        room = self.width() - 32 - sum(part.sizeHint().width() + 8 for part in busy)
        widths = [entry.sizeHint().width() + 16 for entry in self._shown]
        more = self.fontMetrics().horizontalAdvance(tr("{n} more", n=88)) + 40
        count = len(widths)
        while count > 1 and sum(widths[:count]) + (more if count < len(self.steps) else 0) > room:
            count -= 1
        for n, entry in enumerate(self._shown):
            entry.setVisible(n < count)
        if self._rest is not None:
            self._entries.removeWidget(self._rest)
            self._rest.hide()
            self._rest.deleteLater()
            self._rest = None
        if count < len(self.steps):
            self._rest = self._more(self.steps[count:])
            self._entries.addWidget(self._rest)

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self._later.start()

    def minimumSizeHint(self) -> QSize:
        return QSize(320, 40)  # work that begins must not widen the window

    def _entry(self, step: NextStep) -> QWidget:
        entry = QWidget()
        layout = QHBoxLayout(entry)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(8)
        if step.state == "trouble":
            mark_ = QLabel()
            mark_.setPixmap(tinted("triangle-alert", state_color("trouble")))
            mark_.setAccessibleName(tr("Trouble"))
            layout.addWidget(mark_)
        layout.addWidget(label(step.text))
        made = QPushButton(step.verb)
        made.setAccessibleName(f"{step.text} {step.verb}")
        made.clicked.connect(lambda _=False: self._go(step))
        layout.addWidget(made)
        return entry

    def _more(self, steps: list[NextStep]) -> QWidget:
        made = QToolButton()
        made.setText(tr("{n} more", n=len(steps)))
        made.setIcon(QIcon())
        made.setIconSize(QSize(16, 16))
        made.setProperty("flat", True)
        made.setPopupMode(QToolButton.ToolButtonPopupMode.InstantPopup)
        made.setAccessibleName(tr("{n} more", n=len(steps)))
        menu = QMenu(made)
        for step in steps:
            menu.addAction(f"{step.text}  {step.verb}", partial(self._go, step))
        made.setMenu(menu)
        return made

    def _show_jobs(self) -> None:
        shown = self._jobs.shown
        for part in (self._job_words, self._bar, self._cancel):
            part.setVisible(bool(shown))
        self._later.start()
        if not shown:
            self._timer.stop()
            return
        if not self._timer.isActive():
            self._timer.start()
        job = shown[0]
        words = [job.title + ("" if not job.cancelling else " · " + tr("stopping"))]
        left = time_left_words(job.time_left_s())
        if left:
            words.append(left)
        if len(shown) > 1:
            words.append(tr("{n} more", n=len(shown) - 1))
        self._job_words.setText(" · ".join(words))
        self._bar.setRange(0, max(0, job.total))
        self._bar.setValue(job.done)


__all__ = ["NextStrip"]

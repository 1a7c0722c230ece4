"""The plan: what is to be tested, who has an interest; changes are logged, not blocked."""

from __future__ import annotations

import time
from dataclasses import replace
from typing import TYPE_CHECKING

from PySide6.QtWidgets import QFormLayout, QLineEdit, QPlainTextEdit, QWidget

from viewer.app.i18n import tr
from viewer.app.views.dialog import Dialog, quiet
from viewer.session.model import Session

if TYPE_CHECKING:
    from viewer.app.window import MainWindow


class PlanDialog(Dialog):
    """Title, question, claim, author, interest."""

    def __init__(self, window: MainWindow) -> None:
        super().__init__(window, tr("Plan and interest line"), size=(600, 520))
        session = window.document.session
        self.title, self.author = QLineEdit(session.title), QLineEdit(session.author)
        self.question, self.claim = QPlainTextEdit(session.plan.question), QPlainTextEdit(session.plan.claim)
        self.interest = QLineEdit(session.interest)
        self.interest.setCursorPosition(0)
        self.interest.setPlaceholderText(tr("for example: I sell A and B; C was lent by a friend"))
        form = QFormLayout()
        form.setSpacing(8)
        for text, field in (
            (tr("Title"), self.title),
            (tr("Question"), self.question),
            (tr("Claim to be tested"), self.claim),
            (tr("Author"), self.author),
            (tr("Interest"), self.interest),
        ):
            field.setAccessibleName(text)
            form.addRow(text, field)
        self.question.setFixedHeight(72)
        self.claim.setFixedHeight(72)
        for edit in (self.question, self.claim):
            edit.setTabChangesFocus(True)
        body = QWidget()
        body.setLayout(form)
        made = tr("Written down {date}.", date=session.plan.made) if session.plan.made else tr("Not written down yet.")
        note = tr("A plan made before measuring counts more. Later changes are logged on the card, never blocked.")
        self.fill(body, quiet(f"{made} {note}"), quiet("\n".join(session.plan.log)), None)
        self.add_button(tr("Cancel"), self.reject)
        self.add_button(tr("Keep"), self.keep, main=True)

    def keep(self) -> None:
        """Write the plan into the session."""
        document = self.window_.document
        changed = with_plan(document.session, self.question.toPlainText().strip(), self.claim.toPlainText().strip())
        changed = replace(
            changed,
            title=self.title.text().strip() or changed.title,
            author=self.author.text().strip(),
            interest=self.interest.text().strip(),
        )
        document.edit(changed, tr("Write the plan"))
        self.accept()


def with_plan(session: Session, question: str, claim: str, today: str = "") -> Session:
    """Return the session with this plan; once readings exist, a change is logged with its date."""
    today = today or time.strftime("%Y-%m-%d %H:%M")
    plan = session.plan
    if (question, claim) == (plan.question, plan.claim):
        return session
    log = plan.log
    if plan.made and session.readings:
        log = (*log, f"{today}: {plan.question} / {plan.claim}")
    made = plan.made or (f"{today}" + (" (after measuring)" if session.readings else ""))
    return replace(session, plan=replace(plan, question=question, claim=claim, made=made, log=log))


__all__ = ["PlanDialog", "with_plan"]

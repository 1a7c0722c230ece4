"""Empty states: the first page, the empty coverage, the empty wall."""

from __future__ import annotations

import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QVBoxLayout, QWidget

from viewer.app.i18n import tr
from viewer.app.theme import theme
from viewer.app.views.parts import Empty, button, column, label, row
from viewer.session.store import Recovery

Run = Callable[[str], None]


class Welcome(QWidget):
    """The first page: two sentences, where to drop, the sample session, recent sessions, what can be recovered."""

    def __init__(self, run: Run, open_recent: Callable[[Path], None], recover: Callable[[Recovery, bool], None]) -> None:
        super().__init__()
        self._run, self._open, self._recover = run, open_recent, recover
        self.setObjectName("surround")
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground)
        self._body: QWidget | None = None
        layout = QVBoxLayout(self)
        layout.setContentsMargins(16, 16, 16, 16)

    def fill(self, recent: list[Path], recoveries: list[Recovery], *, first: bool) -> None:
        """Show what there is to open."""
        layout = self.layout()
        assert layout is not None
        if self._body is not None:
            layout.removeWidget(self._body)
            self._body.hide()
            self._body.deleteLater()
        title = label(tr("Drop the clips of your comparison here."), kind="title", wrap=True)
        text = label(
            tr("Gloaming lines them up, shows them side by side at equal angles, and measures what people argue about."),
            wrap=True,
        )
        text.setStyleSheet(f"color: {theme().text};")
        buttons = QWidget()
        sample = button(tr("Open the sample session"), lambda: self._run("sample"), main=first)
        buttons.setLayout(
            row(
                button(tr("Add clips…"), lambda: self._run("add_clips"), main=not first),
                button(tr("Add a folder of clips…"), lambda: self._run("add_folder")),
                button(tr("Open session…"), lambda: self._run("open")),
                sample,
                None,
            )
        )
        parts: list[QWidget | int | None] = [None, title, text, 8, buttons]
        if recoveries:
            parts += [24, label(tr("Not closed in order"), kind="section")]
            for recovery in recoveries[:4]:
                parts.append(self._recovery_row(recovery))
        if recent:
            parts += [24, label(tr("Recent sessions"), kind="section")]
            for path in recent[:6]:
                made = button(path.stem, partial(self._open, path))
                made.setProperty("flat", True)
                made.setToolTip(str(path))
                made.setStyleSheet("text-align: left;")
                quiet = label(_shortened(str(path.parent)), kind="quiet")
                quiet.setStyleSheet(f"color: {theme().text if not theme().dark else theme().quiet};")
                holder = QWidget()
                holder.setLayout(row(made, quiet, None))
                parts.append(holder)
        parts.append(None)
        self._body = QWidget()
        self._body.setMaximumWidth(760)
        self._body.setLayout(column(*parts, spacing=8))
        layout.addWidget(self._body)
        layout.setAlignment(self._body, Qt.AlignmentFlag.AlignHCenter)
        sample.setFocus()
        self._body.setMinimumWidth(min(700, max(320, self.width() - 64)))

    def _recovery_row(self, recovery: Recovery) -> QWidget:
        when = time.strftime("%Y-%m-%d %H:%M", time.localtime(recovery.saved_at))
        name = recovery.original.stem if recovery.original else recovery.session.title
        holder = QWidget()
        holder.setLayout(
            row(
                label(f"{name}  ·  {when}"),
                button(tr("Recover"), lambda: self._recover(recovery, True), name=f"{tr('Recover')} {name}"),
                button(tr("Let go"), lambda: self._recover(recovery, False), name=f"{tr('Let go')} {name}"),
                None,
            )
        )
        return holder


def _shortened(path: str, most: int = 60) -> str:
    return path if len(path) <= most else "…" + path[-most:]


def coverage_empty(run: Run) -> QWidget:
    """Return what the coverage shows before there is a scene."""
    return Empty(
        tr("No scenes yet"),
        tr("Drop a folder here: device, scene and take are guessed from its names."),
        (button(tr("Add clips…"), lambda: run("add_clips")), button(tr("Add scene…"), lambda: run("add_scene"))),
        narrow=True,
    )


def wall_empty(run: Run) -> QWidget:
    """Return what the wall shows without clips."""
    page = Empty(
        tr("Nothing on the wall"),
        tr("Drop clips on a cell of the coverage, or choose a scene that has some."),
        (button(tr("Add clips…"), lambda: run("add_clips")),),
    )
    page.setObjectName("surround")
    page.setAttribute(Qt.WidgetAttribute.WA_StyledBackground)
    return page


__all__ = ["Welcome", "coverage_empty", "wall_empty"]

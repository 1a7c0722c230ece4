"""The frame of every dialog: title, body, buttons at the lower right."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from PySide6.QtCore import Qt
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import QDialog, QHBoxLayout, QPushButton, QVBoxLayout, QWidget

from viewer.app.i18n import tr
from viewer.app.theme import theme
from viewer.app.views.parts import button, label

if TYPE_CHECKING:
    from viewer.app.window import MainWindow


class Dialog(QDialog):
    """A dialog of the window.  `manual_page` is the page of the manual that F1 opens."""

    manual_page = "window"

    def __init__(self, window: MainWindow, title: str, *, size: tuple[int, int] = (560, 420), modal: bool = False) -> None:
        super().__init__(window)
        self.window_ = window
        self.setWindowTitle(title)
        self.setAccessibleName(title)
        self.resize(*size)
        self.setModal(modal)
        self._outer = QVBoxLayout(self)
        self._outer.setContentsMargins(16, 16, 16, 16)
        self._outer.setSpacing(12)
        self._buttons = QHBoxLayout()
        self._buttons.setSpacing(8)
        self._buttons.addStretch(1)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.key() == Qt.Key.Key_F1:
            self.window_.open_manual(self.manual_page)
        else:
            super().keyPressEvent(event)

    def fill(self, *parts: QWidget | int | None) -> None:
        """Put the body in; the buttons come below."""
        for part in parts:
            if part is None:
                self._outer.addStretch(1)
            elif isinstance(part, int):
                self._outer.addSpacing(part)
            else:
                self._outer.addWidget(part)
        self._outer.addLayout(self._buttons)

    def add_button(self, text: str, run: Callable[[], object], *, main: bool = False) -> QPushButton:
        """Add a button at the lower right."""
        made = button(text, run, main=main)
        self._buttons.addWidget(made)
        return made

    def add_closing(self) -> QPushButton:
        """Add the button that closes."""
        return self.add_button(tr("Close"), self.reject)


def quiet(text: str) -> QWidget:
    """Return a wrapped line of quiet text."""
    made = label(text, kind="quiet", wrap=True)
    made.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
    return made


def trouble_style(bad: bool) -> str:
    """Return the style of a line that tells what is wrong with what was typed."""
    return f"color: {theme().text}; font-weight: 600;" if bad else f"color: {theme().quiet};"


__all__ = ["Dialog", "quiet", "trouble_style"]

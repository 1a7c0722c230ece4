"""A short word at the lower edge of the window, gone after some seconds."""

from __future__ import annotations

from PySide6.QtCore import QTimer
from PySide6.QtWidgets import QLabel, QWidget

from viewer.app import theme


class Toast(QLabel):
    """Words over the window's lower edge; trouble carries a sign and stays longer."""

    def __init__(self, parent: QWidget) -> None:
        super().__init__("", parent)
        self._host = parent
        self.setObjectName("toast")
        self.setWordWrap(True)
        self._timer = QTimer(self)
        self._timer.setSingleShot(True)
        self._timer.timeout.connect(self.hide)
        self.hide()

    def show_words(self, text: str, ms: int, *, trouble: bool = False) -> None:
        """Show `text` for `ms` milliseconds."""
        look, host = theme.theme(), self._host
        edge = theme.state_color("trouble").name() if trouble else look.strong
        self.setStyleSheet(
            f"#toast {{ background: {look.raised}; color: {look.text}; border: 1px solid {edge}; border-left: 4px solid {edge};"
            f" border-radius: 4px; padding: 8px 12px; }}"
        )
        self.setText(("⚠ " if trouble else "") + text)
        self.setAccessibleName(text)
        self.setFixedWidth(min(560, max(220, host.width() - 64)))
        self.adjustSize()
        self.move((host.width() - self.width()) // 2, host.height() - self.height() - 24)
        self.show()
        self.raise_()
        self._timer.start(ms)


__all__ = ["Toast"]

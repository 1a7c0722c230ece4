"""What all command classes share."""

from __future__ import annotations

from typing import TYPE_CHECKING

from viewer.app.model.document import Document
from viewer.app.model.player import Player
from viewer.app.model.stage import Stage

if TYPE_CHECKING:
    from viewer.app.window import MainWindow


class Commands:
    """A group of actions of one window."""

    def __init__(self, window: MainWindow) -> None:
        self.window = window

    @property
    def document(self) -> Document:
        """The document of the window."""
        return self.window.document

    @property
    def stage(self) -> Stage:
        """What the window shows."""
        return self.window.stage

    @property
    def player(self) -> Player:
        """The scene's clock."""
        return self.window.player


__all__ = ["Commands"]

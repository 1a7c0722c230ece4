"""Undo and redo: a list of sessions, since each is one immutable tree."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

from viewer.session.model import Session


@dataclass(frozen=True, slots=True)
class Step:
    """One state and the name of the edit that led to it."""

    session: Session
    label: str


class History:
    """The states of one document.

    Parameters
    ----------
    session : Session
        The state as opened.
    limit : int
        How many steps back are kept.

    Attributes
    ----------
    whole : bool
        Whether every edit can still be taken back: none was forgotten beyond the limit.
    """

    def __init__(self, session: Session, *, limit: int = 500) -> None:
        self._steps = [Step(session, "")]
        self._at = 0
        self._limit = limit
        self.whole = True
        self._saved: Session | None = session
        self._merge_key: str | None = None
        self._merge_until = 0.0

    @property
    def session(self) -> Session:
        """The state now."""
        return self._steps[self._at].session

    @property
    def can_undo(self) -> bool:
        """Whether there is an edit to take back."""
        return self._at > 0

    @property
    def can_redo(self) -> bool:
        """Whether there is an edit to make again."""
        return self._at + 1 < len(self._steps)

    @property
    def undo_label(self) -> str:
        """Name of the edit that `undo` takes back."""
        return self._steps[self._at].label if self.can_undo else ""

    @property
    def redo_label(self) -> str:
        """Name of the edit that `redo` makes again."""
        return self._steps[self._at + 1].label if self.can_redo else ""

    @property
    def dirty(self) -> bool:
        """Whether the state differs from the one last marked saved."""
        return self.session is not self._saved

    def push(self, session: Session, label: str, *, merge: str | None = None) -> Session:
        """Add a state; what could be redone is gone.

        Edits with the same `merge` key within a second count as one (dragging, typing).
        """
        if session == self.session:
            return self.session
        now = time.monotonic()
        joins = (
            merge is not None and merge == self._merge_key and now < self._merge_until and not self.can_redo and self.can_undo
        )
        del self._steps[self._at + 1 :]
        if joins and self._steps[self._at].session is not self._saved:
            self._steps[self._at] = Step(session, label)
        else:
            self._steps.append(Step(session, label))
        self._merge_key, self._merge_until = merge, now + 1.0
        excess = len(self._steps) - 1 - self._limit
        if excess > 0:
            del self._steps[:excess]
            self.whole = False
        self._at = len(self._steps) - 1
        return session

    def undo(self) -> Session:
        """Go one step back, if there is one; return the state."""
        self._merge_key = None
        self._at = max(0, self._at - 1)
        return self.session

    def redo(self) -> Session:
        """Go one step forward, if there is one; return the state."""
        self._merge_key = None
        self._at = min(len(self._steps) - 1, self._at + 1)
        return self.session

    def change_all(self, change: Callable[[Session], Session]) -> Session:
        """Change every state that is kept, so that undo and redo stay true to what happened outside; return the state."""
        self._steps = [Step(change(step.session), step.label) for step in self._steps]
        self._merge_key = None
        return self.session

    def mark_saved(self) -> None:
        """The state now is the one on disk."""
        self._saved = self.session


__all__ = ["History", "Step"]

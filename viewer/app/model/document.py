"""The session that is open: its history, its file, its autosave."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path

from PySide6.QtCore import QObject, QTimer, Signal

from viewer.app.i18n import tr
from viewer.app.jobs import error_words
from viewer.errors import SessionError, ViewerError
from viewer.session import store
from viewer.session.history import History
from viewer.session.model import Clip, FileRef, Session, new_session

AUTOSAVE_MS = 2000


class Document(QObject):
    """One open session.  Every edit goes through `edit`, so that it can be undone, autosaved and shown."""

    changed = Signal(object, object)  # session before, session now
    path_changed = Signal()
    trouble = Signal(str)

    def __init__(self, session: Session | None = None, path: Path | None = None, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.history = History(session or fresh_session())
        self.path = path
        self._timer = QTimer(self)
        self._timer.setSingleShot(True)
        self._timer.setInterval(AUTOSAVE_MS)
        self._timer.timeout.connect(self.autosave)
        self._lock: contextlib.ExitStack | None = None

    @property
    def session(self) -> Session:
        """The state now."""
        return self.history.session

    @property
    def dirty(self) -> bool:
        """Whether there are edits that are not in the file."""
        return self.history.dirty

    @property
    def folder(self) -> Path:
        """The folder that file references are relative to."""
        return self.path.parent if self.path else Path.home()

    @property
    def title(self) -> str:
        """The name to show."""
        return self.path.stem if self.path else self.session.title

    # --- editing ---

    def edit(self, session: Session, label: str, *, merge: str | None = None) -> None:
        """Make `session` the state now; `label` names the edit in the undo list."""
        before = self.session
        self.history.push(session, label, merge=merge)
        if self.session is not before:
            self._after(before)

    def change(self, function: Callable[[Session], Session], label: str, *, merge: str | None = None) -> None:
        """Edit by a function of the state now."""
        self.edit(function(self.session), label, merge=merge)

    def undo(self) -> None:
        """Take the last edit back."""
        before = self.session
        self.history.undo()
        self._after(before)

    def redo(self) -> None:
        """Make the edit taken back again."""
        before = self.session
        self.history.redo()
        self._after(before)

    def _after(self, before: Session) -> None:
        if before is self.session:
            return
        self._timer.start()
        self.changed.emit(before, self.session)

    # --- files ---

    def open(self, path: Path) -> None:
        """Open a session file in place of the one that is open."""
        session = store.load(path)
        lock = self._take_lock(path)
        self._replace(session, path, lock)
        store.sweep(path.parent)
        store.remember(path)

    def recover(self, recovery: store.Recovery) -> None:
        """Go on with an autosaved session: it counts as edited since the last save."""
        lock = self._take_lock(recovery.original) if recovery.original else None
        self._replace(recovery.session, recovery.original, lock)
        self.history = History(recovery.session)
        self.history._saved = None
        self.path_changed.emit()

    def start_new(self, session: Session | None = None) -> None:
        """Begin with an empty session, or with one that was never saved."""
        self._replace(session or fresh_session(), None, None)

    def _replace(self, session: Session, path: Path | None, lock: contextlib.ExitStack | None) -> None:
        before = self.session
        self._timer.stop()
        store.discard(before)
        self._release()
        self._lock = lock
        self.history, self.path = History(session), path
        self.path_changed.emit()
        self.changed.emit(before, session)

    def _take_lock(self, path: Path) -> contextlib.ExitStack | None:
        if self.path is not None and path.resolve() == self.path.resolve() and self._lock is not None:
            stack, self._lock = self._lock, None
            return stack
        stack = contextlib.ExitStack()
        stack.enter_context(store.locked(path))
        return stack

    def _release(self) -> None:
        if self._lock is not None:
            self._lock.close()
            self._lock = None

    def save(self, path: Path | None = None) -> Path:
        """Write the session; file references move with it."""
        target = path or self.path
        if target is None:
            raise SessionError(tr("the session has no name yet."), hint=tr("Choose where to save it."))
        if not target.suffix:
            target = target.with_suffix(store.ENDING)
        session, old = self.session, self.folder
        moved = target.parent.resolve() != old.resolve()
        if moved:
            session = rebase(session, old, target.parent)
        if self.path is None or target.resolve() != self.path.resolve():
            lock = self._take_lock(target)
            self._release()
            self._lock = lock
        store.save(session, target)
        if moved:
            # All that can be undone moves as well: its clips would be looked for beside the new file.
            before, known = self.session, dict[FileRef, FileRef]()
            self.history.change_all(lambda state: rebase(state, old, target.parent, known))
            _keep_trust(old, known)
            self.path = target
            self.changed.emit(before, self.session)
        self.path = target
        self.history.mark_saved()
        self._timer.stop()
        store.discard(session)
        store.remember(target)
        self.path_changed.emit()
        return target

    def autosave(self) -> None:
        """Write the session aside; trouble is told once and never stops the work."""
        try:
            store.autosave(self.session, self.path)
        except (ViewerError, OSError) as error:
            self.trouble.emit(error_words(error))

    def flush(self) -> None:
        """Autosave at once if an autosave is due."""
        if self._timer.isActive():
            self._timer.stop()
            self.autosave()

    def close(self, *, keep_recovery: bool = False) -> None:
        """Let go of the file, and of the autosaved copy unless it is to be kept."""
        self._timer.stop()
        if not keep_recovery:
            with contextlib.suppress(OSError, ViewerError):
                store.discard(self.session)
        self._release()

    def files_of(self, clip: Clip) -> list[Path]:
        """Return where a clip's files are; `SessionError` if one is missing."""
        return [store.resolve(self.folder, ref) for ref in clip.files]


def fresh_session() -> Session:
    """Return an empty session with today's date."""
    return new_session(tr("Untitled comparison"), created=time.strftime("%Y-%m-%d"))


def _keep_trust(folder: Path, refs: Iterable[FileRef]) -> None:
    """Let the clips that could be opened from `folder` be opened from any: it was this user who moved the session."""
    found = []
    for ref in refs:
        with contextlib.suppress(ViewerError):
            found.append(store.resolve(folder, ref))
    if found:
        store.trust(*found)


def rebase(session: Session, old: Path, new: Path, known: dict[FileRef, FileRef] | None = None) -> Session:
    """Return the session with its file references relative to another folder; `known` keeps those that were worked out."""
    base, start = new.resolve(), old.resolve()
    known = {} if known is None else known
    clips = []
    for clip in session.clips:
        for ref in clip.files:
            if ref not in known:
                full = (start / ref.path).resolve()
                name = full.relative_to(base).as_posix() if full.is_relative_to(base) else full.as_posix()
                known[ref] = replace(ref, path=name)
        clips.append(replace(clip, files=tuple(known[ref] for ref in clip.files)))
    return replace(session, clips=tuple(clips))


__all__ = ["AUTOSAVE_MS", "Document", "fresh_session", "rebase"]

"""The queue of videos to be written: kept in a file, so that work that was cut short goes on where it stopped."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, Literal

from viewer import __version__
from viewer.errors import SessionError
from viewer.publish.footage import FootageSpec
from viewer.publish.images import write_file
from viewer.session.model import Session
from viewer.session.store import dumps, file_hash

State = Literal["waiting", "done", "failed"]
SCHEMA = "gloaming/queue/1"


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One video: its file name, the key of all that it is made from, and how far it is."""

    file: str
    key: str
    state: State = "waiting"
    sha256: str = ""
    trouble: str = ""


def key_of(session: Session, spec: FootageSpec) -> str:
    """Return a key of all that a video shows: the wish, and what the session holds of its scene."""
    others = [scene.id for scene in session.scenes if scene.id != spec.scene]
    wish = json.dumps({**asdict(spec), "rate": str(spec.rate)}, sort_keys=True, default=str)
    text = "\n".join([__version__, wish, dumps(replace(session, stills=()).drop(*others))])
    return hashlib.sha256(text.encode("utf-8")).hexdigest()[:24]


class Queue:
    """Reads and keeps the state of a folder's videos.

    Parameters
    ----------
    path : Path
        The queue's file; its videos lie beside it.  A file that is broken or of another version counts as empty.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._items: dict[str, Item] = {}
        try:
            document = json.loads(path.read_text(encoding="utf-8"))
            if document["schema"] == SCHEMA:
                self._items = {item["file"]: Item(**item) for item in document["items"]}
        except (OSError, ValueError, KeyError, TypeError):
            self._items = {}

    def __iter__(self) -> Iterator[Item]:
        return iter(self._items.values())

    def plan(self, wanted: dict[str, str]) -> None:
        """Take the videos of this run, file name -> key; what is done under the same key stays done."""
        for file, key in wanted.items():
            if not self.done(file, key):
                self._items[file] = Item(file=file, key=key)
        self._save()

    def done(self, file: str, key: str) -> bool:
        """Whether this very video was written before and is still there, unchanged."""
        item = self._items.get(file)
        if item is None or item.key != key or item.state != "done":
            return False
        try:
            return file_hash(self._path.parent / file) == item.sha256
        except (OSError, SessionError):
            return False

    def mark(self, file: str, state: State, trouble: str = "") -> None:
        """Note how a video came out.

        Raises
        ------
        PublishError
            If the queue cannot be written.
        """
        digest = file_hash(self._path.parent / file) if state == "done" else ""
        self._items[file] = replace(self._items[file], state=state, sha256=digest, trouble=trouble)
        self._save()

    def _save(self) -> None:
        document: dict[str, Any] = {"schema": SCHEMA, "items": [asdict(item) for item in self._items.values()]}
        write_file(self._path, (json.dumps(document, indent=1, ensure_ascii=False) + "\n").encode("utf-8"))


__all__ = ["Item", "Queue", "key_of"]

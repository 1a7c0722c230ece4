"""What was learnt about files, kept between runs: content hashes by file stamp, frame indexes and clip levels by content.

One SQLite file in the user's cache folder.  It is only ever a shortcut: whatever goes wrong with it, the answer is made anew.
A writer that is killed leaves the last whole transaction.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
import threading
import time
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

from platformdirs import user_cache_dir

from viewer.media.watch import beat

T = TypeVar("T")

VERSION = 1
MAX_ENTRIES = 4000
MAX_BYTES = 64 * 2**20
USED_EVERY_S = 3600.0
HASH_BLOCK = 1 << 20
_lock = threading.Lock()


def cache_file() -> Path:
    """Return the place of the cache."""
    return Path(user_cache_dir("gloaming", appauthor=False)) / f"media-{VERSION}.sqlite"


def _connect() -> sqlite3.Connection:
    path = cache_file()
    path.parent.mkdir(parents=True, exist_ok=True)
    link = sqlite3.connect(path, timeout=2.0, isolation_level=None)
    try:
        link.execute("PRAGMA journal_mode=WAL")
        link.execute("PRAGMA synchronous=NORMAL")
        link.execute("CREATE TABLE IF NOT EXISTS entries (key TEXT PRIMARY KEY, used REAL, size INTEGER, value BLOB)")
    except BaseException:
        link.close()
        raise
    return link


def _guarded(work: Callable[[sqlite3.Connection], T], default: T) -> T:
    """Run `work` on the cache; a damaged cache is thrown away, any other trouble gives `default`."""
    try:
        with _lock:
            link = _connect()
            try:
                return work(link)
            finally:
                link.close()
    except sqlite3.DatabaseError as error:
        if not isinstance(error, sqlite3.OperationalError):
            clear()
        return default
    except OSError:
        return default


def clear() -> None:
    """Throw the cache away."""
    base = cache_file()
    for path in (base, base.with_name(base.name + "-wal"), base.with_name(base.name + "-shm")):
        try:
            path.unlink(missing_ok=True)
        except OSError:
            pass


def load(key: str) -> bytes | None:
    """Return what was stored under a key, or None."""

    def work(link: sqlite3.Connection) -> bytes | None:
        row = link.execute("SELECT value, used FROM entries WHERE key = ?", (key,)).fetchone()
        if row is None:
            return None
        if time.time() - row[1] > USED_EVERY_S:
            link.execute("UPDATE entries SET used = ? WHERE key = ?", (time.time(), key))
        return bytes(row[0])

    return _guarded(work, None)


def store(key: str, value: bytes) -> None:
    """Store a value; the entries longest unused give way when the cache is full."""

    def work(link: sqlite3.Connection) -> None:
        if len(value) > MAX_BYTES // 4:
            return
        link.execute("BEGIN IMMEDIATE")
        link.execute("INSERT OR REPLACE INTO entries VALUES (?, ?, ?, ?)", (key, time.time(), len(value), value))
        count, size = link.execute("SELECT COUNT(*), COALESCE(SUM(size), 0) FROM entries").fetchone()
        while count > MAX_ENTRIES or size > MAX_BYTES:
            old = link.execute("SELECT key, size FROM entries ORDER BY used LIMIT 64").fetchall()
            link.executemany("DELETE FROM entries WHERE key = ?", [(name,) for name, _ in old])
            count, size = count - len(old), size - sum(length for _, length in old)
        link.execute("COMMIT")

    _guarded(work, None)


def load_json(key: str) -> Any:
    """Return stored JSON data, None if there is none or it is damaged."""
    raw = load(key)
    if raw is None:
        return None
    try:
        return json.loads(zlib.decompress(raw))
    except (zlib.error, ValueError):
        return None


def store_json(key: str, value: Any) -> None:
    """Store JSON data."""
    store(key, zlib.compress(json.dumps(value).encode("utf-8"), 3))


def content_hash(path: Path, *, progress: Callable[[int, int], None] | None = None) -> str:
    """Return the SHA-256 of a file; read again only when its size, times or place on the disk changed."""
    stat = path.stat()
    stamp = f"hash:{stat.st_dev}:{stat.st_ino}:{stat.st_size}:{stat.st_mtime_ns}:{stat.st_ctime_ns}"
    known = load_json(stamp)
    if isinstance(known, str) and len(known) == 64:
        return known
    total = hashlib.sha256()
    block = bytearray(HASH_BLOCK)
    view = memoryview(block)
    with path.open("rb", buffering=0) as stream:
        done = 0
        while size := stream.readinto(block):
            total.update(view[:size])
            done += size
            beat()
            if progress is not None:
                progress(done, stat.st_size)
    found = total.hexdigest()
    store_json(stamp, found)
    return found


__all__ = ["cache_file", "clear", "content_hash", "load", "load_json", "store", "store_json"]

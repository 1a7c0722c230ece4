"""Session files: checked when read, written whole or not at all.

A session file is data.  It cannot run code or reach a network, and the clips that it names are looked for inside its own
folder; a clip elsewhere is opened only if this user put it there (`trust`) or says so.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import tempfile
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from functools import cache
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import TYPE_CHECKING, Any

from viewer.errors import SessionError
from viewer.session.migrate import migrate
from viewer.session.model import FileRef, Session

if TYPE_CHECKING:
    from pydantic import TypeAdapter

ENDING = ".gloam"
MOST_BYTES = 64 * 2**20
_HASH_BLOCK = 1 << 20


@cache
def _adapter() -> TypeAdapter[Session]:
    from pydantic import TypeAdapter

    return TypeAdapter(Session)


def dumps(session: Session) -> str:
    """Return the session as JSON text with a stable order of members."""
    return json.dumps(asdict(session), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def loads(text: str, *, where: str = "session") -> Session:
    """Return the session that JSON text holds.

    Raises
    ------
    SessionError
        If it is not JSON, not a session, newer than this program, or has faults; up to three faults are named with their
        place.
    """
    from pydantic import ValidationError

    try:
        raw = json.loads(text, parse_constant=_no_constant)
    except (ValueError, RecursionError) as error:
        raise SessionError(f"the file is damaged ({error}).", where=where, hint="Open a backup or a recovered copy.") from error
    if not isinstance(raw, dict):
        raise SessionError("this is not a Gloaming session.", where=where)
    try:
        session = _adapter().validate_python(migrate(raw, where=where))
    except ValidationError as error:
        faults = [f"{'.'.join(str(part) for part in fault['loc'])}: {fault['msg']}" for fault in error.errors()]
        more = f" and {len(faults) - 3} more" if len(faults) > 3 else ""
        raise SessionError("; ".join(faults[:3]) + more + ".", where=where, hint="Open a backup or mend the file.") from None
    _check_links(session, where)
    return session


def _no_constant(text: str) -> float:
    raise ValueError(f"{text} is not a number that JSON knows")


def _check_links(session: Session, where: str) -> None:
    """Every id is unique in its kind, and whatever is referred to exists."""
    kinds = ("devices", "scenes", "clips", "regions", "requests", "notes", "markers", "stills")
    known: dict[str, set[str]] = {}
    faults = []
    for kind in kinds:
        idents = [item.id for item in getattr(session, kind)]
        known[kind] = set(idents)
        faults += [f"{kind}: id {ident!r} stands twice" for ident in known[kind] if idents.count(ident) > 1]
    for kind in ("clips", "regions", "requests", "notes", "markers", "stills"):
        faults += [
            f"{kind}.{item.id}: scene {item.scene!r} is unknown"
            for item in getattr(session, kind)
            if item.scene not in known["scenes"]
        ]
    faults += [
        f"clips.{clip.id}: device {clip.device!r} is unknown"
        for clip in session.clips
        if clip.device is not None and clip.device not in known["devices"]
    ]
    faults += [
        f"requests.{request.id}: region {ident!r} is unknown"
        for request in session.requests
        for idents in request.regions.values()
        for ident in idents
        if ident not in known["regions"]
    ]
    if faults:
        more = f" and {len(faults) - 3} more" if len(faults) > 3 else ""
        raise SessionError("; ".join(faults[:3]) + more + ".", where=where, hint="Open a backup or mend the file.")


def load(path: Path | str) -> Session:
    """Read a session file.

    Raises
    ------
    SessionError
        If the file cannot be read or holds no valid session (see `loads`).
    """
    path = Path(path)
    try:
        size = path.stat().st_size
        if size > MOST_BYTES:
            raise SessionError(f"the file has {size} bytes, more than any session.", where=path.name)
        text = path.read_text(encoding="utf-8")
    except UnicodeDecodeError as error:
        raise SessionError("this is not a Gloaming session (not text).", where=path.name) from error
    except OSError as error:
        if isinstance(error, SessionError):
            raise
        raise SessionError(
            f"cannot be read ({error.strerror}).", where=str(path), hint="Check the name and the disk."
        ) from error
    return loads(text, where=path.name)


def save(session: Session, path: Path | str) -> Path:
    """Write a session file: the old file stays whole until the new one is complete on disk.

    Raises
    ------
    SessionError
        If the place cannot be written (read-only, full, unplugged); nothing is lost then.
    """
    path = Path(path)
    write_whole(path, dumps(session).encode("utf-8"))
    return path


def write_whole(path: Path, data: bytes) -> None:
    """Write `data` under a temporary name beside `path`, flush it to disk, then take the name in one step."""
    try:
        handle, name = tempfile.mkstemp(prefix=f".{path.name}.{os.getpid()}-", suffix=".tmp", dir=path.parent)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            with contextlib.suppress(OSError):
                os.chmod(name, path.stat().st_mode if path.exists() else 0o644)
            os.replace(name, path)
        except BaseException:
            with contextlib.suppress(OSError):
                os.unlink(name)
            raise
        _sync_folder(path.parent)
    except OSError as error:
        raise SessionError(
            f"cannot be written ({error.strerror}).", where=str(path), hint="Nothing is lost: save to another place."
        ) from error


def _sync_folder(folder: Path) -> None:
    if os.name != "posix":
        return
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def sweep(folder: Path, *, older_than_s: float = 3600.0) -> int:
    """Remove temporary files that a killed writer left in `folder`; return how many."""
    count = 0
    for stray in folder.glob(f".*{ENDING}.*.tmp"):
        with contextlib.suppress(OSError):
            if time.time() - stray.stat().st_mtime > older_than_s:
                stray.unlink()
                count += 1
    return count


# --- sources -------------------------------------------------------------------------------------------------------


def file_hash(path: Path | str) -> str:
    """Return the SHA-256 of a file's bytes, as hexadecimal text."""
    digest = hashlib.sha256()
    try:
        with open(path, "rb") as file:
            while block := file.read(_HASH_BLOCK):
                digest.update(block)
    except OSError as error:
        raise SessionError(f"cannot be read ({error.strerror}).", where=str(path)) from error
    return digest.hexdigest()


def refer(path: Path | str, folder: Path | str) -> FileRef:
    """Return the reference to a source file: relative to the session's folder where it lies inside, with its hash."""
    full, base = Path(path).resolve(), Path(folder).resolve()
    name = full.relative_to(base).as_posix() if full.is_relative_to(base) else full.as_posix()
    return FileRef(path=name, sha256=file_hash(full), size=full.stat().st_size)


def resolve(folder: Path | str, ref: FileRef, *, allow_outside: bool = False) -> Path:
    """Return where a source file is.

    Raises
    ------
    SessionError
        If the file is missing, or lies outside the session's folder and neither this user put it there (`trust`) nor
        `allow_outside` says so; a network share is never reached for.
    """
    base = Path(folder).resolve()
    text = ref.path
    if text.startswith(("\\\\", "//")) or "\0" in text or "://" in text:
        raise SessionError(
            f"{text!r} is not a local file.", where="session", hint="Copy the clip beside the session and link it again."
        )
    foreign = PureWindowsPath(text).is_absolute() and not PurePosixPath(text).is_absolute() and os.name != "nt"
    full = base / PureWindowsPath(text).name if foreign else (base / text).resolve()
    outside = not full.is_relative_to(base)
    if outside and not allow_outside and str(full) not in trusted():
        raise SessionError(
            f"the session wants {full}, outside its own folder.",
            where=ref.path,
            hint="Link the clip yourself in the window, or allow it with --allow-outside.",
        )
    if not full.is_file():
        raise SessionError("the file is missing.", where=str(full), hint="Link it again; it is known by its contents.")
    return full


def find_moved(ref: FileRef, folders: list[Path], *, most_files: int = 20_000) -> Path | None:
    """Return the file below `folders` with the size and hash of `ref`, or None."""
    seen = 0
    for folder in folders:
        for path in sorted(folder.rglob("*")):
            seen += 1
            if seen > most_files:
                return None
            with contextlib.suppress(OSError):
                if path.is_file() and path.stat().st_size == ref.size and file_hash(path) == ref.sha256:
                    return path
    return None


# --- this user's state: trusted places, recovery, recent files, locks ------------------------------------------------


def state_folder() -> Path:
    """Return the folder of this user's state, made if need be."""
    from platformdirs import user_state_path

    folder = user_state_path("gloaming", appauthor=False)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise SessionError(f"cannot be made ({error.strerror}).", where=str(folder)) from error
    return folder


def _read_list(name: str) -> list[str]:
    try:
        data: Any = json.loads((state_folder() / name).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return []
    return [item for item in data if isinstance(item, str)] if isinstance(data, list) else []


def trusted() -> frozenset[str]:
    """Return the files outside session folders that this user linked."""
    return frozenset(_read_list("trusted.json"))


def trust(*paths: Path) -> None:
    """Remember that this user linked these files."""
    names = list(dict.fromkeys([*_read_list("trusted.json"), *(str(path.resolve()) for path in paths)]))
    write_whole(state_folder() / "trusted.json", json.dumps(names[-5000:]).encode())


def recent() -> list[Path]:
    """Return the sessions opened last, newest first, those that still exist."""
    return [Path(name) for name in _read_list("recent.json") if Path(name).is_file()]


def remember(path: Path) -> None:
    """Put a session at the head of the recent ones."""
    names = list(dict.fromkeys([str(path.resolve()), *_read_list("recent.json")]))
    write_whole(state_folder() / "recent.json", json.dumps(names[:20]).encode())


@dataclass(frozen=True, kw_only=True)
class Recovery:
    """An autosaved session that was not closed in order.  `original` is None if it was never saved."""

    session: Session
    original: Path | None
    saved_at: float
    path: Path


def autosave(session: Session, original: Path | None) -> Path:
    """Write the session aside; `discard` removes it after an ordinary save or close."""
    folder = state_folder() / "recovery"
    folder.mkdir(parents=True, exist_ok=True)
    wrapper = {"original": str(original.resolve()) if original else None, "session": asdict(session)}
    path = folder / (hashlib.sha256(session.id.encode()).hexdigest()[:24] + ".json")
    write_whole(path, json.dumps(wrapper, ensure_ascii=False, allow_nan=False).encode("utf-8"))
    return path


def discard(session: Session) -> None:
    """Remove the autosaved copy of a session."""
    path = state_folder() / "recovery" / (hashlib.sha256(session.id.encode()).hexdigest()[:24] + ".json")
    with contextlib.suppress(OSError):
        path.unlink()


def recoveries() -> list[Recovery]:
    """Return the sessions that can be recovered, newest first; unreadable ones are passed over."""
    found = []
    for path in (state_folder() / "recovery").glob("*.json"):
        try:
            wrapper = json.loads(path.read_text(encoding="utf-8"))
            session = loads(json.dumps(wrapper["session"]), where=path.name)
            original = Path(wrapper["original"]) if wrapper["original"] else None
            found.append(Recovery(session=session, original=original, saved_at=path.stat().st_mtime, path=path))
        except (OSError, ValueError, KeyError, TypeError):
            continue
    return sorted(found, key=lambda recovery: -recovery.saved_at)


@contextlib.contextmanager
def locked(path: Path, *, timeout_s: float = 0.0) -> Iterator[None]:
    """Hold the session file for this process.

    Raises
    ------
    SessionError
        If another process holds it.
    """
    from filelock import FileLock, Timeout

    folder = state_folder() / "locks"
    folder.mkdir(parents=True, exist_ok=True)
    lock = FileLock(folder / (hashlib.sha256(str(path.resolve()).encode()).hexdigest()[:24] + ".lock"))
    try:
        with lock.acquire(timeout=timeout_s):
            yield
    except Timeout as error:
        raise SessionError(
            "is open in another Gloaming.", where=path.name, hint="Close it there, or save under another name."
        ) from error


__all__ = [
    "ENDING",
    "MOST_BYTES",
    "Recovery",
    "autosave",
    "discard",
    "dumps",
    "file_hash",
    "find_moved",
    "load",
    "loads",
    "locked",
    "recent",
    "recoveries",
    "refer",
    "remember",
    "resolve",
    "save",
    "state_folder",
    "sweep",
    "trust",
    "trusted",
    "write_whole",
]

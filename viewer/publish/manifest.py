"""The manifest: what was made from what, by which versions, so that anyone with the clips can make the numbers again."""

from __future__ import annotations

import hashlib
import json
import os
import platform
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from viewer import __version__
from viewer.errors import PublishError, SessionError
from viewer.measure.readings import Verdict
from viewer.session import store
from viewer.session.model import Session, StoredReading
from viewer.tasks.document import Result
from viewer.tasks.session import measure_session

SCHEMA = "gloaming/manifest/1"
# Other processors and libraries round differently; a number must come back within a hundredth of its own interval.
SHARE_OF_INTERVAL = 0.01
RELATIVE = 1e-6
LIBRARIES = ("numpy", "scipy", "av", "opencv-python-headless", "PySide6", "PySide6_Essentials", "matplotlib", "typst", "pillow")


def versions() -> dict[str, str]:
    """Return the versions of what the numbers rest on."""
    found = {"gloaming": __version__, "python": platform.python_version(), "system": platform.system()}
    for name in LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            continue
    return found


def manifest_json(session: Session, folder: Path, out: Path, products: Iterable[Path], settings: dict[str, Any]) -> str:
    """Return the manifest of a set of products in `out`.

    The whole session is inside, its clips named by relative path and hash; no absolute path and no private data.
    """
    clips = [{"path": ref.path, "sha256": ref.sha256, "bytes": ref.size} for clip in session.clips for ref in clip.files]
    document = {
        "schema": SCHEMA,
        "versions": versions(),
        "settings": settings,
        "seeds": "none: no measure draws random numbers without a fixed seed of its own",
        "clips_folder": _relative(folder, out),
        "clips": clips,
        "products": [
            {"file": path.relative_to(out).as_posix(), "sha256": store.file_hash(path), "bytes": path.stat().st_size}
            for path in products
        ],
        "tolerance": {"share_of_interval": SHARE_OF_INTERVAL, "relative": RELATIVE},
        "session": json.loads(store.dumps(session)),
    }
    return json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _relative(folder: Path, out: Path) -> str:
    """Return where the clips are as seen from `out`; empty where the way there would tell about the disk."""
    try:
        way = Path(os.path.relpath(folder.resolve(), out.resolve())).as_posix()
    except ValueError:
        return ""
    return way if all(part == ".." for part in Path(way).parts) and way.count("..") <= 3 else ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One number (or file) made again."""

    what: str
    state: str
    before: str = ""
    after: str = ""

    def to_json(self) -> dict[str, str]:
        """Return plain data."""
        return {"what": self.what, "state": self.state, "before": self.before, "after": self.after}


def read_manifest(path: Path) -> dict[str, Any]:
    """Return a manifest.

    Raises
    ------
    PublishError
        If it cannot be read or is none.
    """
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise PublishError(f"cannot be read ({error.strerror}).", where=str(path), hint="Check the name.") from error
    except ValueError as error:
        raise PublishError("this is no manifest (not JSON).", where=path.name) from error
    if not isinstance(document, dict) or document.get("schema") != SCHEMA or "session" not in document:
        raise PublishError(
            "this is no manifest of this version.", where=path.name, hint="Name the manifest.json of a published folder."
        )
    return document


def check_manifest(
    path: Path,
    *,
    clips: Path | None = None,
    allow_outside: bool = False,
    progress: Callable[[int, int], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> Result:
    """Make the numbers of a manifest again and compare.

    Parameters
    ----------
    clips : Path, optional
        Folder of the clips; by default where the manifest says.

    Returns
    -------
    Result
        Verdict word ``match`` or ``mismatch`` (or ``cannot tell`` if a number could not be made again); extras ``lines``:
        what, state (match / mismatch / missing), before, after.
    """
    document = read_manifest(path)
    try:
        session = store.loads(json.dumps(document["session"]), where=path.name)
    except SessionError as error:
        raise PublishError(error.what, where=path.name, hint="The manifest was changed or cut.") from error
    way = str(document.get("clips_folder", ""))
    if clips is None and not way:
        raise PublishError(
            "the manifest does not say where its clips are.", where=path.name, hint="Name them with --clips DIR."
        )
    folder = clips if clips is not None else (path.resolve().parent / way)
    lines = [*_check_clips(session, folder, allow_outside), *_check_products(document, path.resolve().parent)]
    run = measure_session(session, folder, allow_outside=allow_outside, progress=progress, cancelled=cancelled)
    fresh = {reading.id: reading for reading in run.session.readings}
    names = {request.id: request.measure for request in session.requests}
    for reading in session.readings:
        what = f"{session.clip(reading.clip).name}: {names.get(reading.request, '')} {reading.name} of {reading.of}"
        lines.append(compare(what, reading, fresh.get(reading.id)))
    return Result(
        command="publish --check",
        verdict=_verdict(lines),
        warnings=(*_changes(document.get("versions")), *(trouble.what for trouble in run.troubles)),
        extras={"lines": [line.to_json() for line in lines], "versions": {"then": document.get("versions"), "now": versions()}},
    )


def compare(what: str, before: StoredReading, after: StoredReading | None) -> Line:
    """Return whether a reading came back: equal state, and value and interval ends within the tolerance."""
    if after is None:
        return Line(what=what, state="missing", before=_words(before))
    same = before.state == after.state and all(
        _close(a, b, _allowed(before))
        for a, b in ((before.value, after.value), (before.low, after.low), (before.high, after.high))
    )
    return Line(what=what, state="match" if same else "mismatch", before=_words(before), after=_words(after))


def _allowed(reading: StoredReading) -> float:
    half = 0.5 * (reading.high - reading.low) if reading.low is not None and reading.high is not None else 0.0
    return max(SHARE_OF_INTERVAL * half, RELATIVE * abs(reading.value or 0.0), 1e-12)


def _close(first: float | None, second: float | None, allowed: float) -> bool:
    if first is None or second is None:
        return first is None and second is None
    return abs(first - second) <= allowed


def _words(reading: StoredReading) -> str:
    """Return a number with its interval, so that a change of either shows."""
    if reading.value is None:
        return f"refused: {reading.reason}" if reading.reason else "refused"
    unit = "" if reading.unit == "1" else f" {reading.unit}"
    span = f" [{reading.low:.6g}, {reading.high:.6g}]" if reading.low is not None and reading.high is not None else ""
    return f"{reading.value:.8g}{span}{unit}" + ("" if reading.state == "measured" else f" ({reading.state})")


def _changes(then: dict[str, str] | None) -> list[str]:
    """Return a line about versions that are not those the manifest was made with."""
    now = versions()
    changed = [f"{name} {old} (now {now.get(name, 'none')})" for name, old in (then or {}).items() if now.get(name) != old]
    return [f"Made with other versions: {', '.join(changed)}."] if changed else []


def _check_clips(session: Session, folder: Path, allow_outside: bool) -> list[Line]:
    lines = []
    for clip in session.clips:
        for ref in clip.files:
            name = ref.path.rsplit("/", 1)[-1]
            try:
                digest = store.file_hash(store.resolve(folder, ref, allow_outside=allow_outside))
            except SessionError as error:
                lines.append(Line(what=f"clip {name}", state="missing", before=ref.sha256[:12], after=error.what))
                continue
            state = "match" if digest == ref.sha256 else "mismatch"
            lines.append(Line(what=f"clip {name}", state=state, before=ref.sha256[:12], after=digest[:12]))
    return lines


def _check_products(document: dict[str, Any], base: Path) -> list[Line]:
    lines = []
    for item in document.get("products", []):
        name, wanted = str(item.get("file", "")), str(item.get("sha256", ""))
        full = (base / name).resolve()
        if not full.is_relative_to(base) or not full.is_file():
            lines.append(Line(what=f"product {name}", state="missing", before=wanted[:12]))
            continue
        digest = hashlib.sha256(full.read_bytes()).hexdigest()
        state = "match" if digest == wanted else "mismatch"
        lines.append(Line(what=f"product {name}", state=state, before=wanted[:12], after=digest[:12]))
    return lines


def _verdict(lines: list[Line]) -> Verdict:
    wrong = [line for line in lines if line.state == "mismatch"]
    missing = [line for line in lines if line.state == "missing"]
    if wrong:
        return Verdict("mismatch", f"{len(wrong)} of {len(lines)} came out otherwise, first: {wrong[0].what}.")
    if missing:
        return Verdict("cannot tell", f"{len(missing)} of {len(lines)} are missing, first: {missing[0].what}.")
    return Verdict("match", f"All {len(lines)} files and numbers came back as published.")


__all__ = ["SCHEMA", "Line", "check_manifest", "compare", "manifest_json", "read_manifest", "versions"]

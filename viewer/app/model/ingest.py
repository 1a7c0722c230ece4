"""From a heap of files to clips: what `guessing` proposes and the user confirms enters the session; lost files are found."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from viewer.app.model.guessing import ENDINGS, Proposal, find_clips, guess, kind_of_name, natural
from viewer.errors import Cancelled
from viewer.session import store
from viewer.session.model import Clip, Device, FileRef, Scene, Session, new_id


def refer_all(
    proposals: Sequence[Proposal],
    folder: Path,
    *,
    progress: Callable[[int, int], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> dict[Path, FileRef]:
    """Return the references (with hashes) to all files; reads every byte, so run it as a job."""
    paths = [path for proposal in proposals if proposal.keep for path in proposal.paths]
    refs = {}
    for done, path in enumerate(paths):
        if cancelled is not None and cancelled():
            raise Cancelled
        refs[path] = store.refer(path, folder)
        if progress is not None:
            progress(done + 1, len(paths))
    return refs


def add_clips(session: Session, proposals: Sequence[Proposal], refs: dict[Path, FileRef]) -> Session:
    """Return the session with the confirmed clips, and the devices and scenes that they name.

    A file that is in the session already (same hash) is left out.
    """
    known = {ref.sha256 for clip in session.clips for ref in clip.files}
    for proposal in proposals:
        if not proposal.keep or any(path not in refs for path in proposal.paths):
            continue
        files = tuple(refs[path] for path in proposal.paths)
        if any(ref.sha256 in known for ref in files):
            continue
        known |= {ref.sha256 for ref in files}
        session, scene = _scene_of(session, proposal)
        session, device = _device_of(session, proposal.device)
        clip = Clip(id=new_id("clip"), scene=scene, device=device, take=proposal.take, role=proposal.role, files=files)
        session = session.put(clip)
    return session


def _scene_of(session: Session, proposal: Proposal) -> tuple[Session, str]:
    name = proposal.scene.strip() or "Scene"
    for scene in session.scenes:
        if scene.name.casefold() == name.casefold():
            return session, scene.id
    made = Scene(id=new_id("scene"), name=name, kind=proposal.kind)
    return session.put(made), made.id


def _device_of(session: Session, name: str) -> tuple[Session, str | None]:
    name = name.strip()
    if not name:
        return session, None
    for device in session.devices:
        if device.name.casefold() == name.casefold():
            return session, device.id
    made = Device(id=new_id("device"), name=name)
    return session.put(made), made.id


def relinked(session: Session, found: dict[str, FileRef]) -> Session:
    """Return the session with missing files found again; `found` maps old hashes to new references."""
    for clip in session.clips:
        files = tuple(found.get(ref.sha256, ref) for ref in clip.files)
        if files != clip.files:
            session = session.put(replace(clip, files=files))
    return session


def find_missing(
    session: Session,
    folder: Path,
    look_in: Path,
    *,
    progress: Callable[[int, int], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> dict[str, FileRef]:
    """Return the missing files that lie below `look_in`, by hash."""
    missing = [ref for clip in session.clips for ref in clip.files if not _there(folder, ref)]
    found = {}
    for done, ref in enumerate(missing):
        if cancelled is not None and cancelled():
            raise Cancelled
        path = store.find_moved(ref, [look_in])
        if path is not None:
            store.trust(path)
            found[ref.sha256] = store.refer(path, folder)
        if progress is not None:
            progress(done + 1, len(missing))
    return found


def _there(folder: Path, ref: FileRef) -> bool:
    return (folder / ref.path).is_file()


def missing_clips(session: Session, folder: Path) -> set[str]:
    """Return the ids of clips of which a file is not where it was."""
    return {clip.id for clip in session.clips if any(not _there(folder, ref) for ref in clip.files)}


__all__ = [
    "ENDINGS",
    "Proposal",
    "add_clips",
    "find_clips",
    "find_missing",
    "guess",
    "kind_of_name",
    "missing_clips",
    "natural",
    "refer_all",
    "relinked",
]

"""The files of a session's clip, opened with the user's word on their light."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from viewer.errors import ViewerError
from viewer.session.model import Clip
from viewer.session.store import resolve

if TYPE_CHECKING:
    from viewer.media.reader import ClipReader


def open_session_clip(folder: Path, clip: Clip, *, allow_outside: bool = False, threads: int | None = None) -> ClipReader:
    """Open a clip of a session, all its parts, with the user's word on its light.

    Raises
    ------
    SessionError
        If a file is missing or lies where the session must not reach.
    MediaError
        If a file is not a readable clip.
    """
    from viewer.media import LightChoice, open_clip

    paths = [resolve(folder, ref, allow_outside=allow_outside) for ref in clip.files]
    if not paths:
        raise ViewerError("the clip has no file.", where=clip.name, hint="Drop its file on the cell.")
    light = LightChoice(
        transfer=clip.light.transfer, range=clip.light.range, matrix=clip.light.matrix, primaries=clip.light.primaries
    )
    return open_clip(paths if len(paths) > 1 else paths[0], light=light, threads=threads)


# --- lining up -----------------------------------------------------------------------------------------------------


__all__ = ["open_session_clip"]

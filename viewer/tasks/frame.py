"""One exact picture as a PNG."""

from __future__ import annotations

import os
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from PIL import Image, PngImagePlugin

from viewer.errors import FileError, UsageError
from viewer.media import ClipReader, Frame
from viewer.media.writer import new_file_mode


@dataclass(frozen=True)
class SavedFrame:
    """What was written: which picture, when it is shown, and where it went."""

    number: int
    pts: int
    time_s: float
    path: Path
    damaged: bool


def pick_frame(clip: ClipReader, *, number: int | None = None, time_s: float | None = None) -> Frame:
    """Return the picture of a number (from 0) or the one on show at a time of the clip.

    Raises
    ------
    UsageError
        If not exactly one of the two is given.
    SeekError
        If the clip holds no such picture.
    """
    if (number is None) == (time_s is None):
        raise UsageError("name one picture: by its number or by a time.", hint="Use --number N or --time S.")
    return clip.frame(number) if number is not None else clip.frame_at(float(time_s or 0.0))


def save_frame(clip: ClipReader, out: Path | str, *, number: int | None = None, time_s: float | None = None) -> SavedFrame:
    """Write one exact picture, upright, as 8-bit PNG; no metadata of the source goes into it.

    Parameters
    ----------
    clip : ClipReader
    out : Path or str
        Ends with ``.png``.
    number, time_s
        As for `pick_frame`.

    Raises
    ------
    FileError
        If it cannot be written.
    """
    path = Path(out)
    if path.suffix.lower() != ".png":
        raise UsageError(f"{path.name!r} does not end with .png.", hint="Only PNG is written.")
    frame = pick_frame(clip, number=number, time_s=time_s)
    pixels = np.ascontiguousarray(frame.display()[..., 2::-1])
    facts = PngImagePlugin.PngInfo()
    facts.add_text("Description", f"picture {frame.number} at {frame.time_s:.6f} s")
    _write(Image.fromarray(pixels), path, facts)
    return SavedFrame(frame.number, frame.pts, frame.time_s, path, frame.damaged)


def _write(image: Image.Image, path: Path, facts: PngImagePlugin.PngInfo) -> None:
    """Write beside the place and rename, so that no half picture is left."""
    temp: Path | None = None
    try:
        handle, name = tempfile.mkstemp(prefix=".frame-", suffix=".png", dir=path.parent if str(path.parent) else ".")
        temp = Path(name)
        with os.fdopen(handle, "wb") as stream:
            image.save(stream, format="PNG", pnginfo=facts)
        os.chmod(temp, new_file_mode())
        os.replace(temp, path)
    except OSError as error:
        if temp is not None:
            temp.unlink(missing_ok=True)
        raise FileError(
            f"cannot be written ({error.strerror or error}).", where=str(path), hint="Choose another place."
        ) from error


__all__ = ["SavedFrame", "pick_frame", "save_frame"]

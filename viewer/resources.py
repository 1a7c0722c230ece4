"""Where fonts, icons, profiles, the manual and the sample clips are."""

from __future__ import annotations

from pathlib import Path

from viewer.errors import FileError

_PACKAGE = Path(__file__).resolve().parent


def _find(inside: str, beside: str, name: str) -> Path:
    for base in (_PACKAGE / inside, _PACKAGE.parent / beside):
        path = base / name
        if path.exists():
            return path
    raise FileError(f"{beside}/{name} is missing", hint="The installation is incomplete: install the program again.")


def resource(name: str) -> Path:
    """Return the path of ``resources/name``, from the installed package or the repository.

    Raises
    ------
    FileError
        If the installation lacks it.
    """
    return _find("_resources", "resources", name)


def sample_clips() -> Path:
    """Return the folder of the sample clips."""
    return _find("_sample_clips", "sample_clips", "")


__all__ = ["resource", "sample_clips"]

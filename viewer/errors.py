"""Everything that this package raises on purpose.

::

    ViewerError
    +-- UsageError            the request makes no sense (exit 2); also a ValueError
    |   +-- RegionError       a region outside the picture, empty or too small
    +-- FileError             a file cannot be read or written (exit 3); also an OSError
    |   +-- MediaError        not a readable clip
    |   |   +-- SeekError     the wanted frame is not in the clip
    |   +-- SessionError      not a readable session
    |   +-- PublishError      a product cannot be written
    +-- Cancelled             the caller asked to stop (exit 130)

When to use which.  *Error*: there is no answer.  A measure that looked and could not answer is not an error: it returns a
refused reading with its reason.  An answer that needs care carries a flag.  Errors of other libraries are translated where
they arise, once.
"""

from __future__ import annotations


class ViewerError(Exception):
    """Base of all that this package raises on purpose: what happened, where, and what to do.

    Parameters
    ----------
    what : str
        What happened, with the value that shows it.
    where : str, optional
        File, time or region.
    hint : str, optional
        What to do, as a sentence.
    """

    exit_code = 1

    def __init__(self, what: str, *, where: str = "", hint: str = "") -> None:
        super().__init__(what)
        self.what, self.where, self.hint = what, where, hint

    def __str__(self) -> str:
        head = f"{self.where}: {self.what}" if self.where else self.what
        return " ".join(f"{head} {self.hint}".split())

    def __reduce__(self) -> tuple[object, ...]:
        return (_rebuild, (type(self), self.what, self.where, self.hint))


def _rebuild(kind: type[ViewerError], what: str, where: str, hint: str) -> ViewerError:
    """Make an error again after it crossed a process boundary."""
    return kind(what, where=where, hint=hint)


class UsageError(ViewerError, ValueError):
    """The request makes no sense as it stands."""

    exit_code = 2


class RegionError(UsageError):
    """A region is outside the picture, empty, or too small for the measure."""


class FileError(ViewerError, OSError):
    """A file cannot be read or written."""

    exit_code = 3


class MediaError(FileError):
    """Not a readable clip."""


class SeekError(MediaError):
    """The wanted frame is not in the clip."""


class SessionError(FileError):
    """Not a readable session."""


class PublishError(FileError):
    """A product cannot be written."""


class Cancelled(ViewerError):  # noqa: N818 - not a fault
    """The caller asked to stop."""

    exit_code = 130

    def __init__(self, what: str = "stopped on request", *, where: str = "", hint: str = "") -> None:
        super().__init__(what, where=where, hint=hint)


__all__ = [
    "Cancelled",
    "FileError",
    "MediaError",
    "PublishError",
    "RegionError",
    "SeekError",
    "SessionError",
    "UsageError",
    "ViewerError",
]

"""What a killed program left behind: temporary files that nobody will finish."""

from __future__ import annotations

import contextlib
import os
import re
import time
from pathlib import Path

# As the writers of files and videos name them: a dot, the final name, the number of the process, eight random letters.
_TEMPORARY = re.compile(r"\..+\.(\d+)-[a-z0-9_]{8}\.(tmp|mp4|mov|mkv|m4v|avi|nut)")
OLD_S = 3600.0


def sweep(out: Path) -> int:
    """Remove temporary files of writers that no longer run from a folder of products; return how many.

    A process that runs may still be at work on its file, so that is kept while it is younger than an hour.  Where the system
    cannot tell who runs, age alone decides.
    """
    count = 0
    for folder in (out, out / "stills", out / "footage"):
        for path in folder.glob(".*"):
            found = _TEMPORARY.fullmatch(path.name)
            if found is None:
                continue
            with contextlib.suppress(OSError):
                if time.time() - path.stat().st_mtime > OLD_S or not _runs(int(found[1])):
                    path.unlink()
                    count += 1
    return count


def _runs(process: int) -> bool:
    """Whether a process runs on this machine, as far as the system tells (elsewhere signal 0 would not be harmless)."""
    if os.name != "posix":
        return True
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except (PermissionError, OverflowError):
        pass
    return True


__all__ = ["OLD_S", "sweep"]

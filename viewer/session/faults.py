"""Faults of the program itself: one line for the user, the whole story in a log."""

from __future__ import annotations

import logging
import os
import traceback

from viewer.errors import ViewerError
from viewer.session.store import state_folder


def record_fault(error: Exception) -> str:
    """Write the traceback of an unexpected error to the log and return one line about it.

    With ``GLOAMING_DEBUG`` set in the environment the error is raised again instead.
    """
    if os.environ.get("GLOAMING_DEBUG"):
        raise error
    where = ""
    try:
        log = state_folder() / "faults.log"
        with log.open("a", encoding="utf-8") as file:
            file.write("".join(traceback.format_exception(error)) + "\n")
        where = f" The details are in {log}."
    except (ViewerError, OSError):
        logging.getLogger("gloaming").error("fault", exc_info=error)
    text = " ".join(str(error).split())[:300]
    return f"a fault of the program ({type(error).__name__}: {text}).{where}"


__all__ = ["record_fault"]

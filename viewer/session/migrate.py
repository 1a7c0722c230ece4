"""Older session files become today's, step by step, before they are checked."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from viewer.errors import SessionError
from viewer.session.model import SCHEMA

Raw = dict[str, Any]


def _from_0(raw: Raw) -> Raw:
    """Version 0 (before the first release) kept the interest line under ``disclosure``."""
    raw = dict(raw)
    if "disclosure" in raw:
        raw["interest"] = raw.pop("disclosure")
    return raw


# version -> step to the next version
STEPS: dict[int, Callable[[Raw], Raw]] = {0: _from_0}


def migrate(raw: Raw, *, where: str = "") -> Raw:
    """Return the document in today's form.

    Raises
    ------
    SessionError
        If it is not a session, or newer than this program.
    """
    prefix, _, today = SCHEMA.rpartition("/")
    name, _, number = str(raw.get("schema", "")).rpartition("/")
    if name != prefix or not number.isdigit():
        raise SessionError(
            "this is not a Gloaming session.", where=where, hint="Session files end in .gloam and name their schema."
        )
    version = int(number)
    if version > int(today):
        raise SessionError(
            f"the session was written by a newer program (form {version}, this one knows {today}).",
            where=where,
            hint="Install a newer Gloaming to open it.",
        )
    while version < int(today):
        raw = STEPS[version](raw)
        version += 1
        raw = {**raw, "schema": f"{prefix}/{version}"}
    return raw


__all__ = ["STEPS", "migrate"]

"""The measuring of a session, clip by clip: a clip is opened once for all that is asked of it."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

from viewer.errors import Cancelled, ViewerError
from viewer.session.faults import record_fault
from viewer.session.model import Clip, Request, Session
from viewer.tasks.clip_files import open_session_clip
from viewer.tasks.document import Result
from viewer.tasks.jobs import Stop

KEEP_MB = 250.0
"""Decoded pictures kept of a clip, for the next measure on it."""
# How long measures take against each other: the longest start first, so that all workers end together.
_WEIGHT = {"flicker": 10, "bloom": 6, "ramp": 4, "bars": 2}


@dataclass(frozen=True)
class Group:
    """All that is asked of one clip, so that it is opened and judged once."""

    session: Session
    folder: Path
    clip: Clip
    requests: tuple[Request, ...]
    allow_outside: bool = False


@dataclass(frozen=True)
class Measured:
    """What a group gave: the results by request id, and one line for each that failed."""

    clip: str
    results: dict[str, Result]
    troubles: tuple[str, ...]


def groups_of(
    session: Session, folder: Path, pairs: Iterable[tuple[Request, Clip]], *, allow_outside: bool = False
) -> list[Group]:
    """Return the pairs of request and clip by clip, the longest work first."""
    found: dict[str, tuple[Clip, list[Request]]] = {}
    for request, clip in pairs:
        found.setdefault(clip.id, (clip, []))[1].append(request)
    groups = [Group(session, folder, clip, tuple(requests), allow_outside) for clip, requests in found.values()]
    return sorted(groups, key=lambda group: -sum(_WEIGHT.get(request.measure, 1) for request in group.requests))


def measure_group(group: Group, /, cancelled: Stop | None = None, step: Callable[[], None] | None = None) -> Measured:
    """Do all requests of one clip; a request that fails is told and the others go on."""
    from viewer.tasks.requests import perform

    results: dict[str, Result] = {}
    troubles: list[str] = []
    try:
        with open_session_clip(group.folder, group.clip, allow_outside=group.allow_outside) as reader:
            reader.keep(KEEP_MB)
            for request in group.requests:
                if cancelled and cancelled():
                    raise Cancelled
                try:
                    results[request.id] = perform(
                        group.session,
                        group.folder,
                        request,
                        group.clip,
                        reader=reader,
                        allow_outside=group.allow_outside,
                        cancelled=cancelled,
                    )
                except Cancelled:
                    raise
                except ViewerError as error:
                    troubles.append(str(error))
                except Exception as error:  # noqa: BLE001 - one request must not end the rest
                    troubles.append(f"{group.clip.name}, {request.measure}: {record_fault(error)}")
                if step:
                    step()
    except Cancelled:
        raise
    except ViewerError as error:
        troubles.append(str(error))
    return Measured(group.clip.id, results, tuple(troubles))


def lost_group(group: Group, why: str) -> Measured:
    """Return the outcome of a group whose worker died."""
    return Measured(group.clip.id, {}, (f"{group.clip.name}: {why}",))


__all__ = ["Group", "Measured", "groups_of", "lost_group", "measure_group"]

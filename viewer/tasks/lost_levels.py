"""The light level at which each device of a session loses contrast and bars, side by side."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from viewer.errors import UsageError
from viewer.measure.readings import Flag, Reading
from viewer.session.model import Request, Session, StoredReading
from viewer.tasks.document import Result
from viewer.tasks.jobs import Progress, Stop
from viewer.tasks.session import budgets_of, measure_session, missing_readings
from viewer.tasks.summary import as_reading, inputs_of

NAME = "level_lost"


def lost_levels(
    session: Session,
    folder: Path,
    *,
    allow_outside: bool = False,
    processes: int = 0,
    progress: Progress | None = None,
    cancelled: Stop | None = None,
) -> Result:
    """Return ``level_lost`` of all devices; ramps that are not measured yet, or out of date, are measured first.

    The session itself is not changed.

    Parameters
    ----------
    session, folder
        The document, and where its clips lie.
    allow_outside : bool
        Whether clips outside `folder` may be opened.
    processes : int
        Worker processes; below 2 the work runs on threads.

    Returns
    -------
    Result
        Readings ``level_lost`` (unit of the levels) of ``scene / object / device``, what is compared together: one of each
        take, and where there are several measured ones, one over all of them.  Extras: ``session``, ``lost`` [{scene, object,
        device, take (null: over all), value, low, high, unit, state, reason}].

    Raises
    ------
    UsageError
        If the session asks for no ramp with contrast or bars, or its scene has no light levels.
    """
    asked = [request for request in session.requests if request.measure == "ramp" and _follows(request)]
    if not asked:
        raise UsageError(
            "no ramp of this session follows contrast or bars.",
            hint="Ask for a ramp with a bright and a dark region, or with bar targets, in its chart scene.",
        )
    if not any(session.scene(request.scene).levels for request in asked):
        raise UsageError("the scene of the ramp has no light levels.", hint="Type them in the order of the clip.")
    wanted = {request.id for request in asked}
    missing = [pair for pair in missing_readings(session) if pair[0] in wanted]
    troubles: tuple[str, ...] = ()
    if missing:
        run = measure_session(
            session,
            folder,
            only=missing,
            allow_outside=allow_outside,
            processes=processes,
            progress=progress,
            cancelled=cancelled,
        )
        session, troubles = run.session, tuple(trouble.what for trouble in run.troubles)
    rows = _rows(session, asked)
    return Result(
        command="ramp",
        inputs=inputs_of(session),
        readings=tuple(reading for _, reading in rows),
        warnings=troubles,
        extras={"session": session.title, "lost": [_told(row, reading) for row, reading in rows]},
    )


def _follows(request: Request) -> bool:
    return bool(request.regions.get("target") or (request.regions.get("bright") and request.regions.get("dark")))


def _rows(session: Session, asked: list[Request]) -> list[tuple[dict[str, Any], Reading]]:
    """Return who and what, and the reading: what is compared stands together, devices in their order."""
    places = {device.id: place for place, device in enumerate(session.devices)}
    clips = {clip.id: clip for clip in session.clips}
    combined = budgets_of(session)
    rows: list[tuple[dict[str, Any], Reading]] = []
    for request in asked:
        scene = session.scene(request.scene).name
        found = [r for r in session.readings if r.request == request.id and r.name == NAME and clips[r.clip].device]
        for of in dict.fromkeys(r.of for r in found):
            per_device: dict[str, list[StoredReading]] = {}
            for reading in found:
                if reading.of == of:
                    per_device.setdefault(str(clips[reading.clip].device), []).append(reading)
            for ident in sorted(per_device, key=lambda ident: places[ident]):
                who = {"scene": scene, "object": of, "device": session.device(ident).name}
                name = " / ".join(who.values())
                takes = sorted(per_device[ident], key=lambda r: clips[r.clip].take)
                for reading in takes:
                    take = clips[reading.clip].take
                    label = f"{name} take {take}" if len(takes) > 1 else name
                    rows.append(({**who, "take": take}, replace(as_reading(session, reading), of=label)))
                budget = combined.get((request.id, NAME, of), {}).get(ident, (None, "", ""))[0]
                if budget is not None and budget.takes > 1:
                    low, high = budget.interval()
                    method = f"mean over {budget.takes} takes, their spread in the interval"
                    over = replace(
                        as_reading(session, takes[0]),
                        of=f"{name} over {budget.takes} takes",
                        value=budget.value,
                        low=max(0.0, low),
                        high=high,
                        state="measured",
                        reason=None,
                        flags=Flag.NONE,
                        method=method,
                        budget=(),
                    )
                    rows.append(({**who, "take": None}, over))
    return rows


def _told(row: dict[str, Any], reading: Reading) -> dict[str, Any]:
    return {
        **row,
        "value": reading.value,
        "low": reading.low,
        "high": reading.high,
        "unit": reading.unit,
        "state": reading.state,
        "reason": reading.reason,
    }


__all__ = ["NAME", "lost_levels"]

"""A measured session as one result document."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

from viewer.measure.readings import Reading, parse_flags
from viewer.session.model import Session, StoredReading
from viewer.tasks.document import Result
from viewer.tasks.gates import GateRatio, gate_ratios
from viewer.tasks.repeats import plan_repeats


def full_name(session: Session, reading: StoredReading) -> str:
    """Return ``scene / device take N / object``."""
    clip = session.clip(reading.clip)
    device = session.device(clip.device).name if clip.device else clip.role
    return f"{session.scene(clip.scene).name} / {device} take {clip.take} / {reading.of}"


def as_reading(session: Session, reading: StoredReading) -> Reading:
    """Return a stored reading as the measures give them, named in full."""
    return Reading(
        name=reading.name,
        of=full_name(session, reading),
        value=reading.value,
        unit=reading.unit,
        low=reading.low,
        high=reading.high,
        coverage=reading.coverage,
        state=reading.state,
        reason=reading.reason,
        flags=parse_flags(reading.flags),
        frames=reading.frames,
        pixels=reading.pixels,
        method=reading.method,
        budget=tuple(reading.budget.items()),
    )


def inputs_of(session: Session) -> tuple[dict[str, Any], ...]:
    """Return a record of each source file: path and hash as the session knows them."""
    return tuple(
        {"path": ref.path, "sha256": ref.sha256, "clip": clip.id, "bytes": ref.size}
        for clip in session.clips
        for ref in clip.files
    )


def _gates(session: Session, ratio: GateRatio) -> dict[str, Any]:
    return {
        "scene": session.scene(session.request(ratio.request).scene).name,
        "first": session.device(ratio.first).name,
        "second": session.device(ratio.second).name,
        **asdict(ratio.found),
    }


def session_result(session: Session, folder: Path, *, troubles: tuple[str, ...] = ()) -> Result:
    """Return all readings of a session.

    Extras: ``verdicts`` [...], ``clips`` {name: lined up how}, ``budgets`` [{of, name, unit, parts: {source: sigma}}],
    ``gates`` [{scene, first, second, ratio, low, high, sentence}: how many times as fast the first device gates],
    ``repeats`` [sentences: what further takes would buy, the cheapest gain first].
    """
    clips = {
        clip.name: {
            "device": session.device(clip.device).name if clip.device else None,
            "scene": session.scene(clip.scene).name,
            "take": clip.take,
            "role": clip.role,
            "clock": asdict(clip.clock) if clip.clock else None,
            "matrix": clip.pose.matrix.tolist() if clip.pose else None,
            "field_circle": [clip.circle.cx, clip.circle.cy, clip.circle.radius] if clip.circle else None,
        }
        for clip in session.clips
    }
    return Result(
        command="measure",
        inputs=inputs_of(session),
        readings=tuple(as_reading(session, reading) for reading in session.readings),
        warnings=troubles,
        extras={
            "session": session.title,
            "verdicts": [asdict(verdict) for verdict in session.verdicts],
            "clips": clips,
            "budgets": [
                {"of": full_name(session, r), "name": r.name, "unit": r.unit, "parts": r.budget}
                for r in session.readings
                if r.budget
            ],
            "gates": [_gates(session, ratio) for ratio in gate_ratios(session)],
            "repeats": [
                f"{session.scene(repeat.scene).name}, {session.device(repeat.device).name}: {repeat.sentence}"
                for repeat in plan_repeats(session)
            ],
        },
    )


__all__ = ["as_reading", "full_name", "inputs_of", "session_result"]

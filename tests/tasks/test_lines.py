"""Lines of flicker are compared by where they come from, and a frequency carries the camera's own clock."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from viewer.measure.errorbudget import CLOCK
from viewer.measure.readings import Flag, Reading
from viewer.session.model import Clip, Device, Request, Scene, Session, StoredVerdict, new_session
from viewer.tasks.flicker_document import CLOCK_PPM, clock_sigma
from viewer.tasks.session import budgets_of, stored, verdicts_of

Line = tuple[str, float, float, Flag]
OWN, SCENE = Flag.OF_TUBE, Flag.OF_SOURCE


def filmed(lines: dict[str, list[Line]], takes: int = 1) -> Session:
    """Heron, Bittern on a screen; lines: device -> (of, frequency, depth %, whose)."""
    session = new_session().put(
        Device(id="h", name="Heron", control=True),
        Device(id="b", name="Bittern"),
        Scene(id="s", name="Office monitor", kind="screen"),
        Request(id="q", scene="s", measure="flicker"),
    )
    clips = [Clip(id=f"{d}{k}", scene="s", device=d, take=k) for d in "hb" for k in range(1, takes + 1)]
    rows = []
    for clip in clips:
        for of, hertz, depth, whose in lines[str(clip.device)]:
            clock = clock_sigma(hertz)
            values = (("modulation_frequency", hertz, "Hz", 1.96 * clock), ("modulation_depth", depth, "%", 1.0))
            for name, value, unit, half in values:
                budget = ((CLOCK, clock),) if unit == "Hz" else ()
                rows.append(
                    (clip.id, Reading(name=name, of=of, value=value, unit=unit, low=value - half, high=value + half,
                                      flags=whose, budget=budget))
                )  # fmt: skip
        rows.append((clip.id, Reading(name="detection_limit", of="table", value=2.4, unit="%")))
    return replace(session.put(*clips), readings=tuple(stored(reading, "q", clip, "x") for clip, reading in rows))


def told(session: Session) -> dict[tuple[str, str], StoredVerdict]:
    """Return (name, of) -> verdict; every pair has one of each."""
    verdicts = verdicts_of(session)
    found = {(v.name, v.of): v for v in verdicts}
    assert len(found) == len(verdicts)
    return found


UNGATED: dict[str, list[Line]] = {
    "h": [("table", 238.0, 37.0, SCENE)],
    "b": [("table", 172.0, 52.0, OWN), ("table/line-2", 238.004, 37.3, SCENE)],
}


def test_a_device_without_a_gate_is_said_to_have_none() -> None:
    found = told(filmed(UNGATED))
    gate = found["modulation_frequency", "table"]
    assert gate.word == "cannot tell"
    assert gate.difference is None
    assert "Heron has no gate of its own" in gate.sentence
    assert "172 Hz" in gate.sentence
    assert "238" not in gate.sentence
    depth = found["modulation_depth", "table"]
    assert depth.word == "differs"
    assert "down to 2.4 % as recorded" in depth.sentence
    assert "frequencies that its clip can show" in depth.sentence


def test_the_scenes_light_is_compared_with_itself() -> None:
    light = told(filmed(UNGATED))["modulation_frequency", "table/line-2"]
    assert "the scene's own light" in light.sentence
    assert light.difference == pytest.approx(0.004)
    assert light.word == "no difference beyond error"


def test_gates_are_compared_whatever_their_strength() -> None:
    lines: dict[str, list[Line]] = {
        "h": [("table", 238.0, 37.0, SCENE), ("table/line-2", 487.0, 9.0, OWN)],
        "b": [("table", 172.0, 52.0, OWN), ("table/line-2", 238.0, 37.0, SCENE)],
    }
    differences = sorted(v.difference for (name, _), v in told(filmed(lines)).items() if name == "modulation_frequency")
    assert differences == pytest.approx([172.0 - 487.0, 0.0])


def test_a_gate_hardly_deeper_than_what_would_be_seen_decides_nothing() -> None:
    lines = {**UNGATED, "b": [("table", 172.0, 4.0, OWN)]}
    assert told(filmed(lines))["modulation_depth", "table"].word == "cannot tell"


def test_a_line_of_unknown_origin_is_not_compared_with_a_known_one() -> None:
    lines: dict[str, list[Line]] = {"h": [("table", 238.0, 37.0, Flag.NONE)], "b": [("table", 172.0, 52.0, OWN)]}
    found = told(filmed(lines))
    assert found["modulation_frequency", "table"].difference is None
    assert all(v.word == "cannot tell" for v in found.values())
    assert all("where the line of Heron comes from is not known" in v.sentence for v in found.values())


def test_a_gate_of_refused_frequency_is_a_gate() -> None:
    session = filmed(UNGATED | {"h": [("table", 238.0, 37.0, OWN)]})
    readings = [
        replace(r, state="refused", value=None, low=None, high=None, reason="4 frequencies fit.")
        if (r.name, r.clip) == ("modulation_frequency", "h1")
        else r
        for r in session.readings
    ]
    gate = told(replace(session, readings=tuple(readings)))["modulation_frequency", "table"]
    assert gate.word == "cannot tell"
    assert "4 frequencies fit" in gate.sentence
    assert "no gate" not in gate.sentence


def test_lines_without_any_origin_are_compared_as_they_stand() -> None:
    lines: dict[str, list[Line]] = {"h": [("table", 238.0, 37.0, Flag.NONE)], "b": [("table", 172.0, 52.0, Flag.NONE)]}
    assert told(filmed(lines))["modulation_frequency", "table"].difference == pytest.approx(-66.0)


def test_the_cameras_clock_stays_in_a_frequency_however_often_it_is_filmed() -> None:
    # Uniform within +/- a: standard uncertainty a / sqrt(3) (JCGM 100:2008, 4.3.7).
    clock = CLOCK_PPM * 1e-6 * 172.0 / math.sqrt(3.0)
    budget = budgets_of(filmed(UNGATED, takes=4))["q", "modulation_frequency", "table"]["b"][0]
    assert budget is not None
    assert {part.source: part.sigma for part in budget.components}[CLOCK] == pytest.approx(clock)
    assert budget.sigma >= clock

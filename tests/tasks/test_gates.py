"""How many times as fast one device gates as another: said only where both have one answer of their own."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from tests.tasks.test_lines import OWN, SCENE, Line, filmed
from viewer.measure.readings import Flag
from viewer.session.model import Session
from viewer.tasks.gates import gate_ratios
from viewer.tasks.summary import session_result

GATED: dict[str, list[Line]] = {
    "h": [("table", 147.57, 40.0, OWN), ("table/line-2", 238.0, 20.0, SCENE)],
    "b": [("table", 238.0, 37.0, SCENE), ("table/line-2", 486.99, 50.0, OWN)],
}


def test_own_gates_are_compared_wherever_they_stand() -> None:
    """486.99 / 147.57 = 3.30006; the screen's 238 Hz, the strongest line of one clip, stays out."""
    assert len(gate_ratios(filmed(GATED, takes=2))) == 1
    (found,) = gate_ratios(filmed(GATED))
    assert (found.first, found.second) == ("h", "b")
    assert found.found.low < 147.57 / 486.99 < found.found.high
    # limits of +/- 50 ppm on both clocks: 50e-6 / sqrt(3) x sqrt(2) x 1.96 of the ratio
    assert (found.found.high - found.found.low) / found.found.ratio == pytest.approx(1.6e-4, rel=0.02)
    assert found.found.sentence.startswith("Bittern gates about 3.3 times as fast as Heron (486.99 Hz against 147.57 Hz;")


def test_it_stands_in_the_document_of_a_session() -> None:
    (gates,) = session_result(filmed(GATED), Path()).extras["gates"]
    assert (gates["scene"], gates["first"], gates["second"]) == ("Office monitor", "Heron", "Bittern")
    assert gates["low"] < gates["ratio"] < gates["high"] and "3.3 times as fast" in gates["sentence"]


def _refused(session: Session) -> Session:
    """One take of Bittern's gate leaves candidates only."""
    last = max(n for n, r in enumerate(session.readings) if r.name == "modulation_frequency")
    changed = replace(session.readings[last], value=None, low=None, high=None, state="refused", reason="3 candidates fit.")
    return replace(session, readings=(*session.readings[:last], changed, *session.readings[last + 1 :]))


@pytest.mark.parametrize(
    "session",
    [
        filmed({**GATED, "h": [("table", 238.0, 20.0, SCENE)]}),
        filmed({**GATED, "h": [("table", 147.57, 40.0, Flag.NONE)]}),
        filmed({**GATED, "b": [*GATED["b"], ("table/line-3", 331.0, 10.0, OWN)]}),
        _refused(filmed(GATED, takes=2)),
    ],
    ids=["source only", "origin unknown", "two gates", "candidates in one take"],
)
def test_nothing_is_said_without_one_answer_each(session: Session) -> None:
    assert gate_ratios(session) == ()

"""The session as a whole: what is out of date, takes, verdicts."""

from __future__ import annotations

from dataclasses import replace

import pytest

from viewer.align.transform import Pose
from viewer.measure.readings import Reading
from viewer.session.model import Clip, Device, Region, Request, Scene, Session, StoredReading, new_session
from viewer.tasks.session import _drift, budgets_of, fingerprint, missing_readings, out_of_date, stored, verdicts_of
from viewer.tasks.summary import full_name, session_result


def two_devices(takes: int = 1) -> Session:
    """Heron and Bittern on one chart."""
    session = new_session().put(
        Device(id="h", name="Heron", control=True),
        Device(id="b", name="Bittern"),
        Scene(id="s", name="Chart", kind="chart"),
        Region(id="w", scene="s", kind="rect", name="white", geometry=(0.0, 0.0, 9.0, 9.0)),
        Region(id="k", scene="s", kind="rect", name="black", geometry=(20.0, 0.0, 9.0, 9.0)),
        Request(id="q", scene="s", measure="contrast", regions={"bright": ("w",), "dark": ("k",)}),
    )
    clips = [Clip(id=f"{device}{take}", scene="s", device=device, take=take) for device in "hb" for take in range(1, takes + 1)]
    return session.put(*clips)


def with_values(session: Session, values: dict[str, tuple[float, float]], name: str = "michelson") -> Session:
    """Store one reading a clip: clip id -> (value, half interval)."""
    request = session.request("q")
    rows = [
        stored(
            Reading(name=name, of="white/black", value=value, unit="1", low=value - half, high=value + half),
            "q",
            clip,
            fingerprint(session, request, session.clip(clip)),
        )
        for clip, (value, half) in values.items()
    ]
    return replace(session, readings=tuple(rows))


def test_readings_go_out_of_date_with_what_made_them() -> None:
    session = with_values(two_devices(), {"h1": (0.5, 0.01), "b1": (0.4, 0.01)})
    assert out_of_date(session) == set()
    assert missing_readings(session) == []
    moved = session.put(replace(session.region("w"), geometry=(1.0, 0.0, 9.0, 9.0)))
    assert len(out_of_date(moved)) == 2
    turned = session.put(replace(session.clip("b1"), pose=Pose(rotation_deg=1.0)))
    assert {r.clip for r in turned.readings if r.id in out_of_date(turned)} == {"b1"}
    assert missing_readings(turned) == [("q", "b1")]
    renamed = session.put(replace(session.region("w"), name="snow"), replace(session.clip("b1"), note="windy"))
    assert out_of_date(renamed) == set()


def test_verdicts_compare_devices() -> None:
    session = with_values(two_devices(), {"h1": (0.5, 0.01), "b1": (0.4, 0.01)})
    (verdict,) = verdicts_of(session)
    assert (verdict.first, verdict.second, verdict.word) == ("h", "b", "differs")
    assert verdict.difference == pytest.approx(-0.1)
    assert "Bittern is lower by 0.100" in verdict.sentence
    assert "these takes" in verdict.sentence


def test_takes_are_combined() -> None:
    values = {"h1": (0.50, 0.01), "h2": (0.54, 0.01), "b1": (0.42, 0.01), "b2": (0.40, 0.01)}
    session = with_values(two_devices(takes=2), values)
    budgets = budgets_of(session)["q", "michelson", "white/black"]
    assert budgets["h"][0] is not None
    assert budgets["h"][0].value == pytest.approx(0.52)
    assert budgets["h"][0].takes == 2
    # Two takes each: Student's t with about two degrees of freedom makes this undecided.
    (verdict,) = verdicts_of(session)
    assert verdict.word == "cannot tell"
    assert "2 takes each" in verdict.sentence


def test_a_bound_with_an_open_end_is_no_drift_of_the_control() -> None:
    session = with_values(
        two_devices(takes=2), {"h1": (0.50, 0.01), "h2": (0.70, 0.01), "b1": (0.42, 0.01), "b2": (0.40, 0.01)}
    )
    opened = tuple(replace(r, high=None, state="limit") if r.clip == "h2" else r for r in session.readings)
    assert _drift(session, ("q", "michelson", "white/black")) == pytest.approx(0.2)
    assert _drift(replace(session, readings=opened), ("q", "michelson", "white/black")) == 0.0


def in_px(session: Session, unit: str = "px") -> Session:
    """Give every reading a unit of length."""
    return replace(session, readings=tuple(replace(r, unit=unit) for r in session.readings))


def test_lengths_are_compared_in_px_of_the_reference_clip() -> None:
    # The same angle: 20 px of the reference are 20 / 0.98 px of a clip whose px are 0.98 reference px wide.
    scale = 0.98
    session = with_values(two_devices(), {"h1": (20.0, 0.1), "b1": (20.0 / scale, 0.1)}, name="halo_radius")
    session = session.put(replace(session.clip("b1"), pose=Pose(scale=scale, pose_by="features")))
    (verdict,) = verdicts_of(in_px(session))
    assert verdict.word == "no difference beyond error"
    assert verdict.difference == pytest.approx(0.0, abs=1e-9)
    assert "Bittern 20.00 reference px" in verdict.sentence
    budget = budgets_of(in_px(session))["q", "halo_radius", "white/black"]["b"][0]
    assert budget is not None
    assert budget.half_width() == pytest.approx(0.1 * scale)
    frequency = replace(session, readings=tuple(replace(r, value=0.15, low=0.14, high=0.16) for r in session.readings))
    budget = budgets_of(in_px(frequency, "cycles/px"))["q", "halo_radius", "white/black"]["b"][0]
    assert budget is not None
    assert budget.value == pytest.approx(0.15 / scale)


def test_lengths_of_a_clip_that_is_not_lined_up_are_not_compared() -> None:
    session = in_px(with_values(two_devices(), {"h1": (20.0, 0.1), "b1": (21.0, 0.1)}, name="halo_radius"))
    (verdict,) = verdicts_of(session)
    assert verdict.word == "cannot tell"
    assert "not lined up in angle" in verdict.sentence


def test_difference_no_larger_than_the_controls_drift_is_not_told() -> None:
    takes = two_devices(takes=4)
    others = {f"b{take}": (0.496, 0.001) for take in range(1, 5)}
    steps = (0.0, 0.003, 0.007, 0.011)
    back_and_forth = {f"h{take}": (0.500 + steps[place], 0.001) for take, place in enumerate((0, 1, 1, 0), 1)}
    (verdict,) = verdicts_of(with_values(takes, others | back_and_forth))
    assert verdict.word == "differs"
    (verdict,) = verdicts_of(with_values(takes, others | {f"h{k}": (0.500 + step, 0.001) for k, step in enumerate(steps, 1)}))
    assert verdict.word == "cannot tell"
    assert "drifted" in verdict.sentence


def test_refusals_are_carried_into_the_verdict() -> None:
    session = with_values(two_devices(), {"h1": (0.5, 0.01)})
    refusal = StoredReading(
        id="x",
        request="q",
        clip="b1",
        name="michelson",
        of="white/black",
        value=None,
        unit="1",
        state="refused",
        reason="Too dark.",
    )
    (verdict,) = verdicts_of(replace(session, readings=(*session.readings, refusal)))
    assert verdict.word == "cannot tell"
    assert "Too dark" in verdict.sentence


def test_summary_names_in_full_and_is_strict_json() -> None:
    session = with_values(two_devices(), {"h1": (0.5, 0.01), "b1": (0.4, 0.01)})
    assert full_name(session, session.readings[0]) == "Chart / Heron take 1 / white/black"
    from pathlib import Path

    text = session_result(session, Path(".")).dumps()
    assert '"command": "measure"' in text
    assert "NaN" not in text

"""Light levels at which all devices of a session lose contrast, side by side."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from scipy import stats

from tests.tasks.test_session import two_devices
from viewer.cli.main import run
from viewer.errors import UsageError
from viewer.measure.readings import Reading
from viewer.session import store
from viewer.session.model import LightLevel, Session
from viewer.tasks.lost_levels import lost_levels
from viewer.tasks.session import fingerprint, stored

LIMIT = "It is still there at 0.03, the lowest level: film darker levels too."


def ramp_session(takes: int, values: dict[str, tuple[float, float, float, str]]) -> Session:
    """A measured ramp: clip id -> (value, low, high, state)."""
    session = two_devices(takes)
    scene = replace(session.scene("s"), levels=(LightLevel(value=1.0), LightLevel(value=0.03)))
    session = session.put(scene, replace(session.request("q"), measure="ramp"))
    request = session.request("q")
    rows = [
        stored(
            Reading(
                name="level_lost",
                of="white/black",
                value=value,
                unit="mfL",
                low=low,
                high=high,
                state=state,
                reason=LIMIT if state == "limit" else None,
            ),
            "q",
            clip,
            fingerprint(session, request, session.clip(clip)),
        )
        for clip, (value, low, high, state) in values.items()
    ]
    return replace(session, readings=tuple(rows))


def test_devices_stand_side_by_side_with_interval_or_limit() -> None:
    session = ramp_session(1, {"b1": (0.03, 0.0, 0.03, "limit"), "h1": (0.2, 0.15, 0.28, "measured")})
    result = lost_levels(session, Path("."))
    assert [(r.of, r.value, r.low, r.high, r.unit) for r in result.readings] == [
        ("Chart / white/black / Heron", 0.2, 0.15, 0.28, "mfL"),
        ("Chart / white/black / Bittern", 0.03, 0.0, 0.03, "mfL"),
    ]
    assert result.readings[1].state == "limit" and result.readings[1].reason == LIMIT
    assert [(row["device"], row["take"]) for row in result.extras["lost"]] == [("Heron", 1), ("Bittern", 1)]
    assert not result.warnings


def test_takes_are_shown_and_joined_by_students_t() -> None:
    values = {"h1": (0.20, 0.19, 0.21, "measured"), "h2": (0.22, 0.21, 0.23, "measured"), "b1": (0.1, 0.09, 0.12, "measured")}
    session = ramp_session(2, values)
    session = replace(session, clips=tuple(clip for clip in session.clips if clip.id != "b2"))
    rows = lost_levels(session, Path(".")).extras["lost"]
    assert [(row["device"], row["take"]) for row in rows] == [("Heron", 1), ("Heron", 2), ("Heron", None), ("Bittern", 1)]
    assert rows[2]["value"] == pytest.approx(0.21)
    # closed form: t(1) s / sqrt(2), s = 0.02 / sqrt(2)
    assert rows[2]["high"] - rows[2]["value"] == pytest.approx(stats.t.ppf(0.975, 1) * 0.01, rel=1e-6)


def test_a_session_without_a_ramp_says_what_to_ask_for() -> None:
    with pytest.raises(UsageError, match="no ramp of this session"):
        lost_levels(two_devices(), Path("."))
    session = two_devices()
    with pytest.raises(UsageError, match="no light levels"):
        lost_levels(session.put(replace(session.request("q"), measure="ramp")), Path("."))


def test_the_command_prints_them_and_takes_no_regions(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    session = ramp_session(1, {"b1": (0.03, 0.0, 0.03, "limit"), "h1": (0.2, 0.15, 0.28, "measured")})
    path = tmp_path / "a.gloam"
    store.save(session, path)
    before = path.read_bytes()
    assert run(["ramp", str(path)]) == 0
    out = capsys.readouterr().out
    assert "Heron" in out and "Bittern" in out and "0.200  (0.150 .. 0.280)" in out and "at most" in out
    assert path.read_bytes() == before
    assert run(["ramp", str(path), "--levels", "1,0.5"]) == 2
    assert "session brings its own" in capsys.readouterr().err

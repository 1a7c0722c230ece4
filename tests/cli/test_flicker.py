"""``gloaming flicker`` and ``gloaming readout`` from outside."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace

import numpy as np
import pytest

from viewer.cli.main import run

clips = SimpleNamespace(**run_path(str(Path(__file__).parent.parent / "tasks" / "flicker_clips.py")))


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path: Path = clips.write_flicker(tmp_path_factory.mktemp("clips") / "gate.mp4", tube=clips.Gate(333.7, 0.4), seconds=1.5)
    return path


def test_document(clip: Path, tmp_path: Path) -> None:
    out = tmp_path / "result.json"
    options = ["--readout-ms", "14", "--readout-direction", "down", "--shutter", "1/1000", "--json", str(out)]
    assert run(["flicker", str(clip), *options]) == 0
    document = json.loads(out.read_text(encoding="utf-8"))
    found = {reading["name"]: reading for reading in document["readings"]}
    names = {"modulation_frequency", "modulation_depth", "flicker_index", "alias_frequency", "detection_limit"}
    assert set(found) == names and found["modulation_frequency"]["value"] == pytest.approx(333.7, abs=4e-3)
    assert document["verdict"]["word"] == "modulated" and document["origin"] == "tube"


def test_table_lists_candidates_and_blind_frequencies(clip: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["flicker", str(clip)]) == 0
    text = capsys.readouterr().out
    assert "candidates (Hz" in text and "blind (Hz)" in text and "333.7" in text


def test_plan_needs_no_clip(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["flicker", "--plan", "--fps", "25,59.94", "--shutter", "1/50,1/250"]) == 0
    text = capsys.readouterr().out
    assert text.count("% blind") == 5 and "all together" in text and "1/50 s removes mains" in " ".join(text.split())
    # a short shutter leaves the narrow gaps where bands stand still: little, but not nothing
    assert run(["flicker", "--plan", "--fps", "25", "--shutter", "1/4000"]) == 0
    assert "<1 % blind" in capsys.readouterr().out
    assert run(["flicker", "--plan", "--fps", "25,59.94", "--shutter", "1/50,1/250", "--json", "-"]) == 0
    plan = json.loads(capsys.readouterr().out)["plan"]
    assert len(plan) == 4 and {"fps", "shutter_s", "blind_hz", "share_blind"} <= set(plan[0])


def test_plan_is_drawn(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from viewer.cv import cv2

    out = tmp_path / "plan.png"
    plan = ["flicker", "--plan", "--fps", "25,59.94", "--shutter", "1/50,1/250"]
    assert run([*plan, "--plot", str(out)]) == 0
    picture = cv2.imread(str(out))
    assert picture is not None and picture.shape[1] > 1000
    # blind stretches are grey: with 1/50 s far more of the row than with 1/250 s
    grey = np.all(np.abs(picture.astype(int) - 198) < 6, axis=2).sum(axis=1)
    rows = [part.max() for part in np.array_split(grey[70 : picture.shape[0] - 130], 5)]
    assert rows[0] > 1.5 * rows[1] > 0 and rows[2] > 1.5 * rows[3]
    assert run([*plan, "--plot", str(tmp_path / "plan.jpg")]) == 2
    assert run([*plan, "--plot", str(tmp_path / "none" / "plan.png")]) == 3
    assert "plan.jpg" in capsys.readouterr().err


@pytest.mark.parametrize(
    "words",
    [
        ["flicker"],
        ["flicker", "--plan"],
        ["flicker", "--plan", "--fps", "0", "--shutter", "1/50"],
        ["flicker", "a.mp4", "--shutter", "1/50,1/60"],
        ["flicker", "a.mp4", "--fps", "25"],
        ["flicker", "a.mp4", "--plot", "plan.png"],
        ["flicker", "a.mp4", "--readout-direction", "sideways"],
        ["readout", "a.mp4"],
        ["readout", "a.mp4", "--lamp-hz", "100", "--clip", "b.mp4"],
    ],
)
def test_wrong_usage(words: list[str]) -> None:
    assert run(words) == 2


def test_missing_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["flicker", str(tmp_path / "none.mp4")]) == 3
    assert run(["readout", str(tmp_path / "none.mp4"), "--lamp-hz", "100"]) == 3
    assert capsys.readouterr().err.count("\n") == 2


def test_readout_refuses_the_wrong_lamp(clip: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["readout", str(clip), "--lamp-hz", "100", "--json", "-"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert [reading["state"] for reading in document["readings"]] == ["refused", "refused"]
    assert run(["readout", str(clip), "--lamp-hz", "333.7", "--json", "-"]) == 0
    found = {r["name"]: r["value"] for r in json.loads(capsys.readouterr().out)["readings"]}
    assert found["readout_time"] == pytest.approx(14.0, rel=2e-3)


def test_readout_goes_into_a_session(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """By two clips of an upside-down camera: readout and direction are stored for the clip of the same mode alone."""
    from viewer.session import store
    from viewer.session.model import Clip, Device, Scene, new_session

    how = {"flat": True, "readout_s": 0.01437, "direction": "up", "noise": 0.03, "seconds": 1.5}
    lamps = [
        clips.write_flicker(tmp_path / f"lamp{n}.mp4", tube=clips.Gate(hz, 0.5, None), **how)
        for n, hz in enumerate((100.03, 99.9))
    ]
    for name, rate in (("gate", Fraction(60000, 1001)), ("slow", Fraction(25))):
        clips.write_flicker(tmp_path / f"{name}.mp4", rate=rate, seconds=0.2)
    session = new_session().put(Device(id="h", name="Heron"), Scene(id="s", name="Screen"))
    for name in ("gate", "slow"):
        ref = store.refer(tmp_path / f"{name}.mp4", tmp_path)
        session = session.put(Clip(id=name, scene="s", device="h", files=(ref,)))
    path = store.save(session, tmp_path / "review.gloam")
    words = ["readout", str(lamps[0]), "--also", str(lamps[1]), "--lamp-hz", "100", "--into", str(path)]
    assert run([*words, "--json", "-"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["stored_for"] == ["gate.mp4"] and "Stored in review.gloam for gate.mp4." in document["warnings"]
    camera = store.load(path).clip("gate").camera
    assert camera.readout_ms == pytest.approx(14.37, rel=1e-3) and camera.readout_direction == "up"
    assert camera.readout_by == "lamp0.mp4 and lamp1.mp4, lamp at 100 Hz"
    assert store.load(path).clip("slow").camera.readout_ms is None
    assert run([*words, "--clip", "slow.mp4"]) == 0
    assert "Stored for no clip of review.gloam" in " ".join(capsys.readouterr().out.split())
    assert run([*words, "--clip", "none.mp4"]) == 2 and "none.mp4" in capsys.readouterr().err
    assert run([*words[:-1], str(tmp_path / "none.gloam")]) == 3

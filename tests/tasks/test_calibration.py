"""A calibrated readout time finds the clips it holds for, and no others."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from tests.tasks.flicker_clips import Gate, write_flicker
from tests.tasks.night_clips import patches, write_clip
from tests.tasks.test_requests import clip
from viewer.errors import UsageError
from viewer.measure.readings import Reading, refused
from viewer.media import open_clip
from viewer.session.model import Device, Scene, Session, new_session
from viewer.tasks.calibration import store_readout
from viewer.tasks.clip_files import open_session_clip
from viewer.tasks.document import Result
from viewer.tasks.readout import camera_mode, measure_readout
from viewer.tasks.requests import valid_readout


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Session, Path]:
    folder = tmp_path_factory.mktemp("modes")
    scene = patches(64, 96, 0.2)
    for name, rate in (("a", 30), ("b", 30), ("c", 25)):
        write_clip(folder / f"{name}.mp4", scene, frames=4, rate=rate)
    clips = [clip(name, folder / f"{name}.mp4") for name in "abc"]
    missing = replace(clips[0], id="gone", files=(replace(clips[0].files[0], path="gone.mp4"),))
    return new_session().put(Device(id="h", name="Heron"), Scene(id="s", name="Lamp"), *clips, missing), folder


def answer(session: Session, folder: Path, value: float | None) -> Result:
    with open_session_clip(folder, session.clip("a")) as reader:
        mode = camera_mode(reader)
    if value is None:
        reading = refused("readout_time", "camera", "ms", "No bands: shorten the shutter.")
    else:
        reading = Reading(name="readout_time", of="camera", value=value, unit="ms", low=value - 0.0196, high=value + 0.0196)
    extras = {"mode": mode, "readout_direction": "up", "direction_sure": True}
    return Result(command="readout", inputs=(), readings=(reading,), extras=extras)


def test_clips_of_the_same_mode_get_it(made: tuple[Session, Path]) -> None:
    session, folder = made
    stored, names, troubles = store_readout(session, folder, answer(session, folder, 14.8), lamp="lamp.mp4, lamp at 100 Hz")
    assert names == ("a.mp4", "b.mp4")
    camera = stored.clip("b").camera
    assert (camera.readout_ms, camera.readout_direction, camera.readout_by) == (14.8, "up", "lamp.mp4, lamp at 100 Hz")
    assert camera.readout_error_ms == pytest.approx(0.01)
    assert stored.clip("c").camera.readout_ms is None
    assert len(troubles) == 1
    assert "gone.mp4" in troubles[0]


def test_refusal_changes_nothing(made: tuple[Session, Path]) -> None:
    session, folder = made
    stored, names, troubles = store_readout(session, folder, answer(session, folder, None), lamp="lamp.mp4")
    assert stored is session
    assert names == ()
    assert "shorten the shutter" in troubles[0]


def test_only_the_clips_that_are_named(made: tuple[Session, Path]) -> None:
    """Two cameras may film in one mode: the name tells which was calibrated."""
    session, folder = made
    stored, names, troubles = store_readout(session, folder, answer(session, folder, 14.8), lamp="lamp.mp4", only=["b.mp4"])
    assert names == ("b.mp4",) and stored.clip("a").camera.readout_ms is None and troubles == ()
    _, names, troubles = store_readout(session, folder, answer(session, folder, 14.8), lamp="lamp.mp4", only=["c.mp4"])
    assert names == () and "c.mp4: not the lamp clip's camera mode: the frame rate changed from 30 to 25 fps" in troubles[0]
    with pytest.raises(UsageError, match=r"no clip 'd.mp4'.*a.mp4, b.mp4, c.mp4"):
        store_readout(session, folder, answer(session, folder, 14.8), lamp="lamp.mp4", only=["d.mp4"])


def test_a_slow_motion_clip_is_another_mode(made: tuple[Session, Path]) -> None:
    """Its file plays at the lamp clip's rate, but the camera ran faster, as typed."""
    session, folder = made
    slow = replace(session.clip("b"), camera=replace(session.clip("b").camera, capture_rate=240.0))
    _, names, _ = store_readout(session.put(slow), folder, answer(session, folder, 14.8), lamp="lamp.mp4")
    assert names == ("a.mp4",)


def test_lamp_clips_that_contradict_each_other_store_nothing(made: tuple[Session, Path]) -> None:
    session, folder = made
    doubtful = answer(session, folder, 14.8)
    doubtful = replace(doubtful, extras={**doubtful.extras, "agree": False})
    stored, names, troubles = store_readout(session, folder, doubtful, lamp="lamp.mp4")
    assert stored is session and names == () and "contradict" in troubles[0]


def test_direction_follows_a_camera_held_another_way(tmp_path: Path) -> None:
    """The sensor is read from the top of the stored picture; each clip's file says how that is turned."""
    lamp = write_flicker(tmp_path / "lamp.mp4", tube=Gate(100.03, 0.5, None), flat=True, readout_s=0.01437)
    turns = {"level": 0, "over": 180, "left": 90, "right": 270}
    for name, turn in turns.items():
        write_flicker(tmp_path / f"{name}.mp4", seconds=0.1, rotation=turn)
    session = new_session().put(
        Device(id="h", name="Heron"), Scene(id="s", name="Lamp"), *(clip(name, tmp_path / f"{name}.mp4") for name in turns)
    )
    with open_clip(lamp, threads=1) as reader:
        result = measure_readout(reader, 100.0)
    stored, names, troubles = store_readout(session, tmp_path, result, lamp="lamp.mp4, lamp at 100 Hz")
    assert len(names) == 4 and troubles == ()
    found = {name: stored.clip(name).camera.readout_direction for name in turns}
    # a quarter turn puts the stored top row at the right or the left edge of the upright picture
    assert found["level"] == "down" and found["over"] == "up" and {found["left"], found["right"]} == {"left", "right"}
    for name in turns:
        with open_session_clip(tmp_path, stored.clip(name)) as reader:
            assert valid_readout(reader, stored.clip(name).camera) == (stored.clip(name).camera.readout_ms, "")

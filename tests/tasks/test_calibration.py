"""A calibrated readout time finds the clips it holds for, and no others."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from tests.tasks.night_clips import patches, write_clip
from tests.tasks.test_requests import clip
from viewer.measure.readings import Reading, refused
from viewer.session.model import Device, Scene, Session, new_session
from viewer.tasks.calibration import store_readout
from viewer.tasks.clip_files import open_session_clip
from viewer.tasks.document import Result
from viewer.tasks.readout import camera_mode


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

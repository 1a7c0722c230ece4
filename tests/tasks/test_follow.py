"""Regions that follow a handheld picture."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from scipy.ndimage import shift as shifted

from tests.tasks.night_clips import GREEN, WEIGHTS, encode_hlg
from tests.tasks.test_requests import ask, chart, clip, region
from viewer.errors import RegionError
from viewer.measure.readings import Flag
from viewer.media import open_clip
from viewer.media.writer import VideoWriter
from viewer.session.model import Device, MotionTrack, Scene, Session, new_session
from viewer.tasks.follow import following
from viewer.tasks.session import align_session, measure_session

SWAY = np.array([(9.0 * np.sin(0.4 * k), 6.0 * np.cos(0.31 * k) - 6.0) for k in range(30)])


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Session, Path]:
    """The chart, still in one clip and swaying in another."""
    folder = tmp_path_factory.mktemp("handheld")
    scene = chart() + 0.03 * np.random.default_rng(4).standard_normal((200, 320)).clip(-2, 2).cumsum(1) / 9
    scene = np.maximum(scene, 0.01)
    colour = np.array(GREEN) / (np.array(GREEN) @ np.array(WEIGHTS["bt2020"]))
    rng = np.random.default_rng(7)
    for name, sway in (("still", 0.0), ("sway", 1.0)):
        with VideoWriter(
            folder / f"{name}.mp4", width=320, height=200, rate=Fraction(25), codec="hevc", bit_depth=10, transfer="hlg",
            range="narrow", matrix="bt2020", crf=12, options={"preset": "veryfast"},
        ) as writer:  # fmt: skip
            for dx, dy in sway * SWAY:
                light = shifted(scene, (dy, dx), order=3, mode="nearest") + 0.004 * rng.standard_normal(scene.shape)
                writer.write(encode_hlg(light[..., None] * colour).clip(0, 1).astype(np.float32))
    session = new_session().put(
        Device(id="h", name="Heron", control=True),
        Device(id="b", name="Bittern"),
        Scene(id="s", name="Chart", common_time=False),
        clip("still", folder / "still.mp4"),
        clip("sway", folder / "sway.mp4", device="b"),
        region("white", "rect", 22, 23, 56, 44),
        region("black", "rect", 102, 23, 56, 44),
    )
    return session, folder


def track_of(shifts: np.ndarray) -> MotionTrack:
    times = tuple(k / 25 for k in range(len(shifts)))
    return MotionTrack(time_s=times, shift_px=tuple((float(x), float(y)) for x, y in shifts), sigma_px=0.05)


def michelson(result: object) -> float:
    return float(next(r.value for r in result.readings if r.name == "michelson"))  # type: ignore[attr-defined]


def test_rectangles_move_with_each_frame(made: tuple[Session, Path]) -> None:
    _, folder = made
    with open_clip(folder / "sway.mp4") as plain:
        steady = following(plain, track_of(SWAY))
        box = (102, 23, 56, 44)
        levels = [float(frame.luminance(box).light.mean()) for frame in steady.frames()]
        loose = [float(frame.luminance(box).light.mean()) for frame in plain.frames()]
        assert np.std(levels) < 0.1 * np.std(loose)
        assert len(steady) == len(plain)
        assert steady.info is plain.info
        edge = (0, 0, 50, 50)
        assert steady.frame(3).luminance(edge).light.shape == (50, 50)
        with pytest.raises(RegionError):
            steady.frame(3).luminance((300, 0, 50, 50))


def test_no_track_is_the_clip_itself(made: tuple[Session, Path]) -> None:
    _, folder = made
    with open_clip(folder / "still.mp4") as plain:
        assert following(plain, None) is plain
        assert following(plain, MotionTrack()) is plain


def test_lining_up_finds_the_track_and_readings_agree(made: tuple[Session, Path]) -> None:
    session, folder = made
    run = align_session(session, folder)
    still, sway = run.session.clip("still"), run.session.clip("sway")
    assert still.track is None
    assert sway.track is not None
    expected = SWAY - np.median(SWAY, axis=0)
    found = np.array(sway.track.shift_px) - np.median(np.array(sway.track.shift_px), axis=0)
    assert np.sqrt(np.mean((found - expected) ** 2)) < 0.3
    true = michelson(ask(run.session, folder, "contrast", on="still", bright="white", dark="black"))
    followed = michelson(ask(run.session, folder, "contrast", on="sway", bright="white", dark="black"))
    left = replace(sway, track=None)
    alone = michelson(ask(run.session.put(left), folder, "contrast", on="sway", bright="white", dark="black"))
    assert abs(followed - true) < 0.01
    assert abs(alone - true) > 3 * abs(followed - true)


def test_readings_of_a_moving_clip_say_so(made: tuple[Session, Path]) -> None:
    from viewer.measure.readings import parse_flags
    from viewer.session.model import Request

    session, folder = made
    request = Request(id="q", scene="s", measure="noise", regions={"region": ("white",)})
    moving = session.put(replace(session.clip("sway"), track=track_of(SWAY)), request)
    run = measure_session(moving, folder)
    flags = {r.clip: parse_flags(r.flags) for r in run.session.readings if r.name == "mean"}
    assert Flag.MOVING in flags["sway"]
    assert Flag.MOVING not in flags["still"]

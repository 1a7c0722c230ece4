"""The engine behind the wall: exact pictures on request, in step while playing, nothing left behind."""

from __future__ import annotations

import gc
import threading
import time
from collections.abc import Callable
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from viewer.media import open_clip
from viewer.media.analyse import collect
from viewer.media.engine import Clock, Picture, Wall, fitted
from viewer.media.writer import VideoWriter

DATA = Path(__file__).resolve().parent.parent / "data"


@pytest.fixture(scope="module")
def counted(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A clip whose grey level tells the number of the picture."""
    path = tmp_path_factory.mktemp("engine") / "counted.mp4"
    with VideoWriter(path, width=160, height=96, rate=Fraction(25), codec="h264", crf=1, options={"g": "20"}) as writer:
        for n in range(75):
            writer.write(np.full((96, 160, 3), 0.1 + n / 100))
    return path


def told(picture: Picture) -> int:
    """Number that the grey level tells: BT.709 narrow codes of 0.1 + n / 100, expanded to 0..255."""
    return round((float(picture.image[..., 1].mean()) / 255 - 0.1) * 100)


def wait(wall: Wall, wanted: Callable[[dict[str, Picture]], bool], limit_s: float = 10.0) -> dict[str, Picture]:
    got: dict[str, Picture] = {}
    end = time.monotonic() + limit_s
    while time.monotonic() < end:
        got.update(wall.poll())
        if wanted(got):
            return got
        time.sleep(0.002)
    raise AssertionError(f"nothing came: {wall.states()}")


@pytest.fixture
def wall(counted: Path) -> object:
    before = set(threading.enumerate())
    with Wall() as made:
        made.open([("a", counted), ("b", counted)], size=(80, 48), maps={"b": (0.2, 0.0)})
        while not made.ready():
            time.sleep(0.005)
        yield made
    assert set(threading.enumerate()) <= before


def test_exact_steps_both_ways(wall: Wall) -> None:
    wall.seek(1.0)
    got = wait(wall, lambda g: len(g) == 2)
    assert (got["a"].number, got["b"].number) == (25, 20)
    assert told(got["a"]) == 25
    assert got["a"].image.shape == (48, 80, 4)
    here = 25
    for step in (1, 1, -1, -1, -1, 5, -10, -1, 30):
        here += step
        wall.step(step, lead="a")
        got = wait(wall, lambda g, want=here: "a" in g and g["a"].number == want)
        assert told(got["a"]) == here
    wall.step(-1000)
    assert wait(wall, lambda g: "a" in g)["a"].number == 0


def test_newest_request_wins(wall: Wall) -> None:
    for n in range(60):
        wall.seek(n / 25)
    got = wait(wall, lambda g: "a" in g and g["a"].number == 59)
    assert told(got["a"]) == 59
    time.sleep(0.1)
    assert "a" not in wall.poll()


def test_playing_keeps_time_and_loops(wall: Wall) -> None:
    wall.set_loop((0.4, 1.2))
    wall.play(0.4)
    seen: list[tuple[int, float]] = []
    end = time.monotonic() + 12.0
    # Until it went round once; how long that takes depends on what else this machine does.
    while time.monotonic() < end and not any(b < a for (a, _), (b, _) in pairwise(seen)):
        for key, picture in wall.poll().items():
            if key == "a":
                seen.append((picture.number, wall.clock.now() - picture.due_s))
                assert told(picture) == picture.number
        time.sleep(0.002)
    numbers = [number for number, _ in seen]
    assert set(numbers) <= set(range(10, 30))
    assert sum(b < a for a, b in pairwise(numbers)) >= 1
    # Never early.  Late ones depend on what else this machine does.
    assert min(late for _, late in seen) >= -1e-6
    wall.pause()
    got = wait(wall, lambda g: len(g) == 2)
    assert abs(got["a"].scene_s - wall.position()) <= 0.041


def test_a_bad_clip_leaves_the_others_alone(counted: Path, tmp_path: Path) -> None:
    bad = tmp_path / "bad.mp4"
    bad.write_bytes(b"nothing")
    with Wall() as made:
        made.open([("a", counted), ("bad", bad)])
        while not made.ready():
            time.sleep(0.005)
        assert made.states()["bad"].status == "failed"
        assert "bad.mp4" in made.states()["bad"].error
        made.seek(0.4)
        assert wait(made, lambda g: "a" in g)["a"].number == 10


def test_memory_is_bounded(counted: Path) -> None:
    with Wall(memory_mb=1.0) as made:
        made.open([("a", counted)])
        while not made.ready():
            time.sleep(0.005)
        for n in (0, 40, 10, 74):
            made.seek(n / 25)
            wait(made, lambda g, want=n: "a" in g and g["a"].number == want)
        assert made.states()["a"].stored_mb <= 1.1


def test_clock_loops() -> None:
    clock = Clock()
    clock.loop = (1.0, 3.0)
    assert [clock.scene(t) for t in (0.5, 1.0, 2.9, 3.0, 4.5, 7.5)] == pytest.approx([0.5, 1.0, 2.9, 1.0, 2.5, 1.5])


def test_fitted_never_enlarges() -> None:
    assert fitted(1920, 1080, (960, 900)) == (960, 540)
    assert fitted(100, 50, (960, 540)) == (100, 50)


def test_collecting_in_one_pass_equals_frame_by_frame(counted: Path) -> None:
    regions = {"left": (0, 0, 40, 96), "spot": (70, 30, 11, 7)}
    with open_clip(counted) as clip:
        found = collect(clip, regions, rows=("left",), columns=("spot",), start=5, stop=25)
        assert found.numbers.tolist() == list(range(5, 25))
        for name, rect in regions.items():
            for place in (0, 19):
                light = clip.frame(5 + place).luminance(rect).light.astype(float)
                assert found.mean[name][place] == pytest.approx(light.mean(), rel=1e-5)
                assert found.spread[name][place] == pytest.approx(light.std(), rel=1e-3, abs=1e-6)
        assert found.rows["left"].shape == (20, 96)
        assert found.columns["spot"].shape == (20, 11)
        stopped = iter([False] * 3 + [True] * 99)
        with pytest.raises(Exception, match="stopped"):
            collect(clip, regions, cancelled=lambda: next(stopped))


def test_opening_500_times_leaks_nothing() -> None:
    import psutil

    process = psutil.Process()
    path = DATA / "editlist-discards-first-keyframe.mp4"
    for n in range(500):
        with open_clip(path) as clip:
            clip.frame(n % 25)
        if n == 150:
            gc.collect()
            before, files = process.memory_info().rss, process.num_fds() if hasattr(process, "num_fds") else 0
    gc.collect()
    assert process.memory_info().rss - before < 12 * 2**20
    if files:
        assert process.num_fds() <= files + 2

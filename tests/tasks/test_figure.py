"""A figure in a dark scene through codecs: standing, walking, and the command."""

from __future__ import annotations

import json
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace

import numpy as np
import pytest

from viewer.cli.main import run
from viewer.errors import RegionError, SeekError, UsageError
from viewer.measure.regions import Rect
from viewer.media import open_clip
from viewer.tasks.figure import measure_figure

night = SimpleNamespace(**run_path(str(Path(__file__).with_name("night_clips.py"))))
BOX = Rect(70, 50, 14, 36)


@pytest.fixture(scope="module")
def standing(tmp_path_factory: pytest.TempPathFactory) -> Path:
    scene = night.patches(128, 192, 0.05, (BOX.x, BOX.y, BOX.w, BOX.h, 0.065))
    return night.write_clip(tmp_path_factory.mktemp("figure") / "a.mp4", scene, frames=20, noise=0.04, crf=8)


@pytest.fixture(scope="module")
def walking(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """From x = 30 to x = 100 in 2 s, faster in the first half: the way between two marks is not straight in time."""

    def level(n: int) -> np.ndarray:
        t = n / 20.0
        x = round(30 + 70 * np.sin(np.pi / 4 * t))
        field = np.ones((128, 192))
        field[50:86, x : x + 14] = 0.6
        return field

    scene = 0.06 * np.ones((128, 192))
    return night.write_clip(
        tmp_path_factory.mktemp("figure") / "b.mp4", scene, frames=41, rate=20, noise=0.02, level=level, crf=8
    )


def test_standing_figure(standing: Path) -> None:
    with open_clip(standing) as clip:
        result = measure_figure(clip, [(BOX, None)])
    contrast = result.reading("contrast", "figure-1")
    scene = night.patches(128, 192, 0.05, (BOX.x, BOX.y, BOX.w, BOX.h, 0.065))
    truth = scene[BOX.slices].mean() / 0.05 - 1  # its soft edge included
    assert contrast.value == pytest.approx(truth, abs=0.008)
    assert contrast.low <= truth <= contrast.high
    noise = 0.04 * 0.05**0.5
    assert result.reading("cnr").value == pytest.approx(0.015 / noise, rel=0.2)
    grain = result.extras["noise"]["grain_px"]
    assert 3.0 < grain < 9.0  # 4 pi 0.7^2 px
    assert result.reading("detectability").value > 5 and result.extras["share_seen"]["figure-1"] == 1.0
    assert result.plots["contrast"].shape == (20,)
    result.dumps()


def test_walking_figure_is_followed(walking: Path) -> None:
    marks = [(Rect(30, 50, 14, 36), 0.0), (Rect(100, 50, 14, 36), 2.0)]
    with open_clip(walking) as clip:
        result = measure_figure(clip, marks, around_px=12)
    truth = np.array([30 + 70 * np.sin(np.pi / 4 * t) for t in result.plots["frame_times_s"]])
    assert np.abs(result.plots["boxes"][:, 0] - truth).max() < 2.5
    assert np.median(result.plots["contrast"]) == pytest.approx(-0.4, abs=0.04)
    for number in (1, 2):
        assert result.reading("contrast", f"figure-{number}").value == pytest.approx(-0.4, abs=0.05)


def test_a_figure_walks_on_beyond_its_marks(walking: Path) -> None:
    """A quarter of a second before the first mark and after the last counts as well: the box may not wait there."""

    def way(t: np.ndarray) -> np.ndarray:
        return 30 + 70 * np.sin(np.pi / 4 * t)

    marks = [(Rect(round(float(way(np.array(t)))), 50, 14, 36), t) for t in (0.5, 1.5)]
    with open_clip(walking) as clip:
        result = measure_figure(clip, marks, around_px=12)
    times = result.plots["frame_times_s"]
    assert times.min() < 0.3 and times.max() > 1.7
    assert np.abs(result.plots["boxes"][:, 0] - way(times)).max() < 3.0
    for number in (1, 2):
        reading = result.reading("contrast", f"figure-{number}")
        assert reading.value == pytest.approx(-0.4, abs=0.05)
        assert reading.low <= -0.4 <= reading.high


def test_johnson_is_an_extra(standing: Path) -> None:
    with open_clip(standing) as clip:
        result = measure_figure(clip, [(BOX, None)], limit_cycles_px=0.2)
    assert result.extras["johnson"]["cycles"] == pytest.approx(2.8)
    assert result.extras["johnson"]["detection"] > result.extras["johnson"]["recognition"]


def test_wrong_marks(standing: Path) -> None:
    with open_clip(standing) as clip:
        with pytest.raises(UsageError, match="no figure"):
            measure_figure(clip, [])
        with pytest.raises(UsageError, match="some have none"):
            measure_figure(clip, [(BOX, None), (BOX, 0.2)])
        with pytest.raises(SeekError):
            measure_figure(clip, [(BOX, 99.0)])
        with pytest.raises(RegionError):
            measure_figure(clip, [(Rect(190, 50, 14, 36), None)])


def test_command(standing: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["figure", str(standing), "--region", f"{BOX}", "--around", "10", "--json", "-"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert [(r["name"], r["of"]) for r in document["readings"]] == [
        ("contrast", "figure-1"),
        ("cnr", "figure-1"),
        ("detectability", "figure-1"),
    ]
    assert run(["figure", str(standing), "--region", f"{BOX}@0.2", "--json", "-"]) == 0
    assert json.loads(capsys.readouterr().out)["readings"][0]["frames"] <= 16
    assert run(["figure", str(standing), "--region", f"{BOX}@x"]) == 2
    assert run(["figure", str(standing), "--region", f"{BOX}@77"]) in (2, 3)

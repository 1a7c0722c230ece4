"""Contrast and bars over the levels of a ramp."""

from __future__ import annotations

import json
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace

import numpy as np
import pytest

from viewer.cli.main import run
from viewer.measure.bars import Target
from viewer.measure.regions import Rect
from viewer.media import open_clip
from viewer.tasks.ramp_curves import measure_curves

night = SimpleNamespace(**run_path(str(Path(__file__).with_name("night_clips.py"))))
LIGHT = (0.4, 0.1, 0.025)
VEIL = 0.03  # light that does not fall with the level: contrast falls as light / (light + veil)


@pytest.fixture(scope="module")
def clip_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    places = [(2.0, 100.2, 20.3, 5.0, "v")]
    scene, _ = night.chart(96, 160, places, paper=1.0, ink=0.04, blur_px=1.2)
    scene[20:70, 20:50] = 0.25
    folder = tmp_path_factory.mktemp("curves")
    return night.write_clip(
        folder / "a.mp4",
        scene,
        frames=54,
        rate=18,
        noise=0.01,
        level=lambda n: LIGHT[n // 18] + VEIL / np.maximum(scene, 0.01),
        crf=8,
    )


def truth(k: int) -> float:
    bright, dark = LIGHT[k] + VEIL, 0.25 * LIGHT[k] + VEIL
    return (bright - dark) / (bright + dark)


def test_curves(clip_path: Path) -> None:
    with open_clip(clip_path) as clip:
        result = measure_curves(
            clip,
            Rect(56, 20, 36, 60),
            levels=[1.5, 0.4, 0.1],
            contrast=(Rect(60, 24, 30, 40), Rect(24, 24, 22, 40)),
            targets=[Target("2", Rect(100, 20, 25, 25), "v")],
        )
    curve = result.extras["curves"]["michelson"]["bright/dark"]
    assert curve["level"] == [1.5, 0.4, 0.1]
    assert curve["value"] == pytest.approx([truth(k) for k in range(3)], abs=0.01)
    assert result.reading("modulation", "2/v at 0.4 mfL").state == "measured"
    lost = result.reading("level_lost", "bright/dark")
    assert lost.state == "limit" and lost.value == 0.1 and lost.unit == "mfL"
    result.dumps()


def test_every_measure_per_step(clip_path: Path) -> None:
    """Noise of 0.01 times the root of light falls with the level; tint stays; the figure's contrast is the veiled one."""
    with open_clip(clip_path) as clip:
        result = measure_curves(
            clip,
            Rect(56, 20, 36, 60),
            levels=[1.5, 0.4, 0.1],
            noise=Rect(60, 24, 30, 40),
            tint=Rect(60, 24, 30, 40),
            edge=Rect(40, 24, 20, 40),
            figure=Rect(26, 26, 16, 30),
        )
    curves = result.extras["curves"]
    light = [level + VEIL for level in LIGHT]
    assert curves["temporal_sigma"]["region"]["value"] == pytest.approx([0.01 * x**0.5 for x in light], rel=0.15)
    assert curves["u_prime"]["region"]["level"] == [1.5, 0.4, 0.1]
    assert np.ptp(curves["u_prime"]["region"]["value"]) < 0.002
    assert {r.of for r in result.readings if r.name == "contrast"} == {f"figure-1 at {x:g} mfL" for x in (1.5, 0.4, 0.1)}
    assert {r.of for r in result.readings if r.name == "rise_10_90"} == {f"40,24,20,40 at {x:g} mfL" for x in (1.5, 0.4, 0.1)}
    result.dumps()


def test_command(clip_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    base = ["ramp", str(clip_path), "--region", "56,20,36,60"]
    marks = ["--bright", "60,24,30,40", "--dark", "24,24,22,40", "--target", "2=100,20,25,25,v"]
    assert run([*base, "--levels", "1.5,0.4,0.1", *marks, "--json", "-"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert len(document["steps"]) == 3 and "michelson" in document["curves"]
    assert run([*base, *marks]) == 2
    assert "need the light levels" in capsys.readouterr().err
    assert run([*base, "--levels", "1.5,0.4,0.1", "--bright", "60,24,30,40"]) == 2
    assert run([*base, "--levels", "1.5,0.4,0.1", "--noise", "60,24,30,40", "--json", "-"]) == 0
    assert "temporal_sigma" in json.loads(capsys.readouterr().out)["curves"]
    assert run([*base, "--tint", "60,24,30,40"]) == 2

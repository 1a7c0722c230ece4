"""Ramps through codecs, other measures step by step, and the command."""

from __future__ import annotations

import json
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace

import numpy as np
import pytest

from viewer.cli.main import run
from viewer.errors import UsageError
from viewer.measure.regions import Rect
from viewer.media import open_clip
from viewer.tasks.contrast import measure_contrast
from viewer.tasks.ramp import inner_region, measure_ramp, measure_steps

night = SimpleNamespace(**run_path(str(Path(__file__).with_name("night_clips.py"))))
LEVELS = [0.5, 0.15, 0.05]


@pytest.fixture(scope="module")
def clip_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three levels of 20 frames; after each change the gain overshoots and settles with a time constant of 2 frames."""
    scene = night.patches(96, 144, 0.6, (12, 20, 50, 56, 1.0), (80, 20, 50, 56, 0.25))

    def level(n: int) -> float:
        k, since = divmod(n, 20)
        return LEVELS[k] * (1 + (0.25 * np.exp(-since / 2.0) if k else 0.0))

    folder = tmp_path_factory.mktemp("ramp")
    return night.write_clip(folder / "a.mp4", scene, frames=60, rate=20, noise=0.03, level=level, crf=4)


def test_steps(clip_path: Path) -> None:
    with open_clip(clip_path) as clip:
        result = measure_ramp(clip, Rect(20, 28, 34, 40), levels=[1.5, 0.5, 0.15], unit="mfL")
    steps = result.extras["steps"]
    assert [step["start_s"] for step in steps] == pytest.approx([0.0, 1.0, 2.0], abs=0.051)
    assert [step["level"] for step in steps] == [1.5, 0.5, 0.15]
    assert [step["mean"] for step in steps] == pytest.approx(LEVELS, rel=0.01)
    assert steps[0]["luminance_cd_m2"] == pytest.approx(1.5 * 0.0034262591)
    for step in steps[1:]:
        assert 0.1 < step["settled_from_s"] - step["start_s"] < 0.7
        assert step["end_s"] - step["settled_from_s"] > 0.2
    assert result.reading("mean", "step-2").value == pytest.approx(0.15, rel=0.01)
    line = result.extras["photon_transfer"]
    assert line["slope"] == pytest.approx(0.03**2, rel=0.3)
    result.dumps()


def test_every_measure_per_step(clip_path: Path) -> None:
    with open_clip(clip_path) as clip:
        ramp = measure_ramp(clip, levels=[1.5, 0.5, 0.15])
        found = measure_steps(
            ramp,
            lambda span: measure_contrast(clip, Rect(20, 28, 34, 40), Rect(88, 28, 34, 40), frames=span, corner=False),
        )
    assert [result.readings[0].of for result in found] == [f"bright/dark at {text} mfL" for text in ("1.5", "0.5", "0.15")]
    for result in found:
        assert result.readings[0].value == pytest.approx(0.6, abs=0.005)


def test_region_is_found(clip_path: Path) -> None:
    with open_clip(clip_path) as clip:
        rect = inner_region(clip)
    assert rect.inside(144, 96) and rect.area > 1000


def test_steady_light_is_said(tmp_path: Path) -> None:
    path = night.write_clip(tmp_path / "a.mp4", night.patches(64, 96, 0.2), frames=20, noise=0.02)
    with open_clip(path) as clip:
        result = measure_ramp(clip, Rect(16, 16, 32, 32))
        assert len(result.extras["steps"]) == 1
        assert any("not a ramp" in text for text in result.warnings)
        with pytest.raises(UsageError, match="above 0"):
            measure_ramp(clip, levels=[1.0, 0.0])
        with pytest.raises(UsageError, match="unit"):
            measure_ramp(clip, levels=[1.0], unit="furlong")
        with pytest.raises(UsageError, match=r"too few frames for a light ramp \(2\)"):
            measure_ramp(clip, Rect(16, 16, 32, 32), frames=(0, 2))


def test_command(clip_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["ramp", str(clip_path), "--region", "20,28,34,40", "--levels", "1.5,0.5,0.15", "--unit", "lx", "--json", "-"]
    assert run(arguments) == 0
    document = json.loads(capsys.readouterr().out)
    assert {"start_s", "end_s", "settled_from_s", "mean", "level"} <= set(document["steps"][0])
    assert [step["level"] for step in document["steps"]] == [1.5, 0.5, 0.15]
    assert run(["ramp", str(clip_path), "--levels", "1.5,x"]) == 2
    assert run(["ramp", str(clip_path), "--levels", "1.5,-1"]) == 2
    assert run(["ramp", str(clip_path), "--unit", "stone"]) == 2


def test_light_that_went_with_lost_noise_is_added(tmp_path: Path) -> None:
    """Noise smoothed before the curve takes half the lost variance times the curve's bend off the mean (Taylor series).

    HLG below 1/12 is light = signal^2 / 3, so its bend is 1 / (2 light); a coarse encoder of strong noise loses percents.
    """
    scene = np.full((96, 144), 1.0)
    path = night.write_clip(
        tmp_path / "a.mp4",
        scene,
        frames=60,
        rate=20,
        noise=0.06,
        grain_px=0.0,
        level=lambda n: 0.03 if n < 30 else 0.012,
        crf=24,
    )
    with open_clip(path) as clip:
        result = measure_ramp(clip, Rect(40, 24, 64, 48))
        plain = [clip.frame(n).luminance(Rect(40, 24, 64, 48)).light.mean() for n in range(35, 59)]
    reading = result.reading("mean", "step-2")
    assert np.mean(plain) < 0.0119
    assert abs(reading.value - 0.012) < 0.6 * abs(np.mean(plain) - 0.012)
    assert reading.low <= 0.012 <= reading.high

"""Tri-bar charts through real codecs, drawn finer than pixels by the simulator beside this file."""

from __future__ import annotations

from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from viewer.errors import RegionError, UsageError
from viewer.measure.readings import Flag
from viewer.measure.regions import Rect
from viewer.media import open_clip
from viewer.tasks.bars import Target, measure_bars, with_ways
from viewer.tasks.bars_light import COLOUR_SIDE, MOST_PIXELS, MOST_SAMPLES, window_of
from viewer.tasks.document import Result

night = SimpleNamespace(**run_path(str(Path(__file__).with_name("night_clips.py"))))

ROWS, COLS = 150, 300
H264 = {"transfer": "bt709", "bits": 8, "codec": "h264", "matrix": "bt709"}


def layout() -> list[tuple[float, float, float, float, str]]:
    """Six elements, bars of 8.4 to 2.1 px, both ways, at odd places."""
    places, x = [], 9.3
    for k, lpmm in enumerate((1.0, 1.4142, 2.0, 2.8284, 4.0)):
        width = 8.4 / lpmm
        places.append((lpmm, x + 0.17 * k, 10.4, width, "v"))
        places.append((lpmm, x + 0.31 * k, 82.7, width, "h"))
        x += 5 * width + 2 * width + 14
    return places


PLACES = layout()


@pytest.fixture(scope="module")
def scene() -> tuple[np.ndarray, list[float]]:
    return night.chart(ROWS, COLS, PLACES, paper=1.0, ink=0.04, blur_px=1.15)


def targets(pad: float = 0.0) -> list[Target]:
    marked = []
    for lpmm, x, y, w, way in PLACES:
        x0, y0, x1, y1 = round(x - pad), round(y - pad), round(x + 5 * w + pad), round(y + 5 * w + pad)
        marked.append(Target(f"{lpmm:g}", Rect(x0, y0, x1 - x0, y1 - y0), way))
    return marked


def measured(path: Path, pad: float = 0.0, **options: Any) -> Result:
    with open_clip(path) as clip:
        return measure_bars(clip, targets(pad), **options)


def errors(result: Result, truths: list[float]) -> np.ndarray:
    return np.array([result.reading("modulation", t.of).value - truth for t, truth in zip(targets(), truths)])


@pytest.mark.parametrize(
    ("light", "noise", "how", "pad", "rms"),
    [
        (0.4, 0.03, {"crf": 14}, 0.0, 0.008),
        (0.4, 0.03, H264 | {"crf": 14, "tint": (0.22, 1.0, 0.3)}, 0.0, 0.008),
        (0.4, 0.03, {"crf": 14}, 1.5, 0.010),
        (0.06, 0.03, {"crf": 14}, 0.0, 0.014),
    ],
    ids=["hlg", "709", "loose-boxes", "dim"],
)
def test_modulation_through_codecs(
    tmp_path: Path,
    scene: tuple[np.ndarray, list[float]],
    light: float,
    noise: float,
    how: dict[str, Any],
    pad: float,
    rms: float,
) -> None:
    picture, truths = scene
    path = night.write_clip(tmp_path / "a.mp4", light * picture, frames=16, noise=noise, read_noise=0.0004, **how)
    result = measured(path, pad)
    found = errors(result, truths)
    assert np.sqrt(np.mean(found**2)) < rms
    assert result.extras["polarity"] == "dark bars"
    true_limit = [t for t in (1.0, 1.4142, 2.0, 2.8284, 4.0) if min(m for p, m in zip(PLACES, truths) if p[0] == t) > 0.03][-1]
    steps = 2 * np.log2(result.extras["element"] / true_limit)
    assert abs(steps) < 1.01
    limit = result.reading("limiting_resolution")
    assert limit.of == "all frames" and limit.unit == "lp/mm"
    assert result.reading("limiting_resolution_single_frame").frames == 1
    result.dumps()


def test_bright_bars(tmp_path: Path) -> None:
    picture, truths = night.chart(ROWS, COLS, PLACES, paper=0.05, ink=1.0, blur_px=1.15)
    path = night.write_clip(tmp_path / "a.mp4", 0.4 * picture, frames=8, noise=0.02, crf=12)
    result = measured(path)
    assert result.extras["polarity"] == "bright bars"
    assert result.reading("modulation", "1/v").value == pytest.approx(-truths[0], abs=0.01)


def test_noise_decides_what_one_frame_shows(tmp_path: Path, scene: tuple[np.ndarray, list[float]]) -> None:
    path = night.write_clip(tmp_path / "a.mp4", 0.3 * scene[0], frames=24, noise=0.3, crf=10)
    result = measured(path)
    many, one = result.reading("limiting_resolution"), result.reading("limiting_resolution_single_frame")
    assert many.value > one.value
    assert sum(result.extras["resolved"].values()) > sum(result.extras["resolved_single_frame"].values())


def test_orientation_is_found(tmp_path: Path, scene: tuple[np.ndarray, list[float]]) -> None:
    path = night.write_clip(tmp_path / "a.mp4", 0.4 * scene[0], frames=3, noise=0.02, crf=14)
    with open_clip(path) as clip:
        found = with_ways(clip, [(Target(t.typed, t.rect, "v"), True) for t in targets()])
    assert [t.way for t in found] == [t.way for t in targets()]


def test_clipped_targets_are_refused(tmp_path: Path, scene: tuple[np.ndarray, list[float]]) -> None:
    path = night.write_clip(tmp_path / "a.mp4", 3.0 * scene[0], frames=4, noise=0.02, range="full", bits=8, codec="h264")
    reading = measured(path).reading("modulation", "1/v")
    assert Flag.CLIPPED in reading.flags and reading.state == "refused"


def test_a_dark_level_is_taken_off(tmp_path: Path, scene: tuple[np.ndarray, list[float]]) -> None:
    lifted = 0.3 * scene[0] + 0.05
    path = night.write_clip(tmp_path / "a.mp4", lifted, frames=8, noise=0.01, crf=12)
    capped = night.write_clip(tmp_path / "dark.mp4", np.full((ROWS, COLS), 0.05), frames=4, noise=0.01)
    with open_clip(capped) as dark:
        result = measured(path, dark_clip=dark)
    assert result.reading("modulation", "1/v").value == pytest.approx(scene[1][0], abs=0.01)
    assert measured(path).reading("modulation", "1/v").value < scene[1][0] - 0.1


def test_wrong_use(tmp_path: Path, scene: tuple[np.ndarray, list[float]]) -> None:
    path = night.write_clip(tmp_path / "a.mp4", 0.3 * scene[0], frames=2)
    with open_clip(path) as clip:
        with pytest.raises(UsageError, match="no target"):
            measure_bars(clip, [])
        with pytest.raises(UsageError, match="twice"):
            measure_bars(clip, [targets()[0], targets()[0]])
        with pytest.raises(RegionError, match="too small"):
            measure_bars(clip, [Target("9", Rect(10, 10, 4, 4))])
        with pytest.raises(RegionError, match="outside"):
            measure_bars(clip, [Target("9", Rect(290, 10, 40, 40))])


def test_noise_cut_at_black(tmp_path: Path, scene: tuple[np.ndarray, list[float]]) -> None:
    """Dark bars under noise four times their light: cut at black, they read as bright as their noise."""
    picture, truths = scene
    path = night.write_clip(tmp_path / "a.mp4", 0.02 * picture, frames=30, noise=0.02, read_noise=0.008, crf=14)
    result = measured(path)
    assert result.extras["cut_at_black"]
    assert any("cut at black" in text for text in result.warnings)
    readings = [result.reading("modulation", t.of) for t in targets()]
    wide = [(r, truth) for r, truth in zip(readings, truths) if truth > 0.3]
    assert all(r.low <= truth <= r.high for r, truth in wide)
    assert np.sqrt(np.mean([(r.value - truth) ** 2 for r, truth in wide])) < 0.05
    assert Flag.LOW_SIGNAL in wide[0][0].flags


def test_intervals_hold_what_the_encoder_took(tmp_path: Path, scene: tuple[np.ndarray, list[float]]) -> None:
    picture, truths = scene
    inside = []
    for crf in (16, 22, 28):
        result = measured(night.write_clip(tmp_path / f"{crf}.mp4", 0.3 * picture, frames=12, noise=0.02, crf=crf))
        readings = [result.reading("modulation", target.of) for target in targets()]
        inside += [reading.low <= truth <= reading.high for reading, truth in zip(readings, truths)]
    assert np.mean(inside) >= 0.9


def test_a_target_as_large_as_the_picture_keeps_little(tmp_path: Path) -> None:
    path = night.write_clip(tmp_path / "large.mp4", np.full((360, 640), 0.2), frames=60, noise=0.02)
    with open_clip(path) as clip:
        window = window_of(clip, Target("1", Rect(0, 0, 640, 360), "v"))
        for frame in clip.frames():
            window.add(frame, None, len(window.samples) < MOST_SAMPLES)
    assert sum(part.size for part in window.samples) <= MOST_PIXELS
    assert all(part.shape[1] == window.rect.w for part in window.samples)
    assert sum(part.size for part in window.colours) <= 12 * (COLOUR_SIDE // 2) ** 2 * 3

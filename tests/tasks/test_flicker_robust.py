"""Trouble of real clips, through a codec: nothing steady is called modulated, and a gate stays right or undecided."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.ndimage import affine_transform, shift

from viewer.measure.readings import Flag
from viewer.media import open_clip
from viewer.tasks.document import Result
from viewer.tasks.flicker import measure_flicker

clips = SimpleNamespace(**run_path(str(Path(__file__).with_name("flicker_clips.py"))))
Gate = clips.Gate
Change = Callable[[int, np.ndarray], np.ndarray]
GATE_HZ = 287.3


def exposure_steps(n: int, light: np.ndarray) -> np.ndarray:
    """The camera's exposure jumps three times, as automatics do."""
    return light * (1.0, 1.6, 0.7, 1.2)[min(n // 17, 3)]


def focus_breathing(n: int, light: np.ndarray) -> np.ndarray:
    """The picture grows and shrinks by 0.6 %."""
    scale = 1.0 + 0.006 * np.sin(2 * np.pi * 0.9 * n / 30)
    middle = np.asarray(light.shape) / 2
    return affine_transform(light, [1 / scale, 1 / scale], offset=middle - middle / scale, order=1, mode="nearest")


def handshake(n: int, light: np.ndarray) -> np.ndarray:
    """A few pixels, at frequencies of hands."""
    return shift(light, (2.0 * np.sin(0.31 * n) + 0.5 * np.sin(2.1 * n), 1.5 * np.cos(0.23 * n)), order=1, mode="nearest")


def walking_figure(n: int, light: np.ndarray) -> np.ndarray:
    """A dark figure crosses and sways."""
    rows, cols = light.shape
    y, x = np.mgrid[:rows, :cols]
    place = cols * (0.2 + 0.006 * n)
    figure = np.exp(-np.square((x - place) / (0.06 * cols)) - np.square((y - 0.6 * rows) / (0.25 * rows)))
    return light * (1 - 0.7 * figure * (1 + 0.2 * np.sin(2 * np.pi * 1.8 * n / 30)))


TROUBLE = [exposure_steps, focus_breathing, handshake, walking_figure]


def measured(path: Path, **options: object) -> Result:
    known = {"readout_ms": 14.0, "readout_direction": "down", "shutter_s": 1 / 1000, **options}
    with open_clip(path, threads=1) as clip:
        return measure_flicker(clip, **known)  # type: ignore[arg-type]


@pytest.mark.parametrize("change", TROUBLE)
def test_steady_light_is_never_called_modulated(tmp_path: Path, change: Change) -> None:
    path = clips.write_flicker(tmp_path / "steady.mp4", rate=Fraction(30), seconds=2.2, change=change)
    result = measured(path)
    assert result.verdict is not None and result.verdict.word in ("steady", "cannot tell")
    assert not result.extras["lines"]


@pytest.mark.parametrize("change", TROUBLE)
def test_gate_is_right_whatever_else_moves(tmp_path: Path, change: Change) -> None:
    gate = Gate(GATE_HZ, 0.5)
    path = clips.write_flicker(tmp_path / "gate.mp4", rate=Fraction(30), seconds=2.2, tube=gate, change=change, codec="hevc")
    result = measured(path)
    assert [line["frequency_hz"] for line in result.extras["lines"]] == [pytest.approx(GATE_HZ, abs=0.01)]
    assert result.extras["fundamental_recorded"] == pytest.approx(gate.fundamental(1 / 1000), rel=0.1)
    assert result.extras["origin"] != "source"


def test_uneven_frames_count_by_their_own_times(tmp_path: Path) -> None:
    """Half of the clip at 30 fps, half at 24, as phones do in the dark; a nominal rate would be off by 0.2 Hz and more."""
    steps = np.concatenate((np.full(32, 1 / 30), np.full(28, 1 / 24)))
    times = np.round(np.concatenate(([0.0], np.cumsum(steps))) * clips.TICKS) / clips.TICKS
    path = clips.write_flicker(tmp_path / "uneven.mp4", rate=Fraction(30), times_s=times.tolist(), tube=Gate(GATE_HZ, 0.5))
    reading = measured(path).reading("modulation_frequency")
    assert reading.value == pytest.approx(GATE_HZ, abs=0.01) and Flag.VARIABLE_RATE in reading.flags


@pytest.mark.parametrize("gated", [True, False])
def test_repeated_frames(tmp_path: Path, gated: bool) -> None:
    """Every fifth picture repeats the one before: 24 to 30 fps by doubling."""
    tube = Gate(GATE_HZ, 0.5) if gated else None
    path = clips.write_flicker(tmp_path / "repeat.mp4", rate=Fraction(30), seconds=2.2, tube=tube, repeat=5, change=handshake)
    result = measured(path)
    found = [line["frequency_hz"] for line in result.extras["lines"]]
    assert found == ([pytest.approx(GATE_HZ, abs=0.01)] if gated else [])

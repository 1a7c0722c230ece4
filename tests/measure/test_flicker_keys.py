"""What key pictures tell of an encoder's loss, on row light whose predicted pictures lost a known share of the modulation."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace

import numpy as np
import pytest

from viewer.measure.flicker import Analysis, Clip, analyse
from viewer.measure.flicker_keys import KeyGain, amplitudes_by_frame, key_gain

made = SimpleNamespace(**run_path(str(Path(__file__).with_name("flicker_rows_made.py"))))
Gate, Scene, make_rows = made.Gate, made.Scene, made.make_rows
GATE = Gate(487.3, 0.2)
SCENE = Scene(fps=50.0, tube=GATE, noise=0.003, seed=4)
TRUE = GATE.fundamental(SCENE.exposure_s)


def encoded(kept: float, *, of_key: float | None = None, every: int = 30) -> Analysis:
    """Analyse a clip whose predicted pictures keep the share `kept` of the modulation, and key pictures `of_key`.

    Key pictures lose a quarter of that if not said otherwise: their steps are about 1.4 times finer (the usual setting of
    encoders), and the loss goes with the square of the step or faster.
    """
    in_key = 1.0 - 0.25 * (1.0 - kept) if of_key is None else of_key
    rows = make_rows(SCENE)
    key = np.arange(rows.light.shape[0]) % every == 0
    scene = rows.light.mean(axis=0)
    share = np.where(key, in_key, kept)[:, None, None].astype(np.float32)
    light = scene + (rows.light - scene) * share
    return analyse(
        Clip(
            rows=replace(rows, light=light),
            readout_s=SCENE.readout_s,
            exposure_s=SCENE.exposure_s,
            bits_per_pixel=0.06,
            key=key,
        )
    )


@pytest.mark.parametrize("kept", [0.95, 0.8, 0.6])
def test_depth_of_what_predicted_pictures_lost(kept: float) -> None:
    """The truth is the closed form of a rectangular pulse, `Gate.fundamental`."""
    strongest = encoded(kept).strongest
    assert strongest is not None
    assert strongest.line.wave.amplitude == pytest.approx(kept * TRUE, rel=0.03), "what a plain fit finds"
    assert strongest.recorded == pytest.approx(TRUE, rel=0.05)
    low, high = strongest.recorded_range
    assert low <= TRUE <= high
    assert strongest.waveform.depth_percent == pytest.approx(100 * 0.2 / 1.8, rel=0.1)


def test_interval_holds_where_key_pictures_kept_all() -> None:
    strongest = encoded(0.7, of_key=1.0).strongest
    assert strongest is not None
    low, high = strongest.recorded_range
    assert low <= TRUE <= high
    assert strongest.recorded == pytest.approx(TRUE, rel=0.13)


def test_nothing_is_made_up_where_all_pictures_lost_alike() -> None:
    strongest = encoded(0.7, of_key=0.7).strongest
    assert strongest is not None and strongest.recorded == pytest.approx(0.7 * TRUE, rel=0.05)


def test_nothing_is_added_where_nothing_was_lost() -> None:
    strongest = encoded(1.0).strongest
    assert strongest is not None and strongest.recorded == pytest.approx(TRUE, rel=0.03)


def test_amplitude_of_every_frame() -> None:
    line = encoded(0.8, of_key=1.0).modulations[0].line
    amplitude, left = amplitudes_by_frame(line)
    key = np.arange(amplitude.size) % 30 == 0
    assert amplitude[key].mean() == pytest.approx(TRUE, rel=0.03)
    assert amplitude[~key].mean() == pytest.approx(0.8 * TRUE, rel=0.03)
    assert left.shape == amplitude.shape and np.all(left > 0)


def test_no_key_pictures_no_gain() -> None:
    line = encoded(0.8).modulations[0].line
    frames = line.sheet.times_s.size
    assert key_gain(line, None, 160.0) is None
    assert key_gain(line, np.ones(frames, bool), 160.0) is None, "a clip of key pictures alone"
    assert key_gain(line, np.zeros(frames, bool), 160.0) is None
    assert key_gain(line, np.zeros(frames + 1, bool), 160.0) is None


@pytest.mark.parametrize(("gain", "sigma", "believed"), [(-0.02, 0.01, 0.0), (0.01, 0.02, 0.0), (0.1, 0.01, 0.099)])
def test_a_gain_must_stand_out_of_its_error(gain: float, sigma: float, believed: float) -> None:
    assert KeyGain(gain, sigma).believed == pytest.approx(believed)

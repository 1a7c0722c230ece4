"""Bands that an encoder renews in some pictures only: the frequency is still the light's, not that of an image."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace

import numpy as np
import pytest

from viewer.measure.flicker import Analysis, Clip, analyse
from viewer.measure.flicker_held import anchors_clock
from viewer.measure.flicker_sampling import read_clock

made = SimpleNamespace(**run_path(str(Path(__file__).with_name("flicker_rows_made.py"))))
Gate, Scene, make_rows = made.Gate, made.Scene, made.make_rows
SCENE = Scene(fps=50.0, tube=Gate(483.6466, 0.3), noise=0.003, seed=6)


def held(stride: int, *, known: bool = True) -> Analysis:
    """Analyse a clip whose pictures between anchors go evenly from one anchor's bands to the next one's."""
    rows = make_rows(SCENE)
    frames = rows.light.shape[0]
    anchors = np.arange(0, frames, stride)
    place = np.arange(frames) / stride
    first = np.minimum(place.astype(int), anchors.size - 1)
    second = np.minimum(first + 1, anchors.size - 1)
    share = (place - first)[:, None, None].astype(np.float32)
    light = (1 - share) * rows.light[anchors[first]] + share * rows.light[anchors[second]]
    return analyse(
        Clip(
            rows=replace(rows, light=light.astype(np.float32)),
            readout_s=SCENE.readout_s if known else None,
            exposure_s=SCENE.exposure_s,
        )
    )


@pytest.mark.parametrize("stride", [1, 4, 5])
def test_frequency_of_held_bands(stride: int) -> None:
    """Anchors every 4 pictures put the strongest line 12.5 Hz from the light's own alias (sampling at 50 / 4 Hz)."""
    analysis = held(stride)
    strongest = analysis.strongest
    assert strongest is not None and strongest.frequency_hz == pytest.approx(483.6466, abs=0.01)
    assert any("renewed" in note for note in analysis.notes) == (stride > 1)


def test_without_readout_the_truth_is_among_the_candidates() -> None:
    strongest = held(4, known=False).strongest
    assert strongest is not None and strongest.frequency_hz is None
    found = [candidate.frequency_hz for candidate in strongest.choice.candidates]
    assert min(abs(f - 483.6466) for f in found) < 0.02


def test_clock_of_the_anchors() -> None:
    clock = read_clock(np.arange(100) / 50.0)
    assert anchors_clock(clock, 1) is clock
    assert anchors_clock(clock, 4).fold_hz == pytest.approx(12.5)

"""Encoders judged from their clips, and what the judgement is worth: known light through x264 and x265."""

from __future__ import annotations

import math
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from viewer.measure.noiseparts import clean_temporal_var
from viewer.measure.regions import Rect
from viewer.measure.tint import chromaticity
from viewer.media import open_clip
from viewer.tasks.contrast import measure_contrast
from viewer.tasks.encoder import code_slopes, encoder_of, grey_sigma
from viewer.tasks.noise import measure_noise
from viewer.tasks.patches import gather, step_light
from viewer.tasks.tint import measure_tint

night = SimpleNamespace(**run_path(str(Path(__file__).with_name("night_clips.py"))))
H264: dict[str, Any] = {"transfer": "bt709", "bits": 8, "codec": "h264", "matrix": "bt709"}
LEVELS = (0.012, 0.02, 0.035, 0.06, 0.1, 0.16, 0.25, 0.4)


def stairs() -> np.ndarray:
    """Eight even patches of 36 x 40 px."""
    return np.kron(np.array(LEVELS).reshape(2, 4), np.ones((40, 40)))


def rect(k: int) -> Rect:
    return Rect(40 * (k % 4) + 8, 40 * (k // 4) + 8, 24, 24)


@pytest.mark.parametrize(("how", "crf"), [(H264, 12), (H264, 18), ({}, 12), ({}, 16)])
def test_share_of_noise_that_is_left(tmp_path: Path, how: dict[str, Any], crf: int) -> None:
    """A noisy patch on black: bits of the whole picture, noise of a quarter of it."""
    scene = night.patches(160, 160, 0.004, (40, 40, 80, 80, 0.2))
    path = night.write_clip(tmp_path / "a.mp4", scene, noise=0.04, frames=16, crf=crf, grain_px=0.0, **how)
    with open_clip(path) as clip:
        encoder = encoder_of(clip)
        patch = gather(clip, {"a": Rect(48, 48, 64, 64)}, tint=clip.tint(Rect(48, 48, 64, 64))).patches["a"]
        assert encoder_of(clip) is encoder
    left = math.sqrt(clean_temporal_var(patch))
    assert encoder.kept((left / step_light_of(path, 0.2)) ** 2) == pytest.approx(left / (0.04 * 0.2**0.5), abs=0.12)


def step_light_of(path: Path, level: float) -> float:
    with open_clip(path) as clip:
        return step_light(clip, level)


def test_slope_of_the_curve(tmp_path: Path, check_values: list[dict[str, Any]]) -> None:
    """Noise through the HLG curve (G-LIN-1, G-LIN-2)."""
    path = night.write_clip(tmp_path / "a.mp4", night.patches(64, 64, 0.2), frames=2)
    entries = [e for e in check_values if e["quantity"] == "hlg_noise_to_linear"]
    assert len(entries) == 2
    with open_clip(path) as clip:
        for entry in entries:
            slope = code_slopes(clip, [entry["inputs"]["Ep"]] * 3)[:, 0] * 876  # codes of luma between black and white
            assert slope * entry["inputs"]["sigma_Ep"] == pytest.approx([entry["expected"]] * 3, rel=1e-4)
        dim, bright = (grey_sigma(clip, encoder_of(clip), level, pixels=576, blurred=True) for level in (0.01, 0.5))
        assert 0 < dim < bright


@pytest.mark.parametrize(
    ("how", "tint"), [(H264, night.GREEN), (H264, night.WHITE), ({}, night.GREEN), ({"crf": 24}, night.WHITE)]
)
def test_intervals_of_contrast_hold_through_codecs(
    tmp_path: Path, how: dict[str, Any], tint: tuple[float, float, float]
) -> None:
    """All pairs of eight patches: they share errors, so no more than one in seven may miss."""
    path = night.write_clip(tmp_path / "a.mp4", stairs(), noise=0.02, read_noise=0.0008, frames=16, tint=tint, **how)
    hits, errors = [], []
    with open_clip(path) as clip:
        for k in range(7):
            reading = measure_contrast(clip, rect(k + 1), rect(k), corner=False).reading("michelson")
            truth = (LEVELS[k + 1] - LEVELS[k]) / (LEVELS[k + 1] + LEVELS[k])
            hits.append(reading.low <= truth <= reading.high)
            errors.append(abs(reading.value - truth) / reading.half_width)
    assert np.mean(hits) >= 6 / 7
    assert np.mean(errors) > 0.05  # not so wide that anything holds


@pytest.mark.parametrize("how", [H264, {}, {"crf": 24}])
def test_intervals_of_tint_and_level_hold_through_codecs(tmp_path: Path, how: dict[str, Any]) -> None:
    path = night.write_clip(tmp_path / "a.mp4", stairs(), noise=0.02, read_noise=0.0008, frames=16, tint=night.GREEN, **how)
    truth = chromaticity(np.array(night.GREEN), how.get("matrix", "bt2020"))
    hits = []
    with open_clip(path) as clip:
        for k in range(2, 8):
            found = measure_tint(clip, rect(k))
            hits += [r.low <= t <= r.high for r, t in zip(found.readings, truth, strict=True)]
            mean = measure_noise(clip, rect(k)).reading("mean")
            hits.append(mean.low <= LEVELS[k] <= mean.high)
    assert np.mean(hits) >= 0.85

"""Noise of a patch on arrays: closed forms, the split, evidence and refusals."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from viewer.measure import noise, noiseparts
from viewer.measure.beat import level_without_beat
from viewer.measure.encoder import Encoder
from viewer.measure.patches import Patch, patch_of
from viewer.measure.readings import Flag
from viewer.measure.stats import MAD_TO_SIGMA

FORMULAS = {
    "temporal_sigma_from_difference": lambda i: noiseparts.sigma_from_difference(i["std_of_difference"]),
    "sample_correction": lambda i: noiseparts.sample_correction(i["n_frames"]),
    "fixed_pattern_sigma": lambda i: noiseparts.fixed_pattern_sigma(i["std_of_mean_image"], i["sigma_temporal"], i["n_frames"]),
    "snr_db": lambda i: noiseparts.decibels(i["snr"]),
    "shot_snr_gain": lambda i: math.sqrt(i["light_ratio"]),
    "mad_to_sigma": lambda i: MAD_TO_SIGMA,
    "bandwidth_of_exposure": lambda i: noiseparts.bandwidth_of_exposure(i["Te"]),
    "snr_bandwidth_factor": lambda i: math.sqrt(i["B1"] / noiseparts.bandwidth_of_exposure(i["Te2"])),
    "quantisation_sigma": lambda i: noiseparts.quantisation_sigma(i["step"]),
}


def make_stack(
    level: float = 0.2,
    sigma: float = 0.01,
    *,
    pattern: float = 0.0,
    frames: int = 24,
    size: int = 48,
    grain: float = 0.0,
    seed: int = 1,
) -> np.ndarray:
    rng = np.random.default_rng(seed)
    fixed = level + pattern * rng.standard_normal((size, size))
    stack = rng.standard_normal((frames, size, size))
    if grain:
        stack = np.stack([gaussian_filter(frame, grain, mode="wrap") for frame in stack]) * (2 * math.sqrt(math.pi) * grain)
    return fixed + sigma * stack


def values(patch: Patch, **options: Any) -> dict[str, Any]:
    return {r.name: r for r in noise.measure(patch, **options).readings}


def test_published_and_derived_values(check_values: list[dict[str, Any]]) -> None:
    done = 0
    for entry in check_values:
        if entry["section"] == "G" and entry["quantity"] in FORMULAS:
            found = FORMULAS[entry["quantity"]](entry["inputs"])
            assert found == pytest.approx(entry["expected"], abs=entry["tolerance"]), entry["id"]
            done += 1
    assert done >= 9


def test_photon_transfer_line(check_values: list[dict[str, Any]]) -> None:
    entry = next(e for e in check_values if e["id"] == "G-PTC-2")
    line = noiseparts.photon_transfer(np.array(entry["inputs"]["mean"]), np.array(entry["inputs"]["variance"]))
    assert [line.slope, line.floor] == pytest.approx(entry["expected"], abs=entry["tolerance"])
    entry = next(e for e in check_values if e["id"] == "G-PTC-1")
    assert line.slope * entry["inputs"]["mean_dn"] + line.floor == pytest.approx(entry["expected"], abs=1e-6)


def test_photon_transfer_with_errors() -> None:
    rng = np.random.default_rng(2)
    mean = np.array([0.01, 0.03, 0.1, 0.3])
    samples = np.full(4, 2000.0)
    pulls = []
    for _ in range(60):
        variance = (2e-3 * mean + 1e-5) * (1 + rng.standard_normal(4) * np.sqrt(2 / samples))
        line = noiseparts.photon_transfer(mean, variance, samples)
        pulls.append((line.slope - 2e-3) / line.slope_sigma)
    assert 0.7 < np.std(pulls) < 1.3 and abs(np.mean(pulls)) < 0.5
    bent = noiseparts.photon_transfer(mean, np.array([3e-5, 7e-5, 2.1e-4, 1e-5]), samples)
    assert not bent.straight


@pytest.mark.parametrize("grain", [0.0, 1.0])
def test_temporal_and_fixed_noise(grain: float) -> None:
    found = values(patch_of(make_stack(pattern=0.004, grain=grain), spectrum=True))
    assert found["temporal_sigma"].value == pytest.approx(0.01, rel=0.02)
    assert found["fixed_pattern_sigma"].value == pytest.approx(0.004, rel=0.06)
    assert found["snr"].value == pytest.approx(20.0, rel=0.02)
    assert found["mean"].value == pytest.approx(0.2, rel=0.002)
    assert all(r.low <= r.value <= r.high for r in found.values())
    assert "not the tube's SNR" in found["snr"].method


def test_drift_and_shading_are_not_noise() -> None:
    stack = make_stack(frames=32)
    slope = np.linspace(0.9, 1.1, 48)[None, None, :]
    rise = np.linspace(0.9, 1.1, 32)[:, None, None]
    found = noise.measure(patch_of(stack * 0 + 0.2 * slope * rise + (stack - 0.2), spectrum=True))
    readings = {r.name: r for r in found.readings}
    assert readings["temporal_sigma"].value == pytest.approx(0.01, rel=0.03)
    assert readings["fixed_pattern_sigma"].value < 0.001
    assert Flag.DRIFT in readings["snr"].flags and Flag.SLOPE in readings["snr"].flags


def test_bands_of_gated_light_are_not_noise() -> None:
    rows, frames = np.arange(48), np.arange(24)
    gate = 1 + 0.3 * np.cos(2 * np.pi * (rows[None, :] / 20 + 0.37 * frames[:, None]))
    stack = 0.2 * gate[:, :, None] + (make_stack() - 0.2)
    found = values(patch_of(stack, spectrum=True))
    assert found["temporal_sigma"].value == pytest.approx(0.01, rel=0.05)
    assert Flag.GATED in found["temporal_sigma"].flags


def test_grain_is_measured() -> None:
    """White noise smoothed by a Gaussian of s px is one over 4 pi s^2 px."""
    assert noiseparts.correlation_area(patch_of(make_stack(), spectrum=True)) == pytest.approx(1.0, abs=0.1)
    found = noiseparts.correlation_area(patch_of(make_stack(grain=1.2, size=96), spectrum=True))
    assert found == pytest.approx(4 * math.pi * 1.2**2, rel=0.25)


def test_noise_of_a_disc(check_values: list[dict[str, Any]]) -> None:
    """Independent pixels: the noise of a mean falls with the root of the area (G-AREA-1)."""
    patch = patch_of(make_stack(size=64, frames=40), spectrum=True)
    small, large = noiseparts.disc_sigma(patch, 6.0), noiseparts.disc_sigma(patch, 24.0)
    assert small is not None and large is not None
    assert small == pytest.approx(0.01 / math.sqrt(math.pi * 36 / 4), rel=0.1)
    entry = next(e for e in check_values if e["id"] == "G-AREA-1")
    assert large / small == pytest.approx(entry["expected"], rel=0.15)
    found = values(patch, disc_px=6.0)
    assert found["snr_disc"].value == pytest.approx(0.2 / small, rel=0.01)
    assert values(patch, disc_px=50.0)["snr_disc"].state == "refused"


def test_what_the_encoder_took_is_added() -> None:
    """White noise of sigma 0.01, a quarter of its variance under the water level D: the file holds S - D."""
    encoder = Encoder(codec="h264", bits_per_pixel=1.0, water=0.25 * (0.01 / 0.004) ** 2)
    stack = make_stack(sigma=0.01 * math.sqrt(0.75), size=64)
    found = values(patch_of(stack, spectrum=True), encoder=encoder, step=0.004)
    reading = found["temporal_sigma"]
    assert reading.value == pytest.approx(0.01, rel=0.02)
    assert reading.low < 0.01 * math.sqrt(0.75) and reading.high > 1.1 * reading.value
    assert Flag.COMPRESSED in reading.flags
    assert found["snr"].value == pytest.approx(20.0, rel=0.02)
    assert found["snr"].low < 18.0 and found["snr"].high > 22.0


def test_a_still_pattern_is_passed_with_the_gain_of_the_encoder() -> None:
    """Noise 0.01 and pattern 0.004, D a fifth of their sum: noise keeps S - D, the pattern the share (S - D) / S."""
    both = 0.01**2 + 0.004**2
    gain = 0.8
    stack = make_stack(sigma=0.01 * math.sqrt(gain), pattern=0.004 * gain, size=64, frames=40)
    encoder = Encoder(codec="h264", bits_per_pixel=1.0, water=0.2 * both / 0.004**2)
    reading = values(patch_of(stack, spectrum=True), encoder=encoder, step=0.004)["fixed_pattern_sigma"]
    assert reading.value == pytest.approx(0.004, rel=0.06)
    assert reading.low < 0.0033 and reading.high > 0.0044


def test_little_left_gives_bounds() -> None:
    encoder = Encoder(codec="hevc", bits_per_pixel=0.1, water=4.0 * (0.01 / 0.004) ** 2)
    patch = patch_of(make_stack(pattern=0.004), spectrum=True)
    found = values(patch, encoder=encoder, step=0.004, disc_px=6.0)
    for name, low, high in (("temporal_sigma", True, False), ("snr", False, True), ("snr_disc", False, True)):
        assert found[name].state == "limit" and "Film at a higher data rate" in found[name].reason
        assert (found[name].low is not None, found[name].high is not None) == (low, high)
    assert found["fixed_pattern_sigma"].state == "limit" and found["fixed_pattern_sigma"].low < 0.004
    weak = values(patch_of(make_stack(pattern=0.0005), spectrum=True), encoder=encoder, step=0.004)
    assert weak["fixed_pattern_sigma"].state == "refused" and "smoothed" in weak["fixed_pattern_sigma"].reason


def test_refusals() -> None:
    frozen = make_stack()
    frozen[1::2] = frozen[::2]
    frozen[2::4] = frozen[1::4]
    cases = [
        (patch_of(make_stack(frames=3), spectrum=True), {}, "Too few"),
        (patch_of(make_stack(), make_stack() > 0.21, spectrum=True), {}, "clipped"),
        (patch_of(make_stack(), spectrum=True), {"step": 0.05}, "below half a step"),
        (patch_of(make_stack(), spectrum=True), {"repeats": 60}, "only repeat the picture before"),
        (patch_of(frozen, spectrum=True), {}, "repeat the frame before"),
        (patch_of(_smoothed(), spectrum=True), {}, "lasts from frame to frame"),
        (patch_of(_pulsing(), spectrum=True), {}, "every 6 frames"),
    ]
    for patch, options, words in cases:
        found = values(patch, **options)
        assert found["mean"].state == "measured"
        for name in ("temporal_sigma", "fixed_pattern_sigma", "snr"):
            assert found[name].state == "refused" and words in found[name].reason, (words, found[name].reason)
        assert "film" in found["snr"].reason.lower() or "use" in found["snr"].reason


def _smoothed() -> np.ndarray:
    """Noise reduction over time."""
    stack = make_stack(frames=40)
    for k in range(1, 40):
        stack[k] = 0.4 * stack[k] + 0.6 * stack[k - 1]
    return stack


def _pulsing() -> np.ndarray:
    """Noise that only the first frame of each group of six keeps."""
    stack = make_stack(frames=48)
    keep = np.where(np.arange(48) % 6 == 0, 1.0, 0.15)[:, None, None]
    return 0.2 + (stack - 0.2) * keep


@pytest.mark.parametrize("name", ["temporal_sigma", "fixed_pattern_sigma", "snr", "mean"])
def test_intervals_cover_the_truth(name: str) -> None:
    """95 % of 300 trials, within three standard errors of that count."""
    truth = {"temporal_sigma": 0.01, "fixed_pattern_sigma": 0.006, "snr": 20.0, "mean": 0.2}[name]
    hits = 0
    for seed in range(300):
        stack = make_stack(frames=10, size=14, seed=seed, pattern=0.006 if name == "fixed_pattern_sigma" else 0.0)
        reading = values(patch_of(stack, spectrum=True))[name]
        hits += reading.low <= truth <= reading.high
    assert 0.915 <= hits / 300 <= 0.99


def test_a_jump_or_a_drift_is_no_beat() -> None:
    """A level outside the samples, from tones that cancel, would be worse than the plain mean (which lies within them)."""
    rng = np.random.default_rng(9)
    jump = np.r_[0.86, 0.86, 0.68, 0.38, 0.16, np.full(25, 0.138)] + 1e-4 * rng.standard_normal(30)
    spike = np.r_[0.282, np.full(29, 0.2414)] + 1e-6 * rng.standard_normal(30)
    drift = 0.475 + 0.075 * np.clip(np.arange(31) - 8.0, 0.0, None) / 22.0
    for series in (jump, spike, drift):
        level = level_without_beat(series)
        low, high = level.estimate.interval()
        assert series.min() <= level.estimate.value <= series.max()
        assert high - low <= 2.2 * float(np.ptp(series)), (low, high)
        assert level.depth <= 2.0


def test_a_frozen_picture_has_no_correlation() -> None:
    assert noiseparts.correlation_area(patch_of(np.full((8, 16, 16), 0.2), spectrum=True)) == 1.0

"""Local contrast by octaves: Peli's filters and what a grating must give."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from viewer.errors import RegionError
from viewer.measure.localcontrast import band_readings, cosine_log_gain, local_contrast


def make_grating(contrast: float, cycles_px: float, size: int = 128, *, slant: bool = False) -> np.ndarray:
    y, x = np.mgrid[:size, :size]
    along = (x + y) / math.sqrt(2) if slant else x
    return 0.4 * (1 + contrast * np.cos(2 * np.pi * cycles_px * along + 0.3))


def test_gain_of_an_octave(check_values: list[dict[str, Any]]) -> None:
    entries = [e for e in check_values if e["quantity"] == "peli_cosine_log_gain"]
    assert len(entries) == 6
    for entry in entries:
        found = cosine_log_gain(entry["inputs"]["r"], entry["inputs"]["centre"])
        assert float(found) == pytest.approx(entry["expected"], abs=entry["tolerance"]), entry["id"]


def test_neighbouring_octaves_add_to_one() -> None:
    r = np.linspace(1.0, 2.0, 101)
    assert cosine_log_gain(r, 1.0) + cosine_log_gain(r, 2.0) == pytest.approx(1.0)


@pytest.mark.parametrize("slant", [False, True])
def test_sine_at_the_centre_gives_its_own_contrast(check_values: list[dict[str, Any]], slant: bool) -> None:
    entry = next(e for e in check_values if e["id"] == "C-PELI-7")
    found = local_contrast(make_grating(entry["inputs"]["michelson"], 1 / 16, slant=slant))
    band = next(b for b in found.bands if b.cycles_px == 1 / 16)
    inner = band.map[24:-24, 24:-24]
    assert math.sqrt(2 * np.mean(inner**2)) == pytest.approx(entry["expected"], abs=0.01 if slant else entry["tolerance"])
    assert band.rms == pytest.approx(entry["expected"] / math.sqrt(2), rel=0.05)


def test_octaves_are_named_in_cycles_per_degree() -> None:
    found = local_contrast(make_grating(0.3, 1 / 16), px_per_degree=32.0)
    band = next(b for b in found.bands if b.name == "2 cycles/degree")
    assert band.cycles_px == pytest.approx(1 / 16)
    assert max(b.rms for b in found.bands) == band.rms


def test_gain_of_the_camera_does_not_matter() -> None:
    picture = make_grating(0.2, 1 / 8) + 0.1 * np.random.default_rng(1).random((128, 128))
    one, other = local_contrast(picture), local_contrast(7.5 * picture)
    assert [b.rms for b in one.bands] == pytest.approx([b.rms for b in other.bands])


def test_noise_is_taken_off() -> None:
    rng = np.random.default_rng(2)
    clean = make_grating(0.2, 1 / 16)
    noisy = clean + 0.02 * rng.standard_normal(clean.shape)
    wanted = next(b for b in local_contrast(clean).bands if b.cycles_px == 1 / 16).rms
    bands = local_contrast(noisy, noise_sigma=0.02).bands
    assert next(b for b in bands if b.cycles_px == 1 / 16).rms == pytest.approx(wanted, rel=0.03)
    finest = bands[-1]
    assert finest.rms < 0.6 * finest.noise


def test_refusals() -> None:
    rng = np.random.default_rng(3)
    with pytest.raises(RegionError):
        local_contrast(np.ones((8, 40)))
    with pytest.raises(RegionError):
        local_contrast(np.zeros((64, 64)))
    noise = band_readings(local_contrast(0.4 + 0.02 * rng.standard_normal((64, 64)), noise_sigma=0.0204))
    assert any(r.state == "refused" and "Noise hides" in r.reason for r in noise)
    half = make_grating(0.2, 1 / 16)
    half[:, 50:] = 1e-6
    dark = band_readings(local_contrast(half, noise_sigma=0.02))
    assert any(r.state == "refused" and "darker than three times the noise" in r.reason for r in dark)


def test_readings_say_what_is_not_calibrated() -> None:
    readings = band_readings(local_contrast(make_grating(0.2, 1 / 16)))
    assert all(r.name == "local_contrast" and r.of.endswith("cycles/px") for r in readings)
    assert any(r.state == "measured" and r.low <= r.value <= r.high for r in readings)

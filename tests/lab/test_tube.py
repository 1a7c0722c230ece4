"""Photons, noise and geometry of a tube."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from viewer.lab.devices import BITTERN, HERON, PLOVER
from viewer.lab.tube import Tube, field_stop, poisson


def test_photoelectron_rate(check_values: list[dict[str, Any]]) -> None:
    # check_values B-SNR: S E / q, electrons per second and mm2
    for case in (c for c in check_values if c["quantity"] == "photoelectron_rate_per_mm2"):
        tube = Tube(name="t", seed=1, sensitivity_ua_lm=case["inputs"]["uA_per_lm"], objective_mm=27)
        side_mm = 27 * np.tan(np.radians(1 / 17))
        got = float(tube.electrons(case["inputs"]["E_lx"], 17, 1.0)) / side_mm**2
        assert got == pytest.approx(case["expected"], rel=1e-6)


def test_cathode_light_follows_the_camera_equation() -> None:
    # reference B.2: E = rho E0 T / (4 N^2) with L = rho E0 / pi: 1e-3 lx, rho 0.3, T 0.9, N 1.2 -> 4.6875e-5 lx
    tube = Tube(name="t", seed=1, transmission=0.9, f_number=1.2)
    assert float(tube.cathode_lx(0.3 * 1e-3 / np.pi)) == pytest.approx(4.6875e-5, rel=1e-6)


def test_halo_radius_is_twice_the_gap(check_values: list[dict[str, Any]]) -> None:
    for case in (c for c in check_values if c["quantity"] == "halo_max_radius_mm"):
        tube = replace(HERON, gap_mm=case["inputs"]["gap_mm"])
        at_tube = tube.objective_mm * np.tan(np.radians(tube.halo_radius_deg))
        assert at_tube == pytest.approx(case["expected"], rel=1e-9)


@pytest.mark.parametrize("mean", [0.4, 5.0, 40.0, 400.0])
def test_noise_variance_is_the_factor_times_the_mean(mean: float) -> None:
    # n samples: the variance of a Poisson-like sample variance is about (2 v^2 + v F^2) / n; 4 sigma allowed
    tube = replace(HERON, noise_factor=1.8)
    sample = tube.sample(np.full((300, 300), mean), np.random.default_rng(3), spot_sigma_px=0.0)
    n, v = sample.size, 1.8 * mean
    assert sample.mean() == pytest.approx(mean, abs=4 * np.sqrt(v / n))
    # above the switch to the normal law the clip at zero does not matter
    assert sample.var() == pytest.approx(v, abs=4 * np.sqrt((2 * v**2 + v * 1.8**2) / n))


def test_scintillation_is_correlated_over_the_spot() -> None:
    # white noise under a Gaussian s: variance x 1 / (4 pi s^2), correlation exp(-d^2 / (4 s^2))
    rng = np.random.default_rng(4)
    spot = 1.5
    sample = HERON.sample(np.full((400, 400), 30.0), rng, spot_sigma_px=spot)
    flat = sample - sample.mean()
    assert flat.var() == pytest.approx(HERON.noise_factor * 30 / (4 * np.pi * spot**2), rel=0.05)
    for lag in (1, 2, 3):
        got = float((flat[:, lag:] * flat[:, :-lag]).mean() / flat.var())
        assert got == pytest.approx(np.exp(-(lag**2) / (4 * spot**2)), abs=0.03)


def test_normal_law_takes_over_without_a_step() -> None:
    rng = np.random.default_rng(5)
    for mean in (59.0, 61.0):
        sample = poisson(np.full(200_000, mean), rng)
        assert sample.mean() == pytest.approx(mean, abs=4 * np.sqrt(mean / 2e5))
        assert sample.var() == pytest.approx(mean, rel=0.02)


def test_field_stop_is_half_at_its_radius() -> None:
    stop = field_stop((201, 201), (100.0, 100.0), 80.0, softness_px=1.0, vignette=0.0)
    assert stop[100, 180] == pytest.approx(0.5, abs=1e-6)
    assert stop[100, 100] == pytest.approx(1.0)
    assert stop[100, 190] < 1e-6


def test_devices_differ_where_the_comparison_looks() -> None:
    assert HERON.gate is None
    assert BITTERN.gate and PLOVER.gate and BITTERN.gate.rate_hz != PLOVER.gate.rate_hz
    assert len({tube.gap_mm for tube in (HERON, BITTERN, PLOVER)}) == 3


def test_pattern_has_mean_one_and_stays() -> None:
    first, second = (HERON.pattern((120, 120), 12.0) for _ in range(2))
    assert np.array_equal(first, second)
    assert first.mean() == pytest.approx(1.0, abs=0.03)

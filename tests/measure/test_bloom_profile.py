"""Closed forms of light spread against the published check values, scipy's noncentral chi-square and photutils."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy.stats import ncx2

from viewer.measure import bloom_profile as bp


def gauss_level(v: dict[str, Any]) -> float:
    return bp.gaussian_radius(v["sigma"], v["level"])


def ee_gauss(v: dict[str, Any]) -> float:
    # r at which the encircled share is `fraction`, by bisection on our closed form
    return bisect(lambda r: bp.gaussian_encircled(r, v["sigma"]), v["fraction"], 20 * v["sigma"])


def ee_moffat(v: dict[str, Any]) -> float:
    return bisect(lambda r: bp.moffat_encircled(r, v["alpha"], v["beta"]), v["fraction"], 100 * v["alpha"])


def bisect(function: Any, level: float, high: float) -> float:
    low = 0.0
    for _ in range(80):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if function(middle) < level else (low, middle)
    return low


def composite(v: dict[str, Any]) -> float:
    def profile(r: np.ndarray) -> np.ndarray:
        return v["disc_level"] * bp.blurred_disc(r, v["R"], v["sigma_edge"]) + v["core_level"] * bp.gaussian(r, v["core_sigma"])

    return bp.outermost_radius(profile, v["threshold"], 3 * v["R"])


def core_share(v: dict[str, Any]) -> float:
    core = 2 * math.pi * v["core_sigma"] ** 2 * v["core_level"]
    return core / (core + math.pi * v["R"] ** 2 * v["disc_level"])


QUANTITIES = {
    "gauss_fwhm": lambda v: 2 * bp.HALF * v["sigma"],
    "gauss_ee_radius": ee_gauss,
    "gauss_threshold_radius": gauss_level,
    "gauss_threshold_radius_peak_over_threshold": lambda v: bp.gaussian_radius(v["sigma"], 1 / v["peak_over_threshold"]),
    "moffat_fwhm": lambda v: 2 * bp.moffat_radius(v["alpha"], v["beta"], 0.5),
    "moffat_ee_radius": ee_moffat,
    "moffat_threshold_radius": lambda v: bp.moffat_radius(v["alpha"], v["beta"], v["level"]),
    "disc_gauss_profile": lambda v: float(bp.blurred_disc(np.array([v["r"]]), v["R"], v["sigma"])[0]),
    "disc_gauss_threshold_radius": lambda v: bp.outermost_radius(
        lambda r: bp.blurred_disc(r, v["R"], v["sigma"]), v["level_of_unblurred_disc"], 3 * v["R"]
    ),
    "halo_composite_threshold_radius": composite,
    "halo_composite_flux_fraction_core": core_share,
    "gauss_hwhm_after_clipping": lambda v: bp.clipped_half_radius(v["sigma"], v["clip_fraction"]),
}


def test_published_values(check_values: list[dict[str, Any]]) -> None:
    """Section E of the check values: every id whose quantity this module computes."""
    met = [entry for entry in check_values if entry["section"] == "E" and entry["quantity"] in QUANTITIES]
    assert len(met) >= 40
    for entry in met:
        value = QUANTITIES[entry["quantity"]](entry["inputs"])
        assert value == pytest.approx(entry["expected"], abs=max(entry["tolerance"], 1e-9)), entry["id"]


@pytest.mark.parametrize(("radius", "sigma"), [(20, 3), (5, 3), (60, 0.5), (12, 6), (3, 3)])
def test_blurred_disc_is_noncentral_chi_square(radius: float, sigma: float) -> None:
    """scipy.stats.ncx2: P(chi'2(2, r2/s2) <= R2/s2)."""
    r = np.linspace(0, radius + 8 * sigma, 700)
    assert bp.blurred_disc(r, radius, sigma) == pytest.approx(ncx2.cdf((radius / sigma) ** 2, 2, (r / sigma) ** 2), abs=1e-7)


def test_level_and_steepest_fall_at_the_edge() -> None:
    assert bp.disc_level_at_edge(20, 3) == pytest.approx(float(bp.blurred_disc(np.array([20.0]), 20, 3)[0]), abs=1e-7)
    r = np.linspace(10, 30, 20001)
    steepest = r[np.argmin(np.gradient(ncx2.cdf((20 / 3) ** 2, 2, (r / 3) ** 2), r))]
    assert bp.disc_steepest_radius(20, 3) == pytest.approx(steepest, abs=0.01)
    assert bp.disc_half_radius(20, 3) == pytest.approx(19.7728447, abs=1e-4)


def test_radial_profile_against_photutils() -> None:
    """Ring means equal photutils.profiles.RadialProfile on the same pixels where nothing is rejected."""
    profiles = pytest.importorskip("photutils.profiles")
    yy, xx = np.mgrid[:81, :91]
    light = 3.0 * np.exp(-0.5 * ((xx - 44.3) ** 2 + (yy - 40.7) ** 2) / 8.0**2) + 0.25
    own = bp.radial_profile(light, (44.3, 40.7), 30.0)
    other = profiles.RadialProfile(light, (44.3, 40.7), np.arange(31.0))
    # theirs weighs cut pixels by area, ours takes whole pixels at their true radius: compare at those radii
    truth = 3.0 * np.exp(-0.5 * (own.radius_px / 8.0) ** 2) + 0.25
    assert own.light == pytest.approx(truth, abs=0.01)
    assert np.interp(own.radius_px[2:], other.radius, other.profile) == pytest.approx(own.light[2:], abs=0.015)


def test_profile_ignores_stray_points_and_masked_pixels() -> None:
    yy, xx = np.mgrid[:101, :101]
    light = np.exp(-0.5 * ((xx - 50) ** 2 + (yy - 50) ** 2) / 10.0**2)
    light[50, 75] = 40.0
    clean = bp.radial_profile(light, (50.0, 50.0), 40.0)
    assert clean.light == pytest.approx(np.exp(-0.5 * (clean.radius_px / 10.0) ** 2), abs=0.005)
    valid = np.ones(light.shape, bool)
    valid[:, :52] = False
    half = bp.radial_profile(light, (50.0, 50.0), 40.0, valid=valid)
    assert half.radius_px[0] > 1.0
    assert half.pixels.sum() < 0.55 * clean.pixels.sum()
    assert bp.radial_profile(light, (500.0, 500.0), 5.0).radius_px.size == 0

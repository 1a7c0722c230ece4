"""Spread of light against closed forms."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy.optimize import curve_fit
from scipy.special import erf
from scipy.stats import ncx2

from viewer.lab.canvas import Canvas
from viewer.lab.optics import Lens, Spread, disc_mtf, exponential_mtf, gauss_mtf
from viewer.lab.view import View

CENTRE = 100


def point_image(spread: Spread, size: int = 201) -> np.ndarray:
    point = np.zeros((size, size))
    point[CENTRE, CENTRE] = 1.0
    return Lens(spread, (size, size)).apply(point).astype(float)


@pytest.fixture(scope="module")
def blurred_disc() -> np.ndarray:
    """A disc of radius 20 px blurred by 3 px, as tall as the unblurred disc is 1."""
    spread = Spread(sigma_px=1.0, halo_radius_px=20, halo_sigma_px=3, halo_share=1.0)
    return point_image(spread) * np.pi * 20**2


def test_halo_profile_meets_check_values(blurred_disc: np.ndarray, check_values: list[dict[str, Any]]) -> None:
    # check_values E-DISC: disc under a Gaussian, I(r) = P[ncx2(2, r^2/s^2) <= R^2/s^2]
    cases = [c for c in check_values if c["quantity"] == "disc_gauss_profile" and c["inputs"]["R"] == 20]
    assert len(cases) >= 4
    for case in cases:
        assert blurred_disc[CENTRE, CENTRE + int(case["inputs"]["r"])] == pytest.approx(case["expected"], abs=2e-4), case["id"]


def test_halo_profile_is_that_of_the_noncentral_chi_squared(blurred_disc: np.ndarray) -> None:
    r = np.arange(0, 45)
    expected = ncx2.cdf((20 / 3) ** 2, 2, np.maximum(r / 3, 1e-9) ** 2)
    assert np.abs(blurred_disc[CENTRE, CENTRE + r] - expected).max() < 2e-4


def test_light_is_kept() -> None:
    whole = Spread(sigma_px=1.2, halo_radius_px=11.3, halo_sigma_px=1.5, halo_share=0.2)
    # ripple below zero near the limit of sampling is cut, which adds a little
    assert point_image(whole).sum() == pytest.approx(1.0, abs=3e-4)


def test_veil_is_exponential() -> None:
    # transform pair in the plane: exp(-r/s) / (2 pi s^2) <-> (1 + (2 pi s f)^2)^(-3/2)
    image = point_image(Spread(sigma_px=1.0, veil_px=9, veil_share=1.0))
    r = np.array([6, 12, 24, 36])
    expected = np.exp(-r / 9) / (2 * np.pi * 81)
    assert image[CENTRE, CENTRE + r] == pytest.approx(expected, rel=0.03)


def test_gaussian_response_meets_check_values(check_values: list[dict[str, Any]]) -> None:
    for case in (c for c in check_values if c["quantity"] == "gauss_mtf"):
        inputs = case["inputs"]
        got = float(gauss_mtf(np.array(inputs["f"]), inputs["sigma"]))
        assert got == pytest.approx(case["expected"], abs=case["tolerance"]), case["id"]


def test_shares_add_up_at_zero_frequency() -> None:
    spread = Spread(sigma_px=1, halo_radius_px=8, halo_share=0.3, veil_px=20, veil_share=0.1)
    assert spread.response(np.zeros(1))[0] == pytest.approx(1.0)
    assert float(disc_mtf(np.array(0.0), 5)) == 1.0
    assert float(exponential_mtf(np.array(0.0), 5)) == 1.0


def test_three_bars_meet_check_values(check_values: list[dict[str, Any]]) -> None:
    # check_values F-TRI: three bright bars on black under a Gaussian, centre bar against the gap beside it
    width = 33
    page = np.zeros((1, 801))
    for n in (-2, 0, 2):
        middle = 400 + n * width
        page[0, middle - width // 2 : middle + width // 2 + 1] = 1.0
    for case in (c for c in check_values if c["quantity"] == "tribar_michelson_gauss"):
        sigma = case["inputs"]["sigma_times_f"] * 2 * width
        seen = Lens(Spread(sigma_px=sigma), (201, 801)).apply(np.repeat(page, 201, 0))[100]
        bar, gap = float(seen[400]), float(seen[400 + width])
        assert (bar - gap) / (bar + gap) == pytest.approx(case["expected"], abs=4e-4), case["id"]


@pytest.mark.parametrize(("angle", "scale"), [(5.0, 15.0), (185.0, 12.85), (95.0, 17.1)])
def test_blurred_slanted_edge_is_an_error_function(angle: float, scale: float) -> None:
    canvas = Canvas(half_deg=6, per_degree=48)
    canvas.light[...] = canvas.edge(0.3, -0.2, angle)
    view = View(width=160, height=160, px_per_degree=scale, centre=(79.5, 79.5))
    seen = Lens(Spread(sigma_px=1.4), (160, 160)).apply(view.picture(canvas)).astype(float)
    x, y = np.meshgrid(np.arange(160), np.arange(160))
    at = view.to_px(np.array([[0.3, -0.2]]))[0]
    n = np.radians(angle)
    distance = (x - at[0]) * np.cos(n) + (y - at[1]) * np.sin(n)
    near = (abs(distance) < 12) & (abs(x - 80) < 40) & (abs(y - 80) < 40)

    def edge(d: np.ndarray, place: float, sigma: float) -> np.ndarray:
        return 0.5 * (1 + erf((d - place) / (np.sqrt(2) * sigma)))

    (place, sigma), _ = curve_fit(edge, distance[near], seen[near], p0=(0.0, 1.4))
    assert abs(place) < 0.01
    # the pixel's own width adds 1/12 px^2 to the variance
    assert sigma == pytest.approx(np.sqrt(1.4**2 + 1 / 12), rel=0.003)
    assert np.abs(seen[near] - edge(distance[near], 0.0, np.sqrt(1.4**2 + 1 / 12))).max() < 0.012

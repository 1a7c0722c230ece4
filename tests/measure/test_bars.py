"""Tri-bar targets on arrays: closed forms, places to a fraction of a pixel, decisions, limits."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy.special import erf

from viewer.errors import UsageError
from viewer.measure import bars, resolution
from viewer.measure.bars import Target, TargetLight, TargetResult, bar_means, read_target
from viewer.measure.bars_fit import Place, Prior, fit_three_bars
from viewer.measure.bars_noise import ChartNoise
from viewer.measure.bars_place import find_places, polarity_of
from viewer.measure.bars_words import limit_reading, modulation_reading
from viewer.measure.readings import Flag
from viewer.measure.regions import Rect


def bars_profile(
    x: np.ndarray, centre: float, width: float, blur: float, *, paper: float = 1.0, ink: float = 0.0
) -> np.ndarray:
    """Three dark bars on paper, blurred by a Gaussian (closed form)."""

    def edge(u: np.ndarray) -> np.ndarray:
        return 0.5 * (1 + erf(u / (np.sqrt(2) * blur)))

    total = sum(edge(x - centre - (k - 0.5) * width) - edge(x - centre - (k + 0.5) * width) for k in (-2, 0, 2))
    return paper + (ink - paper) * total


def make_light(
    lpmm: float,
    width: float,
    blur: float,
    *,
    noise: float = 0.0,
    shift: float = 0.3,
    paper: float = 1.0,
    ink: float = 0.04,
    frames: int = 20,
    seed: int = 1,
    way: str = "v",
) -> TargetLight:
    """A target in a box rounded to whole pixels, with independent noise."""
    rng = np.random.default_rng(seed)
    margin = int(np.ceil(0.9 * width)) + 1
    box = round(5 * width)
    x = np.arange(box + 2 * margin, dtype=float)
    centre = margin + 0.5 * (box - 1) + shift
    lines = max(3, round(3 * width))
    clean = bars_profile(x, centre, width, blur, paper=paper, ink=ink)
    stack = clean + noise * rng.standard_normal((frames, lines, x.size))
    target = Target(f"{lpmm:g}", Rect(0, 0, box, box), way)
    return TargetLight(target, stack.mean(axis=1), stack.mean(axis=0), float(margin), float(box))


def true_modulation(width: float, blur: float, paper: float = 1.0, ink: float = 0.04) -> float:
    """The definition on a fine grid."""
    x = np.arange(-4 * width, 4 * width, width / 600)
    light = bars_profile(x, 0.0, width, blur, paper=paper, ink=ink)
    means = [light[np.abs(x - k * width) <= width / 6].mean() for k in (-2, 0, 2, -1, 1)]
    bar, gap = np.mean(means[:3]), np.mean(means[3:])
    return float((gap - bar) / (gap + bar))


def test_three_bars_of_a_gaussian_blur(check_values: list[dict[str, Any]]) -> None:
    """Centre bar against the gap beside it, at their middles, as the table has it (bright bars on black)."""
    entries = [e for e in check_values if e["quantity"] == "tribar_michelson_gauss"]
    assert len(entries) == 6
    for entry in entries:
        width = 40.0
        blur = entry["inputs"]["sigma_times_f"] * 2 * width
        x = np.array([0.0, width])
        bar, gap = bars_profile(x, 0.0, width, blur, paper=0.0, ink=1.0)
        assert (bar - gap) / (bar + gap) == pytest.approx(entry["expected"], abs=entry["tolerance"]), entry["id"]
        grid = np.arange(-400.0, 401.0)
        spot = np.interp([0.0, width], grid, bars_profile(grid, 0.0, width, blur, paper=0.0, ink=1.0))
        assert (spot[0] - spot[1]) / spot.sum() == pytest.approx(entry["expected"], abs=1e-4)


@pytest.mark.parametrize(("width", "blur", "shift"), [(9.0, 1.5, 0.31), (4.2, 1.3, -0.42), (2.6, 1.1, 0.2)])
def test_place_is_found_to_hundredths(width: float, blur: float, shift: float) -> None:
    x = np.arange(int(7 * width))
    truth = 3.4 * width + shift
    place = fit_three_bars(bars_profile(x, truth, width, blur), 1e-4, Prior(3.4 * width, 1.03 * width, 0.5, 0.1 * width))
    assert place.centre == pytest.approx(truth, abs=0.03)
    assert place.width == pytest.approx(width, rel=0.02)
    assert place.ripple > 0 and place.group > 0


def test_without_light_the_box_decides() -> None:
    rng = np.random.default_rng(3)
    prior = Prior(20.3, 5.0, 0.35, 0.05)
    found = [fit_three_bars(1 + 0.1 * rng.standard_normal(42), 0.1, prior) for _ in range(10)]
    assert all(abs(place.centre - 20.3) < 1.2 and abs(place.width - 5.0) < 0.2 for place in found)


@pytest.mark.parametrize(("width", "blur"), [(10.0, 1.2), (5.0, 1.6), (3.0, 1.3), (2.4, 1.2)])
def test_modulation_without_noise(width: float, blur: float) -> None:
    light = make_light(2.0, width, blur)
    place = find_places([light])[0]
    result = read_target(light, place, polarity_of([light], [place]))
    assert result.modulation == pytest.approx(true_modulation(width, blur), abs=0.01)


def test_bright_bars_on_black_are_positive_too() -> None:
    light = make_light(2.0, 6.0, 1.5, paper=0.04, ink=1.0)
    place = find_places([light])[0]
    assert polarity_of([light], [place]) == -1.0
    result = read_target(light, place, -1.0)
    assert result.modulation == pytest.approx(-true_modulation(6.0, 1.5, 0.04, 1.0), abs=0.01) and result.resolved


def test_reversed_contrast_is_negative_and_not_resolved() -> None:
    """Defocus past the first zero turns bars and gaps; the outline of the group still says which they are."""
    x = np.arange(60.0)
    group = 0.5 * (np.tanh((x - 17) / 2) - np.tanh((x - 42) / 2)) / 2
    ripple = 0.04 * np.cos(2 * np.pi * (x - 29.5) / 10) * (np.abs(x - 29.5) < 25)
    profile = 1 - group + ripple
    stack = np.tile(profile, (12, 15, 1)) + 0.002 * np.random.default_rng(1).standard_normal((12, 15, 60))
    light = TargetLight(Target("4", Rect(0, 0, 25, 25)), stack.mean(axis=1), stack.mean(axis=0), 17.0, 25.0)
    place = find_places([light])[0]
    result = read_target(light, place, polarity_of([light], [place]))
    assert result.modulation < -0.02 and not result.resolved and result.why == "contrast is reversed"


def test_a_linear_slope_of_light_cancels() -> None:
    x = np.arange(50.0)
    place = Place(24.5, 6.0, 1.0, 0.01, 0.01, 1, 1, 0.01, 0.0)
    flat = bars_profile(x, 24.5, 6.0, 1.5, ink=0.2)
    b1, g1 = (part.mean() for part in bar_means(flat, place))
    b2, g2 = (part.mean() for part in bar_means(flat + 0.01 * (x - 24.5), place))
    assert (g2 - b2, g2 + b2) == pytest.approx((g1 - b1, g1 + b1), abs=1e-9)


def test_errors_cover_the_truth() -> None:
    """95 % +/- 3 standard errors of 160 trials (and the floor of the interpolation)."""
    hits = 0
    truth = true_modulation(6.0, 2.0)
    for seed in range(160):
        light = make_light(2.0, 6.0, 2.0, noise=0.25, seed=seed)
        place = Place(light.box_start + 0.5 * (light.box_length - 1) + 0.3, 6.0, 2.0, 0.0, 0.0, 1, 1, 0.01, 0.0)
        reading = modulation_reading(read_target(light, place, 1.0, noise=ChartNoise(grain=1.0)))
        hits += reading.low <= truth <= reading.high
    assert 0.90 <= hits / 160 <= 1.0


def test_scale_is_shared_by_all_targets() -> None:
    """Weak targets take the width of their bars from the clear ones."""
    lights = [make_light(2 ** (k / 6), 12.3 / 2 ** (k / 6), 1.2, noise=0.05, seed=k) for k in range(8)]
    lights.append(make_light(3.0, 12.3 / 3.0, 1.2, noise=2.0, seed=20))
    places = find_places(lights)
    for light, place in zip(lights, places):
        assert place.width == pytest.approx(12.3 / light.target.lpmm, rel=0.02)


@pytest.mark.parametrize(
    ("modulation", "sigma", "step", "passed", "why"),
    [
        (0.2, 0.01, 0.1, True, ""),
        (0.029, 0.001, 0.1, False, "not above 0.03"),
        (0.05, 0.02, 0.1, False, "three times its error"),
        (0.2, 0.01, -0.01, False, "stand apart"),
        (-0.2, 0.01, -0.1, False, "reversed"),
    ],
)
def test_decisions(modulation: float, sigma: float, step: float, passed: bool, why: str) -> None:
    resolved, words = bars.decide(modulation, sigma, step)
    assert resolved is passed and why in words


def made(lpmm: float, modulation: float, *, sigma: float = 0.005, way: str = "v", frame_sigma: float = 0.02) -> TargetResult:
    resolved, why = bars.decide(modulation, sigma, modulation)
    place = Place(0, 5, 1, 0.1, 0.1, 1, 1, 0.1, 0)
    return TargetResult(
        target=Target(f"{lpmm:g}", Rect(0, 0, 25, 25), way),
        place=place,
        bars=(0, 0, 0),
        gaps=(1, 1),
        modulation=modulation,
        sigma=sigma,
        dof=50,
        frame_sigma=frame_sigma,
        resolved=resolved,
        resolved_single=resolved and modulation > 3 * frame_sigma,
        why=why,
        frames=20,
    )


def test_limit_is_interpolated_in_log_frequency() -> None:
    found = resolution.limiting_resolution([made(1, 0.5), made(2, 0.13), made(4, -0.07)])
    # 0.10 above the threshold at 2, 0.10 below it at 4: half way in the logarithm
    assert found.state == "measured" and found.element == 2.0
    assert found.value == pytest.approx(2 * 2**0.5, rel=1e-6)
    assert found.low < found.value < found.high


def test_what_coding_took_moves_the_upper_end_alone() -> None:
    """Up to 0.06 may have been taken of every element: the limit may be finer than it reads, hardly coarser."""
    modulations = {1: 0.6, 1.26: 0.5, 1.587: 0.35, 2: 0.16, 2.52: 0.0, 3.175: 0.0, 4: 0.0, 8: 0.0}
    plain = [made(f, m) for f, m in modulations.items()]
    taken = [replace(result, lost=0.06) for result in plain]
    one, two = resolution.limiting_resolution(plain), resolution.limiting_resolution(taken)
    assert two.value == one.value and two.low == one.low and two.high > 1.1 * one.high
    # a Gaussian transfer through the coarse elements is down to 0.03 before 3.2 lp/mm: no end of the interval beyond the chart
    assert two.high < 4.5


def test_all_coarser_must_pass() -> None:
    """Spurious resolution beyond a gap does not count (F.3)."""
    found = resolution.limiting_resolution([made(1, 0.5), made(2, 0.01), made(4, 0.1)])
    assert found.element == 1.0 and 1.0 < found.value < 2.0


def test_both_orientations_must_pass() -> None:
    results = [made(1, 0.5), made(1, 0.4, way="h"), made(2, 0.3), made(2, 0.01, way="h")]
    assert resolution.limiting_resolution(results).element == 1.0


def test_one_frame_shows_less_than_many() -> None:
    results = [made(1, 0.5), made(2, 0.2), made(4, 0.04), made(8, 0.01)]
    assert resolution.limiting_resolution(results).element == 4.0
    assert resolution.limiting_resolution(results, single=True).element == 2.0


def test_limit_refusals_and_bounds() -> None:
    none = resolution.limiting_resolution([made(1, 0.01), made(2, 0.0)])
    assert none.state == "refused" and "coarser targets" in none.reason
    reading = limit_reading(none, "limiting_resolution", "all frames", [])
    assert reading.state == "refused" and reading.unit == "lp/mm"
    every = resolution.limiting_resolution([made(1, 0.5), made(2, 0.4)])
    assert every.state == "limit" and every.value == 2.0 and "finer" in every.reason
    bound = limit_reading(every, "limiting_resolution", "all frames", [])
    assert (bound.low, bound.value, bound.high) == (2.0, 2.0, None), "open towards finer bars"
    assert resolution.limiting_resolution([]).state == "refused"


def test_modulation_refusals() -> None:
    small = make_light(8.0, 1.0, 1.0)
    place = Place(small.box_start + 2, 1.0, 1.0, 0.1, 0.1, 1, 1, 0.1, 0)
    assert "Film closer" in modulation_reading(read_target(small, place, 1.0)).reason
    light = make_light(2.0, 6.0, 1.5)
    place = find_places([light])[0]
    clipped = TargetLight(light.target, light.profiles, light.picture, light.box_start, light.box_length, 0.4)
    reading = modulation_reading(read_target(clipped, place, 1.0))
    assert reading.state == "refused" and "clipped" in reading.reason and Flag.CLIPPED in reading.flags
    black = read_target(light, place, 1.0, black=5.0)
    assert "No light is left" in modulation_reading(black).reason
    noisy = make_light(2.0, 6.0, 1.5, noise=30.0, frames=6, paper=1.0)
    assert modulation_reading(read_target(noisy, place, 1.0)).state == "refused"


def test_wrong_targets() -> None:
    for typed, way in (("x", "v"), ("0", "v"), ("-1", "h"), ("2", "z")):
        with pytest.raises(UsageError):
            Target(typed, Rect(0, 0, 10, 10), way)


def test_square_waves_of_a_gaussian(check_values: list[dict[str, Any]]) -> None:
    entries = [e for e in check_values if e["quantity"] == "ctf_from_gauss_mtf"]
    assert len(entries) == 6
    for entry in entries:
        found = resolution.contrast_transfer_gauss(entry["inputs"]["sigma"], entry["inputs"]["f"])
        assert found == pytest.approx(entry["expected"], abs=entry["tolerance"]), entry["id"]


def test_coltmans_signs(check_values: list[dict[str, Any]]) -> None:
    entry = next(e for e in check_values if e["id"] == "F-COLT-1")
    assert [resolution.coltman_sign(k) for k in entry["inputs"]["k"]] == entry["expected"]
    entry = next(e for e in check_values if e["id"] == "F-COLT-2")
    assert resolution.mtf_from_contrast_transfer(entry["inputs"]["ctf"]) == pytest.approx(entry["expected"], abs=1e-6)


def test_coltmans_series_gives_the_mtf_back() -> None:
    sigma, f = 1.0, 0.08
    total = sum(resolution.coltman_sign(k) * resolution.contrast_transfer_gauss(sigma, k * f) / k for k in range(1, 60, 2))
    assert np.pi / 4 * total == pytest.approx(np.exp(-2 * (np.pi * sigma * f) ** 2), abs=2e-4)

"""Targets of a chart read together."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy.special import erf

from viewer.measure.bars import Target, TargetResult
from viewer.measure.bars_curve import read_together, three_bar_modulation
from viewer.measure.bars_fit import Place
from viewer.measure.bars_noise import ChartNoise, chart_noise
from viewer.measure.regions import Rect

WIDTHS = np.repeat(8.4 / 2 ** (np.arange(9) / 6 * 1.6), 2)


def gaussian_bars(width: float, blur: float, depth: float) -> float:
    """Modulation of three dark bars under a Gaussian blur, middle thirds, from error functions (closed form of the edge)."""
    x = np.linspace(-2.5 * width, 2.5 * width, 6001)

    def edge(u: np.ndarray) -> np.ndarray:
        return 0.5 * (1 + erf(u / (np.sqrt(2) * blur)))

    ink = sum(edge(x - (k - 0.5) * width) - edge(x - (k + 0.5) * width) for k in (-2, 0, 2))
    light = 1 - depth * ink
    means = [light[np.abs(x - k * width) <= width / 6].mean() for k in (-2, 0, 2, -1, 1)]
    bar, gap = np.mean(means[:3]), np.mean(means[3:])
    return float((gap - bar) / (gap + bar))


@pytest.mark.parametrize("width", [8.0, 5.0, 3.0, 2.0])
@pytest.mark.parametrize("depth", [0.3, 0.95])
def test_gaussian_transfer_is_the_closed_form(width: float, depth: float) -> None:
    blur = 1.2
    # exp(-2 (pi s f)^2) = exp(-(f / f0)^2)
    corner = 1 / (np.sqrt(2) * np.pi * blur)
    found = three_bar_modulation(np.array([width]), depth, corner, 2.0)[0]
    assert found == pytest.approx(gaussian_bars(width, blur, depth), abs=0.003)


def chart(seed: int, sigma: float, *, bend: float = 0.0, shared: float = 0.0) -> tuple[list[TargetResult], np.ndarray]:
    """Targets of a Gaussian lens with normal errors; `bend` strays by turns, `shared` is one error of all."""
    rng = np.random.default_rng(seed)
    truth = np.array([gaussian_bars(w, 1.25, 0.9) for w in WIDTHS])
    truth = truth + bend * np.where(np.arange(truth.size) // 2 % 2, 1.0, -1.0)
    found = truth + sigma * rng.standard_normal(truth.size) + shared * rng.standard_normal()
    results = []
    for k, (width, value) in enumerate(zip(WIDTHS, found)):
        results.append(result_of(width, float(value), float(np.hypot(sigma, shared)), "vh"[k % 2], shared=shared))
    return results, truth


def result_of(width: float, value: float, sigma: float, way: str, **more: Any) -> TargetResult:
    place = Place(20.0, width, 1.2, 0.02, 0.01, 1.0, 1.0, 0.01, 0.0)
    resolved = value > max(0.03, 3 * sigma)
    return TargetResult(
        target=Target(f"{8.4 / width:.4g}", Rect(0, 0, 40, 40), way),
        place=place,
        bars=(0.2, 0.2, 0.2),
        gaps=(0.5, 0.5),
        modulation=value,
        sigma=sigma,
        dof=40.0,
        frame_sigma=3 * sigma,
        resolved=resolved,
        resolved_single=False,
        least_step=0.1,
        shared_sigma=more.pop("shared", 0.0),
        **more,
    )


def test_weak_targets_gain_and_intervals_hold_the_truth() -> None:
    """95 % +/- 3 standard errors of 40 charts of 18 targets (those of one chart hang together: some 6 count)."""
    own, together, held = [], [], []
    for seed in range(40):
        results, truth = chart(seed, 0.03)
        drawn, curve = read_together(results)
        assert curve is not None and curve.stray < 0.03
        own += [(r.modulation - t) ** 2 for r, t in zip(results, truth)]
        together += [(r.modulation - t) ** 2 for r, t in zip(drawn, truth)]
        held += [r.interval[0] <= t <= r.interval[1] for r, t in zip(drawn, truth)]
    assert np.sqrt(np.mean(together)) < 0.6 * np.sqrt(np.mean(own))
    assert 0.91 <= np.mean(held) <= 0.99


def test_clear_targets_stay_what_they_are() -> None:
    """Targets that stray from the curve far beyond their errors are not drawn to it."""
    results, _ = chart(1, 0.002, bend=0.03)
    drawn, curve = read_together(results)
    assert curve is not None and curve.stray == pytest.approx(0.03, rel=0.4)
    assert np.abs([a.modulation - b.modulation for a, b in zip(drawn, results)]).max() < 0.001


def test_an_odd_target_is_read_by_itself() -> None:
    results, _ = chart(2, 0.004)
    results[4] = replace(results[4], modulation=results[4].modulation - 0.3)
    drawn, _ = read_together(results)
    assert drawn[4] == results[4]
    assert drawn[5].modulation != results[5].modulation


def test_errors_that_all_share_do_not_average_out() -> None:
    results, _ = chart(3, 0.01, shared=0.04)
    drawn, _ = read_together(results)
    assert all(0.04 <= r.sigma < 0.05 for r in drawn)


def test_few_targets_or_one_size_are_left_alone() -> None:
    results, _ = chart(4, 0.02)
    assert read_together(results[:5]) == (results[:5], None)
    alike = [replace(r, place=replace(r.place, width=5.0)) for r in results]
    assert read_together(alike)[1] is None


def test_own_light_decides_what_is_resolved() -> None:
    """A target of no light of its own is not resolved because its neighbours are; the curve alone tells its value."""
    results, _ = chart(5, 0.02)
    weak = replace(results[6], modulation=0.0, sigma=0.2, resolved=False)
    drawn, _ = read_together([*results[:6], weak, *results[7:]])
    assert drawn[6].modulation > 0.2 and not drawn[6].resolved and "three times its error" in drawn[6].why
    assert drawn[6].own == 0.0 and drawn[6].decision_sigma == 0.2


def test_noise_of_a_chart_is_learnt_from_all_targets() -> None:
    """White frames and lines: factors of 1; a standing pattern shows in lines, slow noise in frames (AR(1): (1+r)/(1-r))."""
    rng = np.random.default_rng(6)
    white = chart_noise([rng.standard_normal(60) for _ in range(12)], [rng.standard_normal(40) * 40**0.5 / 60**0.5] * 12)
    assert white.in_time == pytest.approx(1.0, abs=0.15) and white.standing < 1.5
    still = chart_noise([rng.standard_normal(60) for _ in range(12)], [3 * rng.standard_normal(40) for _ in range(12)])
    assert still.standing == pytest.approx(3 * np.sqrt(60 / 40), rel=0.35)
    slow = []
    for _ in range(24):
        one = np.zeros(200)
        for k in range(1, 200):
            one[k] = 0.5 * one[k - 1] + rng.standard_normal()
        slow.append(one)
    assert chart_noise(slow, []).in_time == pytest.approx(np.sqrt(3.0), rel=0.15)


def test_one_frame_leaves_the_lines_to_tell() -> None:
    lines = np.random.default_rng(7).standard_normal(50)
    sigma, _ = ChartNoise(grain=1.0).error(np.zeros(1), lines)
    assert sigma == pytest.approx(lines.std() / np.sqrt(49), rel=1e-6)

"""Means of correlated samples: coverage against the autoregression whose truth is known, bootstrap against closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats as reference
from scipy.signal import lfilter

from viewer.errors import UsageError
from viewer.measure import stats


def make_autoregression(rng: np.random.Generator, count: int, rho: float) -> np.ndarray:
    """First-order autoregression of mean 0, started long before its first sample."""
    return lfilter([1.0], [1.0, -rho], rng.standard_normal(count + 300))[300:]


# With 400 trials the share covered scatters by 1.1 %: bounds are 95 % +/- 3 such deviations.
@pytest.mark.parametrize(("count", "rho"), [(24, 0.0), (120, 0.0), (60, 0.6), (120, 0.9), (120, -0.3)])
def test_intervals_cover_the_truth(count: int, rho: float) -> None:
    rng = np.random.default_rng(int(100 * rho) + count)
    hits = 0
    for _ in range(400):
        low, high = stats.mean_estimate(make_autoregression(rng, count, rho)).interval()
        hits += low <= 0.0 <= high
    assert 0.917 <= hits / 400 <= 0.983


def test_error_of_white_noise_is_the_textbook_one() -> None:
    rng = np.random.default_rng(3)
    ratio = [
        stats.mean_estimate(x).sigma / (x.std(ddof=1) / math.sqrt(200)) for x in (rng.standard_normal(200) for _ in range(100))
    ]
    assert np.mean(ratio) == pytest.approx(1.0, abs=0.05)


def test_effective_samples_of_an_autoregression() -> None:
    """An autoregression holds n (1 - rho) / (1 + rho) independent samples (closed form)."""
    rng = np.random.default_rng(4)
    found = [stats.mean_estimate(make_autoregression(rng, 2000, 0.8)).effective for _ in range(40)]
    assert np.median(found) == pytest.approx(2000 * 0.2 / 1.8, rel=0.15)


def test_short_and_constant_series() -> None:
    one = stats.mean_estimate(np.array([2.5]))
    assert (one.value, one.sigma, one.samples) == (2.5, 0.0, 1)
    assert stats.mean_estimate(np.full(50, 1.25)).sigma == 0.0
    three = stats.mean_estimate(np.array([1.0, 2.0, 3.0]))
    expected = reference.t.interval(0.95, 2, 2.0, 1.0 / math.sqrt(3.0))
    assert three.interval() == pytest.approx(expected)
    with pytest.raises(UsageError):
        stats.mean_estimate(np.array([]))
    with pytest.raises(UsageError):
        stats.mean_estimate(np.array([1.0, math.nan]))


def test_autocorrelation_of_a_cosine() -> None:
    x = np.cos(2 * np.pi * np.arange(400) / 20)
    auto = stats.autocorrelation(x, 20)
    assert auto[0] == 1.0
    assert auto[10] == pytest.approx(-0.975, abs=0.01)  # biased estimator: (1 - 10/400) cos(pi)
    assert not stats.autocorrelation(np.ones(10)).any()


def test_robust_sigma_is_scipys() -> None:
    x = np.random.default_rng(5).normal(size=501)
    assert stats.robust_sigma(x) == pytest.approx(reference.median_abs_deviation(x, scale="normal"), rel=1e-5)


def test_bootstrap_of_a_mean_agrees_with_the_closed_form() -> None:
    x = np.random.default_rng(6).normal(size=150)
    found = stats.block_bootstrap(x, lambda part: float(part.mean()), block=1.0, rounds=600)
    assert found.sigma == pytest.approx(x.std() / math.sqrt(150), rel=0.1)
    with pytest.raises(UsageError):
        stats.block_bootstrap(x[:3], lambda part: float(part.mean()))


def test_bootstrap_widens_for_correlated_frames() -> None:
    rng = np.random.default_rng(7)
    wide = [
        stats.block_bootstrap(make_autoregression(rng, 200, 0.8), lambda part: float(part.mean()), rounds=150).sigma
        for _ in range(12)
    ]
    truth = math.sqrt(1.0 / (1 - 0.64) * (1.8 / 0.2) / 200)
    assert 0.6 * truth < np.mean(wide) < 1.3 * truth


def test_drift_finds_a_slope_and_says_how_well() -> None:
    rng = np.random.default_rng(8)
    times = np.arange(100) / 25.0
    pulls = []
    for _ in range(60):
        line = stats.drift(2.0 + 0.5 * times + 0.1 * rng.standard_normal(100), times)
        pulls.append((line.slope - 0.5) / line.slope_sigma)
    assert abs(np.mean(pulls)) < 0.5
    assert 0.6 < np.std(pulls) < 1.3


def test_clipped_mean_drops_hot_pixels_and_keeps_skewed_noise() -> None:
    rng = np.random.default_rng(9)
    x = rng.gamma(4.0, 0.25, size=20_000)
    mean, keep = stats.clipped_mean(x, limit=8.0)
    assert keep.all() and mean == pytest.approx(x.mean())
    x[:20] = 400.0
    mean, keep = stats.clipped_mean(x, limit=8.0)
    assert np.count_nonzero(~keep) == 20 and mean == pytest.approx(1.0, abs=0.02)


def test_effective_pixels() -> None:
    assert stats.effective_pixels(4.0, 400) == 100.0
    assert stats.effective_pixels(0.5, 400) == 400.0
    assert stats.effective_pixels(1e9, 400) == 1.0

"""Noise cut at black: closed forms, known noise, noise that was not cut."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.ndimage import gaussian_filter
from scipy.stats import norm

from viewer.measure.cutnoise import cut_mean, level_of_cut_mean, undo_cut, unseen_cut


@pytest.mark.parametrize("level", [0.0, 0.3, 1.0, 2.5])
def test_mean_of_cut_noise(level: float) -> None:
    # scipy's quadrature of x times the density above zero
    integral = quad(lambda x: x * norm.pdf(x, level, 0.7), 0.0, level + 8.0)[0]
    assert cut_mean(level, 0.7) == pytest.approx(integral, abs=1e-7)
    assert level_of_cut_mean(cut_mean(level, 0.7), 0.7) == pytest.approx(level, abs=1e-6)


def test_no_level_below_no_light() -> None:
    assert level_of_cut_mean(0.1, 1.0) == 0.0
    assert level_of_cut_mean(5.0, 1.0) == 5.0


@pytest.mark.parametrize("level", [0.0, 0.3, 1.0, 1.6])
def test_cut_is_undone(level: float) -> None:
    rng = np.random.default_rng(7)
    samples = np.maximum(level + rng.standard_normal((40, 20, 8)), 0.0)
    found = undo_cut(samples, 1e-3, 1e-3)
    assert found is not None
    wrong = abs(found.mean.mean() - level)
    assert wrong < 0.08  # 5,400 samples, an intercept with about 1.5 times the error of a mean, 3 sigma
    if level < 1.5:
        assert wrong < 0.35 * abs(samples.mean() - level) + 0.02
    assert found.noise == pytest.approx(1.0, abs=0.1)


def test_a_patch_without_any_noise_tells_nothing() -> None:
    assert undo_cut(np.zeros((40, 20, 8)), 1e-3, 1e-3) is None


def test_interval_holds_the_truth() -> None:
    rng = np.random.default_rng(11)
    inside = 0
    for k in range(100):
        level = 0.1 + 1.2 * k / 100
        samples = np.maximum(level + rng.standard_normal((24, 10, 4)), 0.0)
        found = undo_cut(samples, 1e-3, 1e-3)
        assert found is not None
        # four columns: what each has by itself averages out
        inside += abs(found.mean.mean() - level) < 1.96 * np.hypot(found.unknown.mean(), found.scatter.mean() / 2.0)
    assert inside >= 92


@pytest.mark.parametrize("level", [0.0, 0.3, 1.0, 2.0, 4.0])
def test_channels_cut_one_by_one_hide_no_more_than_is_said(level: float) -> None:
    """Green phosphor, the same read noise in each channel: the sum's own cut undone, what is left over is under the bound."""
    rng = np.random.default_rng(8)
    weights, tint = np.array([0.2627, 0.6780, 0.0593]), np.array([0.22, 1.0, 0.30])  # BT.2020-2, table 4
    noise = float(np.sqrt(weights @ weights))
    light = level * noise * tint / (weights @ tint)
    seen = float((np.maximum(light + rng.standard_normal((400_000, 3)), 0.0) @ weights).mean())
    left = seen - (cut_mean(level * noise, noise) - level * noise)
    over = left - level * noise
    assert -1e-3 < over < unseen_cut(left, noise, alike=False) < 0.46 * noise
    assert 0.0 < unseen_cut(left, noise, alike=True) < unseen_cut(left, noise, alike=False)
    assert unseen_cut(left, 0.0, alike=False) == 0.0


def test_a_pedestal_leaves_nothing_to_undo() -> None:
    rng = np.random.default_rng(3)
    assert undo_cut(5.0 + rng.standard_normal((30, 10, 6)), 0.0, 1e-3) is None


def test_blurred_flashes_are_no_cut_noise() -> None:
    """Single electrons, spread by the phosphor's spot: dark pixels are dark by right, their mean is true."""
    rng = np.random.default_rng(5)
    flashes = gaussian_filter(rng.poisson(0.4, (40, 30, 16)).astype(float), (0, 0.7, 0.7))[:, 4:-4, 4:-4]
    found = undo_cut(flashes, 0.01, 1e-3)
    if found is not None:
        assert np.all(np.abs(found.mean.mean() - 0.4) < 1.96 * found.unknown.mean() + 0.03)


def test_refusals() -> None:
    rng = np.random.default_rng(4)
    few = np.maximum(rng.standard_normal((2, 4, 6)), 0.0)
    assert undo_cut(few, 1e-3, 1e-3) is None
    coarse = np.maximum(np.round(0.4 * rng.standard_normal((40, 10, 6))), 0.0)
    assert undo_cut(coarse, 0.1, 1.0) is None

"""What an encoder takes: reverse water-filling against its closed form, and how levels of codes may be off."""

from __future__ import annotations

import math

import numpy as np
import pytest

from viewer.measure.encoder import NO_ENCODER, Encoder, block_power, water_level


def power_of(sigma: float, *, size: int = 256, seed: int = 1, lit: float = 1.0) -> np.ndarray:
    """Power of two pictures of white noise in the upper `lit` share of the rows."""
    rng = np.random.default_rng(seed)
    pictures = sigma * rng.standard_normal((2, size, size))
    pictures[:, round(lit * size) :] = 0.0
    return block_power(pictures[0], pictures[1])


def test_power_of_white_noise_is_its_variance_at_every_frequency() -> None:
    power = power_of(3.0, size=512)
    assert power.shape == (32, 64, 8, 8)
    assert power.mean() == pytest.approx(9.0, rel=0.02)
    assert np.abs(power.mean(axis=(0, 1)) - 9.0).max() < 1.2


def test_long_pictures_are_sampled_evenly() -> None:
    rng = np.random.default_rng(2)
    pictures = rng.standard_normal((2, 256, 256))
    power = block_power(pictures[0], pictures[1], most=300)
    assert power.shape[1] == 32 and power.shape[0] * 32 <= 300
    assert block_power(pictures[0][:5, :5], pictures[1][:5, :5]).size == 0


@pytest.mark.parametrize("share", [0.1, 0.5, 0.8])
def test_level_of_white_noise(share: float) -> None:
    """A Gaussian source of variance S at distortion D costs log2(S / D) / 2 bits and leaves S - D (Cover, Thomas 10.3.2)."""
    variance, water = 9.0, 9.0 * share
    bits = 0.5 * math.log2(variance / water)
    found = water_level([power_of(math.sqrt(variance - water), size=512)], [1.0], bits)
    assert found == pytest.approx(water, rel=0.12)
    assert Encoder(water=water).kept(variance - water) == pytest.approx(math.sqrt(1.0 - share))


def test_dark_parts_of_a_picture_cost_nothing() -> None:
    """Noise in a quarter of the picture only: a quarter of the bits, the same level."""
    bits = 0.25 * 0.5 * math.log2(9.0 / 3.0)
    found = water_level([power_of(math.sqrt(6.0), size=512, lit=0.25)], [1.0], bits)
    assert found == pytest.approx(3.0, rel=0.2)


def test_chroma_takes_its_share_of_the_bits() -> None:
    half = 0.5 * math.log2(9.0 / 3.0)
    planes = [power_of(math.sqrt(6.0), size=512, seed=k) for k in (1, 2, 3)]
    assert water_level(planes, [1.0, 0.25, 0.25], 1.5 * half) == pytest.approx(3.0, rel=0.12)


def test_nothing_to_go_by() -> None:
    assert water_level([power_of(1.0)], [1.0], 0.0) == 0.0
    assert water_level([np.zeros((4, 4, 8, 8))], [1.0], 0.3) == 0.0
    assert NO_ENCODER.kept(4.0) == 1.0
    assert Encoder(codec="ffv1").luma_sigma() == 0.0 and Encoder(codec="ffv1").lossless


def test_levels_are_surer_with_more_bits_and_larger_patches() -> None:
    starved, fed = (Encoder(codec="hevc", bit_depth=10, bits_per_pixel=bits) for bits in (0.01, 0.5))
    assert starved.luma_sigma() > 5 * fed.luma_sigma() and starved.chroma_sigma() > 2 * fed.chroma_sigma()
    assert fed.luma_sigma(10_000) < fed.luma_sigma(100)
    assert Encoder(codec="hevc", water=9.0, bits_per_pixel=1.0).luma_sigma() == pytest.approx(0.12, abs=0.05)

"""How coarsely pictures are coded, against rate-distortion theory and quantised patterns."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.fft import dctn, idctn

from viewer.measure.coding import FLOOR, LOSSLESS, coding_of


@pytest.mark.parametrize("rate", [0.3, 1.0, 2.0])
def test_step_from_noise_and_rate(rate: float) -> None:
    # Berger 1971: D = sigma^2 2^(-2R); uniform rounding has D = Q^2 / 12
    sigma = 4.0
    left = sigma * math.sqrt(1.0 - 2.0 ** (-2 * rate))
    step = math.sqrt(12.0) * sigma * 2.0**-rate
    assert coding_of(left, rate).step == pytest.approx(step, rel=1e-9)


def test_step_of_a_rounding_transform() -> None:
    """Noise through a rounded 8 x 8 cosine transform; its entropy is the rate."""
    rng = np.random.default_rng(1)
    step = 6.0
    blocks = rng.normal(0.0, 4.0, (2000, 8, 8))
    levels = np.round(dctn(blocks, axes=(1, 2), norm="ortho") / step)
    left = idctn(levels * step, axes=(1, 2), norm="ortho")
    _, counts = np.unique(levels, return_counts=True)
    share = counts / counts.sum()
    rate = float(-(share * np.log2(share)).sum())
    assert coding_of(float(left.std()), rate).step == pytest.approx(step, rel=0.25)


def test_no_noise_left() -> None:
    found = coding_of(0.0, 0.01)
    assert found.step == FLOOR and not found.dithered
    assert coding_of(0.0, 0.01, bit_depth=10).step == 4 * FLOOR
    assert coding_of(0.0, 0.01, standing=4.0).step > FLOOR


def test_thin_bars_lose_more() -> None:
    bare, noisy = coding_of(0.0, 0.01), coding_of(6.0, 1.0)
    assert noisy.dithered
    assert bare.amplitude_error(2.0)[1] > bare.amplitude_error(3.0)[1] > bare.amplitude_error(5.0)[1] == 0.0
    assert noisy.amplitude_error(2.0)[1] == 0.0
    assert noisy.amplitude_error(8.0)[0] < noisy.amplitude_error(2.0)[0]
    assert LOSSLESS.amplitude_error(2.0) == (0.0, 0.0)

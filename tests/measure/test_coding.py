"""How coarsely pictures are coded, against rate-distortion theory and quantised patterns."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.fft import dctn, idctn

from viewer.measure.coding import FLOOR, LOSSLESS, Coding, coding_of, given_back


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


def test_a_noisy_part_has_no_coarser_step_than_its_clip() -> None:
    # one step everywhere; a bright quiet half spends no bits, so that the mean rate is half of that of the noisy half
    sigma, rate = 4.0, 0.4
    left = sigma * math.sqrt(1.0 - 2.0 ** (-2 * rate))
    step = math.sqrt(12.0) * sigma * 2.0**-rate
    alone = coding_of(left, rate / 2)
    capped = coding_of(left, rate / 2, whole=0.6 * step)
    assert alone.step > 1.4 * step and capped.step == pytest.approx(1.02 * step, rel=0.01)
    assert coding_of(0.5, rate, whole=step).step == coding_of(0.5, rate).step  # hardly any noise: no cap


def test_thin_bars_lose_more() -> None:
    bare, noisy = coding_of(0.0, 0.01), coding_of(6.0, 1.0)
    assert noisy.dithered and not bare.dithered
    for coding in (bare, noisy):
        assert coding.taken(2.0) > coding.taken(3.0) > coding.taken(8.0) > 0.0
        assert coding.taken(0.5) == coding.taken(1.0)
    assert LOSSLESS.taken(2.0) == 0.0


def test_noise_lifts_detail_over_the_step() -> None:
    assert Coding(10.0, 0.5).taken(3.0) > Coding(10.0, 2.0).taken(3.0) > Coding(10.0, 20.0).taken(3.0) > 0.0


@pytest.mark.parametrize("taken", [0.0, 0.1, 0.8])
@pytest.mark.parametrize("had", [0.01, 0.3, 2.0])
def test_given_back_undoes_what_was_taken(had: float, taken: float) -> None:
    # the closed form it stands for: of a is left a^2 / (a + taken)
    left = had * had / (had + taken)
    assert left + given_back(left, taken) == pytest.approx(had, rel=1e-12)
    assert given_back(-left, taken) == given_back(left, taken)


def test_no_more_is_given_back_than_was_taken() -> None:
    assert given_back(0.0, 0.5) == 0.0
    assert given_back(1e6, 0.5) == pytest.approx(0.5, rel=1e-5)


@pytest.mark.parametrize("amplitude", [12.0, 30.0])
def test_bars_through_a_dead_zone(amplitude: float) -> None:
    """Bars under noise through blocks of a cosine transform whose small coefficients are dropped, as encoders do."""
    rng = np.random.default_rng(3)
    step, width, sigma = 12.0, 3, 2.0
    wave = np.where(np.arange(24) // width % 2, 0.5, -0.5)
    pictures = amplitude * wave + rng.normal(0.0, sigma, (400, 24, 24))
    blocks = pictures.reshape(400, 3, 8, 3, 8).transpose(0, 1, 3, 2, 4)
    found = dctn(blocks, axes=(3, 4), norm="ortho") / step
    # a third of a step is taken off before rounding down: the dead zone of a common test model
    levels = np.sign(found) * np.floor(np.abs(found) + 1.0 / 3.0)
    back = idctn(levels * step, axes=(3, 4), norm="ortho").transpose(0, 1, 3, 2, 4).reshape(400, 24, 24)
    lost = amplitude - 2.0 * float((back.mean(axis=(0, 1)) * np.sign(wave)).mean())
    expected = Coding(step, float(back.std(axis=0).mean())).taken(width)
    assert 0.0 < lost < 3.0 * expected

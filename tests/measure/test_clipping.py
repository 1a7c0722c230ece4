"""Light cut at nominal white, and the dark of the corners."""

from __future__ import annotations

import numpy as np
import pytest

from viewer.measure.clipping import band_of, joined, window_of
from viewer.measure.corner import corner_dark, corner_masks


def make_signal(middle: float, spread: float, *, cut: bool, blur: float = 0.002, seed: int = 1) -> np.ndarray:
    """R'G'B' of a green patch: only G' comes near white; what an encoder adds blurs the pile."""
    rng = np.random.default_rng(seed)
    green = middle + spread * rng.standard_normal((40, 40))
    if cut:
        green = np.minimum(green, 1.0)
    green = green + blur * rng.uniform(-1, 1, green.shape)
    return np.stack([0.5 * green, green, 0.6 * green], axis=-1)


@pytest.mark.parametrize(("middle", "spread"), [(1.2, 0.02), (1.0, 0.03), (0.97, 0.03)])
def test_light_cut_at_white_is_seen(middle: float, spread: float) -> None:
    assert band_of(make_signal(middle, spread, cut=True), window_of(10)).pile


@pytest.mark.parametrize(
    ("middle", "spread"), [(1.0, 0.03), (0.97, 0.03), (0.9, 0.03), (0.95, 0.01), (1.05, 0.02), (0.98, 0.001)]
)
def test_light_that_passes_white_is_not(middle: float, spread: float) -> None:
    assert not band_of(make_signal(middle, spread, cut=False), window_of(10)).pile


def test_frames_are_joined() -> None:
    bands = [band_of(make_signal(1.2, 0.02, cut=True, seed=s), window_of(10)) for s in range(3)]
    assert joined(bands).pile
    assert not joined([]).pile


def make_field(outside: float, noise: float) -> tuple[np.ndarray, list[np.ndarray]]:
    rng = np.random.default_rng(2)
    light = np.full((120, 160), 0.1)
    masks = corner_masks(light.shape, 79.5, 59.5, 60.0)
    for mask in masks:
        light[mask] = outside
    return light + noise * rng.standard_normal(light.shape), masks


def test_four_corners_lie_outside_the_circle() -> None:
    _, masks = make_field(0.0, 0.0)
    assert len(masks) == 4
    y, x = np.nonzero(np.any(masks, axis=0))
    assert np.hypot(x - 79.5, y - 59.5).min() > 60.0 * 1.08


def test_a_pedestal_is_taken() -> None:
    light, masks = make_field(0.005, 0.0002)
    dark, why = corner_dark(light, masks, black_share=0.0, noise=0.0002, region_level=0.05)
    assert dark.level == pytest.approx(0.005, rel=0.02) and dark.sigma < 0.001 and not why
    assert dark.source == "the corners outside the field"


@pytest.mark.parametrize(
    ("outside", "black", "noise", "region", "words"),
    [
        (0.005, 0.3, 0.002, 0.05, "cut at black"),
        (0.0003, 0.0, 0.0001, 0.05, "noise of black"),
        (0.005, 0.0, 0.008, 0.05, "noise of black"),
        (0.005, 0.0, 0.001, 0.004, "no darker than the regions"),
    ],
)
def test_what_may_be_cut_noise_is_not(outside: float, black: float, noise: float, region: float, words: str) -> None:
    light, masks = make_field(outside, 0.0001)
    dark, why = corner_dark(light, masks, black_share=black, noise=noise, region_level=region)
    assert dark.level == 0.0 and dark.source == "none" and words in why


def test_noise_cut_at_black_has_the_mean_that_the_rule_assumes() -> None:
    """Half-normal noise: mean 0.399 sigma, deviation 0.584 sigma."""
    cut = np.maximum(np.random.default_rng(3).standard_normal(100_000), 0.0)
    assert cut.mean() / cut.std() == pytest.approx(0.399 / 0.584, abs=0.01)


def test_uneven_corners_are_stray_light() -> None:
    light, masks = make_field(0.005, 0.0)
    light[masks[0]] = 0.009
    dark, why = corner_dark(light, masks, black_share=0.0, noise=0.0, region_level=0.05)
    assert dark.source == "none" and "stray light" in why


def test_no_corner_no_dark() -> None:
    light = np.full((50, 50), 0.1)
    masks = corner_masks(light.shape, 24.5, 24.5, 90.0)
    assert corner_dark(light, masks, black_share=0.0, noise=0.0, region_level=0.1)[1] == "no corner outside the field"

"""True values are exact: light between pixels, bars under a known lens, edges without grain."""

from __future__ import annotations

import numpy as np
import pytest

from viewer.lab.clips import recipe
from viewer.lab.facts import StillLight, bars_facts, without_grain
from viewer.lab.render import Renderer
from viewer.lab.truth import regions_of


def test_light_between_pixels_is_that_of_a_sampled_wave() -> None:
    """A wave of 0.2 cycles/px is known between its samples (sampling theorem)."""
    still = StillLight.__new__(StillLight)
    x, y = np.meshgrid(np.arange(64.0), np.arange(48.0))

    def wave(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return 1 + 0.5 * np.cos(2 * np.pi * (0.16 * x + 0.12 * y))

    still.light = wave(x, y).astype(np.float32)
    points = np.random.default_rng(1).uniform([15, 15], [48, 32], (200, 2))
    assert still.at(points) == pytest.approx(wave(points[:, 0], points[:, 1]), abs=1e-3)


def test_coarse_bars_have_the_modulation_of_the_response() -> None:
    """The fall of modulation from element to element is that of optics, halo, veil, spot, lens and pixel (their product).

    Three bars are not a sine: elements of one shape under responses R1 and R2 at the fundamental are compared where the third
    harmonic is gone, and there modulation goes with R.
    """
    renderer = Renderer(recipe("chart_bittern").make())
    facts = {f["of"]: f["value"] for f in bars_facts(renderer, regions_of(renderer))}
    take = renderer.take
    assert take.tube is not None
    marks = take.scene.marks

    def response(name: str) -> float:
        pitch = 2 * marks[name].place[2] / 5 * take.view.px_per_degree
        f = 1 / pitch
        spread = take.tube.spread(take.view.px_per_degree).response(np.array([f]))[0]
        rest = renderer.spot_px**2 + take.camera.lens_sigma_px**2
        return float(spread * np.exp(-2 * (np.pi * f) ** 2 * rest) * np.sinc(f))

    fine, finer = "0.07875/v", "0.08839/v"
    ratio = facts[f"{finer}@1"] / facts[f"{fine}@1"]
    assert ratio == pytest.approx(response(finer) / response(fine), rel=0.06)


def test_grain_is_left_out_and_the_rest_stays() -> None:
    renderer = Renderer(recipe("chart_bittern").make())
    plain = without_grain(renderer)
    assert plain.take.tube is not None and plain.take.tube.fixed_pattern == 0.0
    inner = np.s_[200:400, 200:400]
    assert renderer.pattern[inner].std() > 2 * plain.pattern[inner].std() > 0
    assert plain.pattern[inner].mean() == pytest.approx(renderer.pattern[inner].mean(), abs=0.005)

"""The burnt core: size by the light round it, slow and steep flanks, pulsing light, what is not clipped."""

from __future__ import annotations

import math

import numpy as np
import pytest

from viewer.measure.bloom_core import clipped_core

SHAPE = (80, 90)
CENTRE = (44.3, 39.7)


def picture(
    peak: float, sigma: float, *, frames: int = 20, depth: float = 0.0, mask: float = 1.0
) -> tuple[np.ndarray, np.ndarray]:
    """Mean light and clipped share of a Gaussian on a ground whose light pulses by `depth`."""
    yy, xx = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    still = 0.02 + peak * np.exp(-0.5 * ((xx - CENTRE[0]) ** 2 + (yy - CENTRE[1]) ** 2) / sigma**2)
    rng = np.random.default_rng(3)
    gains = 1 + depth * np.sin(2 * np.pi * np.arange(frames) / frames)
    stack = [np.minimum(still * g + 0.005 * rng.standard_normal(SHAPE), 1.0) for g in gains]
    return np.mean(stack, axis=0), np.mean([s >= mask for s in stack], axis=0)


@pytest.mark.parametrize(("peak", "sigma"), [(5.0, 2.0), (2.0, 6.0), (1.2, 10.0), (12.0, 1.5)])
@pytest.mark.parametrize("mask", [1.0, 0.94])
def test_radius_of_a_burnt_gaussian(peak: float, sigma: float, mask: float) -> None:
    """Where peak * exp(-r2 / 2 sigma2) + 0.02 reaches one; also where pixels a little below count as clipped."""
    light, clipped = picture(peak, sigma, mask=mask)
    true = sigma * math.sqrt(2 * math.log(peak / 0.98))
    found = clipped_core(light, clipped, CENTRE, 12.0, limit=1.0)
    assert found.value == pytest.approx(true, abs=max(0.15, 0.06 * true))
    assert abs((found.value or 0) - true) < 2.2 * found.sigma


def test_pulsing_light() -> None:
    light, clipped = picture(5.0, 2.5, depth=0.4, frames=40)
    found = clipped_core(light, clipped, CENTRE, 12.0, limit=1.0)
    true = 2.5 * math.sqrt(2 * math.log(5.0 / 0.98))
    assert abs((found.value or 0) - true) < 2 * found.sigma < 1.0


def test_limit_is_found_at_the_border() -> None:
    light, clipped = picture(5.0, 3.0)
    assert clipped_core(light, clipped, CENTRE, 12.0).value == pytest.approx(
        3.0 * math.sqrt(2 * math.log(5.0 / 0.98)), abs=0.35
    )


def test_nothing_clipped() -> None:
    light, clipped = picture(0.8, 3.0)
    assert clipped_core(light, clipped, CENTRE, 12.0).value == 0.0
    far = np.zeros(SHAPE)
    far[5:8, 5:8] = 1.0  # someone else's
    assert clipped_core(light, far, CENTRE, 12.0).value == 0.0

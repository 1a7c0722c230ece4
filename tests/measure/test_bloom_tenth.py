"""The radius of a tenth of the background: wide veils, slopes, levels that cannot be told, source, encircled light."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from viewer.measure.bloom import LightBloom, measure_bloom
from viewer.measure.bloom_profile import gaussian_radius
from viewer.measure.bloom_tenth import by_source, encircled_radii, three_sigma
from viewer.measure.readings import Flag

SPEC = importlib.util.spec_from_file_location("light_scenes", Path(__file__).with_name("light_scenes.py"))
assert SPEC and SPEC.loader
scenes = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(scenes)

CENTRE = (180.3, 150.6)
SHAPE = (300, 360)


def lamp(
    parts: list[tuple[float, Any]], *, ground: Any = 0.02, noise: float = 0.002, seed: int = 1, **options: Any
) -> LightBloom:
    light = ground + scenes.lamp(*SHAPE, CENTRE, parts)
    clipped = light > 1
    light = np.minimum(light, 1) + noise * np.random.default_rng(seed).standard_normal(SHAPE)
    return measure_bloom(light, [CENTRE], clipped=clipped, **options)[0]


def truth(parts: list[tuple[float, Any]], least: float) -> float:
    r = np.arange(1.0, 400.0, 0.01)
    return float(r[np.flatnonzero(sum(a * profile(r) for a, profile in parts) >= least)[-1]])


def halo(veil: Any, share: float = 0.02) -> list[tuple[float, Any]]:
    return [(5.0, scenes.gauss(2.0)), (0.08, scenes.disc(20, 2.0)), (share, veil)]


@pytest.mark.parametrize(
    ("veil", "room"),
    [(scenes.gauss(40), 0.8), (scenes.wing(30, 3.0), 8.0), (lambda r: 0.0 * r, 0.15)],
    ids=["gauss", "wing", "none"],
)
def test_wide_veils_count(veil: Any, room: float) -> None:
    """The veil is followed far beyond the halo: 86, 99 and 24 px here."""
    parts = halo(veil)
    reading = lamp(parts).reading("bloom_radius")
    true = truth(parts, 0.002)
    assert reading.value == pytest.approx(true, abs=room)
    assert reading.low is not None and reading.high is not None and reading.low - 0.3 < true < reading.high + 0.3
    assert Flag.NO_DARK in reading.flags


def test_a_slope_does_not_pass_for_a_veil() -> None:
    yy, xx = np.mgrid[: SHAPE[0], : SHAPE[1]]
    ground = 0.02 * (1 + 0.003 * (xx - CENTRE[0]) + 0.001 * (yy - CENTRE[1]))
    parts = halo(scenes.gauss(40))
    assert lamp(parts, ground=ground).reading("bloom_radius").value == pytest.approx(truth(parts, 0.002), abs=1.5)


def test_a_veil_that_outgrows_the_picture_gives_a_bound() -> None:
    """Nobody can tell a veil of 300 px from background in a picture of 360 px; what is given holds."""
    parts = halo(scenes.wing(120, 1.0), 0.05)
    reading = lamp(parts).reading("bloom_radius")
    assert reading.low is not None and reading.low <= truth(parts, 0.002)
    if reading.state == "limit":
        assert reading.high is None  # nothing is known of how much larger it is
    else:
        assert reading.high is not None and reading.high - reading.low > 5


def test_intervals_of_the_tenth_cover() -> None:
    """14 lamps with veils of random width; binomial(14, 0.95) gives 10 or fewer once in 240."""
    inside = 0
    for seed in range(14):
        rng = np.random.default_rng(seed)
        parts = halo(scenes.gauss(float(rng.uniform(28, 50))), float(rng.uniform(0.01, 0.03)))
        reading = lamp(parts, noise=0.003, seed=seed).reading("bloom_radius")
        assert reading.low is not None and reading.high is not None, reading.reason
        inside += reading.low <= truth(parts, 0.002) <= reading.high
    assert inside > 10


def test_source_and_encircled_light() -> None:
    """Check values: tenfold light moves a Gaussian from sigma sqrt(2 ln k) to sigma sqrt(2 ln 10 k); r50 = 1.1774 sigma."""
    bloom = lamp([(0.5, scenes.gauss(12.0))], noise=0.001)
    assert bloom.around is not None
    moved = by_source(bloom.around, None)
    assert moved["ten_times"] == pytest.approx(gaussian_radius(12.0, 0.0004), rel=0.02)
    assert moved["a_tenth"] == pytest.approx(gaussian_radius(12.0, 0.04), rel=0.01)
    light = encircled_radii(bloom.around)
    assert light["r50_px"] == pytest.approx(1.177410 * 12, abs=0.3)
    assert light["r80_px"] == pytest.approx(1.794123 * 12, abs=0.4)
    # an error dB takes pi r^2 dB of the light within r, and pi R^2 dB of all: both radii shrink
    assert light["r50_per_percent_px"] < 0 and light["r80_per_percent_px"] < light["r50_per_percent_px"]
    assert three_sigma(bloom.around) == pytest.approx(gaussian_radius(12.0, 0.003 / 0.5), rel=0.03)


def test_refusals() -> None:
    dark = lamp(halo(scenes.gauss(40)), ground=0.0, noise=0.001)
    reason = dark.reading("bloom_radius").reason
    assert reason is not None and ("ambient" in reason or "border" in reason)
    faint = lamp([(0.001, scenes.gauss(9.0))], ground=0.05, noise=0.0001)
    assert "less than a tenth" in (faint.reading("bloom_radius").reason or "")
    burnt = lamp([(60.0, scenes.gauss(12.0))], ground=0.97)
    assert burnt.reading("bloom_radius").state == "refused"

"""Glows that are not round: long and short axis, sectors, round ones not taken for long."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from viewer.measure.bloom import LightBloom, measure_bloom
from viewer.measure.readings import Flag

SPEC = importlib.util.spec_from_file_location("light_scenes", Path(__file__).with_name("light_scenes.py"))
assert SPEC and SPEC.loader
scenes = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(scenes)

SHAPE = (200, 220)
CENTRE = (108.3, 97.6)


def elongated(long: float, short: float, axis_deg: float, *, glow: bool = False, seed: int = 4) -> LightBloom:
    """A halo (or Gaussian glow) stretched along one direction, drawn here from its equation."""
    yy, xx = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    a = np.radians(axis_deg)
    u = (xx - CENTRE[0]) * np.cos(a) + (yy - CENTRE[1]) * np.sin(a)
    v = -(xx - CENTRE[0]) * np.sin(a) + (yy - CENTRE[1]) * np.cos(a)
    mean = np.sqrt(long * short)
    r = mean * np.hypot(u / long, v / short)
    light = 0.03 + (0.4 * scenes.gauss(mean / 1.17741)(r) if glow else 0.1 * scenes.disc(mean, 1.8)(r))
    if not glow:
        light = light + 3 * np.exp(-0.125 * np.hypot(xx - CENTRE[0], yy - CENTRE[1]) ** 2)
    clipped = light > 1
    light = np.minimum(light, 1) + 0.002 * np.random.default_rng(seed).standard_normal(SHAPE)
    return measure_bloom(light, [CENTRE], clipped=clipped)[0]


@pytest.mark.parametrize(("long", "short", "axis"), [(32.0, 30.0, 0.0), (33.0, 28.0, 60.0), (38.0, 26.0, 135.0)])
def test_axes_of_a_long_halo(long: float, short: float, axis: float) -> None:
    """The axes put in come back within a tenth of their difference."""
    bloom = elongated(long, short, axis)
    shape = bloom.round
    assert Flag.NOT_ROUND in bloom.reading("halo_radius").flags and shape.elongated
    room = 0.15 * (long - short) + 0.1
    assert shape.long_px == pytest.approx(long, abs=room) and shape.short_px == pytest.approx(short, abs=room)
    assert (shape.axis_deg - axis + 90) % 180 - 90 == pytest.approx(0, abs=6)
    reading = bloom.reading("halo_radius")
    assert reading.low is not None and reading.high is not None
    assert reading.low < 0.5 * (long + short) < reading.high


def test_axes_of_a_long_smooth_glow() -> None:
    shape = elongated(20.0, 16.0, 30.0, glow=True).round
    assert shape.differs
    assert (shape.long_px, shape.short_px) == pytest.approx((20.0, 16.0), abs=0.8)
    assert shape.axis_deg == pytest.approx(30, abs=5)


def test_round_halos_are_not_called_long() -> None:
    """Six round halos: none flagged."""
    for seed in range(6):
        bloom = elongated(30.0, 30.0, 0.0, seed=seed)
        assert not bloom.round.differs and not bloom.round.elongated
        assert bloom.round.radius_px == pytest.approx(30.0, abs=0.3)


def test_sectors_beyond_the_field_are_unknown() -> None:
    xx = np.mgrid[: SHAPE[0], : SHAPE[1]][1]
    light = 0.03 + scenes.lamp(*SHAPE, CENTRE, [(3.0, scenes.gauss(2.0)), (0.1, scenes.disc(30, 1.8))])
    clipped, light = light > 1, np.minimum(light, 1) + 0.002 * np.random.default_rng(2).standard_normal(SHAPE)
    bloom = measure_bloom(light, [CENTRE], clipped=clipped, valid=xx < 115)[0]
    radii = bloom.round.radius_px
    assert np.isnan(radii[0]) and np.isfinite(radii[8])  # +x hidden, -x seen
    assert radii[8] == pytest.approx(30, abs=0.3)

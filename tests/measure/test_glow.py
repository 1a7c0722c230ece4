"""Glow of bright into dark: the disc put in, got back; smooth glare and missing glow refused."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from viewer.measure.glow import measure_glow

SPEC = importlib.util.spec_from_file_location("light_scenes", Path(__file__).with_name("light_scenes.py"))
assert SPEC and SPEC.loader
scenes = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(scenes)


@pytest.mark.parametrize(("radius", "share", "seed"), [(14, 0.2, 1), (24, 0.1, 2), (38, 0.15, 3)])
def test_radius_of_a_tree_line_within_a_pixel(radius: float, share: float, seed: int) -> None:
    light = scenes.tree_line(240, 420, radius=radius, share=share, seed=seed)
    glow = measure_glow(light)
    assert glow.radius is not None, glow.reason
    assert abs(glow.radius - radius) < min(1.0, max(0.3, 3 * glow.sigma))
    assert glow.share == pytest.approx(share, rel=0.15)


def test_straight_edge_with_a_halo() -> None:
    edge = scenes.edge(200, 220, angle_deg=5, sigma=1.0, dark=0.02, bright=0.5)
    light = scenes.spread_over_disc(edge, 25.0, 0.2) + 0.002 * np.random.default_rng(4).standard_normal((200, 220))
    glow = measure_glow(light, blur=1.0)
    assert glow.radius == pytest.approx(25.0, abs=0.3)
    # far from the edge the profile is back at the dark level, near it well above
    assert glow.profile[-1] == pytest.approx(0.02, abs=0.003)
    assert glow.profile[5] > 0.04
    assert glow.model == pytest.approx(glow.profile, abs=0.004)


def test_light_from_outside_the_region_counts() -> None:
    light = scenes.tree_line(240, 260, radius=30, share=0.15, seed=5)
    region = np.zeros(light.shape, bool)
    region[70:210, 60:200] = True
    glow = measure_glow(light, region)
    assert glow.radius == pytest.approx(30, abs=1.0)


def test_smooth_glare_has_no_edge() -> None:
    light = scenes.tree_line(240, 260, radius=0, share=0.2, seed=6, smooth_sigma=14.0)
    glow = measure_glow(light)
    assert glow.radius is None
    assert "without an edge" in glow.reason and "without the device" in glow.reason


def test_no_glow_is_refused() -> None:
    glow = measure_glow(scenes.tree_line(240, 260, radius=20, share=0.0, seed=7))
    assert glow.radius is None and "no glow" in glow.reason


def test_too_little_dark_low_contrast_and_burnt_sky_are_refused() -> None:
    light = scenes.tree_line(240, 260, radius=20, share=0.1, seed=8)
    near = np.zeros(light.shape, bool)
    near[70:118, 80:160] = True
    near[100:, :] = False
    assert "dark" in measure_glow(light, near).reason
    assert "contrast" in measure_glow(0.3 + 0.01 * np.random.default_rng(1).standard_normal((80, 80))).reason
    assert "shorter exposure" in measure_glow(light, clipped=light > 0.4).reason
    assert "too small" in measure_glow(light[:15, :15]).reason

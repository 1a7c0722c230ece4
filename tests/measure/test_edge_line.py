"""Lines through edges: direction and bend put in, got back."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from viewer.measure.edge_line import find_line, fit_line, follow_line, raggedness

SPEC = importlib.util.spec_from_file_location("light_scenes", Path(__file__).with_name("light_scenes.py"))
assert SPEC and SPEC.loader
scenes = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(scenes)


def noisy(picture: np.ndarray, sigma: float, seed: int = 1) -> np.ndarray:
    return picture + sigma * np.random.default_rng(seed).standard_normal(picture.shape)


@pytest.mark.parametrize("angle", [0, 5, 12, 30, 45, 83, 90, 95, 150, 185, 265])
def test_angle_within_a_hundredth_of_a_degree(angle: float) -> None:
    light = noisy(scenes.edge(64, 80, angle_deg=angle, sigma=1.2, dark=0.05, bright=0.6, offset=0.4), 0.002)
    start = find_line(light)
    assert start is not None
    line = fit_line(light, start)
    off = (line.angle_deg - angle + 90) % 180 - 90
    assert abs(off) < max(0.01, 4 * np.degrees(line.angle_sigma))
    assert abs(off) < 0.03
    assert line.bright == pytest.approx(0.6, abs=0.01) and line.dark == pytest.approx(0.05, abs=0.01)
    # the normal points to the bright side
    assert np.cos(line.angle - np.radians(angle)) > 0.99


def test_bend_is_found_and_a_straight_edge_stays_straight() -> None:
    bent = noisy(scenes.edge(100, 80, angle_deg=8, sigma=1.5, dark=0.1, bright=0.5, curvature=2e-3), 0.002)
    start = find_line(bent)
    assert start is not None
    assert fit_line(bent, start).curvature == pytest.approx(2e-3, rel=0.05)
    straight = noisy(scenes.edge(100, 80, angle_deg=8, sigma=1.5, dark=0.1, bright=0.5), 0.002)
    start = find_line(straight)
    assert start is not None
    assert fit_line(straight, start).curvature == 0.0


def test_distance_is_perpendicular() -> None:
    light = scenes.edge(60, 60, angle_deg=30, sigma=1.0, dark=0.0, bright=1.0, offset=2.0)
    start = find_line(light)
    assert start is not None
    line = fit_line(light, start)
    assert float(line.distance(np.array(29.5 + 5 * np.cos(np.pi / 6)), np.array(29.5 + 2.5))) == pytest.approx(3.0, abs=0.01)


def test_moved_edge_is_followed_through_pulsing_light() -> None:
    first = scenes.edge(60, 70, angle_deg=5, sigma=1.2, dark=0.05, bright=0.6)
    start = find_line(first)
    assert start is not None
    line = fit_line(first, start)
    for moved, gain in ((0.0, 1.0), (0.37, 0.8), (-2.6, 1.3), (6.2, 0.7)):
        later = noisy(gain * scenes.edge(60, 70, angle_deg=5, sigma=1.2, dark=0.05, bright=0.6, offset=moved), 0.004)
        found = follow_line(later, line)
        assert found is not None
        assert found[0] == pytest.approx(moved, abs=0.02)
    assert follow_line(np.full((60, 70), 0.3), line) is None


def test_raggedness_tells_a_tree_line_from_an_edge() -> None:
    clean = noisy(scenes.edge(80, 80, angle_deg=93, sigma=1.2, dark=0.05, bright=0.6), 0.004)
    start = find_line(clean)
    assert start is not None
    stray, error = raggedness(clean, fit_line(clean, start))
    assert stray < 3 * error < 0.2
    trees = scenes.tree_line(160, 200, radius=20, share=0.1, seed=3)
    start = find_line(trees)
    assert start is not None
    assert raggedness(trees, fit_line(trees, start))[0] > 1.0


def test_nothing_rises() -> None:
    assert find_line(np.full((30, 30), 0.4)) is None

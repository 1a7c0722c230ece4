"""Edges as a whole: accuracy, direction, glow, refusals, coverage of the intervals."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from viewer.measure.edge import UNITS, EdgeResult, measure_edge
from viewer.measure.readings import Flag
from viewer.measure.regions import Rect

SPEC = importlib.util.spec_from_file_location("light_scenes", Path(__file__).with_name("light_scenes.py"))
assert SPEC and SPEC.loader
scenes = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(scenes)

REGION = Rect(20, 20, 70, 70)
SIDE = 110
WIDTH = 2.5631031


def noisy(picture: np.ndarray, sigma: float = 0.002, seed: int = 1) -> np.ndarray:
    return picture + sigma * np.random.default_rng(seed).standard_normal(picture.shape)


def value(result: EdgeResult, name: str) -> float:
    reading = result.reading(name)
    assert reading.value is not None, reading.reason
    return reading.value


@pytest.mark.parametrize("angle", [5, 12, 83, 95, 0, 90])
@pytest.mark.parametrize("sigma", [0.7, 1.5, 4.0])
def test_width_and_angle(angle: float, sigma: float) -> None:
    """10-90 % of a Gaussian and a square pixel: 2.563 sqrt(sigma2 + 1/12), true within 0.01 px from sigma 0.7 up."""
    light = noisy(scenes.edge(SIDE, SIDE, angle_deg=angle, sigma=sigma, dark=0.05, bright=0.5, offset=0.3))
    result = measure_edge(light, REGION)
    assert value(result, "rise_10_90") == pytest.approx(WIDTH * np.hypot(sigma, np.sqrt(1 / 12)), abs=0.03)
    assert abs((value(result, "edge_angle") - angle + 90) % 180 - 90) < 0.03
    expected = (
        np.exp(-2 * np.pi**2 * sigma**2 * 0.01)
        * np.sinc(0.1 * np.cos(np.radians(angle)))
        * np.sinc(0.1 * np.sin(np.radians(angle)))
    )
    assert value(result, "mtf_at_0.1") == pytest.approx(expected, abs=0.005)
    assert value(result, "overshoot") < 1.0 and value(result, "undershoot") < 1.0
    assert [r.name for r in result.readings] == list(UNITS)
    assert all(r.unit == UNITS[r.name] for r in result.readings)


def test_bent_edge_is_not_broadened() -> None:
    light = noisy(scenes.edge(SIDE, SIDE, angle_deg=8, sigma=1.2, dark=0.05, bright=0.5, curvature=2e-3))
    assert value(measure_edge(light, REGION), "rise_10_90") == pytest.approx(WIDTH * np.hypot(1.2, np.sqrt(1 / 12)), abs=0.03)


def test_light_that_slopes_along_the_edge_does_not_turn_it() -> None:
    """Glow of what lies beside the region: the bright side falls by a fifth along the edge, the dark one rises."""
    light = scenes.edge(SIDE, SIDE, angle_deg=6, sigma=1.6, dark=0.05, bright=0.5, offset=0.2)
    share = (light - 0.05) / 0.45
    y = (np.arange(SIDE) / SIDE - 0.5)[:, None]
    sloped = share * 0.5 * (1 - 0.2 * y) + (1 - share) * 0.05 * (1 + 0.4 * y)
    found = measure_edge(noisy(sloped), REGION).reading("edge_angle")
    assert found.value == pytest.approx(6.0, abs=0.05)
    assert found.low is not None and found.high is not None and found.low <= 6.0 <= found.high


def test_a_wide_glow_under_noise_is_in_the_mtf() -> None:
    """A tenth of the light spread over 8 px: pixel by pixel noise hides it, low frequencies do not (sum of two Gaussians)."""
    core, wide = (
        scenes.edge(SIDE, SIDE, angle_deg=5, sigma=s, dark=0.05, bright=0.5, offset=0.3) for s in (1.3, float(np.hypot(8, 1.3)))
    )
    result = measure_edge(noisy(0.9 * core + 0.1 * wide, 0.012), Rect(10, 10, 90, 90))
    turn = -2 * np.pi**2 * 0.05**2
    truth = (0.9 * np.exp(turn * 1.69) + 0.1 * np.exp(turn * 65.69)) * np.sinc(0.05)
    assert value(result, "mtf_at_0.05") == pytest.approx(truth, abs=0.03)


def test_a_standing_pattern_widens_the_angle() -> None:
    """Grain of 4 px that stands still moves the edge piece by piece; 12 patterns, at most one interval may miss."""
    missed = 0
    for seed in range(12):
        light = scenes.edge(90, 90, angle_deg=4, sigma=1.5, dark=0.05, bright=0.4, offset=0.1)
        grain = gaussian_filter(np.random.default_rng(seed).standard_normal(light.shape), 2.0)
        found = measure_edge(light * (1 + 0.04 * grain / grain.std()), Rect(25, 15, 40, 60)).reading("edge_angle")
        assert found.low is not None and found.high is not None
        missed += not found.low <= 4.0 <= found.high
    assert missed <= 2


def test_rows_that_pulse_are_evened() -> None:
    light = noisy(scenes.edge(SIDE, SIDE, angle_deg=5, sigma=1.5, dark=0.05, bright=0.5))
    light *= 1 + 0.2 * np.sin(np.arange(SIDE) / 3.0)[:, None]
    assert value(measure_edge(light, REGION), "rise_10_90") == pytest.approx(WIDTH * np.hypot(1.5, np.sqrt(1 / 12)), abs=0.05)


def test_glow_stands_beside_the_width_of_a_straight_edge() -> None:
    edge = scenes.edge(200, 220, angle_deg=5, sigma=1.2, dark=0.02, bright=0.5)
    light = noisy(scenes.spread_over_disc(edge, 25.0, 0.15))
    result = measure_edge(light, Rect(40, 40, 140, 120))
    assert value(result, "glow_radius") == pytest.approx(25.0, abs=0.5)
    assert result.asymmetry is not None
    assert value(result, "mtf_at_0.05") < 0.86  # the halo's share is missing from the MTF at low frequencies already


def test_tree_line_gives_glow_and_no_false_mtf() -> None:
    light = scenes.tree_line(240, 420, radius=26, share=0.15, seed=11, depth=0.06)
    result = measure_edge(light, Rect(40, 20, 340, 200))
    for name in ("rise_10_90", "mtf50", "mtf_at_0.05", "overshoot"):
        reading = result.reading(name)
        assert reading.state == "refused"
        assert reading.reason is not None and ("ragged" in reading.reason or "no single edge" in reading.reason)
    assert value(result, "glow_radius") == pytest.approx(26, abs=1.0)


def reasons(light: np.ndarray, rect: Rect = REGION, clipped: np.ndarray | None = None) -> set[str]:
    result = measure_edge(light, rect, clipped=clipped)
    assert result.reading("rise_10_90").state == "refused"
    return {r.reason for r in result.readings if r.reason and r.name != "glow_radius"}


def test_refusals_say_what_to_film_instead() -> None:
    """Seven ways in which there is no answer."""
    edge = scenes.edge(SIDE, SIDE, angle_deg=5, sigma=1.5, dark=0.05, bright=0.5)
    assert "Film more frames or more contrast" in reasons(noisy(np.full((SIDE, SIDE), 0.3))).pop()
    burnt = np.minimum(noisy(edge), 0.45)
    assert "shorter exposure" in reasons(burnt, clipped=burnt >= 0.44).pop()
    bars = noisy(gaussian_filter(0.1 + 0.4 * ((np.mgrid[:SIDE, :SIDE][1] // 8) % 2), 1.0))
    assert "one edge only" in reasons(bars).pop()
    ramp = scenes.edge(SIDE, SIDE, angle_deg=5, sigma=14.0, dark=0.05, bright=0.5)
    assert "its blur needs" in reasons(noisy(ramp), Rect(40, 40, 30, 30)).pop()
    assert "too small" in reasons(noisy(edge), Rect(50, 50, 7, 40)).pop()
    aside = scenes.edge(SIDE, SIDE, angle_deg=0, sigma=1.0, dark=0.05, bright=0.5, offset=-33)
    assert "border" in reasons(noisy(aside)).pop()
    texture = noisy(scenes.trees(SIDE, SIDE, 3, level=0.2, depth=0.5))
    assert reasons(texture)


def test_a_second_edge_is_noticed() -> None:
    strip = scenes.edge(SIDE, SIDE, angle_deg=4, sigma=1.2, dark=0.05, bright=0.5, offset=-6)
    strip -= scenes.edge(SIDE, SIDE, angle_deg=4, sigma=1.2, dark=0.0, bright=0.42, offset=18)
    result = measure_edge(noisy(strip), REGION)
    assert result.reading("rise_10_90").state == "refused"


def test_sharpened_picture_is_flagged() -> None:
    edge = scenes.edge(SIDE, SIDE, angle_deg=5, sigma=1.2, dark=0.05, bright=0.5)
    light = noisy(edge + 1.0 * (edge - gaussian_filter(edge, 2.0)), 0.001)
    result = measure_edge(light, REGION)
    assert Flag.PROCESSED in result.reading("overshoot").flags
    assert value(result, "overshoot") > 5


def test_a_few_clipped_pixels_are_flagged_not_refused() -> None:
    light = noisy(scenes.edge(SIDE, SIDE, angle_deg=5, sigma=1.5, dark=0.05, bright=0.5))
    clipped = np.zeros(light.shape, bool)
    clipped[40, 80] = True
    light[40, 80] = 5.0
    result = measure_edge(light, REGION, clipped=clipped)
    assert Flag.CLIPPED in result.reading("rise_10_90").flags
    assert value(result, "rise_10_90") == pytest.approx(WIDTH * np.hypot(1.5, np.sqrt(1 / 12)), abs=0.03)


def test_intervals_cover_the_truth() -> None:
    """60 noisy edges; the long run is in the benchmark.  Binomial(60, 0.95): 51 or fewer happens once in 200."""
    inside = {"rise_10_90": 0, "edge_angle": 0, "mtf_at_0.1": 0}
    for seed in range(60):
        rng = np.random.default_rng(seed)
        angle, sigma = rng.uniform(3, 14), rng.uniform(1.2, 2.5)
        light = scenes.edge(76, 76, angle_deg=angle, sigma=sigma, dark=0.05, bright=0.5, offset=rng.uniform(-0.5, 0.5))
        result = measure_edge(noisy(light, 0.006, seed + 100), Rect(8, 8, 60, 60))
        c, s = np.cos(np.radians(angle)), np.sin(np.radians(angle))
        truth = {
            "rise_10_90": WIDTH * np.hypot(sigma, np.sqrt(1 / 12)),
            "edge_angle": angle,
            "mtf_at_0.1": np.exp(-2 * np.pi**2 * sigma**2 * 0.01) * np.sinc(0.1 * c) * np.sinc(0.1 * s),
        }
        for name, true in truth.items():
            reading = result.reading(name)
            assert reading.low is not None and reading.high is not None
            inside[name] += reading.low <= true <= reading.high
    assert all(count > 51 for count in inside.values()), inside


def test_drawn_slanted_edge(corpus: Path) -> None:
    """The drawn slanted edge of the collection, read with cv2 as an independent reader; its direction from its own drawing."""
    from viewer.cv import cv2

    path = corpus / "still-slanted-edge-rgba.png"
    if not path.exists():
        pytest.skip("the drawn slanted edge is not in the collection")
    picture = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    assert picture is not None
    grey = picture[..., :3].astype(float).mean(axis=2) / 255.0
    rows, cols = grey.shape
    gy, gx = np.gradient(gaussian_filter(grey, 1.0))
    strength = np.hypot(gx, gy)
    y, x = np.unravel_index(int(np.argmax(strength[20:-20, 20:-20])), strength[20:-20, 20:-20].shape)
    size = min(60, rows - 2, cols - 2)
    rect = Rect(int(np.clip(x + 20 - size // 2, 0, cols - size)), int(np.clip(y + 20 - size // 2, 0, rows - size)), size, size)
    light = np.where(grey <= 0.04045, grey / 12.92, ((grey + 0.055) / 1.055) ** 2.4)
    result = measure_edge(light, rect)
    width = result.reading("rise_10_90")
    assert width.value is not None, width.reason
    assert 0.5 < width.value < 3.0  # drawn without blur: pixel aperture or antialiasing only
    assert value(result, "mtf_at_0.05") > 0.95

"""Edges of real encodes of rendered scenes: both codecs, motion, gating, trees, the camera's own share."""

from __future__ import annotations

import importlib.util
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from viewer.errors import RegionError, UsageError
from viewer.measure.regions import Rect
from viewer.media import open_clip
from viewer.tasks.document import Result
from viewer.tasks.edge import measure_edge

SPEC = importlib.util.spec_from_file_location("light_scenes", Path(__file__).parent.parent / "measure" / "light_scenes.py")
assert SPEC and SPEC.loader
scenes = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(scenes)

SHAPE = (160, 180)
REGION = Rect(40, 30, 100, 100)
H264 = {"codec": "h264", "bits": 8, "transfer": "bt709", "crf": 12}
HEVC = {"codec": "hevc", "bits": 10, "transfer": "hlg", "crf": 13}
WIDTH = 2.5631031


def system(sigma: float) -> float:
    """10-90 % width of a Gaussian blur and a square pixel (true within 0.01 px from sigma 0.7 up)."""
    return WIDTH * float(np.hypot(sigma, np.sqrt(1 / 12)))


def frames(
    still: np.ndarray, *, count: int = 12, noise: float = 0.008, gate: float = 0.0, seed: int = 2
) -> Iterator[np.ndarray]:
    rng = np.random.default_rng(seed)
    rows = np.arange(still.shape[0])[:, None]
    for k in range(count):
        light = still * (1 + gate * np.sin(2 * np.pi * 487.3 * (k / 50 + rows * 25e-6)))
        yield light + np.sqrt(noise**2 + 8e-5 * np.clip(light, 0, 1)) * rng.standard_normal(still.shape)


def edge(angle: float, sigma: float, offset: float = 0.3) -> np.ndarray:
    return scenes.edge(*SHAPE, angle_deg=angle, sigma=sigma, dark=0.04, bright=0.45, offset=offset)


def value(result: Result, name: str) -> float:
    reading = result.reading(name)
    assert reading.value is not None, reading.reason
    return reading.value


def run(path: Path, region: Rect = REGION, **options: Any) -> Result:
    with open_clip(path) as clip:
        return measure_edge(clip, region, **options)


@pytest.mark.parametrize("codec", [H264, HEVC], ids=["h264", "hevc-hlg"])
@pytest.mark.parametrize(("angle", "sigma"), [(5, 0.7), (83, 1.5), (12, 4.0)])
def test_width_and_angle_through_a_codec(tmp_path: Path, codec: dict[str, Any], angle: float, sigma: float) -> None:
    result = run(scenes.write_clip(tmp_path / "a.mp4", frames(edge(angle, sigma)), **codec))
    assert value(result, "rise_10_90") == pytest.approx(system(sigma), abs=0.05)
    assert abs((value(result, "edge_angle") - angle + 90) % 180 - 90) < 0.05
    assert value(result, "mtf50") == pytest.approx(0.187390625 / np.hypot(sigma, np.sqrt(1 / 12)), rel=0.03)
    document = json.loads(result.dumps())
    assert next(r["name"] for r in document["readings"]) == "rise_10_90"
    assert document["readings"][0]["of"] == "40,30,100,100"
    assert set(result.plots) == {"esf_px", "esf", "mtf_f", "mtf", "mtf_sigma", "glow_px", "glow", "glow_model"}
    assert len(result.plots["esf_px"]) == len(result.plots["esf"]) > 100


def test_gated_and_along_the_grid(tmp_path: Path) -> None:
    result = run(scenes.write_clip(tmp_path / "a.mp4", frames(edge(0, 1.5), gate=0.3, count=16), **HEVC))
    assert value(result, "rise_10_90") == pytest.approx(system(1.5), abs=0.1)
    assert "gated" in result.reading("rise_10_90").to_json()["flags"]


@pytest.mark.parametrize("count", [24, 26])
def test_bands_along_the_edge_widen_the_interval(tmp_path: Path, count: int) -> None:
    # 24 frames hold 6.96 turns of the bands, 26 hold 7.54: the second leaves half a turn in the mean
    rng = np.random.default_rng(5)
    rows = np.arange(SHAPE[0])[:, None]
    still = edge(85, 2.0)
    pulses = (
        still * (1 + 0.35 * np.sin(2 * np.pi * (k * 0.29 + rows / 110))) + 0.006 * rng.standard_normal(SHAPE)
        for k in range(count)
    )
    reading = run(scenes.write_clip(tmp_path / "a.mp4", pulses, **HEVC)).reading("rise_10_90")
    assert "gated" in reading.to_json()["flags"]
    assert reading.low is not None and reading.high is not None
    assert reading.low <= system(2.0) <= reading.high
    assert reading.high - reading.low > 0.3


def test_moving_camera_does_not_broaden(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)

    def sway() -> Iterator[np.ndarray]:
        for k in range(12):
            yield edge(6, 1.2, offset=2.5 * np.sin(k / 1.7)) + 0.006 * rng.standard_normal(SHAPE)

    result = run(scenes.write_clip(tmp_path / "a.mp4", sway(), **HEVC))
    assert value(result, "rise_10_90") == pytest.approx(system(1.2), abs=0.1)
    assert "moving" in result.reading("rise_10_90").to_json()["flags"]


def test_tree_line(tmp_path: Path) -> None:
    light = scenes.tree_line(220, 360, radius=24, share=0.15, seed=4, depth=0.06, noise=0.0)
    result = run(scenes.write_clip(tmp_path / "a.mp4", frames(light, count=10, noise=0.005), **HEVC), Rect(30, 20, 300, 180))
    assert value(result, "glow_radius") == pytest.approx(24, abs=1.0)
    assert result.reading("mtf50").state == "refused"
    assert result.extras["edge"]["glow_share"] == pytest.approx(0.15, rel=0.2)


def test_the_camera_is_divided_out(tmp_path: Path) -> None:
    """Blur of 1.5 px through a camera of 0.8 px: the device has 1.2689 px (check value F-CASC-1; the pixel divides out)."""
    both = scenes.write_clip(tmp_path / "a.mp4", frames(edge(5, 1.5)), **HEVC)
    camera = scenes.write_clip(tmp_path / "b.mp4", frames(edge(5, 0.8)), **HEVC)
    blind = scenes.write_clip(tmp_path / "c.mp4", frames(np.full(SHAPE, 0.2), count=4), **HEVC)
    with open_clip(both) as clip, open_clip(camera) as alone, open_clip(blind) as grey:
        result = measure_edge(clip, REGION, camera=(alone, REGION))
        with pytest.raises(UsageError, match="camera's edge"):
            measure_edge(clip, REGION, camera=(grey, REGION))
    assert value(result, "mtf50") == pytest.approx(0.187390625 / 1.26885775, rel=0.03)
    assert len(result.inputs) == 2


def test_regions_outside_the_picture_are_an_error(tmp_path: Path) -> None:
    path = scenes.write_clip(tmp_path / "a.mp4", frames(edge(5, 1.5), count=3), **H264)
    with pytest.raises(RegionError, match="outside"):
        run(path, Rect(150, 10, 60, 60))
    with pytest.raises(RegionError, match="at least 64"):
        run(path, Rect(10, 10, 6, 6))


def test_burnt_out_sky_is_refused(tmp_path: Path) -> None:
    still = scenes.edge(*SHAPE, angle_deg=5, sigma=1.5, dark=0.04, bright=1.6)
    result = run(scenes.write_clip(tmp_path / "a.mp4", frames(still, count=4), **H264))
    reading = result.reading("rise_10_90")
    assert reading.state == "refused" and "shorter exposure" in (reading.reason or "")
    assert "clipped" in reading.to_json()["flags"]

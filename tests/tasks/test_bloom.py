"""Bloom of real encodes of rendered scenes: found lights, both codecs, gating, motion, field circle, scale."""

from __future__ import annotations

import importlib.util
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from viewer.errors import Cancelled, UsageError
from viewer.measure.bloom_profile import HALF
from viewer.media import open_clip
from viewer.tasks.bloom import measure_bloom
from viewer.tasks.document import Result
from viewer.tasks.mean_picture import chosen, stops_at_white

SPEC = importlib.util.spec_from_file_location("light_scenes", Path(__file__).parent.parent / "measure" / "light_scenes.py")
assert SPEC and SPEC.loader
scenes = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(scenes)

SHAPE = (180, 220)
H264 = {"codec": "h264", "bits": 8, "transfer": "bt709", "crf": 15}
HEVC = {"codec": "hevc", "bits": 10, "transfer": "hlg", "crf": 16}


def halo(radius: float, *, core: float = 5.0, height: float = 0.12) -> list[tuple[float, Any]]:
    return [(core, scenes.gauss(2.0)), (height, scenes.disc(radius, 2.0)), (0.02, scenes.gauss(1.7 * radius))]


def frames(
    still: np.ndarray, *, count: int = 14, noise: float = 0.006, gate: float = 0.0, seed: int = 2
) -> Iterator[np.ndarray]:
    rng = np.random.default_rng(seed)
    rows = np.arange(still.shape[0])[:, None]
    for k in range(count):
        light = still * (1 + gate * np.sin(2 * np.pi * 487.3 * (k / 50 + rows * 25e-6)))
        yield light + np.sqrt(noise**2 + 8e-5 * np.clip(light, 0, 1)) * rng.standard_normal(still.shape)


def still_of(lamps: list[tuple[tuple[float, float], list[tuple[float, Any]]]], ground: float = 0.02) -> np.ndarray:
    light = np.full(SHAPE, ground)
    for centre, parts in lamps:
        light = light + scenes.lamp(*SHAPE, centre, parts)
    return light


def value(result: Result, name: str, of: str = "light-1") -> float:
    reading = result.reading(name, of)
    assert reading.value is not None, reading.reason
    return reading.value


@pytest.mark.parametrize("codec", [H264, HEVC], ids=["h264", "hevc-hlg"])
def test_halo_through_a_codec(tmp_path: Path, codec: dict[str, Any]) -> None:
    path = scenes.write_clip(tmp_path / "a.mp4", frames(still_of([((110.3, 90.2), halo(30))])), **codec)
    with open_clip(path) as clip:
        result = measure_bloom(clip)
    assert value(result, "halo_radius") == pytest.approx(30, abs=0.1)
    assert value(result, "centre_x") == pytest.approx(110.3, abs=0.1)
    assert value(result, "centre_y") == pytest.approx(90.2, abs=0.1)
    assert value(result, "core_radius") == pytest.approx(3.7, abs=0.6)  # burnt out at nominal white
    assert "clipped" in result.reading("halo_radius").to_json()["flags"]
    assert "moving" not in result.reading("halo_radius").to_json()["flags"]
    assert result.extras["lights_found"] == 1
    plot = result.plots["light-1"]
    assert len(plot["radius_px"]) == len(plot["profile"]) == len(plot["model"]) == len(plot["glow"]) == len(plot["sigma"]) > 30
    assert plot["halo_radius"] == value(result, "halo_radius")
    document = json.loads(result.dumps())
    assert document["inputs"][0]["frames"] == 14 and document["command"] == "bloom"


@pytest.mark.parametrize("codec", [H264, HEVC], ids=["h264", "hevc-hlg"])
def test_pair_and_gating_through_a_codec(tmp_path: Path, codec: dict[str, Any]) -> None:
    lamps = [((92.3, 90.4), halo(30)), ((128.3, 90.4), halo(30, core=2.0, height=0.09))]
    path = scenes.write_clip(tmp_path / "a.mp4", frames(still_of(lamps), gate=0.3, count=16), **codec)
    with open_clip(path) as clip:
        result = measure_bloom(clip, [c for c, _ in lamps])
    for of in ("light-1", "light-2"):
        assert value(result, "halo_radius", of) == pytest.approx(30, abs=0.12)
        words = result.reading("halo_radius", of).to_json()["flags"]
        assert "neighbour near" in words and "gated" in words


@pytest.mark.parametrize("codec", [H264, HEVC], ids=["h264", "hevc-hlg"])
def test_half_level_through_a_codec(tmp_path: Path, codec: dict[str, Any]) -> None:
    path = scenes.write_clip(tmp_path / "a.mp4", frames(still_of([((110, 90), [(0.4, scenes.gauss(15.0))])])), **codec)
    with open_clip(path) as clip:
        result = measure_bloom(clip)
    assert value(result, "half_radius") == pytest.approx(HALF * 15, abs=0.1)
    assert result.reading("halo_radius").state == "refused"


def test_moving_camera(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)

    def walk() -> Iterator[np.ndarray]:
        for k in range(14):
            at = (110 + 6 * np.sin(k / 2.0), 90 + 4 * np.cos(k / 3.0) - 4)
            yield 0.02 + scenes.lamp(*SHAPE, at, halo(28)) + 0.006 * rng.standard_normal(SHAPE)

    path = scenes.write_clip(tmp_path / "a.mp4", walk(), **HEVC)
    with open_clip(path) as clip:
        result = measure_bloom(clip, [(110, 90)])
    assert value(result, "halo_radius") == pytest.approx(28, abs=0.15)
    assert "moving" in result.reading("halo_radius").to_json()["flags"]
    assert value(result, "centre_x") == pytest.approx(110, abs=0.2)  # where it is in the first frame


def test_field_circle_gives_degrees_and_mm(tmp_path: Path) -> None:
    stop = scenes.field_stop(*SHAPE, (110, 90), 80)
    still = (still_of([((96, 84), halo(20))], ground=0.05)) * stop
    path = scenes.write_clip(tmp_path / "a.mp4", frames(still, noise=0.003), **HEVC)
    with open_clip(path) as clip:
        result = measure_bloom(clip, field_deg=40.0, objective_mm=27.0)
        with pytest.raises(UsageError, match="field of 400"):
            measure_bloom(clip, field_deg=400.0)
        with pytest.raises(Cancelled):
            measure_bloom(clip, cancelled=lambda: True)
    cx, cy, radius = result.extras["field_circle"]
    assert (cx, cy, radius) == pytest.approx((110, 90, 80), abs=0.6)
    assert value(result, "halo_radius") == pytest.approx(20, abs=0.15)
    assert value(result, "halo_radius_deg") == pytest.approx(20 / 4.0, abs=0.05)
    # at the tube: f tan(angle), as check value E-ANG-1 does for the full angle
    assert value(result, "halo_radius_mm") == pytest.approx(27 * np.tan(np.radians(5.0)), abs=0.03)
    assert value(result, "halo_radius_mrad") == pytest.approx(1000 * np.radians(value(result, "halo_radius_deg")))
    assert "nominal scale" in result.reading("halo_radius_deg").to_json()["flags"]


def test_no_light_is_refused(tmp_path: Path) -> None:
    path = scenes.write_clip(tmp_path / "a.mp4", frames(np.full(SHAPE, 0.05), count=5), **H264)
    with open_clip(path) as clip:
        result = measure_bloom(clip, field_deg=40.0)
    reading = result.reading("halo_radius", "light-1")
    assert reading.state == "refused" and "--light" in (reading.reason or "")


def test_frames_are_chosen_evenly() -> None:
    assert chosen(100, (10, None), 240) == (10, 100, frozenset(range(10, 100)))
    start, stop, numbers = chosen(1000, (0, None), 240)
    assert (start, stop, len(numbers)) == (0, 1000, 240) and {0, 999} <= numbers


def test_burnt_out_at_white_is_told_from_bright() -> None:
    yy, xx = np.mgrid[:100, :100]
    r = np.hypot(xx - 50, yy - 50)
    smooth = 1.04 * np.exp(-0.5 * (r / 20) ** 2)[None]
    assert stops_at_white(np.minimum(3 * smooth, 1.0))
    assert not stops_at_white(smooth)
    assert not stops_at_white(0.9 * smooth)
    assert not stops_at_white(1.5 * smooth)


def test_hundreds_of_lamps_in_a_dark_hall(corpus: Path) -> None:
    path = corpus / "pointlights-dark-hall-1080p50-pcm.mov"
    if not path.exists():
        pytest.skip("the clip is not in the collection")
    with open_clip(path) as clip:
        result = measure_bloom(clip, frames=(0, 6), most=4)
    assert result.extras["lights_found"] > 12
    assert any("lights were found" in warning for warning in result.warnings)
    assert len({reading.of for reading in result.readings}) == 4
    json.loads(result.dumps())


def test_two_exposures_show_what_one_burns_out(tmp_path: Path) -> None:
    """Alone the long exposure refuses the edge; with a shorter one it is measured, and the record says what was joined."""
    still = still_of([((110.3, 90.2), [(30.0, scenes.gauss(7.0)), (0.5, scenes.disc(26, 2.0)), (0.03, scenes.gauss(50))])])
    paths = [
        scenes.write_clip(tmp_path / f"{k}.mp4", frames(still * gain, count=8, noise=0.002), **HEVC)
        for k, gain in enumerate((1.5, 0.2))
    ]
    with open_clip(paths[0]) as long, open_clip(paths[1]) as short:
        alone = measure_bloom(long, [(110, 90)])
        both = measure_bloom(long, [(110, 90)], stack=[short])
    assert alone.reading("halo_radius").state == "refused"
    assert value(both, "halo_radius") == pytest.approx(26, abs=0.15)
    record = both.extras["stack"][0]
    assert record["ratio"] == pytest.approx(0.2 / 1.5, rel=0.04) and record["pixels"] > 500
    assert any("1.mp4" in warning and "burnt-out" in warning for warning in both.warnings)
    assert len(both.inputs) == 2
    json.loads(both.dumps())


def test_camera_alone_and_sizes_that_differ(tmp_path: Path) -> None:
    glow = scenes.wing(5.0, 2.2)
    still = still_of([((110.3, 90.2), [*halo(30), (1.0, glow)])])
    device = scenes.write_clip(tmp_path / "device.mp4", frames(still, count=8, noise=0.002), **HEVC)
    lamp = 0.001 + scenes.lamp(*SHAPE, (100.2, 85.1), [(4.0, scenes.gauss(1.4)), (1.0, glow)])
    alone = scenes.write_clip(tmp_path / "alone.mp4", frames(lamp, count=8, noise=0.001), **HEVC)
    empty = scenes.write_clip(tmp_path / "empty.mp4", frames(np.full(SHAPE, 0.05), count=5), **HEVC)
    small = scenes.write_clip(tmp_path / "small.mp4", frames(lamp[:120, :160], count=5), **HEVC)
    with open_clip(device) as clip, open_clip(alone) as camera, open_clip(empty) as dark, open_clip(small) as other:
        result = measure_bloom(clip, [(110, 90)], camera=camera)
        with pytest.raises(UsageError, match="no point light"):
            measure_bloom(clip, [(110, 90)], camera=dark)
        with pytest.raises(UsageError, match="160 x 120"):
            measure_bloom(clip, [(110, 90)], stack=[other])
    assert value(result, "halo_radius") == pytest.approx(30, abs=0.1)
    share = result.extras["fits"]["light-1"]["camera_share"]
    there = float(glow(np.array(30.0)))
    assert share == pytest.approx(there / (there + 0.06 + 0.02 * np.exp(-0.5 / 1.7**2)), rel=0.35)
    assert any("camera alone" in warning for warning in result.warnings)


def test_what_depends_on_the_lamp_is_said(tmp_path: Path) -> None:
    """Threshold radii name their dependence; long clips say how many frames were used; odd shapes are told."""
    yy, xx = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    still = (
        0.02
        + 0.15 * scenes.disc(30, 2)(np.hypot((xx - 110) / 1.12, yy - 90))
        + 3 * scenes.gauss(2)(np.hypot(xx - 110, yy - 90))
    )
    path = scenes.write_clip(tmp_path / "a.mp4", frames(still, count=260), **{**H264, "options": {"preset": "ultrafast"}})
    with open_clip(path) as clip:
        result = measure_bloom(clip, [(110, 90)], field_deg=None)
    assert any("240 of 260 frames" in warning for warning in result.warnings)
    assert any("ten times as bright" in warning for warning in result.warnings)
    assert any("longer one way" in warning for warning in result.warnings)
    assert "grows with" in (result.reading("bloom_radius").method or "") and "grows with" in (
        result.reading("core_radius").method or ""
    )
    fit = result.extras["fits"]["light-1"]
    assert (fit["long_px"], fit["short_px"]) == pytest.approx((33.6, 30.0), abs=0.8)
    assert (fit["axis_deg"] + 90) % 180 - 90 == pytest.approx(0, abs=5)


def test_bands_of_pulsing_light_are_taken_out(tmp_path: Path) -> None:
    """20 frames hold no whole period: the plain mean keeps bands that pull the centre; freed of them it is within 0.1 px."""
    rng = np.random.default_rng(3)
    still = still_of([((110.3, 90.2), halo(30))])
    rows = np.arange(SHAPE[0])[:, None]

    def pulsing() -> Iterator[np.ndarray]:
        for k in range(20):
            light = still * (1 + 0.5 * np.sin(2 * np.pi * (0.37 * k + rows / 90)))
            yield light + 0.003 * rng.standard_normal(SHAPE)

    path = scenes.write_clip(tmp_path / "a.mp4", pulsing(), **HEVC)
    with open_clip(path) as clip:
        result = measure_bloom(clip, [(110, 90)])
    assert value(result, "centre_y") == pytest.approx(90.2, abs=0.1)
    assert value(result, "halo_radius") == pytest.approx(30, abs=0.1)
    assert "gated" in result.reading("halo_radius").to_json()["flags"]


def test_two_marks_on_one_light(tmp_path: Path) -> None:
    """Marked twice by mistake: an answer or a refusal, never a crash."""
    path = scenes.write_clip(tmp_path / "a.mp4", frames(still_of([((110.3, 90.2), halo(20))]), count=6), **HEVC)
    with open_clip(path) as clip:
        result = measure_bloom(clip, [(110, 90), (111, 90)])
    assert len({reading.of for reading in result.readings}) == 2
    json.loads(result.dumps())

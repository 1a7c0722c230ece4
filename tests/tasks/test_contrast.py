"""Contrast through real codecs: clips of known light from the simulator beside this file."""

from __future__ import annotations

from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from viewer.errors import Cancelled, RegionError, UsageError
from viewer.measure.readings import Flag
from viewer.measure.regions import Rect
from viewer.media import LightChoice, open_clip
from viewer.tasks.contrast import measure_contrast
from viewer.tasks.document import Result

night = SimpleNamespace(**run_path(str(Path(__file__).with_name("night_clips.py"))))
write_clip, patches, eyepiece, GREEN, WHITE = night.write_clip, night.patches, night.eyepiece, night.GREEN, night.WHITE

BRIGHT, DARK = Rect(40, 56, 44, 44), Rect(136, 56, 44, 44)
H264 = {"transfer": "bt709", "bits": 8, "codec": "h264", "matrix": "bt709"}
SRGB_FULL = {"transfer": "srgb", "bits": 8, "codec": "h264", "matrix": "bt709", "range": "full"}
CAMERA = {"noise": 0.03, "read_noise": 0.0005}


def scene_of(bright: float, dark: float) -> np.ndarray:
    return patches(160, 224, 0.4 * (bright + dark), (32, 48, 60, 60, bright), (128, 48, 60, 60, dark))


def measured(path: Path, **options: Any) -> Result:
    with open_clip(path) as clip:
        return measure_contrast(clip, BRIGHT, DARK, **options)


@pytest.mark.parametrize(
    ("light", "how"),
    [
        ((0.3, 0.1), {"tint": GREEN}),
        ((0.3, 0.1), {"tint": WHITE, "range": "full"}),
        ((0.3, 0.1), H264 | {"tint": GREEN}),
        ((0.2, 0.02), SRGB_FULL),
        ((0.5, 0.45), H264),
    ],
    ids=["hlg", "hlg-full", "709", "srgb-full", "709-low"],
)
def test_michelson_through_codecs(tmp_path: Path, light: tuple[float, float], how: dict[str, Any]) -> None:
    result = measured(write_clip(tmp_path / "a.mp4", scene_of(*light), **(CAMERA | how)))
    truth = (light[0] - light[1]) / (light[0] + light[1])
    reading = result.reading("michelson")
    assert reading.value == pytest.approx(truth, abs=0.002)
    # one clip in twenty may miss its interval: twice the width may not be missed by any of these few
    assert abs(reading.value - truth) < 2.0 * reading.half_width
    assert Flag.CLIPPED not in reading.flags and Flag.ONE_TAKE in reading.flags and reading.frames == 24
    assert {r.name for r in result.readings} == {"michelson", "weber", "rms", "cnr"}
    result.dumps()


def test_dark_hlg_reads_true_within_what_the_encoder_smooths(tmp_path: Path) -> None:
    reading = measured(write_clip(tmp_path / "a.mp4", scene_of(0.03, 0.01), noise=0.04, read_noise=0.0005)).reading("michelson")
    assert reading.value == pytest.approx(0.5, abs=0.006)
    assert reading.low <= 0.5 <= reading.high


def test_gated_light(tmp_path: Path) -> None:
    rows = np.arange(160)
    path = write_clip(
        tmp_path / "a.mp4",
        scene_of(0.3, 0.1),
        frames=38,
        level=lambda n: (1 + 0.4 * np.cos(2 * np.pi * (0.057 * n + rows / 170)))[:, None],
        **CAMERA,
    )
    reading = measured(path).reading("michelson")
    assert reading.value == pytest.approx(0.5, abs=0.004) and Flag.GATED in reading.flags
    assert reading.half_width < 0.01


@pytest.mark.parametrize("how", [{"tint": GREEN}, H264 | {"tint": GREEN}, {"range": "full"}], ids=["hlg", "709", "hlg-full"])
def test_clipped_patches_are_flagged(tmp_path: Path, how: dict[str, Any]) -> None:
    reading = measured(write_clip(tmp_path / "a.mp4", scene_of(1.4, 0.2), **(CAMERA | how))).reading("michelson")
    assert Flag.CLIPPED in reading.flags and reading.state == "limit"
    assert reading.high == 1.0 and reading.value < 1.2 / 1.6


def test_dark_clip_black_region_and_flat_field(tmp_path: Path) -> None:
    lifted = scene_of(0.3, 0.1) + 0.02
    path = write_clip(tmp_path / "a.mp4", lifted, frames=12, **CAMERA)
    capped = write_clip(tmp_path / "dark.mp4", np.full((160, 224), 0.02), frames=12, seed=2, read_noise=0.0005)
    shade = np.linspace(1.0, 0.7, 224)[None, :] * np.ones((160, 1))
    shaded = write_clip(tmp_path / "b.mp4", scene_of(0.3, 0.1) * shade, frames=12, **CAMERA)
    flat = write_clip(tmp_path / "flat.mp4", 0.3 * shade, frames=12, seed=3, **CAMERA)
    with open_clip(capped) as helper:
        freed = measured(path, dark_clip=helper)
    assert freed.reading("michelson").value == pytest.approx(0.5, abs=0.003)
    assert freed.extras["levels"]["dark_level_from"] == "the dark clip" and len(freed.inputs) == 2
    assert measured(path, corner=False).reading("michelson").value == pytest.approx(0.2 / 0.44, abs=0.003)
    with open_clip(flat) as helper:
        assert measured(shaded, flat_clip=helper).reading("michelson").value == pytest.approx(0.5, abs=0.004)
    with open_clip(capped) as helper:
        result = measured(path, black=Rect(4, 4, 20, 20))
    assert result.extras["levels"]["dark_level_from"] == "the black region"


def test_dark_corners_do_not_move_a_contrast(tmp_path: Path) -> None:
    """Outside the field there is no light, only noise cut at black: subtracting it would raise the contrast."""
    scene = eyepiece(scene_of(0.2, 0.04), 76.0)
    for how in ({}, H264):
        path = write_clip(tmp_path / "a.mp4", scene, noise=0.02, read_noise=0.0006, **how)
        reading = measured(path).reading("michelson")
        assert reading.value == pytest.approx(0.16 / 0.24, abs=0.003)


def test_a_pedestal_in_the_corners_is_subtracted(tmp_path: Path) -> None:
    scene = eyepiece(scene_of(0.2, 0.04), 76.0) + 0.006
    path = write_clip(tmp_path / "a.mp4", scene, read_noise=0.0006, transfer="bt709", bits=10, crf=14)
    result = measured(path)
    assert result.extras["levels"]["dark_level_from"] == "the corners outside the field"
    assert result.reading("michelson").value == pytest.approx(0.16 / 0.24, abs=0.004)


def test_octaves_of_a_region(tmp_path: Path) -> None:
    x = np.arange(224)
    scene = 0.2 * (1 + 0.3 * np.cos(2 * np.pi * x / 16))[None, :] * np.ones((160, 1))
    path = write_clip(tmp_path / "a.mp4", scene, frames=6, noise=0.02, crf=12)
    result = measured(path, local=Rect(32, 16, 160, 128), px_per_degree=16.0)
    assert result.reading("local_contrast", "1 cycles/degree").value == pytest.approx(0.3 / np.sqrt(2), abs=0.015)
    assert result.plots["octaves"]["1 cycles/degree"]["map"].shape == (128, 160)


def test_untagged_light_is_flagged_and_stated(tmp_path: Path) -> None:
    path = write_clip(tmp_path / "a.mp4", scene_of(0.3, 0.1), frames=6, **(CAMERA | H264))
    with open_clip(path, light=LightChoice(transfer="srgb")) as clip:
        chosen = measure_contrast(clip, BRIGHT, DARK)
    assert any("srgb" in text for text in chosen.inputs[0]["assumed"])
    assert chosen.reading("michelson").value != pytest.approx(0.5, abs=0.002)


def test_wrong_regions(tmp_path: Path) -> None:
    path = write_clip(tmp_path / "a.mp4", scene_of(0.3, 0.1), frames=2)
    with open_clip(path) as clip:
        with pytest.raises(UsageError, match="overlap"):
            measure_contrast(clip, BRIGHT, Rect(50, 60, 20, 20))
        with pytest.raises(RegionError):
            measure_contrast(clip, BRIGHT, Rect(300, 60, 20, 20))
        with pytest.raises(Cancelled):
            measure_contrast(clip, BRIGHT, DARK, cancelled=lambda: True)


def test_regions_of_two_colours_keep_their_own(tmp_path: Path) -> None:
    """A red and a green patch of equal luminance: by one tint they would differ."""
    rows, cols = 160, 224
    red, green = ((np.array(c) / (np.array(c) @ np.array(night.WEIGHTS["bt709"]))) for c in ((1.0, 0.2, 0.2), (0.2, 1.0, 0.3)))
    picture = np.zeros((rows, cols, 3))
    picture[:, :112], picture[:, 112:] = 0.2 * red, 0.1 * green
    path = tmp_path / "two.mp4"
    with night.VideoWriter(
        path, width=cols, height=rows, rate=night.Fraction(30), codec="h264", bit_depth=8, transfer="bt709", range="narrow",
        matrix="bt709", crf=8, options={"preset": "veryfast"},
    ) as writer:  # fmt: skip
        rng = np.random.default_rng(3)
        for _ in range(12):
            writer.write(night.encode_709(picture + 0.004 * rng.standard_normal((rows, cols, 1)) * picture).astype(np.float32))
    reading = measured(path).reading("michelson")
    assert reading.value == pytest.approx(1 / 3, abs=0.004)
    assert "share" not in reading.method


@pytest.mark.parametrize("tint", [GREEN, WHITE], ids=["green", "white"])
@pytest.mark.parametrize("how", [H264, H264 | {"range": "full"}, SRGB_FULL, {}], ids=["709", "709-full", "srgb-full", "hlg"])
def test_dark_patches_of_one_phosphor(tmp_path: Path, how: dict[str, Any], tint: tuple[float, float, float]) -> None:
    """Chroma of each patch rounds by itself; luma and a shared tint do not.  Truth: (0.02 - 0.012) / 0.032."""
    clip = write_clip(
        tmp_path / "a.mp4", scene_of(0.02, 0.012), noise=0.02, read_noise=0.0005, crf=12, **(how | {"tint": tint})
    )
    reading = measured(clip).reading("michelson")
    assert reading.value == pytest.approx(0.25, abs=0.002)
    assert reading.low <= 0.25 <= reading.high
    assert "colour that both regions share" in reading.method and Flag.GATED not in reading.flags

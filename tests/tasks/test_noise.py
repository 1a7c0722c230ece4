"""Noise through real codecs."""

from __future__ import annotations

from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import Any

import pytest

from viewer.errors import RegionError, UsageError
from viewer.measure.readings import Flag
from viewer.measure.regions import Rect
from viewer.media import open_clip
from viewer.tasks.document import Result
from viewer.tasks.noise import measure_noise

night = SimpleNamespace(**run_path(str(Path(__file__).with_name("night_clips.py"))))
REGION = Rect(24, 24, 80, 80)
H264 = {"transfer": "bt709", "bits": 8, "codec": "h264", "matrix": "bt709"}


def measured(path: Path, **options: Any) -> Result:
    with open_clip(path) as clip:
        return measure_noise(clip, REGION, **options)


def flat(path: Path, light: float, noise: float, **how: Any) -> Path:
    return night.write_clip(path, night.patches(128, 128, light), frames=how.pop("frames", 20), noise=noise, **how)


@pytest.mark.parametrize(
    ("light", "how"),
    [
        (0.2, {"crf": 8}),
        (0.2, {"crf": 8, "tint": night.GREEN}),
        (0.02, {"crf": 10}),
        (0.2, H264 | {"crf": 8}),
        (0.1, {"codec": "ffv1", "crf": None, "options": {"level": "3"}}),
    ],
    ids=["hevc", "green", "dim", "h264", "lossless"],
)
def test_within_15_percent_of_the_truth(tmp_path: Path, light: float, how: dict[str, Any]) -> None:
    path = flat(tmp_path / ("a.mkv" if how.get("codec") == "ffv1" else "a.mp4"), light, 0.04, **how)
    result = measured(path)
    truth = 0.04 * light**0.5
    reading = result.reading("temporal_sigma")
    assert reading.value == pytest.approx(truth, rel=0.15)
    assert reading.low <= truth * 1.02 and truth <= reading.high * 1.02
    assert result.reading("snr").value == pytest.approx(light / truth, rel=0.15)
    assert result.reading("mean").value == pytest.approx(light, rel=0.01)
    assert result.plots["noise_power"].shape == (80, 80)
    result.dumps()


@pytest.mark.parametrize("how", [{"crf": 32}, H264 | {"crf": 32}], ids=["hevc", "h264"])
def test_starved_clips_are_refused(tmp_path: Path, how: dict[str, Any]) -> None:
    result = measured(flat(tmp_path / "a.mp4", 0.2, 0.04, **how))
    for name in ("temporal_sigma", "fixed_pattern_sigma", "snr"):
        assert result.reading(name).state == "refused" and result.reading(name).reason
    assert result.reading("mean").state == "measured"


def test_a_middling_rate_is_flagged_and_covered(tmp_path: Path) -> None:
    reading = measured(flat(tmp_path / "a.mp4", 0.2, 0.04, crf=20)).reading("temporal_sigma")
    assert Flag.COMPRESSED in reading.flags
    assert reading.value < 0.04 * 0.2**0.5 < reading.high


def test_disc_of_stated_angle(tmp_path: Path) -> None:
    path = flat(tmp_path / "a.mp4", 0.2, 0.04, crf=8)
    result = measured(path, px_per_degree=20.0, disc_deg=0.5)
    assert result.reading("snr_disc").value > result.reading("snr").value
    with pytest.raises(UsageError, match="scale"):
        measured(path, disc_deg=0.5)
    with open_clip(path) as clip, pytest.raises(RegionError):
        measure_noise(clip, Rect(0, 0, 4, 4))

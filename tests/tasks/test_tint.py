"""Tint through codecs and from the command line."""

from __future__ import annotations

import json
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from viewer.cli.main import run
from viewer.measure.regions import Rect
from viewer.measure.tint import chromaticity
from viewer.media import open_clip
from viewer.tasks.tint import measure_tint

night = SimpleNamespace(**run_path(str(Path(__file__).with_name("night_clips.py"))))
H264 = {"transfer": "bt709", "bits": 8, "codec": "h264", "matrix": "bt709"}


@pytest.mark.parametrize("how", [{}, {"range": "full"}, H264], ids=["hlg", "hlg-full", "709"])
@pytest.mark.parametrize("colour", [night.GREEN, night.WHITE], ids=["green", "white"])
def test_tint_through_codecs(tmp_path: Path, how: dict[str, Any], colour: tuple[float, float, float]) -> None:
    path = night.write_clip(tmp_path / "a.mp4", night.patches(64, 96, 0.2), frames=6, noise=0.02, tint=colour, **how)
    with open_clip(path) as clip:
        result = measure_tint(clip, Rect(16, 16, 48, 32))
    truth = chromaticity(np.array(colour), how.get("matrix", "bt2020"))
    assert result.reading("u_prime").value == pytest.approx(truth[0], abs=0.002)
    assert result.reading("v_prime").value == pytest.approx(truth[1], abs=0.002)
    assert sum(result.extras["luminance_shares"].values()) == pytest.approx(1.0)


def test_clipped_green_is_refused(tmp_path: Path) -> None:
    path = night.write_clip(tmp_path / "a.mp4", night.patches(64, 96, 1.6), frames=3, tint=night.GREEN, range="full")
    with open_clip(path) as clip:
        assert measure_tint(clip, Rect(16, 16, 48, 32)).reading("u_prime").state == "refused"


def test_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = night.write_clip(tmp_path / "a.mp4", night.patches(64, 96, 0.2), frames=3, noise=0.02)
    assert run(["tint", str(path), "--region", "16,16,48,32", "--json", "-"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert [r["name"] for r in document["readings"]] == ["u_prime", "v_prime"]
    assert run(["tint", str(path), "--region", "16,16,480,32"]) == 2
    assert run(["tint", str(path)]) == 2

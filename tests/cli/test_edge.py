"""``gloaming edge`` from outside."""

from __future__ import annotations

import importlib.util
import json
from pathlib import Path

import numpy as np
import pytest

from viewer.cli.main import run

SPEC = importlib.util.spec_from_file_location("light_scenes", Path(__file__).parent.parent / "measure" / "light_scenes.py")
assert SPEC and SPEC.loader
scenes = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(scenes)


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    rng = np.random.default_rng(1)
    light = scenes.edge(120, 140, angle_deg=5, sigma=1.5, dark=0.04, bright=0.5)
    path = tmp_path_factory.mktemp("clips") / "edge.mp4"
    return scenes.write_clip(path, (light + 0.005 * rng.standard_normal(light.shape) for _ in range(4)))


def test_json_and_table(clip: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["edge", str(clip), "--region", "30,20,80,80", "--json", "-"]) == 0
    document = json.loads(capsys.readouterr().out)
    names = [reading["name"] for reading in document["readings"]]
    assert names == ["rise_10_90", "mtf50", "mtf_at_0.05", "mtf_at_0.1", "overshoot", "undershoot", "edge_angle", "glow_radius"]
    assert all(reading["state"] in ("measured", "refused") for reading in document["readings"])
    assert run(["edge", str(clip), "--region", "30,20,80,80", "--frames", "0:2"]) == 0
    assert "rise_10_90" in capsys.readouterr().out


def test_wrong_usage_and_missing_file(clip: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["edge", str(clip)]) == 2
    assert run(["edge", str(clip), "--region", "30,20,80"]) == 2
    assert run(["edge", str(clip), "--region", "100,100,80,80"]) == 2
    assert run(["edge", str(tmp_path / "none.mp4"), "--region", "1,1,20,20"]) == 3
    assert "Traceback" not in capsys.readouterr().err

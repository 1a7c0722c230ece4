"""``gloaming bloom`` from outside."""

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
    lamp = scenes.lamp(120, 140, (70, 60), [(4.0, scenes.gauss(2.0)), (0.12, scenes.disc(20, 2.0))]) + 0.02
    path = tmp_path_factory.mktemp("clips") / "lamp.mp4"
    return scenes.write_clip(path, (lamp + 0.005 * rng.standard_normal(lamp.shape) for _ in range(5)))


def test_json_and_table(clip: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    target = tmp_path / "r.json"
    assert run(["bloom", str(clip), "--json", str(target)]) == 0
    document = json.loads(target.read_text())
    names = [reading["name"] for reading in document["readings"] if reading["of"] == "light-1"]
    assert names == ["centre_x", "centre_y", "core_radius", "halo_radius", "half_radius", "bloom_radius", "veil_at_edge"]
    assert run(["bloom", str(clip), "--light", "72,58", "--frames", "0:3"]) == 0
    assert "halo_radius" in capsys.readouterr().out


def test_wrong_usage_and_missing_file(clip: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["bloom", str(clip), "--light", "72"]) == 2
    assert run(["bloom", str(clip), "--field-deg", "900"]) == 2
    assert run(["bloom", str(tmp_path / "none.mp4")]) == 3
    assert run(["bloom", str(clip), "--stack", str(tmp_path / "none.mp4")]) == 3
    assert run(["bloom", str(clip), "--camera-light", "7,8"]) == 2
    captured = capsys.readouterr()
    assert "Traceback" not in captured.err and captured.err.count("\n") < 18


def test_stack_and_camera_are_reachable(clip: Path, tmp_path: Path) -> None:
    """The same clip as its own other exposure: ratio 1; as its own camera: no answer to trust, but no crash either."""
    target = tmp_path / "r.json"
    assert run(["bloom", str(clip), "--light", "70,60", "--stack", str(clip), "--json", str(target)]) == 0
    document = json.loads(target.read_text())
    assert document["stack"][0]["ratio"] == pytest.approx(1.0, abs=0.01)
    assert run(["bloom", str(clip), "--camera", str(clip), "--camera-light", "70,60", "--json", str(target)]) in (0, 2)

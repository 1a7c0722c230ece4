"""``gloaming contrast`` from outside."""

from __future__ import annotations

import json
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace

import pytest

from viewer.cli.main import run

night = SimpleNamespace(**run_path(str(Path(__file__).parent.parent / "tasks" / "night_clips.py")))


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    scene = night.patches(120, 160, 0.15, (16, 32, 50, 50, 0.3), (90, 32, 50, 50, 0.1))
    return night.write_clip(tmp_path_factory.mktemp("clips") / "a.mp4", scene, frames=12, noise=0.02)


def test_document(clip: Path, tmp_path: Path) -> None:
    out = tmp_path / "result.json"
    assert run(["contrast", str(clip), "--bright", "24,40,34,34", "--dark", "98,40,34,34", "--json", str(out)]) == 0
    document = json.loads(out.read_text(encoding="utf-8"))
    assert document["schema"] == "gloaming/result/1" and document["command"] == "contrast"
    found = {r["name"]: r for r in document["readings"]}
    assert set(found) == {"michelson", "weber", "rms", "cnr"}
    assert found["michelson"]["of"] == "bright/dark" and found["michelson"]["value"] == pytest.approx(0.5, abs=0.003)
    assert found["michelson"]["frames"] == 12 and "within this take" in found["michelson"]["flags"]
    assert document["inputs"][0]["transfer"] == "hlg" and document["inputs"][0]["range"] == "narrow"


def test_table_and_frames(clip: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["contrast", str(clip), "--bright", "24,40,34,34", "--dark", "98,40,34,34", "--frames", "2:5"]) == 0
    text = capsys.readouterr().out
    assert "michelson" in text and "too few frames" in text


def test_matching_another_device(clip: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Another device shows the same patch at 0.2 instead of 0.3: it must be brightened by 1.5."""
    scene = night.patches(120, 160, 0.1, (30, 32, 50, 50, 0.2), (100, 32, 40, 50, 1.4))
    other = night.write_clip(tmp_path / "b.mp4", scene, frames=12, noise=0.02, range="full", bits=8, codec="h264")
    base = ["contrast", str(clip), "--bright", "24,40,34,34", "--dark", "98,40,34,34", "--match", str(other)]
    assert run([*base, "--match-region", "38,40,34,34", "--json", "-"]) == 0
    document = json.loads(capsys.readouterr().out)
    reading = next(r for r in document["readings"] if r["name"] == "matching_factor")
    assert reading["value"] == pytest.approx(1.5, rel=0.005) and reading["low"] < 1.5 < reading["high"]
    assert len(document["inputs"]) == 2
    for region, words in (("104,40,30,30", "clipped in the other clip"), ("2,2,8,8", "")):
        assert run([*base, "--match-region", region, "--json", "-"]) == 0
        reading = next(r for r in json.loads(capsys.readouterr().out)["readings"] if r["name"] == "matching_factor")
        assert (reading["state"] == "refused" and words in reading["reason"]) if words else reading["state"] == "measured"


def test_maps_of_local_contrast(clip: Path, tmp_path: Path) -> None:
    out = tmp_path / "octaves.png"
    base = ["contrast", str(clip), "--bright", "24,40,34,34", "--dark", "98,40,34,34"]
    assert run([*base, "--local", "8,8,64,64", "--map", str(out)]) == 0
    assert out.read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    assert run([*base, "--local", "8,8,64,64", "--map", str(tmp_path / "octaves.tif")]) == 2


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["--bright", "24,40,34,34"], 2, "--dark"),
        (["--bright", "24,40,34", "--dark", "98,40,34,34"], 2, "X,Y,W,H"),
        (["--bright", "24,40,34,34", "--dark", "300,40,34,34"], 2, "outside the picture"),
        (["--bright", "24,40,34,34", "--dark", "30,44,34,34"], 2, "overlap"),
        (["--bright", "24,40,34,34", "--dark", "98,40,34,34", "--map", "a.png"], 2, "--local"),
        (["--bright", "24,40,34,34", "--dark", "98,40,34,34", "--match-region", "1,1,9,9"], 2, "--match"),
        (["--bright", "24,40,34,34", "--dark", "98,40,34,34", "--dark-clip", "missing.mp4"], 3, "missing.mp4"),
    ],
)
def test_wrong_use(clip: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], code: int, words: str) -> None:
    assert run(["contrast", str(clip), *arguments]) == code
    assert words in capsys.readouterr().err

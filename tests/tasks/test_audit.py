"""Evidence from real files: tags, side-car files, the user's word, pixels."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from viewer.cli.main import run
from viewer.media.writer import VideoWriter
from viewer.tasks.audit import audit_clips, read_number, tag_evidence

WIDTH, HEIGHT = 160, 120


def write(path: Path, *, seed: int, gain: float = 1.0, red: float = 0.6, iso: str | None = None, rate: int = 25) -> Path:
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    scene = 0.2 + 0.15 * np.sin(x / 9.0) * np.cos(y / 7.0)
    metadata = {"com.example.camera.iso": iso} if iso else {}
    with VideoWriter(
        path, width=WIDTH, height=HEIGHT, rate=Fraction(rate), crf=12, options={"preset": "ultrafast"}, metadata=metadata
    ) as sink:
        for _ in range(8):
            light = gain * scene[..., None] * np.array([red, 1.0, 0.5]) * (1 + rng.normal(0, 0.03, (HEIGHT, WIDTH, 1)))
            sink.write(np.sqrt(np.clip(light, 0, 1)).astype(np.float32))
    return path


@pytest.fixture(scope="module")
def twelve(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    folder = tmp_path_factory.mktemp("twelve")
    return [write(folder / f"take {n:02d}.mp4", seed=n, iso="3200") for n in range(12)]


def rows_of(paths: list[Path]) -> dict[str, Any]:
    return {row.setting: row for row in audit_clips(paths).rows}


def test_twelve_alike(twelve: list[Path]) -> None:
    rows = rows_of(twelve)
    for setting in ("frame_rate", "size", "range", "codec", "transfer", "iso", "level", "red_green", "noise", "sharpness"):
        assert rows[setting].state == "same", rows[setting]
    for setting in ("shutter", "aperture", "white_balance", "focal_length", "profile"):
        assert rows[setting].state == "unknown" and rows[setting].sentence == "Nothing is known."


@pytest.mark.parametrize(
    ("change", "settings"),
    [
        ({"gain": 1.5}, ("level",)),
        ({"red": 0.75}, ("red_green",)),
        ({"iso": "6400"}, ("iso",)),
        ({"rate": 30}, ("frame_rate",)),
        ({"iso": None}, ()),
    ],
)
def test_one_altered_among_twelve(
    twelve: list[Path], tmp_path: Path, change: dict[str, Any], settings: tuple[str, ...]
) -> None:
    odd = write(tmp_path / "odd.mp4", seed=99, **{"iso": "3200", **change})
    rows = rows_of([*twelve[:7], odd, *twelve[7:11]])
    for setting in settings:
        assert rows[setting].state == "different" and rows[setting].odd == ("odd.mp4",), rows[setting]
    if change.get("iso", "") is None:
        assert rows["iso"].state == "unknown" and "odd.mp4" in rows["iso"].sentence


def test_sidecar_files_speak(tmp_path: Path) -> None:
    paths = [write(tmp_path / f"{n}.mp4", seed=n) for n in range(2)]
    (tmp_path / "0.xml").write_text(
        '<?xml version="1.0"?><Doc xmlns="urn:x"><Item name="ShutterSpeed" value="1/50"/>'
        "<WhiteBalance>5600 K</WhiteBalance></Doc>"
    )
    (tmp_path / "1.json").write_text(json.dumps({"camera": {"ShutterSpeed": "0.02", "WhiteBalance": 5600}}))
    rows = rows_of(paths)
    assert rows["shutter"].state == "same" and {source for _, _, source in rows["shutter"].values} == {"side-car"}
    assert rows["white_balance"].state == "same"
    (tmp_path / "0.xml").write_text('<!DOCTYPE a [<!ENTITY b "c">]><a><ISO>100</ISO></a>')
    assert rows_of(paths)["iso"].state == "unknown"
    (tmp_path / "0.xml").write_text("<a><ISO>100")
    assert rows_of(paths)["iso"].state == "unknown"


def test_numbers_in_tags() -> None:
    assert read_number("1/250") == pytest.approx(0.004) and read_number("f/2.8") == 2.8
    assert read_number("5600 K") == 5600 and read_number("auto") is None
    found = {e.setting: e.value for e in tag_evidence("a", {"a.b.ISO": "800", "FNumber": "f/1.8", "Title": "x"}, "file", "")}
    assert found == {"iso": 800, "aperture": 1.8}


def test_command(twelve: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    odd = write(tmp_path / "odd.mp4", seed=50, iso="6400")
    (tmp_path / "broken.mp4").write_bytes(b"")
    assert run(["audit", *(str(p) for p in [*twelve[:4], odd, tmp_path / "broken.mp4"]), "--json", "-"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["command"] == "audit" and document["verdict"]["word"] == "different"
    assert any("broken.mp4" in text for text in document["warnings"])
    (iso,) = [row for row in document["scenes"][0]["rows"] if row["setting"] == "iso"]
    assert iso["odd"] == ["odd.mp4"]
    # A clip that cannot be read is one of which nothing is known.
    (size,) = [row for row in document["scenes"][0]["rows"] if row["setting"] == "size"]
    assert size["state"] == "unknown"
    assert run(["audit", str(twelve[0]), str(twelve[1])]) == 0
    assert "Frame rate" in capsys.readouterr().out

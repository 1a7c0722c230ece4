"""``gloaming publish`` from outside."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from viewer.cli.main import run
from viewer.media.writer import VideoWriter
from viewer.session.model import Clip, Device, Scene, Session
from viewer.session.store import refer, save


@pytest.fixture(scope="module")
def session_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("session")
    clips = []
    for n, name in enumerate(("heron", "bittern")):
        rng = np.random.default_rng(n)
        with VideoWriter(folder / f"{name}.mp4", width=96, height=64, rate=Fraction(25), crf=18) as sink:
            for _ in range(8):
                sink.write(np.clip(0.4 + 0.1 * n + rng.normal(0, 0.02, (64, 96, 3)), 0, 1).astype(np.float32))
        clips.append(Clip(id=name, scene="s", device=name, files=(refer(folder / f"{name}.mp4", folder),)))
    devices = (Device(id="heron", name="Heron", control=True), Device(id="bittern", name="Bittern"))
    session = Session(id="session", title="Two", devices=devices, scenes=(Scene(id="s", name="Wall"),), clips=tuple(clips))
    return save(session, folder / "two.gloam")


def test_publish_and_check(session_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "out"
    assert run(["publish", str(session_file), "--out", str(out), "--no-footage", "--json", "-"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert "report.html" in document["files"] and "manifest.json" in document["files"]
    assert all((out / name).is_file() for name in document["files"])
    assert run(["publish", "--check", str(out / "manifest.json"), "--clips", str(session_file.parent)]) == 0
    shown = capsys.readouterr().out
    assert "match" in shown and "mismatch" not in shown.replace("match or mismatch", "")


def test_only_one_product(session_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["publish", str(session_file), "--out", str(tmp_path), "--only", "readings"]) == 0
    assert {path.name for path in tmp_path.iterdir()} == {"readings.csv", "readings.json"}
    assert "readings.csv" in capsys.readouterr().out


def test_preview_tells_the_words_and_writes_nothing(
    session_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(["publish", str(session_file), "--preview", "--only", "stills", "--json", "-"]) == 0
    told = json.loads(capsys.readouterr().out)["metadata"]
    assert set(told) == {"stills/01-wall.png", "stills/01-wall-matched.png"}
    assert set(told["stills/01-wall.png"]) == {"Title", "Description", "Software", "ICC profile"}
    assert list(tmp_path.iterdir()) == []


def test_stills_in_another_format(session_file: Path, tmp_path: Path) -> None:
    for form, kind in (("tif", "TIFF"), ("jpg", "JPEG")):
        assert run(["publish", str(session_file), "--out", str(tmp_path), "--only", "stills", "--format", form]) == 0
        with Image.open(tmp_path / "stills" / f"01-wall.{form}") as image:
            assert image.format == kind and image.size == (1920, 1080)


def test_footage_by_default(session_file: Path, tmp_path: Path) -> None:
    assert run(["publish", str(session_file), "--out", str(tmp_path), "--only", "footage"]) == 0
    assert (tmp_path / "footage" / "01-wall-sdr.mp4").is_file()
    assert json.loads((tmp_path / "footage" / "01-wall-sdr.json").read_text())["frames"] == 8


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (["publish"], 2),
        (["publish", "nowhere.gloam", "--out", "x"], 3),
        (["publish", "--check", "nowhere.json"], 3),
        (["publish", "a.gloam", "--check", "b.json"], 3),
        (["publish", "--out", "x"], 2),
    ],
)
def test_wrong_calls(words: list[str], code: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(words) == code

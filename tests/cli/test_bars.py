"""``gloaming bars`` from outside."""

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
    places = [
        (1.0, 10.2, 10.0, 6.0, "v"),
        (1.0, 60.2, 10.0, 6.0, "h"),
        (4.0, 110.3, 12.0, 1.5, "v"),
        (4.0, 130.3, 12.0, 1.5, "h"),
    ]
    scene, _ = night.chart(64, 160, places, paper=0.4, ink=0.02, blur_px=1.5)
    return night.write_clip(tmp_path_factory.mktemp("clips") / "a.mp4", scene, frames=10, noise=0.02, crf=12)


def test_document(clip: Path, capsys: pytest.CaptureFixture[str]) -> None:
    marked = ["1.00=10,10,30,30,v", "1.00=60,10,30,30,h", "4=110,12,8,8,v", "4=130,12,8,8"]
    arguments = [part for text in marked for part in ("--target", text)]
    assert run(["bars", str(clip), *arguments, "--json", "-"]) == 0
    document = json.loads(capsys.readouterr().out)
    found = {(r["name"], r["of"]): r for r in document["readings"]}
    assert found["modulation", "1.00/v"]["value"] > 0.7 and found["modulation", "1.00/h"]["value"] > 0.7
    assert document["resolved"]["1.00/v"] is True and document["resolved"]["4/v"] is False
    limits = [r for r in document["readings"] if r["name"] == "limiting_resolution"]
    assert len(limits) == 1 and 1.0 <= limits[0]["value"] < 4.0


@pytest.mark.parametrize(
    ("target", "code", "words"),
    [
        ("x=10,10,30,30,v", 2, "lp/mm"),
        ("1=10,10,30", 2, "X,Y,W,H"),
        ("1=10,10,30,30,q", 2, "LPMM=X,Y,W,H"),
        ("1=10,10,300,30,v", 2, "outside the picture"),
    ],
)
def test_wrong_use(clip: Path, capsys: pytest.CaptureFixture[str], target: str, code: int, words: str) -> None:
    assert run(["bars", str(clip), "--target", target]) == code
    assert words in capsys.readouterr().err

"""``gloaming noise`` from outside."""

from __future__ import annotations

import json
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace

import pytest

from viewer.cli.main import run

night = SimpleNamespace(**run_path(str(Path(__file__).parent.parent / "tasks" / "night_clips.py")))


def test_document(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = night.write_clip(tmp_path / "a.mp4", night.patches(96, 96, 0.2), frames=10, noise=0.04, crf=8)
    assert run(["noise", str(path), "--region", "16,16,64,64", "--json", "-"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert [r["name"] for r in document["readings"]] == ["mean", "temporal_sigma", "fixed_pattern_sigma", "snr"]
    assert document["command"] == "noise" and 0 < document["evidence"]["kept"] <= 1
    assert run(["noise", str(path), "--region", "16,16,640,64"]) == 2
    assert "outside the picture" in capsys.readouterr().err
    assert run(["noise", str(tmp_path / "none.mp4"), "--region", "16,16,64,64"]) == 3

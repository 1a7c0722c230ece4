"""``gloaming demo`` from outside."""

from __future__ import annotations

from pathlib import Path

import pytest

from viewer.cli.main import run


def test_help_names_the_folder_and_the_window(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["demo", "--help"]) == 0
    text = capsys.readouterr().out
    assert "[DIR]" in text and "--no-window" in text


def test_one_scene_with_table_products_and_paths(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["demo", str(tmp_path / "out"), "--no-window", "--only", "reeds"]) == 0
    text = capsys.readouterr().out
    assert "Reed bank" in text and "intervals hold the truth" in text
    for name in ("harbour.gloam", "found_and_true.csv", "published/readings.csv", "published/readings.json"):
        assert (tmp_path / "out" / name).is_file(), name
        assert name in text
    assert list((tmp_path / "out" / "published").rglob("*.png"))


def test_unknown_scene_is_one_line(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert run(["demo", str(tmp_path), "--no-window", "--only", "lighthouse"]) == 2
    assert "no scene 'lighthouse'" in capsys.readouterr().err


def test_folder_that_is_a_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    place = tmp_path / "file"
    place.write_text("x")
    assert run(["demo", str(place), "--no-window"]) in (2, 3)
    assert "Traceback" not in capsys.readouterr().err

"""Chart layouts: kept in a file, found again in another clip at another scale."""

from __future__ import annotations

import json
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace

import numpy as np
import pytest

from viewer.cli.main import run
from viewer.errors import FileError, RegionError
from viewer.measure.bars import Target
from viewer.measure.chart import learn_layout
from viewer.measure.regions import Rect
from viewer.media import open_clip
from viewer.tasks.chart import chart_targets, read_layout, write_layout

night = SimpleNamespace(**run_path(str(Path(__file__).with_name("night_clips.py"))))

ELEMENTS = ((1.0, 40.0, 12.0, 5.0), (1.26, 40.0, 46.0, 5.0 / 1.26), (1.587, 40.0, 74.0, 5.0 / 1.587))
SQUARE = (8.0, 12.0, 24.0, 24.0)


def places(scale: float, dx: float, dy: float) -> list[tuple[float, float, float, float, str]]:
    found = []
    for lpmm, x, y, w in ELEMENTS:
        for way, left in (("v", x), ("h", x + 7 * w)):
            found.append((lpmm, left * scale + dx, y * scale + dy, w * scale, way))
    return found


def boxes(scale: float, dx: float, dy: float) -> list[Target]:
    return [
        Target(f"{lpmm:g}", Rect(round(x), round(y), round(5 * w), round(5 * w)), way)
        for lpmm, x, y, w, way in places(scale, dx, dy)
    ]


def square(scale: float, dx: float, dy: float, wrong: int = 0) -> Rect:
    x, y, w, _ = SQUARE
    side = round(w * scale) + wrong
    return Rect(round(x * scale + dx), round(y * scale + dy), side, side)


@pytest.fixture(scope="module")
def clips(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    folder = tmp_path_factory.mktemp("charts")
    paths = []
    for name, where in (("a", (1.0, 0.0, 0.0)), ("b", (1.35, 3.3, 5.2))):
        scene, _ = night.chart(150, 190, places(*where), paper=0.4, ink=0.02, blur_px=1.0)
        paths.append(night.write_clip(folder / f"{name}.mp4", scene, frames=6, noise=0.02, crf=14))
    return paths[0], paths[1]


def test_found_at_another_scale(clips: tuple[Path, Path], tmp_path: Path) -> None:
    layout = learn_layout(square(1.0, 0.0, 0.0), boxes(1.0, 0.0, 0.0), 1.0)
    write_layout(layout, tmp_path / "chart.json")
    again = read_layout(tmp_path / "chart.json")
    assert again == layout
    with open_clip(clips[1]) as clip:
        found = chart_targets(clip, again, square(1.35, 3.3, 5.2, wrong=2), 1.0)
    assert [(t.typed, t.way) for t in found] == [(t.typed, t.way) for t in boxes(1.35, 3.3, 5.2)]
    for one, (_, x, y, w, _way) in zip(found, places(1.35, 3.3, 5.2)):
        middle = (x + 2.5 * w, y + 2.5 * w)
        assert np.hypot(one.rect.centre[0] - middle[0], one.rect.centre[1] - middle[1]) < 1.6
        assert one.rect.w == pytest.approx(5 * w, abs=1.6)


def test_commands_keep_and_find_a_layout(clips: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    kept = tmp_path / "chart.json"
    arguments = [
        part
        for t in boxes(1.0, 0.0, 0.0)
        for part in ("--target", f"{t.typed}={t.rect.x},{t.rect.y},{t.rect.w},{t.rect.h},{t.way}")
    ]
    how = ["--square", "8,12,24,24", "--square-lpmm", "1"]
    assert run(["bars", str(clips[0]), *arguments, *how, "--save-layout", str(kept), "--json", "-"]) == 0
    first = json.loads(capsys.readouterr().out)
    r = square(1.35, 3.3, 5.2)
    how = ["--square", f"{r.x},{r.y},{r.w},{r.h}", "--square-lpmm", "1", "--layout", str(kept)]
    assert run(["bars", str(clips[1]), *how, "--json", "-"]) == 0
    second = json.loads(capsys.readouterr().out)
    assert set(first["resolved"]) == set(second["resolved"])
    one, two = ({r["of"]: r["value"] for r in d["readings"] if r["name"] == "modulation"} for d in (first, second))
    # the second clip is larger: the same blur takes less
    assert all(two[name] > one[name] - 0.02 for name in one)
    table = second["elements"]
    assert [(row["group"], row["element"]) for row in table] == [(0, 1), (0, 3), (0, 5)]
    assert all(row["resolved"] and row["modulation_v"] > 0.5 for row in table)


def test_wrong_use(clips: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["bars", str(clips[0])]) == 2
    assert "no target" in capsys.readouterr().err
    assert run(["bars", str(clips[0]), "--layout", "none.json"]) == 2
    assert "square" in capsys.readouterr().err
    bad = tmp_path / "bad.json"
    for text in ("{", "[]", '{"schema": "gloaming/chart/1", "spots": [{"ratio": 1}]}'):
        bad.write_text(text, encoding="utf-8")
        with pytest.raises(FileError):
            read_layout(bad)
    with pytest.raises(FileError):
        read_layout(tmp_path / "missing.json")
    layout = learn_layout(square(1.0, 0.0, 0.0), boxes(1.0, 0.0, 0.0), 1.0)
    with pytest.raises(FileError):
        write_layout(layout, tmp_path / "no-folder" / "a.json")
    with open_clip(clips[0]) as clip, pytest.raises(RegionError):
        chart_targets(clip, layout, Rect(400, 10, 20, 20), 1.0)

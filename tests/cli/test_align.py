"""``gloaming align`` from outside: the document's contract, bad input in one line."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from viewer.cli.align import command
from viewer.media.writer import VideoWriter


@pytest.fixture(scope="module")
def pair(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Two short clips of noise: nothing to line up."""
    folder = tmp_path_factory.mktemp("cli-align")
    out = []
    for k in range(2):
        rng = np.random.default_rng(k)
        path = folder / f"noise-{k}.mp4"
        with VideoWriter(
            path, width=160, height=120, rate=Fraction(25), codec="h264", bit_depth=8, transfer="bt709", range="narrow",
            matrix="bt709",
        ) as writer:  # fmt: skip
            for _ in range(12):
                writer.write(np.clip(0.3 + 0.1 * rng.normal(size=(120, 160, 1)), 0, 1).repeat(3, axis=2).astype(np.float32))
        out.append(path)
    return out[0], out[1]


def test_document(pair: tuple[Path, Path], tmp_path: Path) -> None:
    out = tmp_path / "result.json"
    done = CliRunner().invoke(command, [str(pair[0]), str(pair[1]), "--json", str(out)], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    document = json.loads(out.read_text(encoding="utf-8"))
    assert document["schema"] == "gloaming/result/1" and document["command"] == "align"
    names = [(r["name"], r["of"], r["unit"]) for r in document["readings"]]
    units = {"offset": "s", "rate": "ppm", "scale": "1", "rotation": "deg", "shift_x": "px", "shift_y": "px"}
    assert names == [(name, "noise-1.mp4", unit) for name, unit in units.items()]
    assert all(r["state"] == "refused" and r["reason"] for r in document["readings"])  # noise against noise
    entry = document["clips"]["noise-1.mp4"]
    wanted = {"matrix", "field_circle", "mirrored", "sync_by", "pose_by", "residual_px", "residual_s"}
    assert wanted <= set(entry) and all(entry[key] is None for key in wanted)
    assert "noise-0.mp4" in document["clips"]


def test_table_and_usage(pair: tuple[Path, Path]) -> None:
    shown = CliRunner().invoke(command, [str(pair[0]), str(pair[1])], catch_exceptions=False)
    assert shown.exit_code == 0 and "refused" in shown.output
    for words in ("time, sound: no answer: both clips have no sound", "field circle: none found"):
        assert words in shown.output
    assert CliRunner().invoke(command, [str(pair[0])]).exit_code == 2


def test_bad_files_are_one_line(pair: tuple[Path, Path], tmp_path: Path) -> None:
    from viewer.errors import FileError

    bad = tmp_path / "text.mp4"
    bad.write_text("not a clip", encoding="utf-8")
    for path in (bad, tmp_path / "missing.mp4"):
        done = CliRunner().invoke(command, [str(pair[0]), str(path)])
        assert isinstance(done.exception, FileError) and done.exception.exit_code == 3
        assert "\n" not in str(done.exception)


def test_marked_moments_and_points(pair: tuple[Path, Path]) -> None:
    # Noise shows nothing: the marks alone give offset and pose, and the document says that they do.
    reference, clip = map(str, pair)
    marks = ["--mark", "0.10=0.35", "--mark", "0.40=0.65"]
    # A turn by a quarter about (0, 0) and a shift by (100, 10): (x, y) -> (100 - y, 10 + x).
    points = ["--pair", "20,30=70,30", "--pair", "90,30=70,100", "--pair", "20,80=20,30"]
    done = CliRunner().invoke(command, [reference, clip, *marks, *points, "--json", "-"], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    document = json.loads(done.output)
    readings = {reading["name"]: reading for reading in document["readings"]}
    assert readings["offset"]["value"] == pytest.approx(0.25, abs=1e-9)
    assert readings["offset"]["low"] < 0.25 < readings["offset"]["high"]
    assert readings["rate"]["state"] == "refused"  # 0.3 s between marks tell no rate
    expected = {"scale": 1.0, "rotation": 90.0, "shift_x": 100.0, "shift_y": 10.0}
    assert {name: readings[name]["value"] for name in expected} == pytest.approx(expected, abs=1e-6)
    entry = document["clips"]["noise-1.mp4"]
    assert (entry["sync_by"], entry["pose_by"], entry["mirrored"]) == ("marks", "points", False)
    assert entry["residual_px"] == pytest.approx(0.0, abs=1e-6)
    assert any("rests on 3 marked points alone" in text for text in document["warnings"])


@pytest.mark.parametrize(
    "options",
    [
        ["--mark", "1.0"],
        ["--mark", "a=b"],
        ["--pair", "1,2=3"],
        ["--pair", "1,2=3,nan"],
        ["--field-deg", "0"],
    ],
)
def test_options_that_mean_nothing(pair: tuple[Path, Path], options: list[str]) -> None:
    done = CliRunner().invoke(command, [*map(str, pair), *options])
    assert done.exit_code == 2 and options[0] in done.output


def test_marks_belong_to_one_clip(pair: tuple[Path, Path]) -> None:
    from viewer.errors import UsageError

    done = CliRunner().invoke(command, [str(pair[0]), str(pair[1]), str(pair[1]), "--mark", "0=0"])
    assert isinstance(done.exception, UsageError) and "one clip" in str(done.exception)
    done = CliRunner().invoke(command, [*map(str, pair), "--pair", "1,1=2,2"])
    assert isinstance(done.exception, UsageError)  # one point tells no turn


def test_terminal_tells_what_the_clocks_and_poses_rest_on() -> None:
    from viewer.tasks.align_document import lines_of

    rows = [
        {"kind": "sound", "offset_s": -0.25, "sigma_s": 2e-5, "rate_ppm": 80.04, "chosen": True, "agrees": None, "text": ""},
        {"kind": "motion", "offset_s": 0.31, "sigma_s": 0.02, "rate_ppm": None, "chosen": False, "agrees": False, "text": "x"},
    ]
    entry = {
        "witnesses": rows, "pose_by": "intensity+features", "mirrored": True, "residual_px": 0.031, "residual_deg": 0.0019,
        "second_method_px": 0.4, "overlap": 0.97, "moved_px": 0.0, "field_circle": [310.2, 176.6, 150.8],
        "field_circle_residual_px": 0.15,
    }  # fmt: skip
    assert lines_of("b.mp4", entry) == [
        "b.mp4:",
        "  time, sound: offset -0.250000 s, 1 sigma 2e-05 s, rate +80.0 ppm (used)",
        "  time, motion: offset +0.310 s, 1 sigma 0.02 s (disagrees); x",
        "  angle, intensity+features: mirrored, residual 0.031 px (0.0019 deg), second method 0.40 px off, "
        "97 % of the reference's field shown",
        "  field circle: centre 310.20, 176.60, radius 150.80 px, edge within 0.15 px",
    ]

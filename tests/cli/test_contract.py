"""The commands' documents, name by name: scripts rely on them."""

from __future__ import annotations

import json
import math
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from tests.tasks.night_clips import patches, write_clip
from viewer.cli.main import COMMANDS, run

TOP = {"schema", "command", "program", "inputs", "readings", "verdict", "warnings"}
INPUT = {"path", "sha256", "width", "height", "frames", "rate", "transfer", "range", "assumed"}
READING = {"name", "of", "value", "unit", "low", "high", "coverage", "state", "reason", "flags", "frames", "method"}


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A chart in a round field: patches, bars 12 px wide, an edge, a lamp; two light levels."""
    scene = patches(240, 320, 0.2, (40, 60, 60, 50, 0.5), (110, 60, 50, 50, 0.05))
    for bar in (0, 2, 4):
        scene[60:120, 190 + 12 * bar : 202 + 12 * bar] = 0.02
    rows, cols = np.mgrid[:240, :320]
    scene[130:200, 70:120] = np.where(cols + 0.15 * (rows - 165) > 95, 0.5, 0.05)[130:200, 70:120]
    scene = gaussian_filter(scene, 1.2) + 0.4 * np.exp(-((cols - 220.0) ** 2 + (rows - 170.0) ** 2) / 18.0)
    steps = (1.0, 0.3)
    path = tmp_path_factory.mktemp("contract") / "chart.mp4"
    return write_clip(path, scene, frames=48, noise=0.02, crf=14, level=lambda number: steps[number // 24])


def document(*args: str | Path, capfd: pytest.CaptureFixture[str]) -> dict[str, Any]:
    """Run a command with ``--json -`` and return its document, strict and complete."""

    def never(text: str) -> None:
        raise AssertionError(f"{text} is not JSON")

    capfd.readouterr()
    assert run([*map(str, args), "--json", "-"]) == 0
    found: dict[str, Any] = json.loads(capfd.readouterr().out, parse_constant=never)
    assert set(found) >= TOP
    assert found["schema"] == "gloaming/result/1"
    assert found["command"] == str(args[0])
    assert found["program"]["name"] == "gloaming"
    for entry in found["inputs"]:
        assert set(entry) >= INPUT
        assert len(entry["sha256"]) == 64
    for reading in found["readings"]:
        assert set(reading) >= READING
        assert reading["state"] in ("measured", "refused", "limit")
        assert (reading["value"] is None) == (reading["state"] == "refused")
        assert reading["reason"] if reading["state"] == "refused" else True
        if reading["low"] is not None and reading["state"] == "measured":
            assert reading["low"] <= reading["value"] <= reading["high"]
    return found


def units(found: dict[str, Any], of: str | None = None) -> dict[str, str]:
    return {r["name"]: r["unit"] for r in found["readings"] if of is None or r["of"] == of}


@pytest.mark.parametrize(
    ("command", "options", "of", "wanted"),
    [
        (
            "contrast", ["--bright", "50,68,40,34", "--dark", "118,68,34,34", "--frames", "0:24"], "bright/dark",
            {"michelson": "1", "weber": "1", "rms": "1", "cnr": "1"},
        ),
        (
            "bloom", ["--light", "220,170", "--frames", "0:20"], "light-1",
            {n: "px" for n in ("centre_x", "centre_y", "core_radius", "halo_radius", "half_radius", "bloom_radius")},
        ),
        (
            "edge", ["--region", "74,136,42,58", "--frames", "0:24"], None,
            {
                "rise_10_90": "px", "mtf50": "cycles/px", "mtf_at_0.05": "1", "mtf_at_0.1": "1", "overshoot": "%",
                "undershoot": "%", "edge_angle": "deg", "glow_radius": "px",
            },
        ),
        ("figure", ["--region", "118,68,34,34"], None, {"contrast": "1", "cnr": "1", "detectability": "1"}),
        ("tint", ["--region", "50,68,40,34", "--frames", "0:24"], None, {"u_prime": "1", "v_prime": "1"}),
        (
            "noise", ["--region", "50,68,40,34", "--frames", "0:24"], None,
            {"mean": "", "temporal_sigma": "", "fixed_pattern_sigma": "", "snr": ""},
        ),
        ("flicker", [], "field", {"detection_limit": "%"}),
        ("bars", ["--target", "1.0=190,60,60,60,v", "--frames", "0:24"], "1.0/v", {"modulation": "1"}),
    ],
)  # fmt: skip
def test_readings_have_their_names_and_units(
    clip: Path, command: str, options: list[str], of: str | None, wanted: dict[str, str], capfd: pytest.CaptureFixture[str]
) -> None:
    found = units(document(command, clip, *options, capfd=capfd), of)
    assert set(found) >= set(wanted)
    assert {name: unit for name, unit in found.items() if wanted.get(name)} == {n: u for n, u in wanted.items() if u}


def test_flicker_extras(clip: Path, capfd: pytest.CaptureFixture[str]) -> None:
    found = document("flicker", clip, "--shutter", "1/250", "--readout-ms", "15", capfd=capfd)
    assert found["verdict"]["word"] in ("modulated", "steady", "cannot tell")
    assert isinstance(found["candidates_hz"], list)
    assert all(low < high for low, high in found["blind_hz"])
    assert {"lines", "origin", "fundamental_recorded"} <= set(found)


def test_bars_and_ramp_extras(clip: Path, capfd: pytest.CaptureFixture[str]) -> None:
    bars = document("bars", clip, "--target", "1.0=190,60,60,60,v", "--frames", "0:24", capfd=capfd)
    assert bars["resolved"] == {"1.0/v": True}
    assert units(bars)["limiting_resolution"] == "lp/mm"
    ramp = document("ramp", clip, "--region", "50,68,40,34", "--levels", "1,0.3", capfd=capfd)
    assert len(ramp["steps"]) == 2
    for step in ramp["steps"]:
        assert {"start_s", "end_s", "settled_from_s", "mean", "level"} <= set(step)
    assert ramp["steps"][1]["start_s"] == pytest.approx(0.8, abs=0.05)


def test_align_extras(clip: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    again = shutil.copy(clip, tmp_path / "again.mp4")
    found = document("align", clip, again, capfd=capfd)
    extras = found["clips"]["again.mp4"]
    assert {"matrix", "field_circle", "mirrored", "sync_by", "pose_by", "residual_px", "residual_s"} <= set(extras)
    assert np.array(extras["matrix"]).shape == (2, 3)
    names = units(found, "again.mp4")
    assert (
        names.items()
        >= {"offset": "s", "rate": "ppm", "scale": "1", "rotation": "deg", "shift_x": "px", "shift_y": "px"}.items()
    )


def test_probe_frame_flash_and_sheet(clip: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    (entry,) = document("probe", clip, capfd=capfd)["inputs"]
    assert (entry["width"], entry["height"], entry["frames"], entry["rate"]) == (320, 240, 48, "30/1")
    assert (entry["transfer"], entry["range"]) == ("hlg", "narrow")
    assert run(["frame", str(clip), "--number", "3", "--out", str(tmp_path / "f.png")]) == 0
    assert (tmp_path / "f.png").read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    flash = document("flash", clip, capfd=capfd)
    assert units(flash).items() >= {"flashes_per_second": "1/s", "red_flashes_per_second": "1/s", "area": "%"}.items()
    assert flash["verdict"]["word"] in ("below limit", "above limit")
    sheet = document("sheet", "--snr", "27.5", "--resolution", "64", capfd=capfd)
    derived = next(r for r in sheet["readings"] if r["name"] == "figure_of_merit")
    assert math.isclose(derived["low"], 1760.0)


@pytest.mark.parametrize("command", sorted(COMMANDS))
def test_every_command_explains_itself(command: str, capfd: pytest.CaptureFixture[str]) -> None:
    assert run([command, "--help"]) == 0
    assert "Usage: gloaming" in capfd.readouterr().out


@pytest.mark.parametrize(
    ("args", "code"),
    [
        (["contrast"], 2),
        (["contrast", "{clip}", "--bright", "0,0,9", "--dark", "0,0,9,9"], 2),
        (["contrast", "{clip}", "--bright", "400,0,9,9", "--dark", "0,0,9,9"], 2),
        (["noise", "missing.mp4", "--region", "0,0,9,9"], 3),
        (["noise", "{text}", "--region", "0,0,9,9"], 3),
        (["frame", "{clip}", "--number", "0", "--out", "no/such/folder/f.png"], 3),
        (["measure", "{text}"], 3),
        (["no-such-command"], 2),
    ],
)
def test_bad_input_is_one_line_and_its_exit_code(
    clip: Path, tmp_path: Path, args: list[str], code: int, capfd: pytest.CaptureFixture[str]
) -> None:
    text = tmp_path / "notes.mp4"
    text.write_text("not a film")
    places = {"{clip}": str(clip), "{text}": str(text)}
    assert run([places.get(arg, arg) for arg in args]) == code
    printed = capfd.readouterr()
    assert "Traceback" not in printed.err
    assert printed.out == ""
    assert len(printed.err.strip().splitlines()) <= (4 if code == 2 else 1)

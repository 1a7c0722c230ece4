"""The rendered sample clips as files: size, truth, and light that comes back through the codec."""

from __future__ import annotations

import hashlib
import json
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from viewer.lab.__main__ import main
from viewer.lab.clips import recipe, recipes
from viewer.lab.render import Renderer
from viewer.lab.truth import SCHEMA, describe, rounded
from viewer.media import open_clip
from viewer.media.audio import read_sound
from viewer.resources import sample_clips

FOLDER = sample_clips()
NAMES = [item.name for item in recipes()]
MOST_BYTES = 22e6


def truth_of(name: str) -> dict[str, Any]:
    document: dict[str, Any] = json.loads((FOLDER / f"{name}.truth.json").read_text(encoding="utf-8"))
    return document


def test_all_clips_are_there_and_small() -> None:
    files = [path for path in FOLDER.iterdir() if path.is_file()]
    assert {path.stem for path in files if path.suffix == ".mp4"} == set(NAMES)
    assert sum(path.stat().st_size for path in files) < MOST_BYTES


def test_the_set_is_varied() -> None:
    documents = [truth_of(name) for name in NAMES]
    devices = [d for d in documents if d["role"] == "device"]
    assert {(d["video"]["codec"], d["video"]["bit_depth"], d["video"]["transfer"]) for d in devices} == {
        ("hevc", 10, "hlg"),
        ("h264", 8, "bt709"),
    }
    assert {d["role"] for d in documents} == {"device", "source", "camera", "dark"}
    assert any(d["video"]["rotation_flag"] == 180 for d in devices)
    assert any(v.get("mirrored") for d in devices for v in d["values"])
    assert len({d["video"]["rate"] for d in devices}) >= 4
    gates = {d["device"]: d["tube"]["gating_hz"] for d in devices}
    assert gates["Heron"] is None and len(set(gates.values())) == 3


@pytest.mark.parametrize("name", NAMES)
def test_file_is_what_its_truth_says(name: str) -> None:
    document = truth_of(name)
    video = document["video"]
    assert document["schema"] == SCHEMA and document["clip"] == f"{name}.mp4"
    with open_clip(FOLDER / f"{name}.mp4") as clip:
        info = clip.info
        assert (info.width, info.height, info.frames) == (video["width"], video["height"], video["frames"])
        assert Fraction(info.average_rate) == Fraction(video["rate"])
        assert (info.transfer, info.range, info.bit_depth) == (video["transfer"], video["range"], video["bit_depth"])
        assert info.rotation == video["rotation_flag"] and info.codec == video["codec"]
        assert info.assumed == ()
        assert info.has_sound


@pytest.mark.parametrize("name", NAMES)
def test_regions_lie_in_the_picture(name: str) -> None:
    document = truth_of(name)
    for mark, place in document["regions"].items():
        x, y, w, h = place.get("rect") or (*place["point"], 1, 1)
        assert x >= 0 and y >= 0 and w > 0 and h > 0, mark
        assert x + w <= document["video"]["width"] and y + h <= document["video"]["height"], mark


@pytest.mark.parametrize("name", ["chart_bittern", "reeds_bittern", "reeds_plover"])
def test_light_survives_the_codec(name: str) -> None:
    """Michelson contrast of patches, pedestal off, within 0.02 of the truth: codec, chroma and code steps together."""
    document = truth_of(name)
    facts = [v for v in document["values"] if v["measure"] == "contrast" and v["name"] == "michelson"]
    assert facts
    with open_clip(FOLDER / f"{name}.mp4") as clip:
        for fact in facts[:4]:
            first, stop = fact["frames"]
            frames = [clip.frame(n) for n in range(first, min(stop, first + 6))]
            black = np.mean([frame.luminance((0, 0, 60, 60)).light.mean() for frame in frames])
            bright, dark = (np.mean([frame.luminance(tuple(rect)).light.mean() for frame in frames]) for rect in fact["at"])
            got = (bright - dark) / (bright + dark - 2 * black)
            assert got == pytest.approx(fact["value"], abs=0.02), fact["of"]


@pytest.mark.parametrize("name", ["chart_plover", "figure_plover", "monitor_bittern_take2"])
def test_clap_is_heard_when_the_clock_says(name: str) -> None:
    sound = read_sound(FOLDER / f"{name}.mp4")
    assert sound is not None
    take = recipe(name).make()
    due = (take.scene.claps_s[0] - take.clock.offset_s) / (1 + 1e-6 * take.clock.rate_ppm)
    mono = np.abs(sound.samples.reshape(len(sound.samples), -1)[:, 0])
    quiet = mono[: int((due - sound.start_s - 0.05) * sound.rate_hz)].max()
    onset = int(np.argmax(mono > 3 * quiet)) / sound.rate_hz + sound.start_s
    assert onset == pytest.approx(due, abs=0.002)


def test_truth_can_be_made_again() -> None:
    item = recipe("figure_bittern")
    again = json.loads(json.dumps(rounded(describe(item, Renderer(item.make())))))
    stored = truth_of("figure_bittern")
    assert again["regions"] == stored["regions"]
    for mine, theirs in zip(again["values"], stored["values"], strict=True):
        assert mine["name"] == theirs["name"]
        if isinstance(mine["value"], float):
            assert mine["value"] == pytest.approx(theirs["value"], rel=2e-4, abs=1e-9)


def test_same_libraries_write_the_same_bytes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    digests = []
    for n in range(2):
        assert main([str(tmp_path / str(n)), "--only", "dark_heron"]) == 0
        digests.append(
            [
                hashlib.sha256((tmp_path / str(n) / f"dark_heron{end}").read_bytes()).hexdigest()
                for end in (".mp4", ".truth.json")
            ]
        )
    assert digests[0] == digests[1]
    assert "dark_heron.mp4" in capsys.readouterr().out


def test_unknown_clip_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main([str(tmp_path), "--only", "nothing"])
    assert "no clip 'nothing'" in capsys.readouterr().err


def test_true_modulations_follow_their_definitions() -> None:
    document = truth_of("monitor_plover")
    values = {(v["name"], v["of"]): v["value"] for v in document["values"] if v["measure"] == "flicker"}
    assert values["modulation_frequency", "screen#tube"] == pytest.approx(487 * (1 - 25e-6))
    # the page shows the backlight almost whole, the wall only what is scattered there
    assert values["modulation_depth", "screen#source"] > 5 * values["modulation_depth", "surround#source"]
    assert values["modulation_depth", "surround#tube"] == values["modulation_depth", "screen#tube"]


def test_true_bars_fade_with_their_frequency() -> None:
    document = truth_of("chart_heron")
    bars = {v["of"]: v["value"] for v in document["values"] if v["measure"] == "bars"}
    for way in ("v", "h"):
        series = [bars[f"{label}/{way}@1"] for label in ("0.03125", "0.04419", "0.0625", "0.08839", "0.125")]
        assert series == sorted(series, reverse=True)
        assert series[0] > 0.6 and series[-1] < 0.2

"""``gloaming probe`` from outside."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from viewer.cli.main import run

DATA = Path(__file__).resolve().parent.parent / "data"


def test_goes_on_past_bad_files(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bad = tmp_path / "letter.mp4"
    bad.write_text("Dear Sir, this is no film.")
    out = tmp_path / "out.json"
    code = run(["probe", str(bad), str(tmp_path / "none.mp4"), str(DATA / "timecode-beep.mp4"), "--json", str(out)])
    assert code == 3
    lines = capsys.readouterr().err.strip().splitlines()
    assert len(lines) == 2
    assert all(line.startswith("gloaming: ") for line in lines)
    document = json.loads(out.read_text(encoding="utf-8"))
    assert document["schema"] == "gloaming/result/1"
    assert document["command"] == "probe"
    assert [entry["frames"] for entry in document["inputs"]] == [30]
    assert document["inputs"][0]["rate"] == "29917/1000"
    assert document["clips"]["letter.mp4"]["readable"] is False
    record = document["clips"]["timecode-beep.mp4"]
    assert record["timing"]["frames"] == record["examined"]["frames"] == 30
    assert record["has_sound"]
    assert len(record["assumed"]) == 4
    assert {stream["kind"] for stream in record["streams"]} == {"video", "audio"}


def test_readable_text(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["probe", str(DATA / "rotated-90-nasa-dark.mp4"), str(DATA / "hlg-av1-10bit-portrait-flatwhite.mkv")]) == 0
    text = capsys.readouterr().out
    assert "270 x 480 px, turned 270 deg" in text
    assert "transfer hlg, range narrow, matrix bt2020" in text
    assert "still picture" in text


def test_choices_are_recorded(tmp_path: Path) -> None:
    out = tmp_path / "out.json"
    options = ["--range", "narrow", "--matrix", "bt709", "--transfer", "srgb"]
    assert run(["probe", str(DATA / "bt601-full-range-testcard.mp4"), *options, "--json", str(out)]) == 0
    entry = json.loads(out.read_text(encoding="utf-8"))["inputs"][0]
    assert (entry["range"], entry["matrix"], entry["transfer"]) == ("narrow", "bt709", "srgb")
    assert sum("chosen by the user" in text for text in entry["assumed"]) == 3


def test_slow_motion_and_gaps_are_told(tmp_path: Path) -> None:
    out = tmp_path / "out.json"
    assert run(["probe", str(DATA / "phone-slowmotion-vfr-odd-transfer.mp4"), "--json", str(out)]) == 0
    record = json.loads(out.read_text(encoding="utf-8"))["clips"]["phone-slowmotion-vfr-odd-transfer.mp4"]
    assert record["timing"]["capture_rate"] == "240/1"
    assert record["timing"]["variable_rate"]
    # The collection's table: one step of 325.3 ms among steps of 33.3 ms.
    assert record["timing"]["gaps"][0]["pause_ms"] == pytest.approx(325.3 - 33.3, abs=0.5)


@pytest.mark.corpus
def test_places_are_withheld(corpus: Path, tmp_path: Path) -> None:
    out = tmp_path / "out.json"
    assert run(["probe", str(corpus / "hlg10-hevc-iphone-rot90-1080p-mebx.mp4"), "--json", str(out)]) == 0
    text = out.read_text(encoding="utf-8")
    assert "+37.7450" not in text
    assert json.loads(text)["clips"]["hlg10-hevc-iphone-rot90-1080p-mebx.mp4"]["metadata_withheld"] >= 1


@pytest.mark.corpus
@pytest.mark.parametrize(
    ("name", "size", "frames", "light"),
    [
        ("phone-4k60-fullrange-bt601-rot90-jitter.mp4", (2160, 3840), 18, ("bt601", "full", "bt601")),
        ("pointlights-dark-hall-1080p50-pcm.mov", (1920, 1080), 100, ("bt709", "narrow", "bt709")),
        ("hlg10-hevc-iphone-opengop-editlist-vfr-rot90.mp4", (1080, 1920), 77, ("hlg", "narrow", "bt2020")),
        ("interlaced-1080i50-paff-mirrorless.mts", (1920, 1080), 13, ("bt709", "narrow", "bt709")),
    ],
)
def test_real_files(
    name: str, size: tuple[int, int], frames: int, light: tuple[str, str, str], corpus: Path, tmp_path: Path
) -> None:
    # Sizes, picture counts and tags: the collection's table, read there with ffprobe.
    out = tmp_path / "out.json"
    assert run(["probe", str(corpus / name), "--json", str(out)]) == 0
    entry = json.loads(out.read_text(encoding="utf-8"))["inputs"][0]
    assert (entry["width"], entry["height"]) == size
    assert entry["frames"] == frames
    assert (entry["transfer"], entry["range"], entry["matrix"]) == light

"""Side-by-side video through real encoders, read back, and looked at by ffprobe where present."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from viewer.align.transform import ClockMap
from viewer.errors import Cancelled, PublishError, UsageError
from viewer.media import open_clip
from viewer.media.audio import read_sound
from viewer.publish import footage, readback
from viewer.session.model import Session
from viewer.session.store import refer

Sample = tuple[Session, Path]
SHORT = {"start_s": 0.1, "stop_s": 0.42}


@pytest.fixture(scope="module")
def sdr(sample: Sample, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, footage.Made]:
    path = tmp_path_factory.mktemp("footage") / "lamps.mp4"
    return path, footage.write_footage(*sample, footage.FootageSpec(scene="s-lamps", **SHORT), path)


def test_sdr_master_reads_back_as_meant(sdr: tuple[Path, footage.Made]) -> None:
    path, made = sdr
    assert (made.width, made.height, made.rate, made.sound) == (1920, 1080, 25, True)
    check = readback.read_back(path, made)
    assert check.faults == () and check.frames == made.frames == 9
    assert check.level_error_codes < 1.5 and check.flash.passes
    assert check.kept["contrast"] == pytest.approx(100, abs=3)
    assert json.loads(json.dumps(check.to_json()))["tags"]["transfer"] == "bt709"


def test_each_pane_shows_its_nearest_frame(sdr: tuple[Path, footage.Made], sample: Sample) -> None:
    path, made = sdr
    number = max(made.kept)
    with open_clip(path) as clip:
        shown = clip.frame(number).signal()
    for box, meant in zip(made.boxes, made.kept[number], strict=True):
        got = shown[box.y : box.bottom, box.x : box.right]
        assert np.abs(got - meant.astype(np.float32)).mean() < 0.02


def test_sound_stays_in_step(sdr: tuple[Path, footage.Made]) -> None:
    path, made = sdr
    sound = read_sound(path)
    assert sound is not None
    samples = sound.samples[:, 0]
    assert len(samples) / sound.rate_hz == pytest.approx(made.frames / 25, abs=0.05)
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(len(samples))))
    assert np.fft.rfftfreq(len(samples), 1 / sound.rate_hz)[spectrum.argmax()] == pytest.approx(440, abs=5)


def test_hlg_master(sample: Sample, tmp_path: Path) -> None:
    path = tmp_path / "edge.mp4"
    made = footage.write_footage(*sample, footage.FootageSpec(scene="s-edge", master="hlg", start_s=0.1, stop_s=0.26), path)
    check = readback.read_back(path, made)
    assert check.tags == {"transfer": "hlg", "matrix": "bt2020", "range": "narrow", "codec": "hevc 10 bit"}
    assert not [fault for fault in check.faults if "compression" not in fault]
    with pytest.raises(UsageError, match="HLG"):
        footage.write_footage(*sample, footage.FootageSpec(scene="s-lamps", master="hlg"), tmp_path / "x.mp4")
    if shutil.which("ffprobe"):
        done = subprocess.run(
            ["ffprobe", "-v", "error", "-select_streams", "v", "-show_streams", "-of", "json", str(path)],
            capture_output=True,
            text=True,
            check=True,
        )
        (stream,) = json.loads(done.stdout)["streams"]
        assert stream["color_transfer"] == "arib-std-b67" and stream["color_space"] == "bt2020nc"
        assert stream["pix_fmt"] == "yuv420p10le" and stream["color_range"] == "tv"


def test_graphics_white_in_hlg_is_reference_white() -> None:
    # BT.2408: SDR white is placed at HLG 75 %, 203 cd/m2 on a display of 1000 cd/m2.
    white = footage._graphics_to_hlg(np.ones((1, 1, 3), np.float32))
    assert white == pytest.approx(0.75, abs=0.003)


def test_mixed_rates_repeat_and_say_so(sample: Sample, clip_writer: Callable[..., Path], tmp_path: Path) -> None:
    session, folder = sample
    fast = clip_writer(folder / "fast.mp4", "plover", frames=20, rate=50)
    clip = replace(session.clip("c-lamps-plover"), files=(refer(fast, folder),))
    made = footage.write_footage(
        session.put(clip), folder, footage.FootageSpec(scene="s-lamps", start_s=0.1, stop_s=0.2), tmp_path / "mixed.mp4"
    )
    assert made.rate == Fraction(50) and made.frames == 6
    # At 50 a second each of the two slower clips shows about every other frame again.
    assert 4 <= made.repeats <= 6


def test_range_that_nobody_shares(sample: Sample, tmp_path: Path) -> None:
    session, folder = sample
    late = replace(session.clip("c-lamps-plover"), clock=ClockMap(offset_s=500.0, sync_by="sound"))
    with pytest.raises(UsageError, match="share no time"):
        footage.write_footage(session.put(late), folder, footage.FootageSpec(scene="s-lamps"), tmp_path / "x.mp4")
    assert list(tmp_path.iterdir()) == []


def test_cancelled_leaves_no_file(sample: Sample, tmp_path: Path) -> None:
    calls = iter(range(1000))
    with pytest.raises(Cancelled):
        footage.write_footage(
            *sample, footage.FootageSpec(scene="s-lamps", **SHORT), tmp_path / "x.mp4", cancelled=lambda: next(calls) > 6
        )
    assert list(tmp_path.iterdir()) == []


def test_full_disk_leaves_no_file(sample: Sample, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(PublishError):
        footage.write_footage(*sample, footage.FootageSpec(scene="s-lamps", start_s=0.1, stop_s=0.15), tmp_path / "x.mp4")
    assert list(tmp_path.iterdir()) == []


def test_hard_compression_is_a_fault(sample: Sample, tmp_path: Path) -> None:
    path = tmp_path / "hard.mp4"
    made = footage.write_footage(*sample, footage.FootageSpec(scene="s-lamps", crf=45, **SHORT), path)
    check = readback.read_back(path, made)
    assert any("compression left" in fault for fault in check.faults)
    assert any("FAULT" in sentence for sentence in check.sentences)

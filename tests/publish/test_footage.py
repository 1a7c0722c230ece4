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
from typing import Any

import numpy as np
import pytest

from viewer.align.transform import ClockMap
from viewer.errors import Cancelled, PublishError, UsageError
from viewer.media import open_clip
from viewer.media.audio import read_sound
from viewer.publish import everything, footage, metadata, moving, readback, still
from viewer.publish.queue import Queue
from viewer.session.model import LightLevel, Marker, Session, StillSpec
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
    assert metadata.unexpected(path) == []
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
    white = moving.graphics_to_hlg(np.ones((1, 1, 3), np.float32))
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


def test_insets_move_with_the_pictures(sdr: tuple[Path, footage.Made], sample: Sample) -> None:
    # The session's inset shows 40 x 28 reference px; in the control's pane these are its own px, repeated whole.
    made = sdr[1]
    number = max(made.kept)
    meant = made.kept[number][0].astype(np.float32)
    with open_clip(sample[1] / "lamps-heron.mp4") as clip:
        own = np.clip(clip.frame(clip.index.number_at(0.1 + number / 25)).signal()[156:184, 140:180], 0, 1)
    # The note lies low and not right of the middle, so the inset stands at the top right.
    wide = made.boxes[0].w
    factors = [f for f in range(2, 12) if 40 * f <= 0.5 * wide]
    errors = []
    for factor in factors:
        shown = meant[factor // 2 : 28 * factor : factor, wide - 40 * factor + factor // 2 :: factor]
        inner = (slice(3, -3), slice(3, -3))
        errors.append(float(np.abs(shown[inner] - own[inner]).mean()))
    assert min(errors) < 0.004 and sorted(errors)[1] > 3 * min(errors), errors


def words_at(path: Path, number: int, box: tuple[int, int, int, int]) -> float:
    """Contrast of what stands in a box (x, y, w, h) of a frame."""
    x, y, w, h = box
    with open_clip(path) as clip:
        return float(np.ptp(clip.frame(number).signal()[y : y + h, x : x + w]))


def test_captions_and_light_level_follow_the_scene_time(sample: Sample, tmp_path: Path) -> None:
    session, folder = sample
    scene = replace(session.scene("s-lamps"), levels=(LightLevel(value=0.3, start_s=0.2, end_s=0.3),))
    marked = session.put(scene, Marker(id="m", scene="s-lamps", time_s=0.26, text="<b>lamp on</b> {{ 1 }}"))
    path = tmp_path / "told.mp4"
    made = footage.write_footage(marked, folder, footage.FootageSpec(scene="s-lamps", **SHORT), path)
    page_right = (1920 - 40 - 400, 40, 400, 46)
    levels = [words_at(path, n, page_right) > 0.3 for n in range(made.frames)]
    # Frames at 0.10, 0.14, ... 0.42 s: the level holds from 0.2 to before 0.3 s.
    assert levels == [0.2 <= 0.1 + n / 25 < 0.3 for n in range(made.frames)]
    assert moving.marker_captions(marked, "s-lamps") == (
        moving.Caption(start_s=0.26, stop_s=0.26 + moving.MARKER_S, text="<b>lamp on</b> {{ 1 }}"),
    )
    wish = StillSpec(id="x", scene="s-lamps", time_s=0.1, settings={"captions": 1.0})
    line = still.stage(still.gather(marked, folder, wish), size=(1920, 1080)).caption
    assert line is not None and all(box.bottom < line.y for box in made.boxes), "a line of its own, which covers nothing"
    shown = [words_at(path, n, (line.x, line.y, line.w, line.h)) > 0.3 for n in range(made.frames)]
    assert shown == [0.1 + n / 25 >= 0.26 - 1e-9 for n in range(made.frames)]


def test_queue_goes_on_where_it_stopped(sample: Sample, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    session, folder = sample
    written: list[str] = []
    real = footage.write_footage

    def short(session: Session, folder: Path, spec: footage.FootageSpec, path: Path, **rest: Any) -> footage.Made:
        if len(written) == 1 and not again:
            raise Cancelled
        written.append(path.name)
        return real(session, folder, replace(spec, start_s=0.1, stop_s=0.18), path, **rest)

    monkeypatch.setattr(footage, "write_footage", short)
    again = False
    with pytest.raises(Cancelled):
        everything.publish_session(session, folder, tmp_path, only=["footage"])
    states = {item.file: item.state for item in Queue(tmp_path / "footage" / "queue.json")}
    assert list(states.values()) == ["done", "waiting", "waiting"] and len(written) == 1
    again = True
    files = everything.publish_session(session, folder, tmp_path, only=["footage"])
    assert len(written) == 3 and len(set(written)) == 3, "the first was not written again"
    assert sum(path.suffix == ".mp4" for path in files) == 3
    # What was changed on disk, or in the session, is made anew.
    (tmp_path / "footage" / written[0]).write_bytes(b"cut")
    renamed = replace(session, title="Another title")
    everything.publish_session(session, folder, tmp_path, only=["footage"])
    assert written[3:] == [written[0]]
    everything.publish_session(renamed, folder, tmp_path, only=["footage"])
    assert written[4:] == written[:3]
    (tmp_path / "footage" / "queue.json").write_text("[1, 2")
    assert list(Queue(tmp_path / "footage" / "queue.json")) == []

"""Index, parts of a recording, sound, geometry, interlaced pictures, cache."""

from __future__ import annotations

import functools
import os
import sqlite3
import struct
import subprocess
import sys
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from viewer.errors import MediaError
from viewer.media import cache, open_clip
from viewer.media.audio import Sound, join_sounds, read_sound
from viewer.media.geometry import Orientation, as_box, from_display_matrix
from viewer.media.indexstore import from_record, to_record
from viewer.media.planes import one_field, upsample
from viewer.media.writer import VideoWriter

DATA = Path(__file__).resolve().parent.parent / "data"


def grey(value: float, size: tuple[int, int] = (48, 64)) -> np.ndarray:
    return np.full((*size, 3), value)


def write(
    path: Path, values: list[float], *, pts: list[int] | None = None, time_base: Fraction | None = None, **more: object
) -> None:
    with VideoWriter(path, width=64, height=48, rate=Fraction(25), codec="ffv1", time_base=time_base, **more) as writer:  # type: ignore[arg-type]
        for n, value in enumerate(values):
            writer.write(grey(value), pts=None if pts is None else pts[n])


# -- time


def test_variable_rate_and_gaps(tmp_path: Path) -> None:
    pts = [0, 40, 80, 120, 300, 340, 380]
    write(tmp_path / "v.mkv", [0.1 * n for n in range(7)], pts=pts, time_base=Fraction(1, 1000))
    with open_clip(tmp_path / "v.mkv") as clip:
        assert (clip.index.times_s * 1000).round().tolist() == pts
        assert clip.index.variable_rate
        assert clip.index.gaps == ((3, pytest.approx(0.14)),)
        assert clip.frame_at(0.29).number == 3
        assert clip.frame_at(0.30).number == 4


def test_nominal_rate_of_rounded_timestamps(tmp_path: Path) -> None:
    with VideoWriter(tmp_path / "r.mkv", width=64, height=48, rate=Fraction(30000, 1001), codec="ffv1") as writer:
        for n in range(20):
            writer.write(grey(n / 30))
    with open_clip(tmp_path / "r.mkv") as clip:
        # Matroska rounds to 1 ms; the rate is still the exact one.
        assert clip.info.average_rate == Fraction(30000, 1001)
        assert not clip.index.variable_rate


def test_index_survives_the_store(tmp_path: Path) -> None:
    for name in ("hevc-ts-sar-2740x2739-start1.67.ts", "editlist-discards-first-keyframe.mp4", "h264-avi-no-pts-bbb.avi"):
        with open_clip(DATA / name) as clip:
            again = from_record(to_record(clip.index))
        assert again is not None
        assert np.array_equal(again.pts, clip.index.pts)
        assert np.array_equal(again.key, clip.index.key)
        assert (again.time_base, again.counted, again.plain, again.notes) == (
            clip.index.time_base,
            clip.index.counted,
            clip.index.plain,
            clip.index.notes,
        )
    for bad in (None, {}, {"count": 3}, [1], "x"):
        assert from_record(bad) is None


# -- parts


def test_parts_join_with_an_unknown_pause(tmp_path: Path) -> None:
    write(tmp_path / "a.mkv", [0.1, 0.2, 0.3])
    write(tmp_path / "b.mkv", [0.4, 0.5])
    with open_clip([tmp_path / "a.mkv", tmp_path / "b.mkv"]) as clip:
        assert clip.info.frames == 5
        assert np.allclose(clip.index.times_s, np.arange(5) * 0.04, atol=1e-9)
        assert any("no pause before part 2" in text for text in clip.info.assumed)
        levels = [frame.luminance().light.mean() for frame in clip.frames()]
        assert np.all(np.diff(levels) > 0)
        assert clip.frame(3).luminance().light.mean() == pytest.approx(levels[3])
        assert [frame.number for frame in clip.frames(2, 4)] == [2, 3]


def test_parts_with_time_codes_show_their_pause(tmp_path: Path) -> None:
    write(tmp_path / "a.mkv", [0.1] * 5, metadata={"timecode": "10:00:00:00"})
    write(tmp_path / "b.mkv", [0.4] * 3, metadata={"timecode": "10:00:02:00"})
    from viewer.media.parts import PartFacts, join

    indexes = []
    for name in ("a.mkv", "b.mkv"):
        with open_clip(tmp_path / name) as clip:
            indexes.append(clip.index)
    facts = [
        PartFacts(tmp_path / "a.mkv", indexes[0], (64, 48), "10:00:00:00"),
        PartFacts(tmp_path / "b.mkv", indexes[1], (64, 48), "10:00:02:00"),
    ]
    joined = join(facts)
    # Five pictures of 40 ms end at 0.2 s; the second part begins 2 s after the first (SMPTE ST 12-1).
    assert joined.index.pauses == ((4, pytest.approx(1.8)),)
    assert joined.index.times_s[5] == pytest.approx(2.0)
    assert joined.index.gaps[0][1] == pytest.approx(1.8)


def test_parts_of_other_size_are_refused(tmp_path: Path) -> None:
    write(tmp_path / "a.mkv", [0.1, 0.2])
    with pytest.raises(MediaError, match="first part"):
        open_clip([tmp_path / "a.mkv", DATA / "timecode-beep.mp4"])


# -- sound


@pytest.mark.parametrize("ending", [".mov", ".mp4"])
def test_sound_starts_exactly(ending: str, tmp_path: Path) -> None:
    path = tmp_path / f"s{ending}"
    rate = 48000
    samples = np.zeros(rate, dtype=np.float32)
    samples[24000:24020] = 0.9
    with VideoWriter(path, width=64, height=48, rate=Fraction(25), codec="h264", sound_rate=rate) as writer:
        for _ in range(25):
            writer.write(grey(0.5))
        writer.write_sound(samples)
    sound = read_sound(path)
    assert sound is not None
    peak = int(np.argmax(np.abs(sound.mono))) / rate + sound.start_s
    # AAC delays by 1,024 samples of priming; what is left must be far under one frame of sound.
    assert peak == pytest.approx(0.5, abs=0.001)


def test_beep_of_the_time_code_clip() -> None:
    sound = read_sound(DATA / "timecode-beep.mp4")
    assert sound is not None
    assert (sound.rate_hz, sound.samples.shape[1]) == (44100, 2)
    assert sound.start_s == pytest.approx(0.0, abs=0.03)
    assert np.isfinite(sound.samples).all()


def test_silent_clips_have_none() -> None:
    assert read_sound(DATA / "rotated-90-nasa-dark.mp4") is None


def test_joined_sound_fills_the_pause() -> None:
    one = Sound(100, np.ones((50, 1), np.float32), 0.0)
    two = Sound(100, np.full((20, 1), 2.0, np.float32), 0.0)
    joined = join_sounds([one, two], [0.0, 0.8])
    assert joined is not None
    assert len(joined.samples) == 100
    assert joined.samples[50:80].max() == 0
    assert joined.samples[80, 0] == 2.0
    assert joined.gaps == ((0.5, 0.3),)


@pytest.mark.corpus
def test_known_sound_of_real_clips(corpus: Path) -> None:
    # Channels and rates: the collection's table.
    for name, rate, channels in (
        ("vp9-named-vp8-60fps-6ch.webm", 48000, 6),
        ("pointlights-dark-hall-1080p50-pcm.mov", 48000, 2),
        ("canon-mjpeg-avi-320x240-15fps-macro.avi", 22050, 1),
        ("phone-240fps-in-30fps-slowmotion-floor.mp4", 12000, 2),
    ):
        sound = read_sound(corpus / name)
        assert sound is not None
        assert (sound.rate_hz, sound.samples.shape[1]) == (rate, channels), name
    late = read_sound(corpus / "pq-hdr10-av1-portrait-720x1280.mp4")
    assert late is not None
    assert late.start_s == pytest.approx(0.021, abs=0.001)


# -- geometry

ONE = 1 << 16
MATRICES = {
    "upright": (ONE, 0, 0, ONE),
    "quarter right": (0, ONE, -ONE, 0),
    "half": (-ONE, 0, 0, -ONE),
    "quarter left": (0, -ONE, ONE, 0),
    "mirror": (-ONE, 0, 0, ONE),
    "transpose": (0, ONE, ONE, 0),
}


def packed(a: int, b: int, c: int, d: int) -> bytes:
    return struct.pack("=9i", a, b, 0, c, d, 0, 0, 0, 1 << 30)


@pytest.mark.parametrize("name", list(MATRICES))
def test_display_matrix_moves_points_as_defined(name: str) -> None:
    # ISO/IEC 14496-12, 8.3.2.3: a stored point (x, y) is shown at (a x + c y, b x + d y), up to a shift.
    a, b, c, d = MATRICES[name]
    orientation, oddity = from_display_matrix(packed(a, b, c, d))
    assert oddity is None
    stored = np.arange(12).reshape(3, 4)
    points = {(x, y): stored[y, x] for y in range(3) for x in range(4)}
    moved = {((a * x + c * y) // ONE, (b * x + d * y) // ONE): v for (x, y), v in points.items()}
    left, top = min(x for x, _ in moved), min(y for _, y in moved)
    upright = orientation.apply(stored)
    for (x, y), value in moved.items():
        assert upright[y - top, x - left] == value
    # Boxes are carried back to the same pixels.
    height, width = upright.shape
    sx, sy, sw, sh = orientation.stored_box((1, 0, 2, 2), width, height)
    assert np.array_equal(orientation.apply(stored[sy : sy + sh, sx : sx + sw]), upright[0:2, 1:3])


def test_odd_matrices_are_told() -> None:
    for matrix in ((0, 0, 0, 0), (ONE, ONE // 2, -ONE // 2, ONE)):
        orientation, oddity = from_display_matrix(packed(*matrix))
        assert orientation == Orientation()
        assert oddity
    assert from_display_matrix(b"short")[1]


def test_boxes_are_checked() -> None:
    assert as_box(None, 5, 4) == (0, 0, 5, 4)
    for bad in ((0, 0, 6, 1), (-1, 0, 2, 2), (0, 0, 0, 2), (4, 3, 1, 2)):
        with pytest.raises(ValueError):
            as_box(bad, 5, 4)


@pytest.mark.parametrize(("siting", "off_x", "off_y"), [("left", 0.0, 0.5), ("center", 0.5, 0.5), ("topleft", 0.0, 0.0)])
def test_chroma_lands_where_it_was_taken(siting: str, off_x: float, off_y: float) -> None:
    # A plane linear in x and y is met exactly by linear interpolation when sample places are right (BT.2020: top left;
    # MPEG-2 and H.264 default: left; JPEG: centre).
    rows, cols = np.mgrid[:12, :16]
    plane = (3.0 * (2 * cols + off_x) + 5.0 * (2 * rows + off_y)).astype(np.float32)
    got = upsample(plane, (4, 6, 10, 8), 2, 2, siting)
    y, x = np.mgrid[6:14, 4:14]
    assert np.abs(got - (3.0 * x + 5.0 * y)).max() < 1e-3


def test_a_box_equals_the_cut_picture() -> None:
    with open_clip(DATA / "vp9-webm-odd-size-161x121.webm") as clip:
        frame = clip.frame(7)
        whole = frame.luminance()
        for rect in ((0, 0, 1, 1), (160, 120, 1, 1), (3, 5, 40, 31), (100, 90, 61, 31)):
            part = frame.luminance(rect)
            x, y, w, h = rect
            assert np.allclose(part.light, whole.light[y : y + h, x : x + w], atol=2e-5)


def test_one_field() -> None:
    plane = np.array([[0], [100], [20], [100], [40], [100]], dtype=np.uint8)
    assert one_field(plane, first=0).ravel().tolist() == [0, 10, 20, 30, 40, 40]
    assert one_field(plane, first=1).ravel().tolist() == [100] * 6


@pytest.mark.corpus
def test_interlaced_is_one_instant(corpus: Path) -> None:
    with open_clip(corpus / "interlaced-1080i50-paff-mirrorless.mts") as clip:
        assert clip.info.interlaced
        luma = clip.frame(5).luma().astype(float)
    # Lines of the dropped field are the mean of the kept ones: no comb is left.
    lost = luma[1:-1:2]
    assert np.abs(lost - (luma[0:-2:2] + luma[2::2]) / 2).max() <= 0.5


# -- tint


def test_tint_path_meets_its_stated_error(tmp_path: Path) -> None:
    from viewer.media.light import from_linear

    y, x = np.mgrid[:96, :128]
    light = 0.03 + 0.4 * (1 + np.sin(x / 9) * np.cos(y / 7)) / 2
    path = tmp_path / "green.mp4"
    with VideoWriter(
        path, width=128, height=96, rate=Fraction(25), codec="hevc", bit_depth=10, transfer="hlg", matrix="bt2020", crf=12
    ) as writer:
        for _ in range(4):
            writer.write(from_linear("hlg", light[..., None] * np.array([0.3, 1.0, 0.4])))
    with open_clip(path) as clip:
        tint = clip.tint()
        assert tint.error < 0.01
        exact = clip.frame(2).luminance().light
        model = clip.frame(2).luminance(tint=tint).light
    blocks = [a.reshape(24, 4, 32, 4).mean(axis=(1, 3)) for a in (exact, model)]
    rms = np.sqrt(np.mean((blocks[1] / blocks[0] - 1) ** 2))
    assert rms <= 1.2 * tint.error + 1e-4
    truth = light * (0.3 * 0.2627 + 0.6780 + 0.4 * 0.0593)
    assert np.median(np.abs(model / truth - 1)) < 0.01


# -- cache


def test_cache_returns_stores_and_bounds(monkeypatch: pytest.MonkeyPatch) -> None:
    cache.store("a", b"1")
    assert cache.load("a") == b"1"
    assert cache.load("none") is None
    monkeypatch.setattr(cache, "MAX_ENTRIES", 100)
    for n in range(150):
        cache.store(f"bound-{n}", b"x")
    kept = sum(cache.load(f"bound-{n}") is not None for n in range(150))
    assert 30 <= kept <= 100
    assert cache.load("bound-149") == b"x"


def test_a_damaged_cache_is_thrown_away() -> None:
    path = cache.cache_file()
    cache.store("b", b"2")
    cache.clear()
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(b"this is no database" * 100)
    assert cache.load("b") is None
    cache.store("b", b"3")
    assert cache.load("b") == b"3"


def test_a_cache_that_cannot_be_used_is_closed_again(monkeypatch: pytest.MonkeyPatch) -> None:
    class Link(sqlite3.Connection):
        closed = 0

        def close(self) -> None:
            Link.closed += 1
            super().close()

    cache.cache_file().parent.mkdir(parents=True, exist_ok=True)
    cache.cache_file().write_bytes(b"no database" * 1000)
    monkeypatch.setattr(cache.sqlite3, "connect", functools.partial(sqlite3.connect, factory=Link))
    assert cache.load("key") is None
    assert Link.closed == 1


def test_a_killed_writer_leaves_the_cache_whole() -> None:
    code = (
        "import os, threading, time\n"
        "from viewer.media import cache\n"
        "threading.Timer(0.25, lambda: os._exit(9)).start()\n"
        "n = 0\n"
        "while True:\n"
        "    cache.store(f'kill-{n}', bytes([n % 256]) * 4096); n += 1\n"
    )
    for _ in range(3):
        subprocess.run([sys.executable, "-c", code], check=False, timeout=30)
    cache.store("after", b"ok")
    assert cache.load("after") == b"ok"
    found = cache.load("kill-0")
    assert found in (None, bytes(4096))


def test_hash_follows_the_content(tmp_path: Path) -> None:
    path = tmp_path / "f"
    path.write_bytes(b"one")
    first = cache.content_hash(path)
    assert cache.content_hash(path) == first
    path.write_bytes(b"two")
    assert cache.content_hash(path) != first


@pytest.mark.skipif(sys.platform == "win32", reason="no permission masks")
@pytest.mark.parametrize("mask", [0o022, 0o077, 0o002])
def test_written_clips_have_the_permissions_of_new_files(mask: int, tmp_path: Path) -> None:
    before = os.umask(mask)
    try:
        write(tmp_path / "v.mkv", [0.1, 0.2])
        (tmp_path / "other").touch()
    finally:
        os.umask(before)
    assert (tmp_path / "v.mkv").stat().st_mode == (tmp_path / "other").stat().st_mode


def test_a_tint_prints_in_one_short_line(tmp_path: Path) -> None:
    write(tmp_path / "v.mkv", [0.4, 0.5, 0.6])
    with open_clip(tmp_path / "v.mkv") as clip:
        assert len(repr(clip.tint())) < 300

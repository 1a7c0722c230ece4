"""Written clips come back: light, timing, rotation, sound."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from viewer.media import open_clip
from viewer.media.audio import read_sound
from viewer.media.light import from_linear
from viewer.media.writer import VideoWriter

# codec, bits, transfer, range, matrix, ending, chroma
KINDS = [
    ("h264", 8, "bt709", "narrow", "bt709", ".mp4", "420"),
    ("hevc", 10, "hlg", "narrow", "bt2020", ".mp4", "420"),
    ("ffv1", 10, "pq", "narrow", "bt2020", ".mkv", "444"),
    ("h264", 8, "bt601", "full", "bt601", ".mov", "420"),
    ("h264", 10, "srgb", "full", "bt709", ".mkv", "422"),
]


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: f"{kind[0]}-{kind[1]}-{kind[2]}-{kind[3]}")
def test_light_survives(kind: tuple[str, int, str, str, str, str, str], tmp_path: Path) -> None:
    codec, bits, transfer, code_range, matrix, ending, chroma = kind
    path = tmp_path / f"clip{ending}"
    light = np.full((120, 160, 3), 0.05)
    light[30:90, 40:120] = (0.1, 0.4, 0.08)
    with VideoWriter(
        path,
        width=160,
        height=120,
        rate=Fraction(30000, 1001),
        codec=codec,
        bit_depth=bits,
        transfer=transfer,
        range=code_range,
        matrix=matrix,
        chroma=chroma,
        crf=4,
        rotation=90,
        sound_rate=48000,
    ) as writer:
        for n in range(12):
            writer.write(from_linear(transfer, light * (1 + n / 20)))
        writer.write_sound(0.5 * np.sin(np.arange(20000) / 10))
    with open_clip(path) as clip:
        info = clip.info
        assert (info.width, info.height, info.frames, info.rotation) == (120, 160, 12, 90)
        assert (info.transfer, info.range, info.matrix) == (transfer, code_range, matrix)
        assert not info.assumed
        frame = clip.frame(5)
        # Turned a quarter clockwise: stored (x, y) lands at (119 - y, x).
        got = frame.rgb((40, 60, 20, 20)).light.mean(axis=(0, 1))
        # Codes of 8 bits are about 2 % of light apart here; the mean over 400 px is steadier.
        assert got == pytest.approx(np.array([0.1, 0.4, 0.08]) * 1.25, rel=0.025)
        assert [f.number for f in clip.frames(3, 9)] == [3, 4, 5, 6, 7, 8]
    sound = read_sound(path)
    assert sound is not None
    assert sound.rate_hz == 48000
    assert sound.start_s == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("pictures", [1, 2, 3])
def test_shortest_clips_are_written_every_time(tmp_path: Path, pictures: int) -> None:
    """The encoder leaves decoding times undefined there; the file must not depend on what they happen to be."""
    for turn in range(5):
        path = tmp_path / f"{turn}.mp4"
        with VideoWriter(
            path, width=64, height=64, rate=30, codec="hevc", bit_depth=10, options={"preset": "veryfast"}
        ) as writer:
            for _ in range(pictures):
                writer.write(np.full((64, 64, 3), 0.4, np.float32))
        with open_clip(path) as clip:
            assert [frame.number for frame in clip.frames()] == list(range(pictures))


def test_kept_pictures_are_the_decoded_ones_and_stay_within_their_size(tmp_path: Path) -> None:
    path = tmp_path / "clip.mp4"
    with VideoWriter(path, width=64, height=48, rate=Fraction(25), codec="h264", bit_depth=8, transfer="bt709") as writer:
        for n in range(20):
            writer.write(from_linear("bt709", np.full((48, 64, 3), 0.02 * (n + 1))))
    with open_clip(path) as clip:
        plain = {f.number: f.stored_luma().copy() for f in clip.frames()}
    picture_mb = 64 * 48 * 1.5 / 1e6
    with open_clip(path) as clip:
        clip.keep(8.5 * picture_mb)
        list(clip.frames(4, 10))
        first = clip.frame(5).stored_luma()
        # begins before what is kept, ends behind it
        for start, stop in ((4, 8), (2, 12), (6, 20), (0, 20)):
            seen = {f.number: f.stored_luma() for f in clip.frames(start, stop)}
            assert list(seen) == list(range(start, stop))
            assert all(np.array_equal(seen[number], plain[number]) for number in seen)
        assert np.array_equal(first, plain[5])
        assert clip.kept == 8

"""Every picture is the right picture: random access, passes, the media library's own order, ffmpeg, the authors' pictures."""

from __future__ import annotations

import hashlib
import random
import shutil
import subprocess
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from PIL import Image

from viewer.errors import SeekError, ViewerError
from viewer.media import LightChoice, open_clip

DATA = Path(__file__).resolve().parent.parent / "data"
CLIPS = sorted(p.name for p in DATA.iterdir() if p.suffix in (".mp4", ".mkv", ".webm", ".ts", ".avi"))
# Of the collection: open groups of pictures, edit lists, fragments, fields, doubled and missing timestamps, two tracks.
CORPUS = [
    "hlg10-hevc-iphone-opengop-editlist-vfr-rot90.mp4",
    "hlg10-hevc-phone-fragmented-opengop-vfr.mp4",
    "hlg10-hevc-iphone14-dolbyvision-rot90-720p.MOV",
    "anamorphic-sar-1137x800-firstpts10s-bbb.mp4",
    "all-pts-zero-rframerate-1-0.mp4",
    "interlaced-1080i50-paff-mirrorless.mts",
    "mpeg2-ts-opengop-24fps-bbb.ts",
    "vp9-profile2-10bit-duplicate-pts.webm",
    "cinepak-header-says-444-frames-has-68.avi",
    "phone-240fps-in-30fps-slowmotion-floor.mp4",
    "rooftop-60fps-fragmented-bframes-start33ms.mp4",
    "phone-two-video-tracks-vfr-rot90.mp4",
    "mvhevc-stereo-90fps-5frames.mov",
]


def digest(picture: Any) -> str:
    """MD5 of the samples, row padding left out; ffmpeg's framemd5 takes the same bytes."""
    total = hashlib.md5()
    wide = picture.format.components[0].bits > 8
    for plane in picture.planes:
        rows = np.frombuffer(plane, np.uint8)[: plane.line_size * plane.height].reshape(plane.height, plane.line_size)
        used = plane.width * (2 if wide else 1) * (3 if picture.format.name == "rgb24" else 1)
        total.update(np.ascontiguousarray(rows[:, :used]).tobytes())
    return total.hexdigest()


def check(path: Path, count: int, *, passes: bool = True) -> None:
    with open_clip(path) as clip:
        stream = clip._single(0).stream.index
        with av.open(str(path)) as container:
            truth = [digest(picture) for picture in container.decode(container.streams[stream])]
        assert len(truth) == len(clip.index) == clip.info.frames
        if passes:
            assert [digest(frame.picture) for frame in clip.frames()] == truth
        numbers = list(range(len(truth)))
        random.Random(5).shuffle(numbers)
        for number in numbers[:count]:
            frame = clip.frame(number)
            assert digest(frame.picture) == truth[number], f"picture {number}"
            assert frame.number == number
            # The time of a picture finds the picture.
            assert clip.index.number_at(frame.time_s) == number
            assert clip.index.number_at(round(frame.time_s, 3)) == number or clip.index.interval_s < 0.002
        middle = len(truth) // 2
        for number in (middle, middle + 1, middle + 2, middle - 1):
            if 0 <= number < len(truth):
                assert digest(clip.frame(number).picture) == truth[number]
        start, stop = len(truth) // 3, len(truth) // 3 + 4
        assert [digest(f.picture) for f in clip.frames(start, stop)] == truth[start:stop]


@pytest.mark.parametrize("name", CLIPS)
def test_random_access_equals_decoding_in_order(name: str) -> None:
    check(DATA / name, 30)


@pytest.mark.corpus
@pytest.mark.parametrize("name", CORPUS)
def test_random_access_on_real_clips(name: str, corpus: Path) -> None:
    check(corpus / name, 4, passes="two-video" in name)


@pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="ffmpeg is not here")
@pytest.mark.parametrize("name", [name for name in CLIPS if not name.startswith("av1")])
def test_ffmpeg_gives_the_same_pictures(name: str) -> None:
    command = ["ffmpeg", "-v", "error", "-noautorotate", "-i", str(DATA / name), "-map", "0:v:0", "-fps_mode", "passthrough"]
    text = subprocess.run([*command, "-f", "framemd5", "-"], capture_output=True, text=True, timeout=60).stdout
    theirs = [line.split(",")[-1].strip() for line in text.splitlines() if line and not line.startswith("#")]
    with open_clip(DATA / name) as clip:
        assert [digest(frame.picture) for frame in clip.frames()] == theirs


@pytest.mark.parametrize("number", [0, 14, 15, 29])
def test_authors_pictures_of_the_time_code(number: int) -> None:
    want = np.asarray(Image.open(DATA / f"timecode-beep_frame{number:03d}.png").convert("RGB"))
    with open_clip(DATA / "timecode-beep.mp4") as clip:
        got = clip.frame(number).display()[..., 2::-1]
    assert np.array_equal(got, want)


def test_range_pair_agrees_in_light_when_the_wrong_tag_is_overruled() -> None:
    # Both files hold the same codes (narrow: red is 81, 90, 240, as BT.601 has it); one says full.  Taken at its word it
    # must differ; with the range set by hand the two agree to the codec's noise.
    with (
        open_clip(DATA / "bt601-limited-range-testcard.mp4") as narrow,
        open_clip(DATA / "bt601-full-range-testcard.mp4") as tagged,
        open_clip(DATA / "bt601-full-range-testcard.mp4", light=LightChoice(range="narrow")) as chosen,
    ):
        assert (narrow.info.range, tagged.info.range, chosen.info.range) == ("narrow", "full", "narrow")
        for number in (0, 30):
            patches = [(8, 100, 30, 30), (62, 180, 30, 30), (286, 180, 20, 30)]
            for rect in patches:
                a, b = (clip.frame(number).rgb(rect).light.mean(axis=(0, 1)) for clip in (narrow, chosen))
                assert a == pytest.approx(b, abs=0.012)
        assert tagged.frame(0).luminance((8, 100, 30, 30)).light.mean() != pytest.approx(
            narrow.frame(0).luminance((8, 100, 30, 30)).light.mean(), rel=0.05
        )


def test_outside_the_clip_is_an_error_not_a_neighbour() -> None:
    with open_clip(DATA / "nonzero-start-forest.mp4") as clip:
        assert clip.info.start_s == pytest.approx(8.333, abs=1e-3)
        for bad in (-1, len(clip.index)):
            with pytest.raises(SeekError):
                clip.frame(bad)
        for time_s in (0.0, 8.2, 9.5):
            with pytest.raises(SeekError):
                clip.frame_at(time_s)


def test_pictures_outlive_the_clip() -> None:
    with open_clip(DATA / "timecode-beep.mp4") as clip:
        frame = clip.frame(3)
        before = frame.luminance().light.copy()
    assert np.array_equal(frame.luminance().light, before)
    with pytest.raises(ViewerError):
        clip.frame(0)

"""Time codes and creation times as weak priors: the standard's counting, midnight, what is shown and never used alone."""

from __future__ import annotations

from fractions import Fraction
from types import SimpleNamespace

import numpy as np
import pytest

from viewer.align.clock import weigh
from viewer.tasks.align_tags import tag_witnesses, timecode_s

NTSC = 30000 / 1001


@pytest.mark.parametrize(
    ("text", "rate", "frames"),
    [
        # SMPTE ST 12-1: 2 numbers a minute are dropped, but not in minutes that are multiples of ten: 107,892 frames an hour,
        # 17,982 in ten minutes, 1,800 before 00:01:00;02.
        ("01:00:00;00", NTSC, 107892),
        ("00:10:00;00", NTSC, 17982),
        ("00:01:00;02", NTSC, 1800),
        ("00:00:59;29", NTSC, 1799),
        ("01:00:00;00", 2 * NTSC, 215784),
        ("01:00:00:00", NTSC, 108000),
        ("00:00:02:12", 25.0, 62),
        ("10:00:00:00", 24000 / 1001, 864000),
    ],
)
def test_frames_of_a_time_code(text: str, rate: float, frames: int) -> None:
    found = timecode_s(text, rate)
    assert found is not None and found * rate == pytest.approx(frames, abs=1e-6)


@pytest.mark.parametrize("text", ["", "noon", "00:61:00:00", "00:00:00:30", "1:2:3", "00:00:00"])
def test_what_is_no_time_code(text: str) -> None:
    assert timecode_s(text, 30.0) is None
    assert timecode_s("00:00:00:00", 0.0) is None


def clip(start_s: float = 0.0, rate: Fraction = Fraction(25), **metadata: str) -> SimpleNamespace:
    """As much of an opened clip as tags are read from."""
    times = start_s + np.arange(50) / float(rate)
    index = SimpleNamespace(times_s=times, end_s=float(times[-1]) + 1 / float(rate))
    return SimpleNamespace(info=SimpleNamespace(metadata=metadata, average_rate=rate), index=index)


def test_offset_from_time_codes_knows_midnight_and_the_first_frame() -> None:
    # The clip's first frame (0.5 s on its own clock) was taken 2.4 s after the reference's (0.2 s on its own), over midnight.
    one, two = clip(0.2, timecode="23:59:59:00"), clip(0.5, timecode="00:00:01:10")
    (found,) = tag_witnesses(one, two)  # type: ignore[arg-type]
    assert found.kind == "timecode" and found.weak
    assert found.scene_s[0] - found.clip_s[0] == pytest.approx(2.4 + 0.2 - 0.5)
    fit, table, _ = weigh([found])
    assert fit is None and table[0].offset_s == pytest.approx(2.1)  # shown, but no clock map rests on it


def test_creation_times_are_whole_seconds() -> None:
    one, two = (clip(creation_time=text) for text in ("2026-05-01T20:00:00.000000Z", "2026-05-01T20:00:07Z"))
    (found,) = tag_witnesses(one, two)  # type: ignore[arg-type]
    assert found.kind == "creation time" and found.weak and found.scene_s[0] == pytest.approx(7.0)
    assert found.sigma_s[0] >= 5.0
    for odd in ("", "yesterday", "1904-01-01T00:00:00Z"):
        assert tag_witnesses(one, clip(creation_time=odd)) == []  # type: ignore[arg-type]


def test_no_witness_from_one_tag() -> None:
    assert tag_witnesses(clip(timecode="10:00:00:00"), clip()) == []  # type: ignore[arg-type]

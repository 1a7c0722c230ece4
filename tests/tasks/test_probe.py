"""Evidence: repeats, stills, damage, re-encoding; the record is plain data."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np

from viewer.media import open_clip
from viewer.media.evidence import examine
from viewer.media.writer import VideoWriter
from viewer.tasks.document import plain
from viewer.tasks.probe import clip_record, describe_record, probe_clip


def write(path: Path, order: list[int]) -> None:
    rng = np.random.default_rng(2)
    pictures = rng.uniform(0.2, 0.8, (max(order) + 1, 64, 96, 3))
    with VideoWriter(path, width=96, height=64, rate=Fraction(25), codec="ffv1") as writer:
        for n in order:
            writer.write(pictures[n])


def test_repeats_are_counted(tmp_path: Path) -> None:
    path = tmp_path / "repeats.mkv"
    write(path, [0, 1, 1, 2, 3, 3, 3, 4])
    with open_clip(path) as clip:
        found = examine(clip)
    assert found.repeated == (2, 5, 6)
    assert found.whole
    assert found.frames == 8
    assert "repeat" in " ".join(found.words())


def test_budget_bounds_the_pass(tmp_path: Path) -> None:
    path = tmp_path / "long.mkv"
    write(path, list(range(8)))
    with open_clip(path) as clip:
        assert examine(clip, budget_px=3 * 96 * 64).frames == 3
        assert examine(clip, budget_px=0).frames == 0


def test_record_is_plain_and_readable(tmp_path: Path) -> None:
    path = tmp_path / "clip.mkv"
    write(path, [0, 1, 2])
    with open_clip(path) as clip:
        record = clip_record(clip, examine(clip))
        assert plain(record) == record or plain(record)
        lines = describe_record(record)
        assert any("3 pictures" in line for line in lines)
        assert probe_clip(clip).dumps().startswith("{")


def test_a_doubtful_full_range_tag_is_told() -> None:
    data = Path(__file__).resolve().parent.parent / "data"
    found = []
    for name in ("bt601-full-range-testcard.mp4", "bt601-limited-range-testcard.mp4"):
        with open_clip(data / name) as clip:
            found.append(examine(clip).narrow_codes)
    assert found == [True, False]

"""Parts of one recording on one time line: pauses between them measured where the files tell, never interpolated."""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import lcm
from pathlib import Path

import numpy as np

from viewer.errors import MediaError
from viewer.media.index import FrameIndex

LONGEST_PAUSE_S = 3600.0


@dataclass(frozen=True)
class PartFacts:
    """What joining needs to know of a file."""

    path: Path
    index: FrameIndex
    size: tuple[int, int]
    timecode: str = ""


@dataclass(frozen=True)
class Joined:
    """One time line.

    `first` holds the number of each part's first picture, `shift_s` what is added to each part's own times, `assumed` and
    `warnings` what had to be assumed and what is odd, in words.
    """

    index: FrameIndex
    first: tuple[int, ...]
    shift_s: tuple[float, ...]
    assumed: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()


def join(parts: Sequence[PartFacts]) -> Joined:
    """Return the common time line of the parts, in the order given.

    Notes
    -----
    The pause before a part comes, in this order, from timestamps that run on from the part before, from the time codes of
    both, or is assumed to be none, which is then said.

    Raises
    ------
    MediaError
        If pictures differ in size, or a part ends after the next begins.
    """
    if len(parts) == 1:
        return Joined(parts[0].index, (0,), (0.0,))
    base = Fraction(1, lcm(*(part.index.time_base.denominator for part in parts)))
    shifts: list[int] = [0]
    pauses: list[tuple[int, float]] = []
    assumed: list[str] = []
    warnings: list[str] = []
    count = len(parts[0].index)
    firsts = [0]
    for before, part in itertools.pairwise(parts):
        if part.size != parts[0].size:
            raise MediaError(
                f"has pictures of {part.size[0]} x {part.size[1]} px, the first part {parts[0].size[0]} x {parts[0].size[1]}.",
                where=part.path.name,
                hint="Only parts of one recording can be joined.",
            )
        end = _ticks(before.index, base, -1) + round(Fraction(int(before.index.durations[-1])) * before.index.time_base / base)
        end += shifts[-1]
        pause, how = _pause(before, part)
        if pause is None:
            assumed.append(f"no pause before part {len(firsts) + 1}: the files do not tell")
            pause = Fraction(0)
        else:
            warnings.append(f"pause of {float(pause):.3f} s before part {len(firsts) + 1}, from {how}")
        shifts.append(end + round(pause / base) - _ticks(part.index, base, 0))
        if pause > 0:
            pauses.append((count - 1, float(pause)))
        firsts.append(count)
        count += len(part.index)
    index = _merge(parts, base, shifts, tuple(pauses))
    return Joined(index, tuple(firsts), tuple(float(shift * base) for shift in shifts), tuple(assumed), tuple(warnings))


def _ticks(index: FrameIndex, base: Fraction, place: int) -> int:
    return round(Fraction(int(index.pts[place])) * index.time_base / base)


def _pause(before: PartFacts, part: PartFacts) -> tuple[Fraction | None, str]:
    """Return the measured pause between two parts and what tells it."""
    end = Fraction(int(before.index.pts[-1]) + int(before.index.durations[-1])) * before.index.time_base
    start = Fraction(int(part.index.pts[0])) * part.index.time_base
    length = end - Fraction(int(before.index.pts[0])) * before.index.time_base
    slack = Fraction(before.index.interval_s or 0.05).limit_denominator(100_000)
    if start > length / 2 and start > 1 and -slack <= start - end <= LONGEST_PAUSE_S:
        return max(start - end, Fraction(0)), "timestamps that run on"
    rate = before.index.average_rate
    first, second = _timecode(before.timecode, rate), _timecode(part.timecode, rate)
    if first is not None and second is not None:
        pause = second - first - length
        if -slack <= pause <= LONGEST_PAUSE_S:
            return max(pause, Fraction(0)) if abs(pause) > slack / 2 else Fraction(0), "time codes"
    return None, ""


def _timecode(text: str, rate: Fraction) -> Fraction | None:
    """Return the time of day of an SMPTE ST 12-1 time code; a semicolon or full stop marks dropped numbers."""
    match = re.fullmatch(r"(\d\d):(\d\d):(\d\d)([:;.])(\d\d)", text.strip())
    if not match or not rate:
        return None
    hours, minutes, seconds, frames = (int(match.group(n)) for n in (1, 2, 3, 5))
    nominal = max(1, round(rate))
    count = ((hours * 60 + minutes) * 60 + seconds) * nominal + frames
    if match.group(4) in ";.":
        total = hours * 60 + minutes
        count -= 2 * (nominal // 30) * (total - total // 10)
    exact = Fraction(nominal * 1000, 1001) if abs(float(rate) * 1001 / 1000 / nominal - 1) < 2e-4 else Fraction(nominal)
    return count / exact


def _merge(
    parts: Sequence[PartFacts], base: Fraction, shifts: Sequence[int], pauses: tuple[tuple[int, float], ...]
) -> FrameIndex:
    def scaled(values: np.ndarray, index: FrameIndex) -> np.ndarray:
        factor = index.time_base / base
        return np.asarray(values, dtype=np.int64) * factor.numerator // factor.denominator

    pts = np.concatenate([scaled(p.index.pts, p.index) + shift for p, shift in zip(parts, shifts, strict=True)])
    if (np.diff(pts) <= 0).any():
        raise MediaError("the parts overlap in time.", where=parts[0].path.name, hint="Name them in the order of recording.")
    first = parts[0].index
    return FrameIndex(
        pts=pts,
        durations=np.append(np.diff(pts), scaled(parts[-1].index.durations[-1:], parts[-1].index)),
        key=np.concatenate([p.index.key for p in parts]),
        damaged=np.concatenate([p.index.damaged for p in parts]),
        time_base=base,
        counted=any(p.index.counted for p in parts),
        decoded=all(p.index.decoded for p in parts),
        notes=tuple(dict.fromkeys(note for p in parts for note in p.index.notes)),
        packets=sum(p.index.packets for p in parts),
        bytes_total=sum(p.index.bytes_total for p in parts),
        header_frames=sum(p.index.header_frames for p in parts),
        header_rate=first.header_rate,
        pauses=pauses,
    )


__all__ = ["Joined", "PartFacts", "join"]

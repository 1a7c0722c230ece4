"""What the files' tags say of a common time: creation times and time codes, weak priors that are shown and never used alone."""

from __future__ import annotations

import re
from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np

from viewer.align.clock import Witness

if TYPE_CHECKING:
    from viewer.media.reader import ClipReader

_TIMECODE = re.compile(r"(\d{1,2}):(\d{2}):(\d{2})([:;.])(\d{2,3})")
_DAY_S = 86400.0


def tag_witnesses(reference: ClipReader, clip: ClipReader) -> list[Witness]:
    """Return the weak priors that both files carry."""
    return [found for found in (_creation(reference, clip), _timecode(reference, clip)) if found is not None]


def _tag(clip: ClipReader, ending: str) -> str:
    return next((str(value) for key, value in clip.info.metadata.items() if key.lower().endswith(ending)), "")


def _creation(reference: ClipReader, clip: ClipReader) -> Witness | None:
    """Creation times: whole seconds, of the start or the end, clocks set by hand."""
    found = []
    for one in (reference, clip):
        try:
            found.append(datetime.fromisoformat(_tag(one, "creation_time").replace("Z", "+00:00")).timestamp())
        except ValueError:
            return None
    if min(found) < 1e9:
        return None
    return Witness(
        kind="creation time",
        clip_s=np.zeros(1),
        scene_s=np.array([found[1] - found[0]]),
        sigma_s=np.array([max(5.0, abs(clip.index.end_s - reference.index.end_s))]),
        weak=True,
        notes=("from the files' tags: whole seconds, clocks set by hand",),
    )


def timecode_s(text: str, rate: float) -> float | None:
    """Return the time of day (s) of ``HH:MM:SS:FF`` at `rate` frames a second; None if it is none.

    With ``;`` before the frames, numbers are dropped (2 a minute, but every tenth, at 30000/1001; 4 at 60000/1001), so that
    the time code keeps to the clock (SMPTE ST 12-1).
    """
    made = _TIMECODE.fullmatch(text.strip())
    if made is None or rate <= 0:
        return None
    hours, minutes, seconds, frames = (int(made[k]) for k in (1, 2, 3, 5))
    whole = max(1, round(rate))
    if minutes > 59 or seconds > 59 or frames >= whole:
        return None
    count = (hours * 3600 + minutes * 60 + seconds) * whole + frames
    if made[4] in ";." and whole % 30 == 0:
        past = 60 * hours + minutes
        count -= whole // 15 * (past - past // 10)
    return count / rate


def _timecode(reference: ClipReader, clip: ClipReader) -> Witness | None:
    """Time codes of the first frames: right to a frame if the cameras' clocks were set alike, anything if not."""
    found = [timecode_s(_tag(one, "timecode"), float(one.info.average_rate)) for one in (reference, clip)]
    if found[0] is None or found[1] is None:
        return None
    between = (found[1] - found[0] + 0.5 * _DAY_S) % _DAY_S - 0.5 * _DAY_S
    starts = float(reference.index.times_s[0]) - float(clip.index.times_s[0])
    return Witness(
        kind="timecode",
        clip_s=np.zeros(1),
        scene_s=np.array([between + starts]),
        sigma_s=np.array([1.0]),
        weak=True,
        notes=("from the files' time codes: they count only if the cameras' clocks were set alike",),
    )


__all__ = ["tag_witnesses", "timecode_s"]

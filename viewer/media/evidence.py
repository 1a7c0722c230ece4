"""Signs of what happened to a clip before it came here: repeats, damage, noise that beats with the coding pattern."""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from viewer.media.describe import counted
from viewer.media.index import Cancelled, Progress

if TYPE_CHECKING:
    from viewer.media.frame import Frame
    from viewer.media.reader import ClipReader

DEFAULT_BUDGET_PX = 600_000_000
# A step of the mean noise between picture types beyond this share is called a coding pattern.
PATTERN = 0.15


@dataclass(frozen=True)
class Evidence:
    """What a decoding pass showed.

    Parameters
    ----------
    frames : int
        Pictures that decoded.
    whole : bool
        Whether the pass reached the end of the clip.
    repeated : tuple of int
        Numbers of pictures exactly equal, code for code, to the one before.
    damaged : tuple of int
        Numbers of pictures that may hold errors of a damaged file.
    missing : tuple of int
        Numbers that are in the index but did not decode.
    pattern : float
        By how much the change from picture to picture beats with the distance to the last key picture, as a share; 0 if it
        cannot be told.
    still : bool
        All pictures are equal: a still picture, not a recording.
    narrow_codes : bool
        Codes use most of the narrow range and never leave it, though full range is in use: the tag may be wrong.
    """

    frames: int
    whole: bool
    repeated: tuple[int, ...] = ()
    damaged: tuple[int, ...] = ()
    missing: tuple[int, ...] = ()
    pattern: float = 0.0
    still: bool = False
    narrow_codes: bool = False

    def words(self) -> list[str]:
        """Return what deserves mention, in words."""
        out = []
        if self.still and self.frames > 2:
            out.append("all pictures are exactly equal: a still picture, not a recording")
        elif self.repeated:
            out.append(f"exact repeats of the picture before: {len(self.repeated)} (first: {self.repeated[0]})")
        if self.damaged:
            out.append(f"damaged: {counted(len(self.damaged), 'picture')} (first: {self.damaged[0]})")
        if self.missing:
            out.append(f"not decoded: {counted(len(self.missing), 'picture')} (first: {self.missing[0]})")
        if self.narrow_codes:
            out.append("full range is in use, but codes keep to 16..235: if black looks grey, choose range narrow")
        if self.pattern > PATTERN:
            out.append(
                f"noise beats with the coding pattern by {100 * self.pattern:.0f} %: noise readings depend on the encoder"
            )
        return out

    def to_json(self) -> dict[str, Any]:
        """Return plain data."""
        return {
            "frames": self.frames,
            "whole": self.whole,
            "repeated": len(self.repeated),
            "repeated_first": list(self.repeated[:50]),
            "damaged": len(self.damaged),
            "damaged_first": list(self.damaged[:50]),
            "missing": len(self.missing),
            "missing_first": list(self.missing[:50]),
            "coding_pattern": self.pattern,
            "still": self.still,
            "narrow_codes": self.narrow_codes,
        }


def examine(
    clip: ClipReader, *, budget_px: int = DEFAULT_BUDGET_PX, progress: Progress = None, cancelled: Cancelled = None
) -> Evidence:
    """Decode from the start, up to a number of px, and say what is odd.

    Notes
    -----
    A repeat is exact equality of all luma codes.  The pattern compares the mean absolute luma change between pictures at the
    same place of the group of pictures: camera noise does not know where key pictures are.
    """
    area = clip.info.width * clip.info.height
    most = min(len(clip.index), max(0, budget_px // max(1, area)))
    if most == 0:
        return Evidence(0, False)
    repeated: list[int] = []
    damaged: list[int] = []
    seen: list[int] = []
    change: list[float] = []
    before: tuple[int, Any] | None = None
    lowest, highest = np.inf, -np.inf
    for frame in clip.frames(0, most, progress=progress, cancelled=cancelled):
        seen.append(frame.number)
        if frame.damaged:
            damaged.append(frame.number)
        print_, small = _fingerprint(frame)
        # Two in a thousand are left out at either end: codec ringing leaves the range that the camera used.
        low, high = np.percentile(small, [0.2, 99.8])
        lowest, highest = min(lowest, float(low)), max(highest, float(high))
        if before is not None:
            if before[0] == print_:
                repeated.append(frame.number)
            change.append(float(np.mean(np.abs(small - before[1]))))
        else:
            change.append(0.0)
        before = (print_, small)
    missing = sorted(set(range(most)) - set(seen))
    pattern = _pattern(np.array(change), clip.index.key[np.array(seen, dtype=np.int64)]) if len(seen) > 24 else 0.0
    still = len(seen) > 2 and len(repeated) == len(seen) - 1
    unit = 1 << (clip.info.bit_depth - 8)
    inside = lowest >= 15 * unit and highest <= 236 * unit and highest - lowest > 180 * unit
    return Evidence(
        len(seen),
        most == len(clip.index),
        tuple(repeated),
        tuple(damaged),
        tuple(missing),
        0.0 if still else pattern,
        still,
        inside and clip.info.range == "full" and clip.info.chroma != "rgb",
    )


def _fingerprint(frame: Frame) -> tuple[int, Any]:
    luma = frame.plane(0)
    check = zlib.crc32(np.ascontiguousarray(luma).data)
    step_y, step_x = max(1, luma.shape[0] // 64), max(1, luma.shape[1] // 64)
    return check, luma[::step_y, ::step_x].astype(np.float32)


def _pattern(change: Any, key: Any) -> float:
    """Return how far key pictures stand out from the others in change, as a share of the usual change."""
    places = np.flatnonzero(key)
    places = places[places > 0]
    if len(places) < 3:
        return 0.0
    rest = np.delete(change, np.append(places, 0))
    usual = float(np.median(rest)) if len(rest) else 0.0
    if usual <= 0:
        return 0.0
    return float(abs(np.median(change[places]) / usual - 1.0))


__all__ = ["DEFAULT_BUDGET_PX", "Evidence", "examine"]

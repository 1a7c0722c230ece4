"""Two regions lit by one phosphor: their light from luma alone, by a tint that they share.

Encoders leave the chroma of even patches a part of a whole code off, whatever noise was there, and each patch by another part;
decoded to light, that moves dark 8-bit patches by half a percent against each other.  It also matters that chroma noise is
smoothed before the light curve is undone.  Luma does neither.  A screen of one phosphor has one colour, so luma tells its
light, and an error of the shared tint moves both regions alike.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from viewer.errors import RegionError
from viewer.measure.regions import Rect
from viewer.media import ClipReader, Tint
from viewer.media.light import from_linear
from viewer.tasks.encoder import code_sigmas, code_slopes, encoder_of
from viewer.tasks.patches import Span

# Noise of a few pictures, and what a neutral pedestal does to a tint.
PLAY = 0.002
BEYOND = 2.5


@dataclass(frozen=True)
class OneColour:
    """The tint that two regions share, and what that may be wrong by.

    `doubt` is by how much the light of the darker region may be off against that of the brighter one, as a share (1 sigma).
    """

    tint: Tint
    doubt: float

    def step(self, level: float) -> float:
        """Return the light of one luma code step at a level of light."""
        table = self.tint.table
        at = int(np.clip(np.searchsorted(table, level), 1, len(table) - 2))
        return float(table[at + 1] - table[at - 1]) / 2.0


def one_colour(clip: ClipReader, bright: Rect, dark: Rect, frames: Span = (0, None)) -> OneColour | None:
    """Return what two regions of one colour share; None if their colours differ by more than chroma codes may be off.

    Parameters
    ----------
    clip : ClipReader
    bright, dark : Rect
        Upright px; the tint is that of `bright`.
    frames : (first, stop)
    """
    if clip.info.chroma in ("rgb", "400"):
        return None
    try:
        first, second = (clip.tint(rect, frames) for rect in (bright, dark))
    except RegionError:
        return None
    codes = [float(np.mean([clip.frame(n).luma(rect).mean() for n in _numbers(clip, frames)])) for rect in (bright, dark)]
    shares = [_share(first, second, code) for code in codes]
    allowed = [
        _chroma_share(clip, tint, code, rect.w * rect.h) for tint, code, rect in zip((first, second), codes, (bright, dark))
    ]
    if any(not math.isfinite(share) for share in (*shares, *allowed)):
        return None
    if abs(shares[1]) > BEYOND * math.hypot(*allowed) + PLAY:
        return None
    return OneColour(first, math.hypot(shares[1] - shares[0], 0.5 * shares[1]))


def _numbers(clip: ClipReader, frames: Span) -> tuple[int, ...]:
    last = (len(clip.index) if frames[1] is None else min(frames[1], len(clip.index))) - 1
    return tuple(sorted({frames[0], max(frames[0], last)}))


def _share(first: Tint, second: Tint, code: float) -> float:
    """By how much the light of a luma code differs between two tints."""
    places = np.arange(len(first.table))
    a, b = (float(np.interp(code, places, tint.table)) for tint in (first, second))
    return b / a - 1.0 if a > 0 else math.inf


def _chroma_share(clip: ClipReader, tint: Tint, code: float, pixels: int) -> float:
    """By how much light of a luma code may be off through its chroma codes, as a share (1 sigma)."""
    light = float(np.interp(code, np.arange(len(tint.table)), tint.table))
    if light <= 0:
        return math.inf
    signal = from_linear(clip.info.transfer, light * np.array(tint.ratios))
    slopes = np.array(clip.frame(0).setting.weights) @ code_slopes(clip, signal)
    sigmas = code_sigmas(clip, encoder_of(clip), pixels=pixels, blurred=True)
    return float(np.linalg.norm((slopes * sigmas)[1:])) / light


__all__ = ["OneColour", "one_colour"]

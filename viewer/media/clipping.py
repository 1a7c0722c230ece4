"""Where a recording clips: found from the pictures themselves, channel by channel.

A tinted picture clips in one channel first, so luma alone hides it.  Cameras clip at nominal white, at the end of the legal
codes, or somewhere of their own: whatever was brighter is squeezed into a pile at one level with hardly anything above.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

# A pile is looked for from here up; below, a second sign is asked for (another channel that still varies in it).
SURE_FROM = 0.97
SEARCH_FROM = 0.55
# Pixels that make a pile, and the most that codec noise may widen it, as signal.
LEAST_PIXELS = 12
WIDEST = 0.02


@dataclass(frozen=True)
class ClipLevels:
    """Signal at or above which R', G', B' (and Y' of grey clips) count as clipped.

    `source` says how each was found: ``end of codes``, ``nominal white``, or ``pile``.
    """

    red: float
    green: float
    blue: float
    source: tuple[str, str, str] = ("end of codes", "end of codes", "end of codes")

    @property
    def luma(self) -> float:
        """Level for one-channel clips."""
        return self.green

    def as_tuple(self) -> tuple[float, float, float]:
        """Levels of R', G', B'."""
        return self.red, self.green, self.blue


def end_of_codes(bits: int, code_range: str) -> float:
    """Return the signal of the last legal code, less three quarters of a code."""
    top = (1 << bits) - 1
    if code_range == "full":
        return (top - 0.75) / top
    # The highest 2**(bits - 8) codes are reserved for synchronisation (ITU-R BT.709-6, item 4.6).
    return (top - (1 << (bits - 8)) - 0.75 - (16 << (bits - 8))) / (219 << (bits - 8))


def code_step(bits: int, code_range: str) -> float:
    """Return the signal of one code."""
    return 1.0 / ((1 << bits) - 1) if code_range == "full" else 1.0 / (219 << (bits - 8))


def find_levels(samples: list[NDArray[np.float32]], bits: int, code_range: str) -> ClipLevels:
    """Return the clip levels that a few pictures show.

    Parameters
    ----------
    samples : list of ndarray of shape (h, w, channels)
        R'G'B' signals (or one grey channel), unclipped.
    bits, code_range
        As coded.

    Notes
    -----
    Per channel, in this order: (1) a pile at the top of the populated range: more pixels within a narrow band than just
    below it, hardly any above, at or above 97 % signal, or lower if another channel still varies inside it; (2) nothing above
    nominal white was seen: nominal white; (3) the end of the legal codes.
    """
    step = code_step(bits, code_range)
    end = end_of_codes(bits, code_range)
    pixels = [picture.reshape(-1, picture.shape[-1]) for picture in samples]
    joined = np.concatenate(pixels) if pixels else np.zeros((0, 1), dtype=np.float32)
    levels, sources = [], []
    for channel in range(joined.shape[1]):
        level, source = _one(joined, channel, step, end)
        levels.append(level)
        sources.append(source)
    if len(levels) == 1:
        levels, sources = levels * 3, sources * 3
    return ClipLevels(levels[0], levels[1], levels[2], (sources[0], sources[1], sources[2]))


def _one(joined: NDArray[np.float32], channel: int, step: float, end: float) -> tuple[float, str]:
    values = joined[:, channel]
    pile = _pile(joined, channel, step)
    if pile is not None:
        return min(pile, end), "pile"
    above = int(np.count_nonzero(values > 1.0 + max(2.5 * step, 0.012)))
    if end > 1.0 and above < max(20, 2e-5 * len(values)):
        return 1.0 - 0.75 * step, "nominal white"
    return end, "end of codes"


def _pile(joined: NDArray[np.float32], channel: int, step: float) -> float | None:
    """Return the threshold of a pile at the top of a channel, or None."""
    values = joined[:, channel]
    values = values[values > SEARCH_FROM]
    if len(values) < LEAST_PIXELS:
        return None
    width = min(max(step, 1 / 512), WIDEST / 2)
    bins = np.bincount(((values - SEARCH_FROM) / width).astype(np.int64), minlength=8)
    # Highest bin that stands out from all above it together.
    above = np.concatenate([np.cumsum(bins[::-1])[::-1][1:], [0]])
    window = bins + np.concatenate([bins[1:], [0]])
    best = int(np.argmax(np.where(window > 0, window * (above < 0.6 * window + 1), 0)[-_reach(bins, width) :]))
    best += len(bins) - min(_reach(bins, width), len(bins))
    low = SEARCH_FROM + best * width
    inside = values[(values >= low) & (values < low + 2 * width)]
    if len(inside) < LEAST_PIXELS:
        return None
    mode = float(np.median(inside))
    if not _squeezed(values, mode, width):
        return None
    spread = _spread(values, mode, step)
    if mode < SURE_FROM and not _others_vary(joined, channel, mode, spread):
        return None
    return mode - spread


def _reach(bins: NDArray[np.int64], width: float) -> int:
    """How many bins from the top of the populated range down a pile is looked for (8 % of signal)."""
    filled = np.flatnonzero(bins)
    return len(bins) - int(filled[-1]) + round(0.08 / width) if len(filled) else len(bins)


def _squeezed(values: NDArray[np.float32], mode: float, width: float) -> bool:
    """Whether the band about the mode holds more than the bands below, and few pixels lie above."""
    band = max(3 * width, 0.006)
    here = np.count_nonzero(np.abs(values - mode) <= band)
    below = [np.count_nonzero((values < mode - band * k) & (values >= mode - band * (k + 2))) for k in (1, 3, 5)]
    over = np.count_nonzero(values > mode + WIDEST)
    return bool(here > 2.0 * np.median(below) and over < 0.15 * here)


def _spread(values: NDArray[np.float32], mode: float, step: float) -> float:
    """How far below its level a pile reaches: as far as codec noise lifts pixels above it, where nothing real can be."""
    over = values[values > mode] - mode
    lift = float(np.percentile(over, 80)) if len(over) > 4 else 0.0
    return float(np.clip(1.6 * lift, 1.25 * step, WIDEST))


def _others_vary(joined: NDArray[np.float32], channel: int, mode: float, spread: float) -> bool:
    """Whether another channel differs by more than a tenth inside the pile: one even colour would not do that."""
    inside = joined[np.abs(joined[:, channel] - mode) <= spread]
    for other in range(joined.shape[1]):
        if other == channel or len(inside) < 4 * LEAST_PIXELS:
            continue
        low, mid, high = np.percentile(inside[:, other], [10, 50, 90])
        if high - low > max(0.1 * mid, 6 * spread, 0.03):
            return True
    return False


__all__ = ["ClipLevels", "code_step", "end_of_codes", "find_levels"]

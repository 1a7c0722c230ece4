"""Where a recording clips: found from the pictures themselves, channel by channel.

A tinted picture clips in one channel first, so luma alone hides it.  Cameras clip at nominal white, at the end of the legal
codes, or somewhere of their own; the encoder then smears the flat top a little both ways.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from viewer.cv import cv2
from viewer.media.linearise import index_of_signal

# Signal above nominal white that codec ringing does not reach; how near to a level a pile lies.
RINGING = 0.03
NEAR = 0.02
# A pile below nominal white is looked for from here up, and needs the second sign of `_own_level`.
OWN_FROM = 0.6
OWN_PIXELS = 60
OWN_GAIN = 8.0
# How far around a flat place its flank is followed, px.
REACH = 8
# By how much the slopes of two such places must differ.
UNLIKE = 1.4
# Up to how many clipped pixels, and how far from them, a flat top is followed pixel by pixel.
FEW_SEEDS = 4000
MOST_RINGS = 64
# The most that codec noise may widen a level, as signal.
WIDEST = 0.03


@dataclass(frozen=True)
class ClipLevels:
    """Signal at or above which R', G', B' (of one-channel clips: Y') count as clipped.

    Parameters
    ----------
    red, green, blue : float
        Levels.
    spread : tuple of float
        How far below its level each channel's flat top reaches through codec noise; pixels that touch a clipped one count
        down to there.
    source : tuple of str
        How each level was found: ``nominal white``, ``end of codes`` or ``flat top``.
    """

    red: float
    green: float
    blue: float
    spread: tuple[float, float, float] = (0.0, 0.0, 0.0)
    source: tuple[str, str, str] = ("end of codes", "end of codes", "end of codes")

    def as_tuple(self) -> tuple[float, float, float]:
        """Levels of R', G', B'."""
        return self.red, self.green, self.blue

    def masks_of(self, indexes: tuple[NDArray[np.uint16], ...]) -> tuple[NDArray[np.bool_] | None, NDArray[np.bool_] | None]:
        """Return which pixels are surely clipped, and which are if they touch one that is (None: no pixel at all).

        `indexes` are table indexes of the channels; see `viewer.media.linearise`.
        """
        sure: NDArray[np.bool_] | None = None
        maybe: NDArray[np.bool_] | None = None
        for channel, index in enumerate(indexes):
            level, from_here = self._places[1 if len(indexes) == 1 else channel]
            # Nearly all of nearly all pictures lies below: one look at the brightest pixel settles it.
            top = int(index.max(initial=0))
            if top >= level:
                over = index >= np.uint16(level)
                sure = over if sure is None else sure | over
            if from_here < level and top >= from_here:
                near = index >= np.uint16(from_here)
                maybe = near if maybe is None else maybe | near
        return sure, maybe

    @cached_property
    def _places(self) -> tuple[tuple[int, int], ...]:
        """Table index of each level, and of where its flat top begins."""
        pairs = zip(self.as_tuple(), self.spread, strict=True)
        return tuple((index_of_signal(level), index_of_signal(level - spread)) for level, spread in pairs)

    def to_list(self) -> list[object]:
        """Return plain data."""
        return [*self.as_tuple(), *self.spread, *self.source]


def levels_from(record: object) -> ClipLevels | None:
    """Return levels of `ClipLevels.to_list`, None if damaged."""
    if not isinstance(record, list) or len(record) != 9:
        return None
    try:
        numbers = [float(value) for value in record[:6]]
    except (TypeError, ValueError):
        return None
    texts = [str(value) for value in record[6:]]
    return ClipLevels(numbers[0], numbers[1], numbers[2], (numbers[3], numbers[4], numbers[5]), (texts[0], texts[1], texts[2]))


def grown(sure: NDArray[np.bool_], maybe: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the pixels of `sure`, and those of `maybe` connected to one of them."""
    seeds = np.flatnonzero(sure)
    if not len(seeds):
        return sure
    few = _grown_from(seeds, sure, maybe) if len(seeds) <= FEW_SEEDS else None
    if few is not None:
        return few
    both = (sure | maybe).astype(np.uint8)
    _, labels = cv2.connectedComponents(both, connectivity=8)
    keep = np.zeros(int(labels.max()) + 1, dtype=bool)
    keep[np.unique(labels[sure])] = True
    keep[0] = False
    return np.asarray(keep[labels])


def _grown_from(seeds: NDArray[np.intp], sure: NDArray[np.bool_], maybe: NDArray[np.bool_]) -> NDArray[np.bool_] | None:
    """Grow ring by ring: much cheaper than labelling the whole where little is clipped; None if it takes too many rings."""
    rows, cols = sure.shape
    wide = cols + 2
    free = np.zeros((rows + 2, wide), dtype=bool)
    np.logical_or(sure, maybe, out=free[1:-1, 1:-1])
    left = free.ravel()
    around = np.array([-wide - 1, -wide, -wide + 1, -1, 1, wide - 1, wide, wide + 1])
    out = np.zeros_like(free)
    taken = out.ravel()
    front = (seeds // cols + 1) * wide + seeds % cols + 1
    for _ in range(MOST_RINGS):
        taken[front], left[front] = True, False
        beside = (front[:, None] + around).ravel()
        front = np.unique(beside[left[beside]])
        if not len(front):
            return out[1:-1, 1:-1]
    return None


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
    Per channel.  If much lies beyond nominal white and codec ringing, the camera uses the codes up to their end, and clips
    there.  Otherwise nominal white is the limit.  A flat top lower down is believed only if another channel goes on changing
    across it, or if unlike slopes end at one level: an evenly lit patch would look the same otherwise.
    """
    step, end = code_step(bits, code_range), end_of_codes(bits, code_range)
    channels = samples[0].shape[-1] if samples else 1
    found = [_one(samples, channel, step, end) for channel in range(channels)]
    red, green, blue = found if channels == 3 else [found[0]] * 3
    return ClipLevels(red[0], green[0], blue[0], (red[1], green[1], blue[1]), (red[2], green[2], blue[2]))


def _one(samples: list[NDArray[np.float32]], channel: int, step: float, end: float) -> tuple[float, float, str]:
    """Level, spread and source of one channel."""
    values = np.concatenate([picture[..., channel].ravel() for picture in samples]) if samples else np.zeros(0, np.float32)
    white = 1.0 - 0.75 * step
    if end <= 1.0:
        level, source = min(white, end), "end of codes"
    else:
        beyond = np.count_nonzero(values > 1.0 + RINGING)
        pile = np.count_nonzero(np.abs(values - 1.0) <= NEAR)
        if beyond > max(8, 0.25 * pile):
            level, source = _near_end(values, end), "end of codes"
        else:
            level, source = white, "nominal white"
    own = _own_level(samples, channel, values, min(level, 1.0), step)
    if own is not None:
        level, source = own, "flat top"
    return level, _spread(values, level, step), source


def _near_end(values: NDArray[np.float32], end: float) -> float:
    """Return the level of a pile just below the end of the codes, else the end."""
    top = values[values > end - 3 * NEAR / 2]
    if len(top) < 30:
        return end
    counts, edges = np.histogram(top, np.linspace(end - 3 * NEAR / 2, end + NEAR, 36))
    best = int(np.argmax(np.convolve(counts, np.ones(5), mode="same")))
    mode = float(edges[best] + edges[best + 1]) / 2
    for reach in (0.006, 0.014):
        if mode >= end - NEAR and np.count_nonzero(np.abs(top - mode) <= reach) > 0.6 * len(top):
            return min(end, mode - reach / 2)
    return end


def _spread(values: NDArray[np.float32], level: float, step: float) -> float:
    """How far below its level a flat top reaches: about as far as codec noise lifts pixels above it, where no light is."""
    over = values[(values > level + step) & (values < level + 2 * WIDEST)] - level
    lift = float(np.percentile(over, 80)) if len(over) >= 12 else 0.0
    return float(min(max(2.5 * lift, 1.5 * step), WIDEST))


def _own_level(
    samples: list[NDArray[np.float32]], channel: int, values: NDArray[np.float32], limit: float, step: float
) -> float | None:
    """Return a level below nominal white at which a channel is flat while another goes on changing, or None."""
    top = values[values > OWN_FROM]
    if len(top) < OWN_PIXELS:
        return None
    ceiling = float(np.percentile(top, 99.8)) if len(top) > 2000 else float(np.sort(top)[-max(2, len(top) // 500)])
    width = max(2 * step, 0.006)
    edges = np.arange(ceiling - 8 * width, ceiling + 2 * width, width / 2)
    counts, _ = np.histogram(top, edges)
    best = int(np.argmax(counts[:-1] + counts[1:]))
    mode = float(edges[best + 1])
    if mode > limit - NEAR or np.count_nonzero(top > mode + NEAR) > 0.1 * np.count_nonzero(np.abs(top - mode) <= width):
        return None
    if samples[0].shape[-1] == 3 and _others_go_on(samples, channel, mode, width):
        return mode - width
    return mode - width if _places_agree(samples, channel, mode, width, step) else None


def _places_agree(samples: list[NDArray[np.float32]], channel: int, mode: float, width: float, step: float) -> bool:
    """Whether several separate places rise steadily and end at the very same level, as nothing but a limit makes them.

    An evenly lit patch ends at a sharp edge, or levels off towards its top; a peak is rounded; a single pool of light may have
    a flat middle of its own; patches of one chart are alike.  Two unlike slopes that are cut off at one level are believed.
    """
    for picture in samples:
        plane = np.ascontiguousarray(picture[..., channel])
        count, labels, stats, _ = cv2.connectedComponentsWithStats((plane > mode - width).astype(np.uint8), connectivity=8)
        order = np.argsort(-stats[1:count, cv2.CC_STAT_AREA])[:40] + 1
        slopes: list[float] = []
        looked_at = 0
        for place in order:
            left, top, wide, high, area = (int(value) for value in stats[place][:5])
            if area < 6:
                break
            looked_at += 1
            rows, cols = slice(max(0, top - REACH), top + high + REACH), slice(max(0, left - REACH), left + wide + REACH)
            slope = _cut_off_slope(plane[rows, cols], labels[rows, cols] == place, mode, width, step)
            if slope > 0:
                slopes.append(slope)
        if len(slopes) >= max(2, looked_at / 2) and max(slopes) > UNLIKE * min(slopes):
            return True
    return False


def _cut_off_slope(plane: NDArray[np.float32], inside: NDArray[np.bool_], mode: float, width: float, step: float) -> float:
    """Return the fall over 2 px beside a flat place if a slope ends there: as steep next to it as further out; else 0."""
    if float(np.median(plane[inside])) > mode + width:
        return 0.0
    away = cv2.distanceTransform((~inside).astype(np.uint8), cv2.DIST_L2, 5)
    rings = [plane[(away > k - 0.5) & (away <= k + 0.5)] for k in range(1, REACH)]
    if min(len(ring) for ring in rings) < 6:
        return 0.0
    m = [float(np.median(ring)) for ring in rings]
    near, far, beyond = m[0] - m[2], m[2] - m[4], m[4] - m[6]
    around = plane[(away > 0) & (away < REACH)]
    next_below = np.count_nonzero((around > mode - 3 * width) & (around <= mode - width)) / 2
    steady = far > 6 * step and 0.75 * far < near < 1.8 * far and beyond > 0.5 * far
    return far if steady and np.count_nonzero(inside) > 2.5 * next_below else 0.0


def _others_go_on(samples: list[NDArray[np.float32]], channel: int, mode: float, width: float) -> bool:
    """Whether, inside the flat top, another channel still changes from pixel to pixel far more than this one does."""
    flat_own = flat_other = lit_own = lit_other = 0.0
    count = 0
    for picture in samples:
        steps = np.abs(np.diff(picture, axis=1))
        left, right = picture[:, :-1, channel], picture[:, 1:, channel]
        flat = (np.abs(left - mode) <= width) & (np.abs(right - mode) <= width)
        lit = (left > 0.3) & (left < mode - 4 * width) & (steps[..., channel] > 2 * width)
        other = steps[..., [n for n in range(3) if n != channel]].max(axis=-1)
        count += int(np.count_nonzero(flat & (other > 3 * width)))
        flat_own += float(steps[..., channel][flat].sum())
        flat_other += float(other[flat].sum())
        lit_own += float(steps[..., channel][lit].sum())
        lit_other += float(other[lit].sum())
    if count < OWN_PIXELS or not lit_own or not flat_own:
        return False
    return flat_other / flat_own > OWN_GAIN * max(lit_other / lit_own, 0.2)


__all__ = ["ClipLevels", "code_step", "end_of_codes", "find_levels", "grown", "levels_from"]

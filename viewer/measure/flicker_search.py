"""Coarse search for waves that run along the rows and from frame to frame.

A pulsing light leaves ``cos(2 pi (f t[n] + f t_row r))`` in row ``r`` of frame ``n``.  Over frames it appears at an alias
``g`` (f minus a multiple of the frame rate), over rows as ``q`` periods in the picture.  The search looks at all pairs
``(g, q)`` at once; q is signed so that ``g >= 0``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from viewer.measure.flicker_rows import Relative
from viewer.measure.flicker_sampling import Clock

Floats = NDArray[np.float64]

TIME_PADDING = 4
UNEVEN_HIGHEST_HZ = 3000.0
"""End of the search in clips whose frames lie on no grid: there every frequency has an alias of its own."""
MOST_PERIODS = 100
LOUD = 0.05
"""A wave of this amplitude, the largest of all, is looked at however high the floor stands around it."""
LOUD_HEIGHT = 3.0
ROW_PADDING = 2


@dataclass(frozen=True, slots=True)
class Peak:
    """One candidate wave: alias `g_hz` (>= 0), `q` periods over the rows (signed), height above the local floor."""

    g_hz: float
    q: float
    height: float
    group: int


@dataclass(frozen=True, slots=True)
class Plane:
    """Power over the floor, for alias (rows) and periods in the picture (columns)."""

    g_hz: Floats
    q: Floats
    height: Floats
    amplitude: Floats
    group: NDArray[np.int64]


def centred(x: Floats, weight: Floats) -> Floats:
    """Remove each frame's weighted mean over rows and each row's mean over frames; shape (N, R)."""
    total = weight.sum()
    out = x - (x @ weight / total)[:, None]
    return np.asarray(out - out.mean(axis=0), float)


def _spectrum(y: Floats, clock: Clock, g_hz: Floats, rows_padded: int) -> NDArray[np.complex64]:
    """Transform (N, R) to (alias, periods)."""
    n = y.shape[0]
    window = np.hanning(n + 2)[1:-1]
    tapered = (y * (window / window.mean())[:, None]).astype(np.float32)
    if clock.regular:
        over_time = fft.rfft(tapered, TIME_PADDING * n, axis=0)[: g_hz.size]
    else:
        turn = np.exp(-2j * np.pi * g_hz[:, None] * clock.times_s[None, :]).astype(np.complex64)
        if clock.comb_hz is None:
            over_rows = np.asarray(fft.fft(tapered, rows_padded, axis=1), np.complex64)
            return np.asarray(turn @ over_rows[:, np.abs(periods(rows_padded, y.shape[1])) <= MOST_PERIODS], np.complex64)
        over_time = turn @ tapered
    return np.asarray(fft.fft(over_time, rows_padded, axis=1), np.complex64)


def periods(padded: int, rows: int) -> Floats:
    """Return the periods in the picture of every bin of a padded transform over rows."""
    return np.asarray(fft.fftfreq(padded, 1.0 / padded) / padded * rows)


def alias_grid(clock: Clock) -> Floats:
    """Return the aliases that are searched (Hz)."""
    n = clock.times_s.size
    if clock.regular:
        return np.arange(TIME_PADDING * n // 2 + 1) * clock.rate / (TIME_PADDING * n)
    highest = 0.5 * clock.comb_hz if clock.comb_hz is not None else UNEVEN_HIGHEST_HZ
    return np.arange(0.0, min(highest, UNEVEN_HIGHEST_HZ), 0.4 / clock.duration_s)


def _floor(power: Floats, *, shaped: bool = True) -> Floats:
    """Return the local floor of a power plane: a level per alias times, if `shaped`, a shape per period count."""
    per_alias = np.median(power, axis=1, keepdims=True) / np.log(2.0)
    per_alias = np.maximum(per_alias, 1e-3 * np.median(per_alias) + 1e-30)
    if not shaped:
        return np.asarray(np.broadcast_to(per_alias, power.shape))
    shape = np.median(power / per_alias, axis=0, keepdims=True) / np.log(2.0)
    # the same for both directions: what merely stands and shakes has no direction
    return np.asarray(np.maximum(per_alias * np.maximum(shape, np.roll(shape[:, ::-1], 1, axis=1)), 1e-30))


def search_plane(data: Relative, *, groups: int = 6) -> Plane:
    """Return the strongest wave over the floor per alias and period count, over all blocks and over groups of blocks.

    Light that pulses only in part of the picture stands out in its own group.
    """
    g_hz = alias_grid(data.clock)
    rows = data.x.shape[1]
    padded = fft.next_fast_len(ROW_PADDING * rows)
    blocks = data.x.shape[2]
    height = amplitude = group = None
    parts = [np.arange(blocks)]
    if blocks >= 2 and data.clock.comb_hz is not None:
        parts += [part for part in np.array_split(np.arange(blocks), min(groups, blocks)) if part.size]
    for index, part in enumerate(parts):
        weight = np.zeros_like(data.weight)
        weight[:, part] = data.weight[:, part]
        if (weight.sum(axis=1) > 0).sum() < 8:
            continue
        mean, total = data.combine(weight)
        spectrum = _spectrum(centred(mean, total) * total, data.clock, g_hz, padded)
        power = np.square(np.abs(spectrum)).astype(float)
        # with gaps a strong wave shows its spacing at all aliases, and without exact aliases at all frequencies
        if data.clock.comb_hz is not None:
            floor = _floor(power, shaped=data.clock.regular)
        else:
            floor = np.full((1, 1), np.median(power) / np.log(2.0) + 1e-30)
        over = power / floor
        size = 2.0 * np.sqrt(power) / (total.sum() * data.x.shape[0])
        if height is None or amplitude is None or group is None:
            height, amplitude, group = over, size, np.zeros(over.shape, np.int64)
        else:
            better = over > height
            height[better], group[better] = over[better], index
    if height is None or amplitude is None or group is None:
        raise ValueError("no rows with light")
    q = periods(padded, rows)
    if data.clock.comb_hz is None:
        q = q[np.abs(q) <= MOST_PERIODS]
    order = np.argsort(q)
    return Plane(g_hz, q[order], height[:, order], amplitude[:, order], group[:, order])


def find_peaks(plane: Plane, *, count: int = 10, least: float = 12.0, duration_s: float, least_q: float = 0.15) -> list[Peak]:
    """Return the highest separate peaks of a plane."""
    height = np.where(np.abs(plane.q)[None, :] >= least_q, plane.height, 0.0)
    height[plane.g_hz < 0.3 / duration_s] = 0.0
    loud = np.where(height >= LOUD_HEIGHT, plane.amplitude, 0.0)
    peaks: list[Peak] = []
    step = plane.g_hz[1] - plane.g_hz[0]
    near_g = max(1, round(2.5 / duration_s / step))
    near_q = max(1, round(2.5 / (plane.q[1] - plane.q[0])))
    for _ in range(count):
        i, j = np.unravel_index(int(np.argmax(height)), height.shape)
        top = height[i, j]
        if top < least:
            break
        # the floor rises at a strong line's own alias, so its shoulders may stand higher over theirs: climb to the line itself
        rows = slice(max(0, i - near_g), i + near_g + 1)
        columns = slice(max(0, j - near_q), j + near_q + 1)
        beside = np.where(height[rows, columns] > 0.0, plane.amplitude[rows, columns], 0.0)
        di, dj = np.unravel_index(int(np.argmax(beside)), beside.shape)
        i, j = rows.start + di, columns.start + dj
        peaks.append(Peak(float(plane.g_hz[i]), float(plane.q[j]), float(top), int(plane.group[i, j])))
        here = (slice(max(0, i - near_g), i + near_g + 1), slice(max(0, j - near_q), j + near_q + 1))
        height[here] = loud[here] = 0.0
    # steps of exposure and clipped rows spread a strong wave over all aliases, and its own sidebands raise the floor above it
    i, j = np.unravel_index(int(np.argmax(loud)), loud.shape)
    if loud[i, j] > max(LOUD, *(plane.amplitude[_nearest(plane, peak)] for peak in peaks), 0.0):
        peaks.append(Peak(float(plane.g_hz[i]), float(plane.q[j]), float(height[i, j]), int(plane.group[i, j])))
    return peaks


def _nearest(plane: Plane, peak: Peak) -> tuple[int, int]:
    return int(np.argmin(np.abs(plane.g_hz - peak.g_hz))), int(np.argmin(np.abs(plane.q - peak.q)))


__all__ = ["Peak", "Plane", "alias_grid", "centred", "find_peaks", "periods", "search_plane"]

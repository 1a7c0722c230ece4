"""Sudden beginnings of sound (claps, knocks), and which of one recording belong to which of another."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.signal import butter, sosfilt
from scipy.stats import poisson

_STRETCH_S = 1.0e-4
_FAINT = 0.004
_ECHO = 0.025
# A lead as long as this may be an echo of the encoder as well as the beginning.
_LONG_S = 1.2e-3
_BANDS_HZ = (300, 600, 1200, 2400, 4800, 9600)


@dataclass(frozen=True)
class Onsets:
    """Times after the first sample (s), rise (dB) over what went before, shape of the spectrum, error of the time (s) of each.

    `begin_s`, `end_s`: the stretch of sound that was searched.
    """

    time_s: np.ndarray
    rise_db: np.ndarray
    colour: np.ndarray
    sigma_s: np.ndarray
    begin_s: float = 0.0
    end_s: float = math.inf

    def only(self, chosen: np.ndarray) -> Onsets:
        """The chosen ones (bool, one an onset)."""
        return Onsets(
            self.time_s[chosen], self.rise_db[chosen], self.colour[chosen], self.sigma_s[chosen], self.begin_s, self.end_s
        )


@dataclass(frozen=True)
class Match:
    """Which onsets belong together, and how far this lies above chance.

    `rivals_s` are other offsets (s) that explain what was heard as well: events at even intervals.
    """

    reference_index: np.ndarray
    clip_index: np.ndarray
    score: float
    rivals_s: tuple[float, ...] = ()


def find_onsets(samples: np.ndarray, rate_hz: int, *, most: int = 60, least_db: float = 9.0) -> Onsets:
    """Find where the sound suddenly rises, to a tenth of a millisecond.

    The rise is found in the energy above 500 Hz in steps of 1 ms; its moment is where the first samples stand clear of what
    went before.
    """
    edge = min(500.0, 0.2 * rate_hz)
    high = sosfilt(butter(2, edge, "highpass", fs=rate_hz, output="sos"), np.asarray(samples, np.float64))
    block = max(1, round(0.001 * rate_hz))
    count = len(high) // block
    if count < 40:
        return Onsets(np.zeros(0), np.zeros(0), np.zeros((0, len(_BANDS_HZ) - 1)), np.zeros(0))
    power = (high[: count * block].reshape(count, block) ** 2).mean(axis=1)
    floor = max(float(np.median(power)) * 1e-3, 1e-14)
    sums = np.concatenate([[0.0], np.cumsum(power)])
    k = np.arange(count)
    lo = np.maximum(k - 20, 0)
    before = (sums[np.maximum(k - 1, lo + 1)] - sums[lo]) / np.maximum(np.maximum(k - 1, lo + 1) - lo, 1)
    hi = np.minimum(k + 3, count)
    after = (sums[hi] - sums[k]) / np.maximum(hi - k, 1)
    rise = 10.0 * np.log10((after + floor) / (before + floor))
    rise[:10] = 0
    # A rise counts by itself and by how far it stands over the usual scatter of rises.
    usual = float(np.percentile(rise, 90))
    wanted = max(least_db, usual + 4.0)
    out: list[tuple[float, float, float]] = []
    left = rise.copy()
    loud = 10.0 * np.log10(after + floor)
    left[loud < loud.max() - 40] = 0
    for _ in range(most):
        peak = int(np.argmax(left))
        if left[peak] < wanted:
            break
        out.append((*_beginning(high, peak * block, rate_hz), float(left[peak])))
        left[max(0, peak - 60) : peak + 61] = 0
    out.sort()
    time, sigma, dbs = (np.array([one[k] for one in out]) for k in range(3))
    return Onsets(time, dbs, _colours(high, time, rate_hz), sigma, 0.0, len(high) / rate_hz)


def _beginning(high: np.ndarray, near: int, rate_hz: int) -> tuple[float, float]:
    """Time (s) at which the burst around sample `near` begins, and its 1-sigma error.

    The first short stretch that stands clear of what went before it is the beginning.  An encoder smears a faint echo of a
    burst ahead of it: that echo is part of what went before.  A burst that rises slowly, or begins softly by chance, is known
    less well: its error grows with the time from there to a quarter of its power.
    """
    ms = 0.001 * rate_hz
    begin = max(0, near - round(14 * ms))
    part = high[begin : min(len(high), near + round(5 * ms))] ** 2
    width = max(3, round(_STRETCH_S * rate_hz))
    short = np.convolve(part, np.ones(width) / width)[width - 1 :]  # the stretch that starts at each sample
    top = int(np.argmax(short))
    strong = int(np.nonzero(short[: top + 1] > 0.25 * short[top])[0][0])
    quiet = part[: max(strong - round(4 * ms), 6)]
    level = float(np.median(np.convolve(quiet, np.ones(width) / width, mode="valid"))) if len(quiet) > width else 0.0
    limit = float(np.clip(8.0 * level, _FAINT * short[top], 0.25 * short[top]))
    first = _lasting(short, limit, strong, max(2 * width, round(0.7 * ms)))
    lead = short[first : max(strong - round(0.4 * ms), first)]
    faint = _ECHO * (2.0 if len(lead) > 1.2 * ms else 1.0)
    smeared = len(lead) > 0 and float(np.mean(lead)) < faint * short[top]
    if smeared:
        limit = float(np.clip(4.0 * np.percentile(lead, 90), limit, 0.25 * short[top]))
        first = _lasting(short, limit, strong, max(2 * width, round(0.7 * ms)))
    inside = np.nonzero(part[first : first + width] > limit)[0]
    change = first + (int(inside[0]) if len(inside) else 0)
    rise_s = max(strong - first, 0) / rate_hz
    blind = limit / float(short[top])  # 0.25: the beginning itself is hidden
    sigma_s = math.hypot(3e-5 + 6e-4 * blind, (0.4 if smeared or rise_s > _LONG_S else 0.12) * rise_s)
    return float((begin + change) / rate_hz), float(sigma_s)


def _lasting(short: np.ndarray, limit: float, strong: int, long: int) -> int:
    """The first stretch above the limit that most of what follows keeps to: noise rises above it for a moment only."""
    above = (short > limit).astype(float)
    kept = np.convolve(np.append(above, np.ones(long - 1)), np.ones(long) / long, mode="valid")
    found = np.nonzero((above[: strong + 1] > 0) & (kept[: strong + 1] > 0.6))[0]
    return int(found[0]) if len(found) else strong


def _colours(high: np.ndarray, time: np.ndarray, rate_hz: int) -> np.ndarray:
    """Log power in octave bands over 20 ms after each onset, mean taken off."""
    length = round(0.02 * rate_hz)
    hertz = np.fft.rfftfreq(length, 1.0 / rate_hz)
    out = np.zeros((len(time), len(_BANDS_HZ) - 1))
    for row, t in enumerate(time):
        k = round(t * rate_hz)
        part = high[k : k + length]
        spectrum = np.abs(np.fft.rfft(part, length)) ** 2
        for column, (lo, hi) in enumerate(pairwise(_BANDS_HZ)):
            inside = (hertz >= lo) & (hertz < hi)
            out[row, column] = math.log10(float(spectrum[inside].sum()) + 1e-20) if inside.any() else 0.0
    return np.asarray(out - out.mean(axis=1, keepdims=True) if len(out) else out)


def match_onsets(
    reference: Onsets, clip: Onsets, *, shift_s: float = 0.0, search_s: tuple[float, float] | None = None
) -> Match | None:
    """Pair the onsets of two recordings by the one offset that brings most of them together.

    Parameters
    ----------
    shift_s : float
        Start of the reference minus start of the clip (s), added to differences of `time_s`.

    Returns
    -------
    Match or None
        None if no offset brings together more than chance would, or if a single pair differs in its sound.
    """
    na, nb = len(reference.time_s), len(clip.time_s)
    if na == 0 or nb == 0:
        return None
    d = reference.time_s[:, None] - clip.time_s[None, :]
    ok = np.ones_like(d, bool)
    if search_s is not None:
        ok = (d + shift_s >= search_s[0]) & (d + shift_s <= search_s[1])
    if not ok.any():
        return None
    tolerance = 1.0e-3
    weight = np.sqrt(np.outer(reference.rise_db, clip.rise_db)) / 10.0
    alike = np.sqrt(((reference.colour[:, None, :] - clip.colour[None, :, :]) ** 2).mean(axis=2)) < 0.6
    tried: list[tuple[float, float, np.ndarray, np.ndarray]] = []
    for i, j in zip(*np.nonzero(ok & alike), strict=True):
        a, b = _pairs(d - d[i, j], tolerance, clip.time_s - clip.time_s[j])
        tried.append((float(weight[a, b].sum()), float(d[i, j]), a, b))
    if not tried:
        return None
    _, offset, a, b = max(tried, key=lambda one: one[0])
    hits = len(a)
    # Chance: further pairs within the tolerance, at the best of all na * nb offsets that were tried.
    span = max(float(np.ptp(reference.time_s)), float(np.ptp(clip.time_s)), 1.0)
    expected = (min(na, nb) - 1) * max(na, nb) * 2.0 * tolerance / span
    chance = na * nb * float(poisson.sf(hits - 2, expected)) if hits > 1 else 1.0
    if hits == 1:
        strong = reference.rise_db[a[0]] >= 0.999 * reference.rise_db.max() and clip.rise_db[b[0]] >= 0.999 * clip.rise_db.max()
        only = (reference.rise_db > 0.7 * reference.rise_db.max()).sum() == 1 and (
            clip.rise_db > 0.7 * clip.rise_db.max()
        ).sum() == 1
        if not (strong and only and min(reference.rise_db[a[0]], clip.rise_db[b[0]]) > 12.0):
            return None
        return Match(a, b, 3.0)
    if hits < 0.34 * min(na, nb) or chance > 0.01:
        return None
    rivals = _rivals(reference, clip, tried, offset, hits)
    return Match(a, b, min(-math.log10(chance + 1e-30) * 2.0, 60.0), tuple(shift_s + rival for rival in rivals))


def _rivals(
    reference: Onsets, clip: Onsets, tried: list[tuple[float, float, np.ndarray, np.ndarray]], offset: float, hits: int
) -> list[float]:
    """Other offsets that bring half as many pairs together and leave no more events unpaired where both recorded."""
    chosen = next(one for one in tried if one[1] == offset)
    left = _unpaired(reference, clip, *chosen[1:])
    out: list[float] = []
    for _, other, a, b in tried:
        if abs(other - offset) < 0.005 or len(a) < max(2, 0.5 * hits) or any(abs(other - known) < 0.005 for known in out):
            continue
        if _unpaired(reference, clip, other, a, b) <= left:
            out.append(other)
    return out


def _unpaired(reference: Onsets, clip: Onsets, offset: float, a: np.ndarray, b: np.ndarray) -> int:
    """Events without a partner between the first and the last moment that both sounds cover, as far as the onsets tell."""
    begin = max(reference.begin_s, clip.begin_s + offset) + 0.03
    end = min(reference.end_s, clip.end_s + offset) - 0.03
    heard = [np.sum((times >= begin) & (times <= end)) for times in (reference.time_s, clip.time_s + offset)]
    return int(heard[0] + heard[1]) - len(a) - len(b)


def _pairs(gap: np.ndarray, tolerance: float, away: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Pairs whose gap is within the tolerance (and 200 ppm of the time away from the pair that set it)."""
    allowed = tolerance + 2e-4 * np.abs(away)[None, :]
    close = np.where(np.abs(gap) <= allowed, np.abs(gap), np.inf)
    a = np.arange(len(gap))
    b = np.argmin(close, axis=1)
    good = np.isfinite(close[a, b]) & (np.argmin(close, axis=0)[b] == a)
    return a[good], b[good]


__all__ = ["Match", "Onsets", "find_onsets", "match_onsets"]

"""Sudden beginnings of sound (claps, knocks), and which of one recording belong to which of another."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.signal import butter, sosfilt
from scipy.stats import poisson

_BANDS_HZ = (300, 600, 1200, 2400, 4800, 9600)


@dataclass(frozen=True)
class Onsets:
    """Times after the first sample (s), rise (dB) over what went before, and the shape of the spectrum of each."""

    time_s: np.ndarray
    rise_db: np.ndarray
    colour: np.ndarray


@dataclass(frozen=True)
class Match:
    """Which onsets belong together, and how far this lies above chance."""

    reference_index: np.ndarray
    clip_index: np.ndarray
    score: float


def find_onsets(samples: np.ndarray, rate_hz: int, *, most: int = 60, least_db: float = 9.0) -> Onsets:
    """Find where the sound suddenly rises, to a tenth of a millisecond.

    The rise is found in the energy above 500 Hz in steps of 1 ms; its moment is where the samples' variance changes most
    likely (two variances, one change: the likelihood of the change point).
    """
    edge = min(500.0, 0.2 * rate_hz)
    high = sosfilt(butter(2, edge, "highpass", fs=rate_hz, output="sos"), np.asarray(samples, np.float64))
    block = max(1, round(0.001 * rate_hz))
    count = len(high) // block
    if count < 40:
        return Onsets(np.zeros(0), np.zeros(0), np.zeros((0, len(_BANDS_HZ) - 1)))
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
    out: list[tuple[float, float]] = []
    left = rise.copy()
    loud = 10.0 * np.log10(after + floor)
    left[loud < loud.max() - 40] = 0
    for _ in range(most):
        peak = int(np.argmax(left))
        if left[peak] < wanted:
            break
        out.append((_change_point(high, peak * block, rate_hz), float(left[peak])))
        left[max(0, peak - 60) : peak + 61] = 0
    out.sort()
    time = np.array([t for t, _ in out])
    return Onsets(time, np.array([r for _, r in out]), _colours(high, time, rate_hz))


def _change_point(high: np.ndarray, near: int, rate_hz: int) -> float:
    """Time (s) at which the variance changes, around sample `near`."""
    begin = max(0, near - round(0.012 * rate_hz))
    stop = min(len(high), near + round(0.005 * rate_hz))
    part = high[begin:stop] ** 2
    # End at the loudest moment: decay after it is not part of the beginning.
    smooth = np.convolve(part, np.ones(max(1, round(3e-4 * rate_hz))), mode="same")
    end = int(np.argmax(smooth)) + max(8, round(4e-4 * rate_hz))
    part = part[: max(end, 40)]
    n = len(part)
    cum = np.cumsum(part)
    tiny = 1e-7 * float(cum[-1]) / n + 1e-20
    k = np.arange(6, n - 6)
    first = cum[k - 1] / k + tiny
    second = (cum[-1] - cum[k - 1]) / (n - k) + tiny
    cost = k * np.log(first) + (n - k) * np.log(second)
    change = int(k[int(np.argmin(cost))])
    # An encoder smears a faint echo of the burst ahead of it, and a burst may begin softly by chance: the first short stretch
    # that reaches a share of the burst's own power counts.
    quiet = part[: max(change - round(0.002 * rate_hz), 6)]
    width = max(3, round(1.5e-4 * rate_hz))
    short = np.convolve(part, np.ones(width) / width)[width - 1 :]
    limit = max(10.0 * float(np.median(quiet)), 0.25 * float(short.max()))
    above = np.nonzero(short > limit)[0]
    if len(above):
        inside = np.nonzero(part[above[0] : above[0] + width] > limit)[0]
        change = int(above[0]) + (int(inside[0]) if len(inside) else 0)
    return float((begin + change) / rate_hz)


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
    best: tuple[float, np.ndarray, np.ndarray] | None = None
    for i, j in zip(*np.nonzero(ok & alike), strict=True):
        a, b = _pairs(d - d[i, j], tolerance, clip.time_s - clip.time_s[j])
        votes = float(weight[a, b].sum())
        if best is None or votes > best[0]:
            best = (votes, a, b)
    if best is None:
        return None
    _, a, b = best
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
    return Match(a, b, min(-math.log10(chance + 1e-30) * 2.0, 60.0))


def _pairs(gap: np.ndarray, tolerance: float, away: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Pairs whose gap is within the tolerance (and 200 ppm of the time away from the pair that set it)."""
    allowed = tolerance + 2e-4 * np.abs(away)[None, :]
    close = np.where(np.abs(gap) <= allowed, np.abs(gap), np.inf)
    a = np.arange(len(gap))
    b = np.argmin(close, axis=1)
    good = np.isfinite(close[a, b]) & (np.argmin(close, axis=0)[b] == a)
    return a[good], b[good]


__all__ = ["Match", "Onsets", "find_onsets", "match_onsets"]

"""The same sound on two recorders, to microseconds: short windows at full rate, weighted by the coherence they share."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import scipy.fft as sfft

from viewer.align.clock import RATE_LIMIT_PPM
from viewer.align.track import ENVELOPE_HZ, Track, energy_envelope, flux

_WINDOWS = 40


@dataclass(frozen=True)
class _Windows:
    """Cross-spectra of short windows: middle (clip s), offset (s) at lag 0, spectra, powers, independent seconds of each."""

    at: np.ndarray
    shift: np.ndarray
    cross: np.ndarray
    power_a: np.ndarray
    power_b: np.ndarray
    seconds: np.ndarray
    size: int
    rate: int
    margin: int

    @property
    def hertz(self) -> np.ndarray:
        return np.arange(self.cross.shape[1]) * (self.rate / self.size)

    @property
    def band(self) -> np.ndarray:
        hertz = self.hertz
        return ((hertz > 120.0) & (hertz < min(0.42 * self.rate, 16000.0))).astype(float)

    def offsets(self, spectra: np.ndarray, *, exact: bool) -> tuple[np.ndarray, np.ndarray]:
        """Offsets (s) of the highest correlations, and their heights over the scatter."""
        lags, strength = _peak_lags(spectra, self.size, 2 * self.margin, exact)
        return self.shift + (lags - self.margin) / self.rate, strength

    def turned(self, line: tuple[float, float], chosen: np.ndarray) -> np.ndarray:
        """Cross-spectra of the chosen windows with the line's delay taken out."""
        lag = (line[1] + line[0] * self.at[chosen] - self.shift[chosen]) * self.rate + self.margin
        phase = 2.0 * np.pi / self.size * np.arange(self.cross.shape[1])[None, :] * lag[:, None]
        return np.asarray(self.cross[chosen] * np.exp(1j * phase))


@dataclass(frozen=True)
class Found:
    """Offsets of the windows that agree, and how well."""

    at: np.ndarray
    offset: np.ndarray
    sigma: float
    score: float
    agreement: float
    slope: float


def fine_offsets(reference: Track, clip: Track, lag_s: float) -> Found | None:
    """Windows at full rate around a coarse offset; None where the waveforms don't agree."""
    rate = reference.rate_hz
    first = max(reference.start_s - lag_s, clip.start_s)
    last = min(reference.end_s - lag_s, clip.end_s)
    span = last - first
    if span < 0.25:
        return None
    length = int(2 ** round(math.log2(rate * min(0.35, max(0.08, span / 6)))))
    places = _window_places(clip, first, last, length)
    if len(places) == 0:
        return None
    # The coarse step is 5 ms; a long take drifts by up to 0.4 ms a second beside.
    margin_s = 0.007 + min(1e-6 * RATE_LIMIT_PPM * 0.5 * span, 0.06)
    windows = _windows(reference, clip, places, length, lag_s, 0.0, margin_s)
    found = _agreeing(windows) if windows else None
    if found is not None and span > 2.0:  # once more with the drift taken out of the windows
        level = float(np.mean(found.offset - found.slope * found.at))
        windows = _windows(reference, clip, places, length, level, found.slope, 0.0015)
        found = (_agreeing(windows) if windows else None) or found
    return found


def _window_places(clip: Track, first: float, last: float, length: int) -> np.ndarray:
    """First samples of windows: in each equal part of the overlap, the one with the strongest changes."""
    rate = clip.rate_hz
    start, stop = math.ceil((first - clip.start_s) * rate), math.floor((last - clip.start_s) * rate) - length
    if stop <= start:
        return np.zeros(0, int)
    block = max(1, rate // ENVELOPE_HZ)
    part = clip.samples[start : stop + length]
    envelope = energy_envelope(Track(part, rate))
    change = np.abs(flux(envelope)) * np.minimum(envelope, 3 * np.median(envelope) + 0.1 * envelope.max())
    per = max(1, length // block)
    summed = np.convolve(change, np.hanning(per + 2)[1:-1], mode="valid") if len(change) >= per else np.zeros(1)
    count = int(np.clip((stop + length - start) // length, 1, _WINDOWS))
    edges = np.linspace(0, len(summed), count + 1).astype(int)
    places = [start + (lo + int(np.argmax(summed[lo:hi]))) * block for lo, hi in pairwise(edges) if hi > lo]
    apart: list[int] = []
    for place in np.unique(np.clip(places, start, stop)):
        if not apart or place - apart[-1] >= length // 2:
            apart.append(int(place))
    return np.array(apart)


def _windows(
    reference: Track, clip: Track, places: np.ndarray, length: int, offset_s: float, slope: float, margin_s: float
) -> _Windows | None:
    """Cross-spectra of the clip's windows with what the reference has near ``offset + slope * clip time``."""
    rate = reference.rate_hz
    margin = math.ceil(margin_s * rate)
    size = sfft.next_fast_len(length + 2 * margin, real=True)
    taper = np.hanning(length).astype(np.float32)
    pad = np.ones(length + 2 * margin, np.float32)
    pad[:margin] = np.hanning(2 * margin + 2)[1 : margin + 1]
    pad[-margin:] = pad[:margin][::-1]
    at, shift, first, second, seconds = [], [], [], [], []
    for place in places:
        centre_s = clip.start_s + (place + 0.5 * length) / rate
        begin = round((centre_s + offset_s + slope * centre_s - reference.start_s) * rate - 0.5 * length)
        if begin - margin < 0 or begin + length + margin > len(reference.samples):
            continue
        scene_s = reference.start_s + (begin + 0.5 * length) / rate
        half_s = (0.5 * length + margin) / rate
        if not (clip.clear_of_gaps(np.array(centre_s), half_s) and reference.clear_of_gaps(np.array(scene_s), half_s)):
            continue
        x = reference.samples[begin - margin : begin + length + margin]
        y = clip.samples[place : place + length] if abs(slope) < 2e-6 else _stretched(clip.samples, place, length, slope)
        y = (y - y.mean()) * taper
        if not (np.any(x) and np.any(y)):
            continue
        at.append(centre_s)
        shift.append((begin + 0.5 * length) / rate + reference.start_s - centre_s)
        first.append((x - x.mean()) * pad)
        second.append(y)
        block = max(1, round(0.002 * rate))
        energy = (y[: len(y) // block * block].reshape(-1, block) ** 2).sum(axis=1)
        seconds.append(0.002 * float(energy.sum()) ** 2 / float((energy**2).sum()))
    if not at:
        return None
    fx, fy = sfft.rfft(np.array(first), size, axis=1), sfft.rfft(np.array(second), size, axis=1)
    return _Windows(
        np.array(at),
        np.array(shift),
        fx * np.conj(fy),
        np.abs(fx) ** 2,
        np.abs(fy) ** 2,
        np.array(seconds),
        size,
        rate,
        margin,
    )


def _stretched(samples: np.ndarray, place: int, length: int, slope: float) -> np.ndarray:
    """The window with the reference's clock: cubic interpolation about its centre."""
    k = np.arange(length) - 0.5 * length
    x = place + 0.5 * length + k / (1.0 + slope)
    i = np.clip(np.floor(x).astype(int), 1, len(samples) - 3)
    f = (x - i).astype(np.float32)
    a, b, c, d = samples[i - 1], samples[i], samples[i + 1], samples[i + 2]
    return np.asarray(b + 0.5 * f * (c - a + f * (2 * a - 5 * b + 4 * c - d + f * (3 * (b - c) + d - a))))


def _agreeing(windows: _Windows) -> Found | None:
    """Peaks of all windows, first whitened, then weighted by coherence; None unless they agree beyond chance."""
    band, hertz = windows.band, windows.hertz
    magnitude = np.abs(windows.cross)
    soft = magnitude + 1e-9 * magnitude.max(axis=1, keepdims=True)
    offset, strength = windows.offsets(windows.cross / soft**0.75 * band, exact=False)
    line = _consensus(windows.at, offset, strength)
    if line is None:
        return None
    near = _near(windows.at, offset, strength, line)
    weight = _coherence_weight(windows, line, near) * band
    if weight.max() <= 0:
        return None
    offset, strength = windows.offsets(windows.cross / soft * weight, exact=True)
    line = _consensus(windows.at, offset, strength)
    if line is None:
        return None
    near = _near(windows.at, offset, strength, line)
    if not near.any():
        return None
    agreement, freedom = _agreement(windows, line, near)
    # The best of many lags of unrelated sounds reaches sqrt(2 ln(lags) / freedom).
    if agreement < max(0.04, 1.6 * math.sqrt(2.0 * math.log(2.0 * windows.margin + 10.0) / freedom)):
        return None
    # Error of a delay from coherence (Knapp and Carter 1976): 1 / (8 pi^2 T sum f^2 C/(1-C) df).
    bound = 1.0 / math.sqrt(max((2.0 * math.pi) ** 2 * float((hertz**2 * weight).sum()), 1e-3))
    return Found(windows.at[near], offset[near], max(bound, 5e-7), line[2], agreement, line[0])


def _near(at: np.ndarray, offset: np.ndarray, strength: np.ndarray, line: tuple[float, float, float]) -> np.ndarray:
    return np.asarray((np.abs(offset - line[1] - line[0] * at) < 1.5e-4) & (strength > 5.0))


def _coherence_weight(windows: _Windows, line: tuple[float, float, float], near: np.ndarray) -> np.ndarray:
    """C / (1 - C) of the squared coherence over the windows that agree and 300 Hz of neighbouring frequencies."""
    if not near.any():
        return np.zeros(windows.cross.shape[1])
    power_a, power_b = windows.power_a[near], windows.power_b[near]
    scale = 1.0 / np.sqrt(power_a.sum(axis=1) * power_b.sum(axis=1))[:, None]
    width = max(5, int(windows.size * 300.0 / windows.rate))
    common = _box((windows.turned(line[:2], near).real * scale).sum(axis=0), width)
    both = _box((np.sqrt(power_a * power_b) * scale).sum(axis=0), width)
    squared = np.clip(common / (both + 1e-30), 0.0, 0.997) ** 2
    # What smoothing over a finite number of values gives to unrelated sounds.
    chance = 1.0 / max(2.0, 0.25 * width * int(near.sum()))
    squared = np.clip((squared - 2.0 * chance) / (1.0 - 2.0 * chance), 0.0, 0.98)
    return np.asarray(squared / (1.0 - squared))


def _agreement(windows: _Windows, line: tuple[float, float, float], near: np.ndarray) -> tuple[float, float]:
    """Correlation of the half-whitened sounds at the fitted delays, and on how many independent values it rests."""
    band = windows.band
    power_a, power_b = windows.power_a[near].sum(axis=0), windows.power_b[near].sum(axis=0)
    tilt = band / np.sqrt(np.sqrt(power_a * power_b) + 1e-30)  # no single hum decides
    top = float((windows.turned(line[:2], near).real.sum(axis=0) * tilt).sum())
    bottom = math.sqrt(float((power_a * tilt).sum()) * float((power_b * tilt).sum()))
    spectrum = np.sqrt(power_a * power_b) * tilt
    width_hz = float(spectrum.sum()) ** 2 / float((spectrum**2).sum() + 1e-30) * windows.rate / windows.size
    return top / (bottom + 1e-30), max(2.0 * width_hz * float(windows.seconds[near].sum()), 4.0)


def _box(values: np.ndarray, width: int) -> np.ndarray:
    """Running mean."""
    kernel = np.ones(width) / width
    return np.convolve(values, kernel, mode="same")


def _peak_lags(spectra: np.ndarray, size: int, last: int, exact: bool) -> tuple[np.ndarray, np.ndarray]:
    """Lag (samples) of each row's highest correlation within 0..last, between samples, and its height over the scatter."""
    correlation = sfft.irfft(spectra, size, axis=1)[:, : last + 1]
    k = np.argmax(correlation, axis=1)
    peak = correlation[np.arange(len(k)), k]
    spread = np.sqrt(np.median(correlation**2, axis=1)) / 0.6745 + 1e-30
    lags = k.astype(float)
    if not exact:
        inner = np.clip(k, 1, last - 1)
        rows = np.arange(len(k))
        before, after = correlation[rows, inner - 1], correlation[rows, inner + 1]
        bend = before - 2.0 * correlation[rows, inner] + after
        return np.where(
            bend < 0, inner + np.clip(0.5 * (before - after) / np.where(bend < 0, bend, -1.0), -1, 1), lags
        ), peak / spread
    used = np.nonzero(np.abs(spectra).max(axis=0) > 0)[0]
    wave0, turn = spectra[:, used], 2j * np.pi * used / size
    for _ in range(3):  # the exact maximum of the band-limited correlation, by Newton's method
        wave = wave0 * np.exp(turn[None, :] * lags[:, None])
        first, second = (wave @ turn).real, (wave @ (turn * turn)).real
        step = np.where(second < 0, -first / np.where(second < 0, second, 1.0), 0.0)
        lags = np.clip(lags + np.clip(step, -0.5, 0.5), k - 1.0, k + 1.0)
        if float(np.abs(step).max()) < 1e-5:
            break
    return lags, peak / spread


def _consensus(at: np.ndarray, offset: np.ndarray, strength: np.ndarray) -> tuple[float, float, float] | None:
    """The line on which most windows with a clear peak agree: (slope, level at time 0, score); None without agreement."""
    clear = strength > 5.5
    if not clear.any():
        return None
    t, d, w = at[clear], offset[clear], np.minimum(strength[clear], 30.0)
    if len(t) == 1:
        return (0.0, float(d[0]), float(w[0])) if w[0] > 9.0 else None
    best = (0.0, 0.0, -1.0)
    limit = 1e-6 * RATE_LIMIT_PPM
    for i in range(len(t)):
        rates = (d - d[i]) / np.where(t != t[i], t - t[i], np.inf)
        rates = np.append(rates[np.abs(rates) < limit], 0.0)
        near = np.abs((d - d[i])[None, :] - rates[:, None] * (t - t[i])[None, :]) < 6e-5
        votes = near @ w
        most = int(np.argmax(votes))
        if votes[most] > best[2]:
            best = (float(rates[most]), float(d[i] - rates[most] * t[i]), float(votes[most]))
    near = np.abs(d - best[1] - best[0] * t) < 1.2e-4
    needed = max(2, 0.3 * len(t)) if len(t) > 3 else 2
    if near.sum() < needed:
        return None
    slope, level = best[0], best[1]
    if near.sum() >= 3 and np.ptp(t[near]) > 1.0:
        slope, level = (float(v) for v in np.polyfit(t[near], d[near], 1, w=w[near]))
        if abs(slope) > limit:
            return None
    else:
        slope, level = 0.0, float(np.average(d[near], weights=w[near]))
    return slope, level, float(np.sqrt((w[near] ** 2).sum()))


__all__ = ["Found", "fine_offsets"]

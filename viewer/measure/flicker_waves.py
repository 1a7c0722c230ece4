"""Fit of one wave from a search peak: start values, frame gain, harmonics, and the spacing that a known readout gives."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from viewer.measure.flicker_evidence import LARGEST_AMPLITUDE
from viewer.measure.flicker_fit import Sheet, Wave, fit_wave, frame_trust, smooth_basis
from viewer.measure.flicker_rows import Relative
from viewer.measure.flicker_search import Peak, alias_grid

Floats = NDArray[np.float64]


MOST_HARMONICS = 8


SHORT_PERIODS = 2.5
"""With fewer periods than this in the picture, frame gain and wave are hard to tell apart."""


SLOW_TURNS = 1.5
"""Bands that pass by less often than this in the clip are searched with care."""


def sheet_of(data: Relative, weight: Floats | None = None) -> Sheet:
    """Return the weighted mean over blocks as a sheet of rows against frames."""
    mean, total = data.combine(weight)
    rows = mean.shape[1]
    return Sheet(mean, total, data.clock.times_s, (np.arange(rows) + 0.5) / rows)


def fit_peak(sheet: Sheet, peak: Peak, fold_hz: float, *, with_harmonics: bool = False, least: float = 0.0) -> Wave:
    """Fit the wave of a search peak; near a standing wave, scan before refining.

    Where bands pass by less than a few times in the clip, harmonics that are left out bend the frequency: `with_harmonics`
    takes them in from the start.  A wave of many periods whose first fit stays below the amplitude `least` is not settled.
    """
    span = sheet.times_s[-1] - sheet.times_s[0]
    g, q = peak.g_hz, peak.q
    slow = abs(g) < SLOW_TURNS / span
    if slow and with_harmonics:
        wave = _scan_harmonics(sheet, q, span)
        if wave is not None:
            return settle(sheet, wave, fold_hz)
    if slow:
        best = None
        for trial in np.arange(-2.0, 2.01, 0.2) / span:
            if abs(trial) < 0.02 / span:
                continue
            wave = fit_wave(sheet, float(trial), q, rounds=2)
            power = _left(sheet, wave)
            if wave.amplitude <= LARGEST_AMPLITUDE and (best is None or power < best[0]):
                best = (power, wave)
        if best is not None:
            g, q = best[1].g_hz, best[1].q
    first = fit_wave(sheet, g, q, rounds=7)
    if first.amplitude < least and abs(first.q) > SHORT_PERIODS and not slow:
        return first
    return settle(sheet, first, fold_hz)


def _left(sheet: Sheet, wave: Wave) -> float:
    return float(np.sum(np.square(wave.rest) @ sheet.weight))


def _scan_harmonics(sheet: Sheet, q: float, span: float) -> Wave | None:
    """Return the best wave with harmonics whose bands pass by less than twice in the clip, None if none is light."""
    rows = int((sheet.weight > 0).sum())
    orders = tuple(order for order in range(1, 7) if order == 1 or abs(order * q) < 0.4 * rows)
    best: tuple[float, Wave] | None = None
    for trial in (-1.6, -1.0, -0.6, -0.35, -0.2, -0.1, 0.1, 0.2, 0.35, 0.6, 1.0, 1.6):
        wave = fit_wave(sheet, trial / span, q, orders=orders[:4], rounds=3)
        power = _left(sheet, wave)
        if wave.amplitude <= LARGEST_AMPLITUDE and (best is None or power < best[0]):
            best = (power, wave)
    if best is None:
        return None
    first = best[1]
    start = np.zeros(len(orders), complex)
    start[: len(first.amplitudes)] = first.amplitudes
    return fit_wave(sheet, first.g_hz, first.q, orders=orders, start=start, rounds=10)


def settle(sheet: Sheet, wave: Wave, fold_hz: float, *, tie: float | None = None) -> Wave:
    """Fit again with as much of the frame-to-frame gain taken for nuisance as the clip's own scatter says.

    With few periods in the picture, gain and wave can stand in for each other: the fit is then made from both ends, all
    nuisance and none, and the one that leaves less frame-to-frame scatter is kept.
    """

    def again(start: Wave, trust: float) -> Wave:
        return fit_wave(
            sheet, start.g_hz, start.q, orders=start.orders, start=start.amplitudes, frame_share=trust, rounds=6, tie=tie
        )

    first = again(wave, frame_trust(sheet, wave))
    if abs(wave.q) > SHORT_PERIODS:
        return first
    free = fit_wave(sheet, wave.g_hz, wave.q, orders=wave.orders, start=wave.amplitudes, frame_share=0.0, rounds=8, tie=tie)
    orders = harmonic_orders(sheet, free, fold_hz, most=5)
    if len(orders) > len(wave.orders):
        # harmonics that are left out would look like frame-to-frame gain
        start = np.zeros(len(orders), complex)
        start[: len(free.orders)] = free.amplitudes if free.orders == orders[: len(free.orders)] else 0.0
        start[0] = free.amplitudes[0]
        free = fit_wave(sheet, free.g_hz, free.q, orders=orders, start=start, frame_share=0.0, rounds=8, tie=tie)
    trust = frame_trust(sheet, free)
    second = again(free, trust)
    if (
        second.amplitude < LARGEST_AMPLITUDE
        and trust < first.frame_share - 0.02
        and within(sheet, second) < 1.05 * within(sheet, first)
    ):
        return second
    return first


def within(sheet: Sheet, wave: Wave) -> float:
    """Return the power that a fit leaves within frames."""
    w = sheet.weight / sheet.weight.sum()
    return float(np.mean(np.square(wave.rest - (wave.rest @ w)[:, None]) @ w))


def harmonic_orders(sheet: Sheet, wave: Wave, fold_hz: float, most: int = MOST_HARMONICS) -> tuple[int, ...]:
    """Return the harmonics that rows resolve and that do not stand still."""
    rows = int((sheet.weight > 0).sum())
    span = sheet.times_s[-1] - sheet.times_s[0]
    orders = [1]
    for order in range(2, most + 1):
        if abs(order * wave.q) > 0.4 * rows:
            break
        alias = order * wave.g_hz
        if np.isfinite(fold_hz):
            alias -= round(alias / fold_hz) * fold_hz
        if abs(alias) * span > 0.3:
            orders.append(order)
    return tuple(orders)


def fit_harmonics(sheet: Sheet, wave: Wave, fold_hz: float, *, tie: float | None = None) -> Wave:
    """Fit fundamental and all significant harmonics together."""
    orders = harmonic_orders(sheet, wave, fold_hz)
    for _ in range(2):
        start = np.zeros(len(orders), complex)
        for i, order in enumerate(orders):
            if order in wave.orders:
                start[i] = wave.amplitudes[wave.orders.index(order)]
        full = fit_wave(sheet, wave.g_hz, wave.q, orders=orders, start=start, frame_share=wave.frame_share, rounds=6, tie=tie)
        variance = np.diag(full.covariance)[2:]
        sigma = np.sqrt(0.5 * (variance[0::2] + variance[1::2]))
        size = np.abs(full.amplitudes)
        keep = [
            o for o, a, s in zip(orders, size, sigma, strict=True) if o == 1 or (a > 4.0 * s and 3e-4 < a < LARGEST_AMPLITUDE)
        ]
        wave = full
        if tuple(keep) == orders:
            break
        orders = tuple(keep)
    else:
        start = np.array([wave.amplitudes[wave.orders.index(order)] for order in orders])
        wave = fit_wave(sheet, wave.g_hz, wave.q, orders=orders, start=start, frame_share=wave.frame_share, rounds=5, tie=tie)
    return settle(sheet, wave, fold_hz, tie=tie)


def frame_peaks(data: Relative, *, count: int = 2, least: float = 30.0) -> list[Peak]:
    """Return the strongest lines of the frame means: light that pulses slowly has few periods in a frame."""
    mean, total = data.combine()
    series = mean @ total / total.sum()
    smooth = smooth_basis(data.clock.times_s)
    series = series - smooth @ (smooth.T @ series)
    g_hz = alias_grid(data.clock)
    window = np.hanning(series.size + 2)[1:-1]
    power = np.square(np.abs(np.exp(-2j * np.pi * g_hz[:, None] * data.clock.times_s[None, :]) @ (series * window)))
    power[g_hz < 2.0 / data.clock.duration_s] = 0.0
    height = power / max(float(np.median(power)) / np.log(2.0), 1e-30)
    peaks = []
    near = max(1, round(2.5 / data.clock.duration_s / (g_hz[1] - g_hz[0])))
    for _ in range(count):
        i = int(np.argmax(height))
        if height[i] < least:
            break
        peaks.append(Peak(float(g_hz[i]), 0.0, float(height[i]), 0))
        height[max(0, i - near) : i + near + 1] = 0.0
    return peaks


def fit_slow(sheet: Sheet, peak: Peak, fold_hz: float) -> Wave:
    """Fit a wave with few periods in a frame, from a peak of the frame means; both directions are tried."""
    best = None
    for q in (0.12, -0.12):
        first = fit_wave(sheet, peak.g_hz, q, frame_share=0.0, rounds=6)
        power = float(np.sum(np.square(first.rest) @ sheet.weight))
        if best is None or power < best[0]:
            best = (power, first)
    assert best is not None
    return settle(sheet, best[1], fold_hz)


def resolve(sheet: Sheet, wave: Wave, frequencies_hz: Sequence[float], span_s: float) -> list[tuple[float, Wave]]:
    """Fit each frequency with the band spacing that a known readout gives it; return (power left, wave), least first."""
    out = []
    for frequency in frequencies_hz:
        forward = wave.q >= 0
        start = wave.amplitudes if forward else np.conj(wave.amplitudes)
        # a few turns of free amplitude first: the spacing may be far from that of the start
        tied = fit_wave(
            sheet,
            frequency,
            frequency * span_s,
            orders=wave.orders,
            start=start,
            frame_share=0.0,
            rounds=8,
            tie=span_s,
        )
        out.append((float(np.sum(np.square(tied.rest) @ sheet.weight)), tied))
    return sorted(out, key=lambda item: item[0])


__all__ = [
    "MOST_HARMONICS",
    "fit_harmonics",
    "fit_peak",
    "fit_slow",
    "frame_peaks",
    "harmonic_orders",
    "resolve",
    "settle",
    "sheet_of",
    "within",
]

"""How deep: harmonics as recorded, what encoders took of them, and the smallest depth that would have been seen."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from viewer.measure.flicker_fit import Wave
from viewer.measure.flicker_lines import Found
from viewer.measure.flicker_model import Clip
from viewer.measure.flicker_places import Line
from viewer.measure.flicker_rows import Relative
from viewer.measure.flicker_sampling import Clock, alias_frequency
from viewer.measure.flicker_shape import ORDERS
from viewer.measure.flicker_waves import harmonic_orders

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]


SYSTEMATIC = (0.01, 0.03)
"""Errors of harmonics that their scatter does not show: share of the fundamental and of the harmonic itself."""


@dataclass(frozen=True, slots=True)
class Harmonics:
    """Harmonics 1 .. K as single rows recorded them, and their 1-sigma errors (infinite where nothing is known), shape (K,)."""

    amplitudes: Complex
    sigma: Floats


def recorded_harmonics(line: Line, relative: Relative) -> Harmonics:
    """Return the harmonics of a line: the averaging of rows is undone, and time runs forward."""
    wave, rows = line.wave, relative.x.shape[1]
    known = harmonic_orders(line.sheet, wave, relative.clock.fold_hz, most=ORDERS)
    every = np.arange(1, ORDERS + 1)
    turns = every * abs(wave.q) / rows
    step = relative.row_step
    with np.errstate(invalid="ignore", divide="ignore"):
        kept = np.where(turns * step < 1e-9, 1.0, np.sin(np.pi * turns) / (step * np.sin(np.pi * turns / step)))
    kept = np.where(np.abs(kept) > 0.2, kept, 1.0)
    amplitudes, sigma = np.zeros(ORDERS, complex), np.full(ORDERS, np.inf)
    # what was looked for and not found is small
    sigma[np.asarray(known) - 1] = 2.5 * wave.sigma_amplitude
    variance = np.diag(wave.covariance)[2:]
    for i, (order, a) in enumerate(zip(wave.orders, wave.amplitudes, strict=True)):
        if order <= ORDERS:
            amplitudes[order - 1] = a
            sigma[order - 1] = math.sqrt(max(0.5 * (variance[2 * i] + variance[2 * i + 1]), 0.0))
    # a wave fitted with its time turned round has the conjugate amplitudes
    forward: Complex = np.asarray(amplitudes if wave.q >= 0 else np.conj(amplitudes), np.complex128) / kept
    sigma = np.sqrt(
        np.square(sigma / kept) + np.square(SYSTEMATIC[0] * abs(forward[0])) + np.square(SYSTEMATIC[1] * np.abs(forward))
    )
    return Harmonics(forward, sigma)


def codec_error(wave: Wave, clock: Clock) -> float:
    """Return how far encoders alone move the frequency (Hz, 1 sigma): typical of clips with known truth at ordinary bit rates.

    Their errors last as long as a group of pictures, so the scatter of frames shows them only in part; the more so where the
    bands pass by less than once or twice in the clip.
    """
    turns = abs(alias_frequency(wave.g_hz, clock.fold_hz)) * clock.duration_s if math.isfinite(clock.fold_hz) else math.inf
    slow = 1.5e-4 / max(turns, 0.1) if turns < 1.5 else 0.0
    return math.hypot(5e-5, slow) * 4.0 / clock.duration_s


def wander_of(line: Line) -> float:
    """Return how far the rate wandered during the clip (Hz, standard deviation), 0 for a steady one."""
    if line.sheet.wander is None:
        return 0.0
    return float(np.std(np.gradient(line.sheet.wander, line.sheet.times_s))) / (2.0 * math.pi)


def detection_limit(found: Found, clip: Clip) -> float:
    """Return the smallest relative amplitude, as recorded, that would have been reported."""
    plane = found.rest
    inside = (plane.g_hz > 0.02 * plane.g_hz[-1])[:, None] & (np.abs(plane.q) > 0.5)[None, :]
    level = float(np.quantile(plane.amplitude[inside], 0.999)) if inside.any() else 0.0
    seen = [wave.amplitude for wave, evidence in found.doubtful if wave.amplitude < 0.03 and evidence.strength > 4.0]
    return min(1.0, max(0.0015, 3.0 * level, 1.5 * max(seen, default=0.0), clip.codec_limit))


__all__ = [
    "Harmonics",
    "codec_error",
    "detection_limit",
    "recorded_harmonics",
    "wander_of",
]

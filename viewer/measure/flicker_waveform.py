"""Depth and shape of a modulation, and how sure a periodogram peak is."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from viewer.measure.flicker_sampling import exposure_attenuation

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

LEAST_TRANSMISSION = 0.1
"""Harmonics that the exposure cuts to less than this are not restored: their noise would be blown up tenfold."""


def percent_flicker(high: float, low: float) -> float:
    """Return ``100 (max - min) / (max + min)`` of linear light over one period (%)."""
    return 100.0 * (high - low) / (high + low)


def flicker_index(waveform: ArrayLike) -> float:
    """Return the area above the mean over the total area of one period, evenly sampled (IES)."""
    light = np.asarray(waveform, float)
    mean = float(light.mean())
    return float(np.clip(light - mean, 0.0, None).mean() / mean)


def stroboscopic_threshold(frequency_hz: float) -> float:
    """Return the modulation at which a sine becomes visible as a stroboscopic effect (IEC TR 63158), for context only."""
    return 1.0 / (1.0 + math.exp(-0.00518 * (frequency_hz - 306.6))) + 20.0 * math.exp(-frequency_hz / 10.0)


def stroboscopic_measure(frequencies_hz: ArrayLike, modulation: ArrayLike) -> float:
    """Return ``(sum (C / T)^3.7)^(1/3.7)``.  Context only: video samples light too slowly for a valid value."""
    pairs = zip(np.asarray(frequencies_hz, float), np.asarray(modulation, float), strict=True)
    return float(sum((c / stroboscopic_threshold(f)) ** 3.7 for f, c in pairs) ** (1.0 / 3.7))


def room_lighting_limits(frequency_hz: float) -> tuple[float, float]:
    """Return the modulation (%) of low risk and of no observable effect by IEEE Std 1789-2015, for context only.

    Written for room lighting, not for eyepieces.
    """
    low, none = (0.025, 0.01) if frequency_hz < 90.0 else (0.08, 0.0333)
    return min(100.0, low * frequency_hz), min(100.0, none * frequency_hz)


def single_false_alarm(power: float, samples: int) -> float:
    """Return the chance that noise alone reaches a normalised power `power` at one given frequency."""
    return float((1.0 - power) ** ((samples - 3) / 2.0))


def false_alarm(power: float, times_s: ArrayLike, highest_hz: float) -> float:
    """Return the chance that white noise reaches `power` anywhere up to `highest_hz`.

    Parameters
    ----------
    power : float
        Standard normalisation, floating mean, 0 .. 1.
    times_s : array_like of shape (N,)
        Sample times (s).

    References
    ----------
    .. [1] R. V. Baluev, MNRAS 385, 1279 (2008), eq. 6.
    """
    times = np.asarray(times_s, float)
    n = times.size
    width = highest_hz * math.sqrt(4.0 * math.pi * float(np.var(times)))
    gamma = math.sqrt(2.0 / (n - 1)) * math.exp(math.lgamma((n - 1) / 2.0) - math.lgamma((n - 2) / 2.0))
    tau = gamma * width * (1.0 - power) ** ((n - 4) / 2.0) * math.sqrt(0.5 * (n - 1) * power)
    return float(1.0 - (1.0 - single_false_alarm(power, n)) * math.exp(-tau))


def as_rectangle(amplitudes: Complex, weak: NDArray[np.bool_], *, tolerance: float = 0.08) -> tuple[float, float, float] | None:
    """Return duty, step (relative to the mean) and start (periods) of a rectangle that explains the harmonics, or None.

    Parameters
    ----------
    amplitudes : ndarray of shape (K,), complex
        Harmonics with the exposure undone.
    weak : ndarray of shape (K,), bool
        Harmonics that the exposure removed; not used.
    tolerance : float
        Largest relative distance, root of the power.
    """
    order = np.arange(1, amplitudes.size + 1)
    used = ~weak
    if used.sum() < 3 or np.count_nonzero(np.abs(amplitudes[used]) > 0.01 * np.abs(amplitudes[0])) < 2:
        return None
    best: tuple[float, float, float, float] | None = None
    power = float(np.sum(np.square(np.abs(amplitudes[used]))))
    for duty in np.linspace(0.02, 0.98, 193):
        unit = 2.0 * np.sin(np.pi * order * duty) / (np.pi * order)
        # the middle of the bright part lies where the fundamental peaks, or opposite
        middle = -np.angle(amplitudes[0]) / (2.0 * np.pi)
        shape = unit * np.exp(-2j * np.pi * order * middle)
        step = float(np.sum((np.conj(shape) * amplitudes).real[used]) / np.sum(np.square(unit[used])))
        miss = float(np.sum(np.square(np.abs(amplitudes - step * shape))[used]))
        if step > 0 and step * duty <= 1.05 and (best is None or miss < best[0]):
            best = (miss, float(duty), step, (middle - 0.5 * duty) % 1.0)
    if best is None or best[0] > tolerance**2 * power:
        return None
    _, duty, step, start = best
    return duty, min(step, 1.0 / duty), start


@dataclass(frozen=True, slots=True)
class Waveform:
    """One period of light, relative to its mean.

    ``phase`` runs 0 .. 1 (not with 1); ``recorded`` is what the rows show, ``light`` has the exposure undone.
    ``depth_percent`` and ``index`` are of `light`; ``lower_bound`` says that harmonics were lost to the exposure.
    ``duty`` is the share of the period spent above half way between least and most light.
    """

    phase: Floats
    recorded: Floats
    light: Floats
    depth_percent: float
    index: float
    duty: float
    lower_bound: bool


def fold(amplitudes: ArrayLike, frequency_hz: float, exposure_s: float | None, *, points: int = 720) -> Waveform:
    """Return the waveform of fitted harmonics.

    Parameters
    ----------
    amplitudes : array_like of shape (K,), complex
        ``light = 1 + Re sum_k c_k exp(2 pi i k f t)``, as recorded; k = 1 .. K.
    frequency_hz : float
        The fundamental.
    exposure_s : float or None
        Shutter time.  None: nothing is undone and the depth is a lower bound.
    """
    recorded = np.asarray(amplitudes, complex)
    order = np.arange(1, recorded.size + 1)
    phase = np.arange(points) / points
    turn = np.exp(2j * np.pi * order[:, None] * phase[None, :])
    as_seen = 1.0 + (recorded[:, None] * turn).real.sum(axis=0)
    lost = exposure_s is None
    restored = recorded.copy()
    weak = np.zeros(order.size, bool)
    if exposure_s is not None:
        passed = np.sinc(order * frequency_hz * exposure_s)
        weak = exposure_attenuation(order * frequency_hz, exposure_s) < LEAST_TRANSMISSION
        lost = bool(weak[0])
        restored = np.where(weak, recorded, recorded / np.where(weak, 1.0, passed))
    light = 1.0 + (restored[:, None] * turn).real.sum(axis=0)
    # Light is not negative; ringing of a cut-off series would make depths above 100 %.
    light = np.clip(light, 0.0, None)
    high, low = float(light.max()), float(light.min())
    pulse = None if exposure_s is None or lost else as_rectangle(restored, weak)
    if pulse is not None:
        # a cut-off series overshoots a rectangle by 9 % of its step at every edge
        duty, step, shift = pulse
        low = 1.0 - step * duty
        high = low + step
        light = np.where((phase - shift) % 1.0 < duty, high, low)
    return Waveform(
        phase=phase,
        recorded=as_seen,
        light=light,
        depth_percent=percent_flicker(high, low),
        index=flicker_index(light),
        duty=float(np.mean(light > 0.5 * (high + low))),
        lower_bound=lost,
    )


__all__ = [
    "LEAST_TRANSMISSION",
    "Waveform",
    "as_rectangle",
    "false_alarm",
    "flicker_index",
    "fold",
    "percent_flicker",
    "room_lighting_limits",
    "single_false_alarm",
    "stroboscopic_measure",
    "stroboscopic_threshold",
]

"""Depth and shape of a modulation, and how sure a periodogram peak is."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from viewer.measure.flicker_shape import fit_shapes

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


@dataclass(frozen=True, slots=True)
class Waveform:
    """One period of light, relative to its mean.

    ``phase`` runs 0 .. 1 (not with 1); ``recorded`` is what the rows show, ``light`` has the exposure undone.
    ``depth_percent`` and ``index`` are of the light, ``depth_range`` and ``index_range`` the 95 % over pulses that explain the
    harmonics; ``lower_bound`` says that the fundamental was lost to the exposure, or that the exposure is not known.
    ``duty`` is the share of the period spent above half way between least and most light.
    """

    phase: Floats
    recorded: Floats
    light: Floats
    depth_percent: float
    depth_range: tuple[float, float]
    index: float
    index_range: tuple[float, float]
    duty: float
    lower_bound: bool


def fold(
    amplitudes: ArrayLike,
    frequency_hz: float,
    exposure_s: float | None,
    *,
    sigma: ArrayLike | None = None,
    points: int = 720,
) -> Waveform:
    """Return the waveform of fitted harmonics.

    Parameters
    ----------
    amplitudes : array_like of shape (K,), complex
        ``light = 1 + Re sum_k c_k exp(2 pi i k f t)``, as recorded; k = 1 .. K.
    frequency_hz : float
        The fundamental.
    exposure_s : float or None
        Shutter time.  None: nothing is undone and the depth is a lower bound.
    sigma : array_like of shape (K,), optional
        1-sigma errors of the amplitudes, infinite where one is not known.

    Notes
    -----
    With a known exposure, depth and index come from the pulses that fit the harmonics (`flicker_shape`), else from the sum of
    the harmonics.
    """
    recorded = np.asarray(amplitudes, complex)
    order = np.arange(1, recorded.size + 1)
    errors = np.full(recorded.size, 0.01 * abs(recorded[0])) if sigma is None else np.asarray(sigma, float)
    phase = np.arange(points) / points
    turn = np.exp(2j * np.pi * order[:, None] * phase[None, :])
    as_seen = 1.0 + (recorded[:, None] * turn).real.sum(axis=0)
    passed = np.ones(order.size) if exposure_s is None else np.sinc(order * frequency_hz * exposure_s)
    weak = np.abs(passed) < LEAST_TRANSMISSION
    lost = exposure_s is None or bool(weak[0])
    restored = np.where(weak, recorded, recorded / np.where(weak, 1.0, passed))
    # a cut-off series may dip below zero; light does not
    light = np.clip(1.0 + (restored[:, None] * turn).real.sum(axis=0), 0.0, None)
    high, low = float(light.max()), float(light.min())
    depth, index = percent_flicker(high, low), flicker_index(light)
    shape = None
    if not lost:
        errors = np.where(weak, np.inf, errors / np.maximum(np.abs(passed), LEAST_TRANSMISSION))
        shape = fit_shapes(restored, errors)
    if shape is None:
        spread = 1.96 * float(np.sqrt(np.sum(np.square(errors[np.isfinite(errors)])))) / max(abs(restored[0]), 1e-9)
        depths, indices = (depth * (1.0 - spread), depth * (1.0 + spread)), (index * (1.0 - spread), index * (1.0 + spread))
    else:
        light = shape.light(points)
        high, low = float(light.max()), float(light.min())
        depth, index = shape.depth[0], shape.index[0]
        depths, indices = (shape.depth[1], shape.depth[2]), (shape.index[1], shape.index[2])
    return Waveform(
        phase=phase,
        recorded=as_seen,
        light=light,
        depth_percent=depth,
        depth_range=(max(depths[0], 0.0), min(depths[1], 100.0)),
        index=index,
        index_range=(max(indices[0], 0.0), min(indices[1], 1.0)),
        duty=float(np.mean(light > 0.5 * (high + low))),
        lower_bound=lost,
    )


__all__ = [
    "LEAST_TRANSMISSION",
    "Waveform",
    "false_alarm",
    "flicker_index",
    "fold",
    "percent_flicker",
    "room_lighting_limits",
    "single_false_alarm",
    "stroboscopic_measure",
    "stroboscopic_threshold",
]

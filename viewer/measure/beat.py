"""Levels of a light that pulses: the mean over whole periods, whatever part of a period the clip ends in.

Gated tubes and mains lamps make the level of a region rise and fall from frame to frame at the alias of their frequency.  The
plain mean then depends on where the clip begins and ends.  A constant and a few sinusoids, fitted together, do not.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize_scalar

from viewer.measure.stats import Estimate, mean_estimate, t_factor

MOST_TONES = 4
# What one region alone shows, in errors of its level that the encoder may make, from which on it is the light's.
BEYOND_ENCODER = 4.0
APART = 0.7  # cycles in the series by which tones must differ to be told apart


@dataclass(frozen=True, slots=True)
class Level:
    """A level freed of its beat.

    ``estimate`` is the level with its error, ``residual`` the series without the tones, ``tones`` pairs of cycles per sample
    and amplitude relative to the level, strongest first.
    """

    estimate: Estimate
    residual: np.ndarray
    tones: tuple[tuple[float, float], ...] = ()

    @property
    def depth(self) -> float:
        """Relative amplitude of the strongest tone, 0 without one."""
        return self.tones[0][1] if self.tones else 0.0


def _design(tones: list[float], place: np.ndarray) -> np.ndarray:
    columns = [np.ones_like(place)]
    for f in tones:
        columns += [np.cos(2 * math.pi * f * place), np.sin(2 * math.pi * f * place)]
    return np.column_stack(columns)


def _peak(residual: np.ndarray) -> tuple[float, float] | None:
    """Return frequency (cycles a sample) and significance (power over the noise's) of the strongest tone."""
    n = residual.size
    taper = np.hanning(n + 2)[1:-1]
    size = 1 << (4 * n - 1).bit_length()
    power = np.abs(np.fft.rfft((residual - residual.mean()) * taper, size)) ** 2
    frequency = np.arange(power.size) / size
    usable = (frequency >= 1.0 / n) & (frequency <= 0.5)
    if not usable.any() or not power[usable].any():
        return None
    best = int(np.argmax(np.where(usable, power, -1.0)))
    # Noise power is exponential: its median is ln 2 of its mean.
    floor = float(np.median(power[usable])) / math.log(2.0)
    return float(frequency[best]), float(power[best]) / max(floor, 1e-300)


def _refined(series: np.ndarray, place: np.ndarray, tones: list[float], new: float) -> float:
    """Return the frequency near `new` that leaves least behind."""

    def left(f: float) -> float:
        matrix = _design([*tones, f], place)
        fit = np.linalg.lstsq(matrix, series, rcond=None)[0]
        rest = series - matrix @ fit
        return float(rest @ rest)

    reach = 0.6 / series.size
    low, high = max(0.5 / series.size, new - reach), min(0.5, new + reach)
    return float(minimize_scalar(left, bounds=(low, high), method="bounded", options={"xatol": 1e-3 / series.size}).x)


def _possible(solved: np.ndarray, tones: list[float], series: np.ndarray) -> bool:
    """Whether a fit can be that of a light.

    What jumps or drifts once is fitted best by two tones all but equal, or less than a cycle long, with huge amplitudes that
    cancel; their level means nothing.
    """
    gaps = np.diff(np.sort(tones))
    if gaps.size and float(gaps.min()) < APART / series.size:
        return False
    level, low, high = float(solved[0]), float(series.min()), float(series.max())
    room = 0.5 * (high - low)  # half a cycle may lie all on one side of its level
    sizes = np.hypot(solved[1::2], solved[2::2])
    # the first harmonic of light that is never below nil is at most twice its mean
    return low - room <= level <= high + room and bool(np.all(sizes <= 2.0 * abs(level)))


def level_without_beat(
    series: np.ndarray, *, least: float = 0.002, significance: float = 16.0, known: Sequence[float] = ()
) -> Level:
    """Return the level of a series of frame means, pulsing removed.

    Parameters
    ----------
    series : ndarray of shape (N,)
        Mean light of a region in each frame, evenly spaced.
    least : float
        Tones of a smaller amplitude, relative to the level, are left alone.
    significance : float
        Power over that of the noise at which a tone is believed: noise alone reaches 16 once in ten thousand series.
    known : sequence of float
        Frequencies (cycles per sample) that are in the light whether this series is long enough to show them or not; used
        where it shows none itself.

    Returns
    -------
    Level
    """
    y = np.asarray(series, float).ravel()
    n = y.size
    mean = float(y.mean()) if n else 0.0
    if mean <= 0 or float(y.std()) < 0.3 * least * mean:
        return Level(mean_estimate(y), y)
    place = np.arange(n) - 0.5 * (n - 1)
    tones: list[float] = []
    rest, fit = y - mean, np.array([mean])
    # Each tone takes three degrees of freedom.
    for _ in range(min(MOST_TONES, n // 12) if n >= 16 else 0):
        found = _peak(rest)
        if found is None or found[1] < significance:
            break
        trial = [*tones, _refined(y, place, tones, found[0])]
        matrix = _design(trial, place)
        solved = np.linalg.lstsq(matrix, y, rcond=None)[0]
        if math.hypot(solved[-2], solved[-1]) < least * abs(solved[0]) or not _possible(solved, trial, y):
            break
        tones, fit = trial, solved
        rest = y - matrix @ solved
    # Less than a period tells nothing of the level.
    known = [f for f in known if f * n >= 1.0]
    if not tones and known and n >= 4 * len(known) + 4:
        tones = known
        fit = np.linalg.lstsq(_design(tones, place), y, rcond=None)[0]
        rest = y - _design(tones, place) @ fit
    if not tones:
        return Level(mean_estimate(y), y)
    matrix = _design(tones, place)
    inflation = math.sqrt(max(1.0, n * float(np.linalg.pinv(matrix.T @ matrix)[0, 0])))
    plain = mean_estimate(rest)
    dof = max(1.0, plain.dof - 2.0 * len(tones))
    scale = math.sqrt(n / max(1.0, n - 1.0 - 2.0 * len(tones)))
    sizes = [math.hypot(fit[1 + 2 * k], fit[2 + 2 * k]) / abs(float(fit[0])) for k in range(len(tones))]
    # With fewer than two whole cycles the level rests on the tone being a pure sinusoid.
    shape = max((0.1 * size for f, size in zip(tones, sizes) if f * n < 2.0), default=0.0) * abs(float(fit[0]))
    sigma = min(math.hypot(plain.sigma * inflation * scale, shape), float(np.ptp(y)) / t_factor(dof))
    estimate = Estimate(float(fit[0]), sigma, dof, plain.effective, n)
    order = np.argsort(sizes)[::-1]
    return Level(estimate, rest + fit[0], tuple((tones[k], sizes[k]) for k in order))


def gated_depth(levels: Sequence[Level], code_error: Sequence[float]) -> float:
    """Return the relative amplitude of the strongest pulsing that is light's and not the encoder's; 0 for none.

    Encoders let the levels of dark patches wander, and lift or drop them with their groups of pictures.  Gating reaches all
    light: pulsing counts if it is far larger than what the encoder moves; if both regions share it, larger or two whole periods
    long.

    Parameters
    ----------
    levels : sequence of Level
        Of regions of the same frames.
    code_error : sequence of float
        By how much the encoder may move each, in its light (1 sigma).
    """
    found = 0.0
    for k, (level, moved) in enumerate(zip(levels, code_error)):
        for f, size in level.tones:
            light = size * abs(level.estimate.value)
            clear = light > moved or f * level.residual.size >= 2.0
            shared = any(_shares(other, f, size) for n, other in enumerate(levels) if n != k)
            if light > BEYOND_ENCODER * moved or (clear and shared):
                found = max(found, size)
    return found


def _shares(level: Level, f: float, size: float) -> bool:
    """Whether a level has the same tone, at least half and at most twice as deep."""
    return any(abs(g - f) * level.residual.size < 1.0 and 0.5 < other / size < 2.0 for g, other in level.tones)


__all__ = ["Level", "gated_depth", "level_without_beat"]

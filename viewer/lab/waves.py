"""Light that changes with time, integrated over exposures: gating, backlights, light steps, automatic gain."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

HARMONICS = 60


@dataclass(frozen=True, kw_only=True)
class Pulse:
    """A periodic pulse smoothed by an exponential decay, mean 1.

    On for `duty` of each period of ``1 / rate_hz``; between pulses the drive is `floor` of the pulse's height.  `decay_s` is
    the time constant of the glow that follows (phosphor, lamp).
    """

    rate_hz: float
    duty: float = 0.5
    floor: float = 0.0
    decay_s: float = 0.0
    phase: float = 0.0

    def amplitudes(self) -> np.ndarray:
        """Return complex amplitudes of harmonics 1 .. HARMONICS; the wave is ``1 + Re(sum a_k exp(2 pi i k f t))``."""
        k = np.arange(1, HARMONICS + 1)
        mean = self.duty + self.floor * (1 - self.duty)
        plain = (1 - self.floor) / mean * 2 * np.sin(np.pi * k * self.duty) / (np.pi * k)
        decay = 1 / (1 + 2j * np.pi * k * self.rate_hz * self.decay_s)
        return np.asarray(plain * decay * np.exp(2j * np.pi * k * self.phase))

    def exposed(self, start_s: np.ndarray, exposure_s: float) -> np.ndarray:
        """Return the mean over ``start .. start + exposure`` for any array of starts (s)."""
        k = np.arange(1, HARMONICS + 1)
        loss = np.sinc(k * self.rate_hz * exposure_s)
        turns = np.exp(2j * np.pi * self.rate_hz * (np.asarray(start_s, float) + 0.5 * exposure_s))
        total = np.zeros(turns.shape, complex)
        for a in (self.amplitudes() * loss)[::-1]:
            total = (total + a) * turns
        return np.asarray(1 + total.real)

    def shape(self, samples: int = 2000) -> np.ndarray:
        """Return one period of the light itself, exactly, sampled evenly from where the drive comes on.

        A first-order glow under a rectangular drive rises and falls as exponentials between two levels that repeat.
        """
        period = 1 / self.rate_hz
        high = 1 / (self.duty + self.floor * (1 - self.duty))
        low = self.floor * high
        t = np.arange(samples) / samples * period
        lit = t < self.duty * period
        if self.decay_s <= 0:
            return np.where(lit, high, low)
        rise = np.exp(-self.duty * period / self.decay_s)
        fall = np.exp(-(1 - self.duty) * period / self.decay_s)
        top = (high * (1 - rise) + low * rise * (1 - fall)) / (1 - rise * fall)
        bottom = low + (top - low) * fall
        rising = high - (high - bottom) * np.exp(-t / self.decay_s)
        falling = low + (top - low) * np.exp(-np.maximum(t - self.duty * period, 0) / self.decay_s)
        return np.asarray(np.where(lit, rising, falling))

    @property
    def percent_flicker(self) -> float:
        """``100 (max - min) / (max + min)`` over one period of the light itself."""
        wave = self.shape()
        return float(100 * (wave.max() - wave.min()) / (wave.max() + wave.min()))

    @property
    def flicker_index(self) -> float:
        """Area above the mean over the total area of one period."""
        wave = self.shape()
        return float(np.clip(wave - wave.mean(), 0, None).mean() / wave.mean())

    def fundamental(self, exposure_s: float = 0.0) -> float:
        """Relative amplitude of the fundamental, as a shutter of `exposure_s` records it."""
        return float(abs(self.amplitudes()[0]) * abs(np.sinc(self.rate_hz * exposure_s)))


@dataclass(frozen=True)
class Steps:
    """A level that jumps: ``levels[i]`` from ``times_s[i]`` on; before the first time the first level holds."""

    times_s: tuple[float, ...] = (0.0,)
    levels: tuple[float, ...] = (1.0,)

    def at(self, time_s: np.ndarray) -> np.ndarray:
        """Return the level at each time."""
        index = np.clip(np.searchsorted(self.times_s, time_s, side="right") - 1, 0, len(self.levels) - 1)
        return np.asarray(self.levels, float)[index]


class Trace:
    """A slow signal on a fine time grid, with its exact running integral between samples."""

    def __init__(self, start_s: float, step_s: float, values: np.ndarray) -> None:
        self._times = start_s + step_s * np.arange(len(values) + 1)
        self._values = np.asarray(values, float)
        self._sums = np.concatenate([[0.0], np.cumsum(self._values) * step_s])

    def exposed(self, start_s: np.ndarray, exposure_s: float) -> np.ndarray:
        """Return the mean over each exposure."""
        ends = np.interp(np.asarray(start_s) + exposure_s, self._times, self._sums)
        return np.asarray((ends - np.interp(start_s, self._times, self._sums)) / exposure_s)

    def at(self, time_s: np.ndarray | float) -> np.ndarray:
        """Return the value at each time."""
        index = np.clip(np.searchsorted(self._times, time_s, side="right") - 1, 0, len(self._values) - 1)
        return np.asarray(self._values[index])


def follow(drive: np.ndarray, step_s: float, settle_s: float) -> np.ndarray:
    """Return what a first-order control of time constant `settle_s` makes of a wanted level, starting settled."""
    out = np.empty_like(drive)
    keep = float(np.exp(-step_s / settle_s)) if settle_s > 0 else 0.0
    level = float(drive[0])
    for n, wanted in enumerate(drive.tolist()):
        level = wanted + (level - wanted) * keep
        out[n] = level
    return out


__all__ = ["HARMONICS", "Pulse", "Steps", "Trace", "follow"]

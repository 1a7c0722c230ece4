"""A sound as one channel on the clip's clock, and how its level rises and falls."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.signal import resample_poly

from viewer.errors import UsageError

ENVELOPE_HZ = 200


@dataclass(frozen=True)
class Track:
    """A sound on the clip's clock: mono samples, samples a second, the time of the first (s).

    `gaps` are stretches (time, length, s) in which nothing was recorded and that hold silence.
    """

    samples: np.ndarray
    rate_hz: int
    start_s: float = 0.0
    gaps: tuple[tuple[float, float], ...] = ()

    def clear_of_gaps(self, time_s: np.ndarray, margin_s: float) -> np.ndarray:
        """Which moments (s, on the clip's clock) lie outside all gaps by `margin_s`, shape of `time_s`, bool."""
        time_s = np.asarray(time_s, float)
        clear = np.ones(time_s.shape, bool)
        for begin, length in self.gaps:
            clear &= (time_s < begin - margin_s) | (time_s > begin + length + margin_s)
        return clear

    @property
    def end_s(self) -> float:
        """Time of the end (s)."""
        return self.start_s + len(self.samples) / self.rate_hz


def track(samples: np.ndarray, rate_hz: int, start_s: float = 0.0, gaps: tuple[tuple[float, float], ...] = ()) -> Track:
    """Return a mono track of samples of shape (N,) or (N, channels).

    Channels of opposite sign would cancel in the mean: then the strongest one is taken.
    """
    a = np.asarray(samples, np.float32)
    if rate_hz < 1000:
        raise UsageError(f"{rate_hz} samples a second are not a sound.")
    if a.ndim == 2:
        if a.shape[1] == 1:
            a = a[:, 0]
        else:
            mean = a.mean(axis=1)
            step = max(1, len(a) // 200_000)
            power = (a[::step] ** 2).mean(axis=0)
            a = mean if float((mean[::step] ** 2).mean()) > 0.1 * float(power.max()) else a[:, int(np.argmax(power))]
    if not math.isfinite(float(a.sum())):
        a = np.nan_to_num(a)
    return Track(np.ascontiguousarray(a), int(rate_hz), float(start_s), gaps)


def energy_envelope(sound: Track, *, rate_hz: float = ENVELOPE_HZ) -> np.ndarray:
    """Root-mean-square level in blocks of ``1 / rate_hz`` s, hum and rumble under about 100 Hz lessened.

    Block k covers the time ``start_s + k / rate_hz`` to ``start_s + (k + 1) / rate_hz``.
    """
    block = round(sound.rate_hz / rate_hz)
    count = len(sound.samples) // block
    if count == 0:
        return np.zeros(0, np.float32)
    a = sound.samples[: count * block].reshape(count, block)
    power = np.einsum("ij,ij->i", a, a) / block
    mean = a.mean(axis=1)
    return np.asarray(np.sqrt(np.maximum(power - mean * mean, 0.0)))


def same_rate(sound: Track, rate_hz: int) -> Track:
    """Return the sound at another rate; sample 0 keeps its time."""
    if sound.rate_hz == rate_hz:
        return sound
    common = math.gcd(sound.rate_hz, rate_hz)
    up, down = rate_hz // common, sound.rate_hz // common
    return Track(resample_poly(sound.samples, up, down).astype(np.float32), rate_hz, sound.start_s, sound.gaps)


def flux(envelope: np.ndarray) -> np.ndarray:
    """Changes of the logarithmic level; its floor is lifted so that silence says nothing."""
    if len(envelope) < 4:
        return np.zeros_like(envelope)
    level = np.log(envelope + 0.3 * np.median(envelope) + 0.003 * envelope.max() + 1e-12)
    smooth = np.diff(level, prepend=level[:1])
    return np.asarray(np.clip(smooth, -3 * smooth.std(), 6 * smooth.std()), np.float32)


def changes(sound: Track) -> np.ndarray:
    """`flux` of the sound's energy envelope, nothing beside gaps: a recording's own start and stop are no events."""
    made = flux(energy_envelope(sound))
    if sound.gaps:
        made = made * sound.clear_of_gaps(sound.start_s + (np.arange(len(made)) + 0.5) / ENVELOPE_HZ, 0.025)
    return made


def decimate(samples: np.ndarray, factor: int) -> np.ndarray:
    count = len(samples) // factor
    return np.asarray(samples[: count * factor].reshape(count, factor).mean(axis=1))


__all__ = ["ENVELOPE_HZ", "Track", "changes", "decimate", "energy_envelope", "flux", "same_rate", "track"]

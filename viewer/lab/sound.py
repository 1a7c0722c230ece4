"""Sound of a take: a clap, ticks of the light box, wind and water."""

from __future__ import annotations

import numpy as np
from scipy.signal import lfilter

RATE_HZ = 48000


def make_sound(
    duration_s: float, claps_s: tuple[float, ...], ticks_s: tuple[float, ...], *, seed: int, rate_hz: int = RATE_HZ
) -> np.ndarray:
    """Return mono sound of shape (N,), full scale 1, for event times in clip time (s); events may fall outside.

    Each clap is a new burst with a sharp onset (people do not clap twice alike); ticks are alike to the sample.
    """
    rng = np.random.default_rng([seed, 5])
    n = round(duration_s * rate_hz)
    t = np.arange(n) / rate_hz
    white = rng.standard_normal(n)
    wind = lfilter([0.004], [1, -0.996], white) * 0.10
    lap = lfilter([0.05], [1, -0.95], rng.standard_normal(n)) * 0.010 * (1 + np.sin(2 * np.pi * 0.45 * t + 1.3))
    out = wind + lap + 0.0012 * white
    for at in claps_s:
        out += _clap(t - at, rng)
    for at in ticks_s:
        out += 0.16 * _after(t - at, 0.004) * np.sin(2 * np.pi * 2400 * (t - at))
    return np.asarray(np.clip(out, -0.98, 0.98), np.float32)


def _after(t: np.ndarray, decay_s: float) -> np.ndarray:
    return np.where(t >= 0, np.exp(-np.maximum(t, 0) / decay_s), 0.0)


def _clap(t: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return a clap whose sound begins at t = 0: noise that dies away, and the echo of a wall."""
    noise = lfilter([1, -0.8], [1, -0.35], rng.standard_normal(len(t)))
    hit = 0.42 * _after(t, 0.006) * noise
    echo = 0.05 * _after(t - 0.052, 0.030) * noise
    return np.asarray(hit + echo)


__all__ = ["RATE_HZ", "make_sound"]

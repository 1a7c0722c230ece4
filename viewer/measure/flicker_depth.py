"""How deep: harmonics as recorded, what encoders took of them, and the smallest depth that would have been seen."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from viewer.measure.flicker_fit import Wave
from viewer.measure.flicker_lines import Found
from viewer.measure.flicker_model import Clip
from viewer.measure.flicker_places import Line
from viewer.measure.flicker_rows import Relative
from viewer.measure.flicker_sampling import Clock, alias_frequency


def recorded_harmonics(line: Line, relative: Relative) -> NDArray[np.complex128]:
    """Return the amplitudes of harmonics 1 .. K as single rows recorded them: the averaging of rows is undone."""
    rows = relative.x.shape[1]
    orders = np.asarray(line.wave.orders)
    step = relative.row_step
    turns = orders * abs(line.wave.q) / rows
    with np.errstate(invalid="ignore", divide="ignore"):
        kept = np.where(turns * step < 1e-9, 1.0, np.sin(np.pi * turns) / (step * np.sin(np.pi * turns / step)))
    out = np.zeros(int(orders.max()), complex)
    out[orders - 1] = line.wave.amplitudes / np.where(np.abs(kept) > 0.2, kept, 1.0)
    return out


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
    "codec_error",
    "detection_limit",
    "recorded_harmonics",
    "wander_of",
]

"""How deep: harmonics as recorded, what encoders took of them, and the smallest depth that would have been seen."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from viewer.measure.flicker_keys import BLOCK_ROWS, key_gain
from viewer.measure.flicker_lines import Found
from viewer.measure.flicker_model import Clip
from viewer.measure.flicker_places import Line
from viewer.measure.flicker_rows import Relative
from viewer.measure.flicker_sampling import Clock, alias_frequency
from viewer.measure.flicker_shape import ORDERS
from viewer.measure.flicker_waves import harmonic_orders

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]
Bools = NDArray[np.bool_]


PLENTY, STARVED = 0.3, 0.03
"""Bits per pixel between which encoders go from hardly any loss to as much as they make."""
LEAST_STARVED = 0.1
"""With plenty of bits encoders still make this share of the errors that they make when starved."""

LOST_ALWAYS, LOST_IF_NARROW = 0.2, 0.7
"""Shares of what is left over that key pictures of starved encoders lack too: of any bands, and more of those narrower than a
block."""
LOST_TOO = 0.35
"""Key pictures lose about this share of what predicted ones lose more than they do: their steps are usually 1.4 times finer."""


@dataclass(frozen=True, slots=True)
class Loss:
    """What an encoder did to the fundamental, relative amplitude: likely loss, and how far the truth may lie below and above.

    ``below`` and ``above`` are counted from the amplitude with the likely loss added back, 95 %.
    """

    likely: float = 0.0
    below: float = 0.0
    above: float = 0.0
    starved: float = 0.0


def starved_share(bits_per_pixel: float) -> float:
    """Return how starved an encoder was, 0 (bits unknown, or no loss) .. 1."""
    if bits_per_pixel <= 0:
        return 0.0
    step = math.log(PLENTY / bits_per_pixel) / math.log(PLENTY / STARVED)
    return float(np.clip(step, LEAST_STARVED, 1.0))


def left_over(line: Line) -> float:
    """Return what the fit of a line leaves in the rows that carry it (relative light, root mean square by weight of rows)."""
    weight = line.sheet.weight
    return float(np.sqrt(np.mean(np.square(line.wave.rest) @ weight) / weight.sum()))


def codec_loss(line: Line, bits_per_pixel: float, *, key: Bools | None = None, rows_delivered: float = 0.0) -> Loss:
    """Return what an encoder did to a line.

    Parameters
    ----------
    line : Line
    bits_per_pixel : float
        0 for unknown, or no encoder: then no loss.
    key : ndarray of shape (N,), optional
        Which frames are coded on their own.
    rows_delivered : float
        Delivered rows that the line's rows cover.

    Notes
    -----
    What predicted pictures lost is told by the key pictures (`flicker_keys`).  What those lost too is passed over in proportion
    to what is left over after the fit; bands narrower than a block suffer most, as wide ones change the level of blocks, which
    is coded finely.  Clips with known truth of two simulators, through two encoders at 0.002 to 1 bit per pixel, lose 0 to 1 of
    what is left over with plenty of bits and 0 to 2.2 of it when starved, more where the line hardly stands out of it.
    """
    starved = starved_share(bits_per_pixel)
    if starved == 0.0:
        return Loss()
    found = key_gain(line, key, rows_delivered)
    gain, unsure = (found.believed, found.sigma) if found is not None else (0.0, 0.0)
    amplitude = line.wave.amplitude + gain
    rest = left_over(line)
    narrow = min(1.0, BLOCK_ROWS * abs(line.wave.q) / rows_delivered) if rows_delivered > 0 else 0.7
    typical = min((LOST_ALWAYS + LOST_IF_NARROW * narrow) * starved * rest, 0.15 * amplitude)
    typical += min(LOST_TOO * gain * narrow, 0.1 * amplitude)
    buried = 1.0 + 12.0 * starved * (rest / amplitude) ** 2
    # dark light of logarithmic curves reads low on average, which makes depths read high
    below = typical + min(gain, 2.0 * unsure) + 0.5 * min(rest, 0.15 * amplitude) + 0.015 * amplitude
    above = (1.1 + 1.3 * starved) * rest * buried + 0.015 * amplitude - typical + (unsure + 0.5 * gain if gain > 0 else 0.0)
    return Loss(gain + typical, min(below, amplitude), max(above, 0.0), starved)


SYSTEMATIC = (0.01, 0.03)
"""Errors of harmonics that their scatter does not show: share of the fundamental and of the harmonic itself."""


@dataclass(frozen=True, slots=True)
class Harmonics:
    """Harmonics 1 .. K as single rows recorded them, and their 1-sigma errors (infinite where nothing is known), shape (K,)."""

    amplitudes: Complex
    sigma: Floats


def recorded_harmonics(line: Line, relative: Relative, loss: Loss) -> Harmonics:
    """Return the harmonics of a line: averaging of rows and likely loss are undone, and time runs forward."""
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
    forward *= 1.0 + loss.likely / wave.amplitude
    # small harmonics lose as much as large ones
    floor = math.hypot(0.25 * loss.starved * left_over(line), SYSTEMATIC[0] * abs(forward[0]))
    sigma = np.sqrt(np.square(sigma / kept) + floor**2 + np.square(SYSTEMATIC[1] * np.abs(forward)))
    return Harmonics(forward, sigma)


def codec_error(line: Line, clock: Clock, loss: Loss) -> float:
    """Return how far encoders alone move the frequency (Hz, 1 sigma): typical of clips with known truth.

    Their errors last as long as a group of pictures, so the scatter of frames shows them only in part; the more so where the
    bands pass by less than once or twice in the clip.
    """
    wave = line.wave
    turns = abs(alias_frequency(wave.g_hz, clock.fold_hz)) * clock.duration_s if math.isfinite(clock.fold_hz) else math.inf
    slow = 1.5e-4 / max(turns, 0.1) if turns < 1.5 else 0.0
    buried = 0.1 * loss.starved * left_over(line) / wave.amplitude / (2.0 * math.pi)
    return math.hypot(7e-5 * 4.0, slow * 4.0, buried) / clock.duration_s


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
    "Loss",
    "codec_error",
    "codec_loss",
    "detection_limit",
    "left_over",
    "recorded_harmonics",
    "starved_share",
    "wander_of",
]

"""How pulsing light scales the rows of every frame of a rolling shutter, so that a mean picture can be freed of its bands.

A mean over frames keeps bands unless it holds whole periods: 20 frames of light that pulses by a half leave bands of some per
cent, which shift centres and edges by tenths of a pixel.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import binary_dilation, gaussian_filter1d, uniform_filter

HARMONICS = 2
EXPLAINED = 0.5  # share of the pulsing that the waves must explain
COHERENT = 0.85  # how alike lines must pulse, in depth and in steps of phase: what moves past does not
NOISE_MOST = 2.5  # by how much freeing the mean of bands may enlarge its variance
LEAST = 0.02  # rms of the pulsing from which on it is worth it


class Strips:
    """Places whose light tells the pulsing of rows and columns: lit, but away from lamps, which move with the camera."""

    def __init__(self, light: np.ndarray) -> None:
        smooth = uniform_filter(np.asarray(light, float), 5, mode="nearest")
        # A picture may lie below black all over: then no place is lit.
        bright = smooth[smooth >= max(0.0, 0.3 * float(np.percentile(smooth, 90)))]
        level = float(np.median(bright)) if bright.size else 0.0
        lit = smooth > 0.3 * level
        lamps = binary_dilation(smooth > 2.5 * level, iterations=10)
        mask = lit & ~lamps
        self.mask = mask if np.count_nonzero(mask) > 0.05 * mask.size else lit
        self.counts = tuple(np.count_nonzero(self.mask, axis=axis) for axis in (1, 0))

    def means(self, light: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return the mean light of each row and of each column, NaN where too little of it is usable."""
        kept = np.where(self.mask, light, 0.0)
        rows, columns = (
            np.where(n >= 12, kept.sum(axis=axis, dtype=np.float64) / np.maximum(n, 1), np.nan)
            for axis, n in zip((1, 0), self.counts, strict=True)
        )
        return rows, columns


@dataclass(frozen=True, slots=True)
class Gain:
    """Gain of every line of every frame.

    ``axis`` 0: lines are rows, 1: columns; ``lines`` of shape (frames, lines), mean 1 over whole periods; ``frequency_hz`` of
    the pulsing as the frames see it.
    """

    axis: int
    lines: np.ndarray
    frequency_hz: float

    def of(self, frame: int) -> np.ndarray:
        """Return the gain of a frame, shape (rows, 1) or (1, columns)."""
        line = self.lines[frame]
        return np.asarray(line[:, None] if self.axis == 0 else line[None, :])


def rms_of(lines: np.ndarray) -> float:
    """Return the rms over frames of the lines' light against its mean, less what noise gives (0 if it does not stand out).

    `lines` has shape (frames, lines); NaN columns are passed over.
    """
    change = _change(lines)
    if change is None:
        return 0.0
    width = max(2.0, change.shape[1] / 100.0)
    noise = float(np.mean(np.diff(change, axis=1) ** 2)) / 2.0 / (2.0 * math.sqrt(math.pi) * width)
    power = float(np.mean(gaussian_filter1d(change, width, axis=1) ** 2))
    return math.sqrt(power - noise) if power > 4.0 * noise else 0.0


def _change(lines: np.ndarray) -> np.ndarray | None:
    """Relative change of each usable line; None with fewer than three frames or two lines."""
    if lines.ndim != 2 or lines.shape[0] < 3:
        return None
    mean = lines.mean(axis=0)
    known = np.isfinite(mean)
    if np.count_nonzero(known) < 2:
        return None
    known &= mean > 0.2 * float(np.nanmax(mean))
    if np.count_nonzero(known) < 2 or float(np.nanmax(mean)) <= 0:
        return None
    return np.asarray(lines[:, known] / mean[known] - 1.0)


def fit_gain(lines: np.ndarray, times_s: np.ndarray, *, axis: int) -> tuple[Gain | None, float]:
    """Fit waves in time to each line's light, their frequency common to all.

    Parameters
    ----------
    lines : ndarray of shape (frames, lines)
        Mean light of each row or column; NaN where unknown.
    times_s : ndarray of shape (frames,)
        Times of the frames.

    Returns
    -------
    gain : Gain or None
        None where light does not pulse by waves, or where bands stand so still that they cannot be told from the scene.
    left : float
        Rms share of bands that may be left in the plain mean: 0 where there is no pulsing or it was fitted.
    """
    change = _change(lines)
    pulsing = rms_of(lines)
    if change is None or pulsing < LEAST or times_s.size < 6:
        return None, 0.0
    mean = lines.mean(axis=0)
    good = np.isfinite(mean) & (mean > 0.2 * float(np.nanmax(mean)))
    width = max(2.0, good.sum() / 100.0)
    calm = gaussian_filter1d(change, width, axis=1)
    if float(np.std(calm - calm.mean(axis=1, keepdims=True))) < 0.3 * pulsing:
        return None, 0.0  # whole frames change together: no bands
    frequency, share = _strongest(calm, times_s)
    if share < EXPLAINED:
        return None, 0.0
    for harmonics in range(HARMONICS, 0, -1):
        waves = _waves(times_s, frequency, harmonics)
        inverse = np.linalg.pinv(waves)
        if times_s.size * float(np.sum(inverse[0] ** 2)) <= NOISE_MOST and times_s.size > 2 * waves.shape[1]:
            break
    else:
        return None, pulsing
    level, *parts = inverse @ lines[:, good]
    shape = np.array(parts) / level
    if _coherence(gaussian_filter1d(shape[0], width) + 1j * gaussian_filter1d(shape[1], width)) < COHERENT:
        return None, 0.0
    everywhere = np.arange(lines.shape[1])
    full = np.array([np.interp(everywhere, np.flatnonzero(good), gaussian_filter1d(part, width)) for part in shape])
    return Gain(axis, np.maximum(1.0 + waves[:, 1:] @ full, 0.02), frequency), 0.0


def _coherence(wave: np.ndarray) -> float:
    """Return how nearly a complex amplitude by line is one of constant size and steady phase, 0 to 1."""
    spectrum = np.abs(np.fft.fft(wave, 16 * wave.size))
    return float(spectrum.max() / math.sqrt(max(wave.size * float(np.sum(np.abs(wave) ** 2)), 1e-300)))


def _waves(times_s: np.ndarray, frequency: float, harmonics: int) -> np.ndarray:
    """Columns 1, cos, sin and harmonics."""
    phase = 2.0 * math.pi * frequency * (times_s - times_s.mean())
    columns = [np.ones_like(phase)]
    for k in range(1, harmonics + 1):
        columns += [np.cos(k * phase), np.sin(k * phase)]
    return np.array(columns).T


def _strongest(calm: np.ndarray, times_s: np.ndarray) -> tuple[float, float]:
    """Return the frequency (Hz) whose wave explains most of the change, and the share it explains."""
    step = float(np.median(np.diff(times_s)))
    top = 0.5 / step
    span = float(np.ptp(times_s)) + step
    total = float(np.sum(calm**2))

    def power(frequency: float) -> float:
        waves = _waves(times_s, frequency, 1)
        base, _ = np.linalg.qr(waves)
        return float(np.sum((base.T @ calm)[1:] ** 2))

    grid = np.linspace(0.25 / span, top, max(24, int(8 * top * span)))
    powers = np.array([power(float(f)) for f in grid])
    best = int(np.argmax(powers))
    low, high = grid[max(0, best - 1)], grid[min(grid.size - 1, best + 1)]
    fine = np.linspace(low, high, 33)
    found = max(fine, key=lambda f: power(float(f)))
    return float(found), power(float(found)) / max(total, 1e-300)


__all__ = ["LEAST", "Gain", "Strips", "fit_gain", "rms_of"]

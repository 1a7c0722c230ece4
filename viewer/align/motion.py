"""Movement in the picture as a witness of time: someone walks, a branch swings.

How much a picture changes from frame to frame, brightness and bands taken out, rises and falls alike in every clip of the
same moment.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.signal import fftconvolve

from viewer.align.clock import Witness

_RATE_HZ = 200.0
_SPAN_S = 0.12


def motion_energy(thumbs: np.ndarray, step: int = 1) -> np.ndarray:
    """Change from each small picture to the one `step` later, shape (N - step,).

    Parameters
    ----------
    thumbs : ndarray of shape (N, rows, cols)
        Small pictures in logarithmic light.  Each row's mean is taken off: bands of gating and changes of level say nothing.

    Notes
    -----
    The mean of the largest twenty-fifth of the changes: what moves is small, noise is everywhere.
    """
    even = thumbs - thumbs.mean(axis=2, keepdims=True)
    change = np.abs(even[step:] - even[:-step]).reshape(max(len(even) - step, 0), -1)
    most = max(1, change.shape[1] // 25)
    return np.asarray(np.partition(change, change.shape[1] - most, axis=1)[:, -most:].mean(axis=1))


def motion_witness(
    time_a: np.ndarray, thumbs_a: np.ndarray, time_b: np.ndarray, thumbs_b: np.ndarray, *, least_s: float = 2.0
) -> Witness:
    """Compare the movement in two clips; `time_a` is the reference's (s), one entry a small picture."""
    if min(len(time_a), len(time_b)) < 20:
        return Witness(kind="motion", reason="too few frames to compare movement.")
    step_a, step_b = (max(1, round(_SPAN_S / float(np.median(np.diff(t))))) for t in (time_a, time_b))
    a = motion_energy(np.asarray(thumbs_a, np.float32), step_a)
    b = motion_energy(np.asarray(thumbs_b, np.float32), step_b)
    if not (_moves(a) and _moves(b)):
        return Witness(kind="motion", reason="nothing moves above the noise.")
    (first_a, grid_a), (first_b, grid_b) = _even(time_a, a, step_a), _even(time_b, b, step_b)
    found = _lag(grid_a, grid_b, least_s)
    if found is None:
        return Witness(kind="motion", reason="the movements have nothing in common.")
    shift, correlation, rival = found
    both_s = (min(len(grid_b), len(grid_a) - shift) - max(0, -shift)) / _RATE_HZ
    memory_s = math.sqrt(_memory(grid_a) * _memory(grid_b))
    # Fisher's z of the correlation against the best that so many lags of unrelated movement would reach.
    free = both_s / memory_s - 3.0
    lags_tried = (len(grid_a) + len(grid_b)) / _RATE_HZ / memory_s
    far = math.atanh(min(correlation, 0.999)) * math.sqrt(max(free, 0.0))
    if correlation < 0.6 or rival > 0.85 * correlation or far < 2.0 + math.sqrt(2.0 * math.log(max(lags_tried, 2.0))):
        return Witness(kind="motion", reason=f"the movements agree too little (correlation {correlation:.2f}).")
    # Both halves of what overlaps must say the same by themselves.
    lo, hi = max(0, -shift), min(len(grid_b), len(grid_a) - shift)
    middle = (lo + hi) // 2
    moments, lags = [], []
    for begin, stop in ((lo, middle), (middle, hi)):
        part = grid_b[begin:stop]
        if len(part) < 0.4 * least_s * _RATE_HZ or part.std() < 0.3 * grid_b.std():
            continue
        half = _lag(grid_a, part, 0.4 * least_s, near=shift + begin, reach=round(0.5 * _RATE_HZ))
        if half is not None and half[1] > 0.5:
            moments.append(first_b + (begin + stop) / 2 / _RATE_HZ)
            lags.append((half[0] - begin) / _RATE_HZ)
    if len(lags) == 2 and abs(lags[0] - lags[1]) > 0.1:
        return Witness(kind="motion", reason="the movement says different things of the two halves.")
    interval = max(float(np.median(np.diff(time_a))), float(np.median(np.diff(time_b))))
    offset = first_a - first_b + shift / _RATE_HZ
    at = float(first_b + (lo + hi) / 2 / _RATE_HZ)
    return Witness(
        kind="motion",
        clip_s=np.array([at]),
        scene_s=np.array([at + offset]),
        sigma_s=np.array([0.3 * interval]),
        score=10.0 * correlation,
        floor_s=0.003,
        notes=(f"movement agrees to {correlation:.2f}",),
    )


def _memory(grid: np.ndarray) -> float:
    """Time (s) over which the movement resembles itself: twice the sum of its autocorrelation down to its first zero."""
    spectrum = np.abs(np.fft.rfft(grid, 2 * len(grid))) ** 2
    own = np.fft.irfft(spectrum)[: len(grid)]
    own = own / max(float(own[0]), 1e-20)
    below = np.nonzero(own <= 0)[0]
    return max(2.0 * float(own[: below[0] if len(below) else len(own)].sum()) / _RATE_HZ, 0.02)


def _moves(energy: np.ndarray) -> bool:
    """Whether the changes rise and fall over several frames, beyond the scatter of noise."""
    smooth = np.convolve(energy, np.ones(5) / 5, mode="valid")
    noise = 1.4826 * float(np.median(np.abs(np.diff(energy)))) / math.sqrt(2.0) + 1e-12
    return bool(np.percentile(smooth, 95) - np.percentile(smooth, 10) > 4.0 * noise / math.sqrt(5.0))


def _even(time_s: np.ndarray, energy: np.ndarray, step: int) -> tuple[float, np.ndarray]:
    """(first moment, energy on even times, its mean off).  A change belongs to the middle between its two frames."""
    middle = 0.5 * (time_s[step:] + time_s[:-step])
    grid = np.interp(np.arange(middle[0], middle[-1], 1.0 / _RATE_HZ), middle, energy)
    smooth = np.convolve(grid, np.hanning(15)[1:-1] / np.hanning(15).sum(), mode="same")
    return float(middle[0]), np.asarray(smooth - smooth.mean())


def _lag(
    a: np.ndarray, b: np.ndarray, least_s: float, *, near: int | None = None, reach: int = 0
) -> tuple[int, float, float] | None:
    """Best shift of b in a (samples), its correlation, and the best rival's half a second or more away."""
    least = round(least_s * _RATE_HZ)
    if min(len(a), len(b)) < least:
        return None
    one_a, one_b = np.ones_like(a), np.ones_like(b)

    def slide(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return np.asarray(fftconvolve(x, y[::-1]))

    number = np.maximum(np.rint(slide(one_a, one_b)), 1)
    sum_a, sum_b = slide(a, one_b), slide(one_a, b)
    var_a = slide(a * a, one_b) - sum_a**2 / number
    var_b = slide(one_a, b * b) - sum_b**2 / number
    both = slide(a, b) - sum_a * sum_b / number
    usual = 0.15 * min(float(a.var()), float(b.var())) * number
    correlation = both / np.sqrt(np.maximum(var_a, usual) * np.maximum(var_b, usual) + 1e-20)
    shift = np.arange(len(correlation)) - (len(b) - 1)
    correlation[number < least] = -1
    if near is not None:
        correlation[np.abs(shift - near) > reach] = -1
    k = int(np.argmax(correlation))
    if correlation[k] <= 0:
        return None
    far = np.abs(np.arange(len(correlation)) - k) > 0.5 * _RATE_HZ
    rival = float(correlation[far].max()) if far.any() else 0.0
    return int(shift[k]), float(correlation[k]), max(rival, 0.0)


__all__ = ["motion_energy", "motion_witness"]

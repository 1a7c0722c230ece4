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


def motion_energy(thumbs: np.ndarray) -> np.ndarray:
    """Change from each small picture to the next, shape (N - 1,).

    Parameters
    ----------
    thumbs : ndarray of shape (N, rows, cols)
        Small pictures in logarithmic light.  Each row's mean is taken off: bands of gating and changes of level say nothing.
    """
    even = thumbs - thumbs.mean(axis=2, keepdims=True)
    return np.asarray(np.abs(np.diff(even, axis=0)).mean(axis=(1, 2)))


def motion_witness(
    time_a: np.ndarray, thumbs_a: np.ndarray, time_b: np.ndarray, thumbs_b: np.ndarray, *, least_s: float = 2.0
) -> Witness:
    """Compare the movement in two clips; `time_a` is the reference's (s), one entry a small picture."""
    if min(len(time_a), len(time_b)) < 20:
        return Witness(kind="motion", reason="too few frames to compare movement.")
    a, b = motion_energy(np.asarray(thumbs_a, np.float32)), motion_energy(np.asarray(thumbs_b, np.float32))
    if not (_moves(a) and _moves(b)):
        return Witness(kind="motion", reason="nothing moves above the noise.")
    grid_a, grid_b = _even(time_a, a), _even(time_b, b)
    found = _lag(grid_a, grid_b, least_s)
    if found is None:
        return Witness(kind="motion", reason="the movements have nothing in common.")
    shift, correlation, rival = found
    if correlation < 0.6 or rival > 0.75 * correlation:
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
            moments.append(time_b[0] + (begin + stop) / 2 / _RATE_HZ)
            lags.append((half[0] - begin) / _RATE_HZ)
    if len(lags) == 2 and abs(lags[0] - lags[1]) > 0.1:
        return Witness(kind="motion", reason="the movement says different things of the two halves.")
    interval = max(float(np.median(np.diff(time_a))), float(np.median(np.diff(time_b))))
    # Changes belong to the middle between two frames; half the difference of the intervals is the shift between both.
    fix = 0.5 * (float(np.median(np.diff(time_a))) - float(np.median(np.diff(time_b))))
    offset = time_a[0] - time_b[0] + shift / _RATE_HZ + fix
    at = float(time_b[0] + (lo + hi) / 2 / _RATE_HZ)
    return Witness(
        kind="motion",
        clip_s=np.array([at]),
        scene_s=np.array([at + offset]),
        sigma_s=np.array([0.3 * interval]),
        score=10.0 * correlation,
        floor_s=0.003,
        notes=(f"movement agrees to {correlation:.2f}",),
    )


def _moves(energy: np.ndarray) -> bool:
    """Whether the changes rise and fall over several frames, beyond the scatter of noise."""
    smooth = np.convolve(energy, np.ones(3) / 3, mode="valid")
    noise = 1.4826 * float(np.median(np.abs(np.diff(energy)))) / math.sqrt(2.0) + 1e-12
    return bool(np.percentile(smooth, 95) - np.percentile(smooth, 10) > 4.0 * noise / math.sqrt(3.0))


def _even(time_s: np.ndarray, energy: np.ndarray) -> np.ndarray:
    """Energy on even times from the first frame on, its mean off, single spikes held down."""
    middle = 0.5 * (time_s[1:] + time_s[:-1])
    log = np.log(np.maximum(energy, 1e-9))
    grid = np.interp(np.arange(middle[0], middle[-1], 1.0 / _RATE_HZ), middle, log)
    return np.asarray(grid - grid.mean())


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

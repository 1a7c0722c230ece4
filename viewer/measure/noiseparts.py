"""Parts of noise: closed forms, the photon-transfer line, the split into temporal noise and fixed pattern, grain, discs.

References
----------
.. [1] ISO 15739:2023, *Photography - Electronic still picture imaging - Noise measurements*.
.. [2] J. R. Janesick, *Photon Transfer* (2007).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import j1

from viewer.measure.patches import Patch


def sigma_from_difference(deviation: float) -> float:
    """Return temporal noise from the standard deviation of the difference of two frames."""
    return deviation / math.sqrt(2.0)


def sample_correction(frames: int) -> float:
    """Return the factor on a standard deviation taken about the mean of few frames (ISO 15739)."""
    return math.sqrt(frames / (frames - 1.0))


def fixed_pattern_sigma(mean_image_sigma: float, temporal_sigma: float, frames: int) -> float:
    """Return the fixed pattern beyond what temporal noise leaves in a mean of `frames`; 0 if there is none."""
    return math.sqrt(max(0.0, mean_image_sigma**2 - temporal_sigma**2 / frames))


def decibels(ratio: float) -> float:
    """Return 20 log10 of a signal-to-noise ratio."""
    return 20.0 * math.log10(ratio)


def bandwidth_of_exposure(exposure_s: float) -> float:
    """Return the noise bandwidth of an exposure, Hz."""
    return 1.0 / (2.0 * exposure_s)


def quantisation_sigma(step: float) -> float:
    """Return the noise of rounding to steps."""
    return step / math.sqrt(12.0)


@dataclass(frozen=True, slots=True)
class PhotonTransfer:
    """A straight line of noise variance over mean light: ``variance = slope * mean + floor``, with standard errors."""

    slope: float
    floor: float
    slope_sigma: float
    floor_sigma: float
    straight: bool


def photon_transfer(mean: np.ndarray, variance: np.ndarray, samples: np.ndarray | None = None) -> PhotonTransfer:
    """Fit noise variance against mean light over the steps of a ramp.

    Parameters
    ----------
    mean, variance : ndarrays of shape (N,), N >= 2
    samples : ndarray of shape (N,), optional
        Independent samples behind each variance: its relative error is sqrt(2 / samples).  Equal weights without.

    Returns
    -------
    PhotonTransfer
        ``straight`` is False where the residuals exceed three times their errors: gain control, clipping or the encoder.
    """
    x, y = np.asarray(mean, float), np.asarray(variance, float)
    weights = np.ones(x.size)
    for _ in range(1 if samples is None else 4):
        a = np.column_stack([x, np.ones_like(x)]) * weights[:, None]
        found = np.linalg.lstsq(a, y * weights, rcond=None)[0]
        if samples is not None:
            model = np.maximum(found[0] * x + found[1], 1e-12 + 0.05 * np.abs(y))
            weights = 1.0 / (model * np.sqrt(2.0 / np.asarray(samples, float)))
    rest = (y - found[0] * x - found[1]) * weights
    scale = 1.0 if samples is not None else float(rest @ rest) / max(1, x.size - 2)
    cov = np.linalg.pinv(a.T @ a) * scale
    straight = bool(samples is None or np.all(np.abs(rest) < 3.0))
    return PhotonTransfer(float(found[0]), float(found[1]), math.sqrt(cov[0, 0]), math.sqrt(cov[1, 1]), straight)


def banded(patch: Patch) -> bool:
    """Whether rows or columns pulse together far more than their pixels' noise lets them."""
    rows, cols = patch.mean_image.shape
    for spread, count in ((patch.row_var, cols), (patch.column_var, rows)):
        if count > 4 and spread > 30.0 * patch.temporal_var / count:
            return True
    return False


def clean_temporal_var(patch: Patch) -> float:
    """Return the temporal variance of a pixel without bands along rows and columns."""
    if not banded(patch):
        return patch.temporal_var
    rows, cols = patch.mean_image.shape
    rest = patch.temporal_var - patch.row_var - patch.column_var
    return float(max(0.0, rest) / max(0.1, 1.0 - 1.0 / cols - 1.0 / rows))


def pattern_var(patch: Patch) -> tuple[float, float]:
    """Return the variance of the fixed pattern, and the share of the mean image's variance that was shading (a plane)."""
    image = patch.mean_image
    rows, cols = image.shape
    if min(rows, cols) < 3:
        return patch.fixed_var, 0.0
    y, x = np.mgrid[:rows, :cols]
    plane = np.column_stack([np.ones(image.size), (x - x.mean()).ravel(), (y - y.mean()).ravel()])
    flat = image.ravel()
    rest = flat - plane @ np.linalg.lstsq(plane, flat, rcond=None)[0]
    total = float(((flat - flat.mean()) ** 2).sum())
    left = float(rest @ rest)
    shading = 1.0 - left / total if total > 0 else 0.0
    return max(0.0, left / max(1, image.size - 3) - clean_temporal_var(patch) / patch.frames), shading


def correlation_area(patch: Patch) -> float:
    """Return the area in px over which noise is one (1 for independent pixels), from the noise power at low frequencies."""
    if patch.spectrum is None or min(patch.spectrum.shape) < 12:
        return 1.0
    power = np.array(patch.spectrum)
    rows, cols = power.shape
    fy, fx = np.abs(np.fft.fftfreq(rows))[:, None], np.abs(np.fft.fftfreq(cols))[None, :]
    # Bands along rows and columns sit on the axes; the level's own place is empty.
    inner = (np.hypot(fy, fx) < 0.08) & (fy > 0) & (fx > 0)
    if np.count_nonzero(inner) < 4:
        return 1.0
    everywhere = float(power[(fy > 0) & (fx > 0)].mean())
    return max(1.0, float(power[inner].mean()) / everywhere) if everywhere > 0.0 else 1.0


def correlations(patch: Patch, most: int = 8) -> dict[str, list[float]]:
    """Return the correlation of noise with itself: along ``x`` and ``y`` at 0, 1, 2 ... px, over ``frames`` at 0 .. 3 frames.

    Without a spectrum the first two are empty.
    """
    found: dict[str, list[float]] = {"x": [], "y": [], "frames": [1.0, *(float(lag) for lag in patch.lag_products)]}
    if patch.spectrum is not None and patch.spectrum.any():
        power = np.array(patch.spectrum)
        power[0, 0] = 0.25 * (power[0, 1] + power[1, 0] + power[0, -1] + power[-1, 0])
        auto = np.fft.ifft2(power).real
        auto /= auto[0, 0]
        found["x"] = [float(value) for value in auto[0, : min(most, auto.shape[1] // 2)]]
        found["y"] = [float(value) for value in auto[: min(most, auto.shape[0] // 2), 0]]
    return found


def disc_sigma(patch: Patch, diameter_px: float, *, extra: float | np.ndarray = 0.0) -> float | None:
    """Return the temporal noise of the mean light of a disc, from the noise power spectrum; None if it was not gathered.

    `extra` is power to be added: of white noise, or by frequency.
    """
    if patch.spectrum is None:
        return None
    rows, cols = patch.spectrum.shape
    f = np.hypot(np.fft.fftfreq(rows)[:, None], np.fft.fftfreq(cols)[None, :])
    argument = math.pi * diameter_px * f
    with np.errstate(invalid="ignore", divide="ignore"):
        window = np.where(argument > 1e-9, 2.0 * j1(argument) / argument, 1.0)
    power = np.array(patch.spectrum)
    # The level of each frame was removed: its power is that of its neighbours.
    power[0, 0] = 0.25 * (power[0, 1] + power[1, 0] + power[0, -1] + power[-1, 0])
    power += extra
    return math.sqrt(float((power * window**2).sum()) / power.size)


__all__ = [
    "PhotonTransfer",
    "banded",
    "bandwidth_of_exposure",
    "clean_temporal_var",
    "correlation_area",
    "correlations",
    "decibels",
    "disc_sigma",
    "fixed_pattern_sigma",
    "pattern_var",
    "photon_transfer",
    "quantisation_sigma",
    "sample_correction",
    "sigma_from_difference",
]

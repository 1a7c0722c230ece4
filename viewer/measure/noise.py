r"""Temporal and fixed-pattern noise of a patch, what is left of them in the file, and refusals by evidence.

Temporal noise is the standard deviation of a pixel over frames, each frame's own level (and bands along rows and columns, where
the light pulses) removed.  The fixed pattern is what the mean image varies by beyond that noise: :math:`\sigma_p^2 =
\mathrm{var}(\bar I) - \sigma_t^2 / N` (the split of ISO 15739), a plane of shading removed.  SNR is the mean over the temporal
noise of a pixel, or of a disc of stated angle.  None of these is the tube's SNR of a data sheet: light, area and bandwidth
differ.

An encoder keeps of white noise about the share :math:`1 - 2^{-2b}` of its variance at b bits a pixel (rate and distortion of a
Gaussian source); that share bounds the reading from above, and readings of which less than half is likely left are refused.

References
----------
.. [1] ISO 15739:2023, *Photography - Electronic still picture imaging - Noise measurements*.
.. [2] T. M. Cover, J. A. Thomas, *Elements of Information Theory*, 13.3.2: rate distortion of a Gaussian source.
.. [3] J. R. Janesick, *Photon Transfer* (2007).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import j1

from viewer.measure.beat import level_without_beat
from viewer.measure.patches import Common, Patch
from viewer.measure.readings import Flag, Reading
from viewer.measure.stats import drift

LEAST_FRAMES = 4
NAMES = ("mean", "temporal_sigma", "fixed_pattern_sigma", "snr")
NOT_THE_SHEET = "not the tube's SNR of a data sheet"


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


def noise_kept(bits_per_pixel: float) -> float:
    """Return the share of a noise's standard deviation that an encoder can keep at this data rate (white noise)."""
    return math.sqrt(max(0.0, 1.0 - 2.0 ** (-2.0 * max(0.0, bits_per_pixel))))


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """Traces of an encoder or of noise reduction.

    ``kept`` is the likely least share of the noise (standard deviation) left at the clip's data rate, ``identical`` the median
    share of pixels that repeat the frame before, ``pulsing`` the relative spread of the noise from frame to frame, ``rhythm``
    its period in frames where it has one (the group of pictures), ``lag`` the correlation of a pixel's noise with the next
    frame, ``codes`` the noise in luma codes.
    """

    kept: float
    identical: float
    pulsing: float
    rhythm: float | None
    lag: float
    codes: float


def evidence_of(patch: Patch, *, bits_per_pixel: float, step: float) -> Evidence:
    """Return the traces that a patch shows.

    Parameters
    ----------
    patch : Patch
    bits_per_pixel : float
        Of the clip; 0 if unknown.
    step : float
        Light of one luma code at the patch's level.
    """
    sigma = math.sqrt(patch.temporal_var)
    course = np.sqrt(np.maximum(patch.difference_vars, 0.0))
    pulsing, rhythm = 0.0, None
    if course.size >= 8 and course.mean() > 0:
        sampling = 1.0 / math.sqrt(2.0 * patch.pixels)
        pulsing = math.sqrt(max(0.0, float(course.std() / course.mean()) ** 2 - sampling**2))
        tones = level_without_beat(course, least=0.01).tones
        rhythm = 1.0 / tones[0][0] if tones else None
    return Evidence(
        kept=noise_kept(bits_per_pixel) if bits_per_pixel > 0 else 1.0,
        identical=float(np.median(patch.identical)) if patch.identical.size else 0.0,
        pulsing=pulsing,
        rhythm=rhythm,
        lag=float(patch.lag_products[0]),
        codes=sigma / step if step > 0 else math.inf,
    )


def why_no_noise(patch: Patch, evidence: Evidence) -> str | None:
    """Return why the noise of a patch cannot be told from the file, with what to film instead; None if it can."""
    if patch.frames < LEAST_FRAMES:
        return f"{patch.frames} pictures are too few for noise: use at least {LEAST_FRAMES}, better 8 or more."
    if patch.clipped_share > 0.01:
        return "The region is clipped, which cuts noise off: film with a shorter exposure or less gain."
    if patch.black > 0.1:
        return "The region is at the black of the recording, which cuts noise off: film brighter."
    if evidence.identical > 0.6:
        return (
            f"{100 * evidence.identical:.0f} % of the pixels repeat the frame before: the encoder froze them. "
            "Film at a higher data rate, intra-frame only, and use the camera's own file."
        )
    if evidence.codes < 0.5:
        return (
            f"The noise is {evidence.codes:.2f} code steps, below half a step: rounding hides it. "
            "Film with 10 bits, or a noisier (darker, higher gain) scene."
        )
    if evidence.pulsing > 0.25 or evidence.lag > 0.3:
        rhythm = f" every {evidence.rhythm:.0f} frames" if evidence.rhythm and evidence.rhythm > 2.5 else ""
        return (
            f"The noise comes and goes{rhythm} or lasts from frame to frame: an encoder or noise reduction made it. "
            "Switch noise reduction off and film at a higher data rate."
        )
    if evidence.kept < 0.5:
        return (
            "At this data rate an encoder keeps less than half of the noise: film at a higher data rate "
            "(a bit a pixel or more), intra-frame only, and use the camera's own file."
        )
    return None


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
    return max(1.0, float(power[inner].mean() / power[(fy > 0) & (fx > 0)].mean()))


def disc_sigma(patch: Patch, diameter_px: float) -> float | None:
    """Return the temporal noise of the mean light of a disc, from the noise power spectrum; None if it was not gathered."""
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
    return math.sqrt(float((power * window**2).sum()) / power.size)


@dataclass(frozen=True, slots=True, kw_only=True)
class Noise:
    """Noise of a patch, and what the file did to it."""

    readings: tuple[Reading, ...]
    evidence: Evidence
    area_px: float
    drift_per_frame: float
    shading: float
    disc_snr: float | None = None


def measure(
    patch: Patch,
    *,
    of: str = "region",
    bits_per_pixel: float = 0.0,
    step: float = 0.0,
    disc_px: float | None = None,
    flags: Flag = Flag.NONE,
) -> Noise:
    """Return the noise of a patch as readings ``mean``, ``temporal_sigma``, ``fixed_pattern_sigma``, ``snr``.

    Parameters
    ----------
    patch : Patch
        With its spectrum, for correlation and discs.
    of : str
        Name of the region.
    bits_per_pixel, step : float
        As for `evidence_of`.
    disc_px : float, optional
        Diameter of the disc for which ``snr_disc`` is given too.
    flags : Flag
        Of the clip.
    """
    evidence = evidence_of(patch, bits_per_pixel=bits_per_pixel, step=step)
    area = correlation_area(patch)
    trend = drift(patch.frame_means)
    fixed, shading = pattern_var(patch)
    flags |= _own_flags(patch, evidence, area, shading, trend.slope, trend.slope_sigma)
    common = Common(of=of, flags=flags, frames=patch.frames, pixels=patch.pixels)
    level = level_without_beat(patch.frame_means)
    low, high = level.estimate.interval()
    unit = "relative light"
    mean = common.reading("mean", level.estimate.value, low, high, unit, method="mean of linear light, pulsing removed")
    reason = why_no_noise(patch, evidence)
    if reason or level.estimate.value <= 0:
        reason = reason or "The region holds no light: film brighter."
        rest = [common.refusal(name, reason, "1" if name == "snr" else unit, method=NOT_THE_SHEET) for name in NAMES[1:]]
        return Noise(readings=(mean, *rest), evidence=evidence, area_px=area, drift_per_frame=trend.slope, shading=shading)
    sigma = math.sqrt(clean_temporal_var(patch))
    # Relative error of a standard deviation from so many independent samples.
    samples = max(2.0, patch.pixels / area * (patch.frames - 1))
    scatter = 1.96 / math.sqrt(2.0 * samples)
    top = 1.0 / evidence.kept
    words = (
        "of a pixel over frames, each frame's level removed, in linear light; the upper end allows for what the encoder took"
    )
    temporal = common.reading(
        "temporal_sigma", sigma, sigma * (1 - scatter), sigma * (1 + scatter) * top, unit, method=f"standard deviation {words}"
    )
    readings = [mean, temporal, _pattern(common, patch, fixed, sigma, area, unit)]
    snr = level.estimate.value / sigma
    method = f"mean over temporal noise of a pixel, {NOT_THE_SHEET}"
    readings.append(common.reading("snr", snr, snr * (1 - scatter) / top, snr * (1 + scatter) + 1e-12, method=method))
    disc = _disc(common, patch, level.estimate.value, disc_px, scatter, top)
    if disc is not None:
        readings.append(disc)
    return Noise(
        readings=tuple(readings),
        evidence=evidence,
        area_px=area,
        drift_per_frame=trend.slope,
        shading=shading,
        disc_snr=disc.value if disc is not None else None,
    )


def _own_flags(patch: Patch, evidence: Evidence, area: float, shading: float, slope: float, slope_sigma: float) -> Flag:
    flags = Flag.NONE
    if patch.frames < 8:
        flags |= Flag.FEW_FRAMES
    if patch.pixels < 400:
        flags |= Flag.FEW_PIXELS
    if evidence.kept < 0.9 or evidence.pulsing > 0.08 or evidence.identical > 0.4:
        flags |= Flag.COMPRESSED
    if evidence.lag > 0.08:
        flags |= Flag.PROCESSED
    if area > 1.5 or evidence.lag > 0.05:
        flags |= Flag.CORRELATED
    if evidence.codes < 1.0:
        flags |= Flag.QUANTISED
    if patch.clipped_share > 0.0005:
        flags |= Flag.CLIPPED
    if shading > 0.3:
        flags |= Flag.SLOPE
    if banded(patch):
        flags |= Flag.GATED
    mean = float(patch.frame_means.mean())
    if mean > 0 and patch.frames >= 16 and abs(slope) > 4.0 * slope_sigma and abs(slope) * patch.frames > 0.02 * mean:
        flags |= Flag.DRIFT
    return flags


def _pattern(common: Common, patch: Patch, fixed: float, sigma: float, area: float, unit: str) -> Reading:
    """The fixed pattern: an upper limit where noise hides it."""
    places = max(2.0, patch.pixels / area)
    left = sigma**2 / patch.frames
    error = (fixed + left) * math.sqrt(2.0 / places)
    method = "standard deviation of the mean image beyond the noise left in it, a plane of shading removed (ISO 15739's split)"
    low, high = math.sqrt(max(0.0, fixed - 1.96 * error)), math.sqrt(fixed + 1.96 * error)
    return common.reading("fixed_pattern_sigma", math.sqrt(fixed), low, high, unit, method=method)


def _disc(common: Common, patch: Patch, level: float, disc_px: float | None, scatter: float, top: float) -> Reading | None:
    if disc_px is None:
        return None
    if disc_px > 0.5 * min(patch.mean_image.shape):
        reason = f"The disc of {disc_px:.1f} px does not fit the region twice: mark a larger even region."
        return common.refusal("snr_disc", reason, method=NOT_THE_SHEET)
    sigma = disc_sigma(patch, disc_px)
    if not sigma:
        return None
    value = level / sigma
    discs = max(2.0, patch.pixels / max(1.0, math.pi * disc_px**2 / 4.0) * (patch.frames - 1))
    wide = math.hypot(scatter, 1.96 / math.sqrt(2.0 * discs))
    method = f"mean over temporal noise of a disc of {disc_px:.2f} px, from the noise spectrum, {NOT_THE_SHEET}"
    return common.reading("snr_disc", value, value * (1 - wide) / top, value * (1 + wide), method=method)


__all__ = [
    "NAMES",
    "Evidence",
    "Noise",
    "PhotonTransfer",
    "banded",
    "bandwidth_of_exposure",
    "clean_temporal_var",
    "correlation_area",
    "decibels",
    "disc_sigma",
    "evidence_of",
    "fixed_pattern_sigma",
    "measure",
    "noise_kept",
    "pattern_var",
    "photon_transfer",
    "quantisation_sigma",
    "sample_correction",
    "sigma_from_difference",
    "why_no_noise",
]

r"""Temporal and fixed-pattern noise of a patch, what is left of them in the file, and refusals by evidence.

Temporal noise is the standard deviation of a pixel over frames, each frame's own level (and bands along rows and columns, where
the light pulses) removed.  The fixed pattern is what the mean image varies by beyond that noise: :math:`\sigma_p^2 =
\mathrm{var}(\bar I) - \sigma_t^2 / N` (the split of ISO 15739), a plane of shading removed.  SNR is the mean over the temporal
noise of a pixel, or of a disc of stated angle.  None of these is the tube's SNR of a data sheet: light, area and bandwidth
differ.

An encoder takes noise below its level of distortion away (`viewer.measure.encoder`).  What it likely took is added to what the
file holds; the interval reaches from the file's own noise to what two and a half times that level would mean.  Where less than
`LEAST_KEPT` is left, the file gives a bound only; where the traces show that the encoder or a noise reduction made the noise,
nothing is given.

References
----------
.. [1] ISO 15739:2023, *Photography - Electronic still picture imaging - Noise measurements*.
.. [2] T. M. Cover, J. A. Thomas, *Elements of Information Theory* (2006), 10.3.3: reverse water-filling.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from viewer.measure.beat import level_without_beat
from viewer.measure.encoder import DOUBT, NO_ENCODER, Encoder
from viewer.measure.lostlight import lost_light
from viewer.measure.noiseparts import banded, clean_temporal_var, correlation_area, disc_sigma, pattern_var
from viewer.measure.patches import Common, Patch
from viewer.measure.readings import Flag, Reading
from viewer.measure.stats import drift

LEAST_FRAMES = 4
LEAST_KEPT = 0.6
# Encoders leave a pattern of their own in the mean picture, of about this share of their level of distortion (deviation).
OWN_PATTERN = 0.12
# What stands still is coded once and then left or refined: its loss is surer to exceed the guide than that of noise.
STILL_DOUBT = 4.0
# Smoothing at the borders of blocks takes noise of its own, about this share of the variance.
FILTERED = 0.06
NAMES = ("mean", "temporal_sigma", "fixed_pattern_sigma", "snr")
NOT_THE_SHEET = "not the tube's SNR of a data sheet"
LIGHT = "relative light"


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """Traces of an encoder or of noise reduction.

    ``kept`` is the likely share of the noise (standard deviation) that is left, ``identical`` the median share of pixels that
    repeat the frame before, ``pulsing`` the relative spread of the noise from frame to frame, ``rhythm`` its period in frames
    where it has one (the group of pictures), ``lag`` the correlation of a pixel's noise with the next frame, ``codes`` the
    noise in luma codes, ``repeats`` the share of frames that are exact repeats of the one before.
    """

    kept: float
    identical: float
    pulsing: float
    rhythm: float | None
    lag: float
    codes: float
    repeats: float = 0.0


def evidence_of(patch: Patch, *, encoder: Encoder = NO_ENCODER, step: float = 0.0, repeats: int = 0) -> Evidence:
    """Return the traces that a patch shows.

    Parameters
    ----------
    patch : Patch
    encoder : Encoder
        Of the clip; one that takes nothing if left out.
    step : float
        Light of one luma code at the patch's level; 0 if unknown.
    repeats : int
        Exact repeats of the frame before, left out of the patch.
    """
    sigma = math.sqrt(clean_temporal_var(patch))
    course = np.sqrt(np.maximum(patch.difference_vars, 0.0))
    pulsing, rhythm = 0.0, None
    if course.size >= 8 and course.mean() > 0:
        sampling = 1.0 / math.sqrt(2.0 * patch.pixels)
        pulsing = math.sqrt(max(0.0, float(course.std() / course.mean()) ** 2 - sampling**2))
        tones = level_without_beat(course, least=0.01).tones
        # once is no rhythm
        rhythm = 1.0 / tones[0][0] if tones and tones[0][0] * course.size >= 2.0 else None
    return Evidence(
        kept=encoder.kept((sigma / step) ** 2) if step > 0 else 1.0,
        identical=float(np.median(patch.identical)) if patch.identical.size else 0.0,
        pulsing=pulsing,
        rhythm=rhythm,
        lag=float(patch.lag_products[0]),
        codes=sigma / step if step > 0 else math.inf,
        repeats=repeats / (repeats + patch.frames),
    )


def why_no_noise(patch: Patch, evidence: Evidence) -> str | None:
    """Return why the noise of a patch cannot be told from the file, with what to film instead; None if it can."""
    if evidence.repeats > 0.6:
        return (
            f"{100 * evidence.repeats:.0f} % of the frames only repeat the picture before: the encoder took the noise and "
            "whatever changed. Film at a higher data rate, intra-frame only, and use the camera's own file."
        )
    if patch.frames < LEAST_FRAMES:
        return f"Too few pictures for noise ({patch.frames}): film longer, or use at least {LEAST_FRAMES}, better 8 or more."
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
    return None


@dataclass(frozen=True, slots=True)
class Sizes:
    """Standard deviations of noise: in the file, likely before the encoder, and at most."""

    file: float
    likely: float
    most: float

    @classmethod
    def of(cls, patch: Patch, water: float) -> Sizes:
        """From a patch and the encoder's level of distortion, squared light."""
        file = clean_temporal_var(patch)
        filtered = FILTERED * file if water > 0 else 0.0
        likely = file + float(np.mean(missing_power(patch, water)))
        return cls(math.sqrt(file), math.sqrt(likely), math.sqrt(file + filtered + DOUBT * water))


def missing_power(patch: Patch, water: float) -> np.ndarray:
    """Return the power that the encoder likely took, by frequency (a single value without a spectrum), squared light.

    Where something is left it took its level of distortion; where nothing is, there was less than that: half is taken.
    """
    left = patch.spectrum if patch.spectrum is not None else np.array([clean_temporal_var(patch)])
    if water <= 0:
        return np.zeros_like(left)
    return np.asarray(water * (left + 0.5 * water) / (left + water))


@dataclass(frozen=True, slots=True, kw_only=True)
class Noise:
    """Noise of a patch, and what the file did to it."""

    readings: tuple[Reading, ...]
    evidence: Evidence
    area_px: float
    drift_per_frame: float
    drift_sigma: float
    shading: float


def measure(
    patch: Patch,
    *,
    of: str = "region",
    encoder: Encoder = NO_ENCODER,
    step: float = 0.0,
    level_sigma: float = 0.0,
    bend: float = 0.0,
    repeats: int = 0,
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
    encoder, step, repeats
        As for `evidence_of`.
    level_sigma : float
        By how much the encoder may have moved the mean light (1 sigma).
    bend : float
        Of the light curve at the patch's level, as for `viewer.measure.lostlight.lost_light`.
    disc_px : float, optional
        Diameter of the disc for which ``snr_disc`` is given too.
    flags : Flag
        Of the clip.
    """
    evidence = evidence_of(patch, encoder=encoder, step=step, repeats=repeats)
    area = correlation_area(patch)
    trend = drift(patch.frame_means)
    fixed, shading = pattern_var(patch)
    flags |= _own_flags(patch, evidence, area, shading, trend.slope, trend.slope_sigma)
    common = Common(of=of, flags=flags, frames=patch.frames, pixels=patch.pixels)
    level = level_without_beat(patch.frame_means).estimate
    lost = lost_light(patch, patch, bend=bend, kept=evidence.kept)
    low, high = (end + lost.light for end in level.interval())
    level = replace(level, value=level.value + lost.light)
    half = math.hypot(0.5 * (high - low), 1.96 * level_sigma, 1.96 * lost.sigma)
    words = "mean of linear light, pulsing removed, light that went with lost noise added"
    readings = [common.reading("mean", level.value, level.value - half, level.value + half, LIGHT, method=words)]
    reason = why_no_noise(patch, evidence)
    if reason or level.value <= 0:
        reason = reason or "The region holds no light: film brighter."
        readings += [common.refusal(name, reason, "1" if name == "snr" else LIGHT, method=NOT_THE_SHEET) for name in NAMES[1:]]
    else:
        water = encoder.water * step**2
        readings += _temporal(common, patch, evidence, level.value, Sizes.of(patch, water), area)
        readings.insert(2, _pattern(common, patch, fixed, water, area))
        if disc_px is not None:
            readings.append(_disc(common, patch, evidence, level.value, water, disc_px, area))
    return Noise(
        readings=tuple(readings),
        evidence=evidence,
        area_px=area,
        drift_per_frame=trend.slope,
        drift_sigma=trend.slope_sigma,
        shading=shading,
    )


def _own_flags(patch: Patch, evidence: Evidence, area: float, shading: float, slope: float, slope_sigma: float) -> Flag:
    flags = Flag.NONE
    if patch.frames < 8:
        flags |= Flag.FEW_FRAMES
    if patch.pixels < 400:
        flags |= Flag.FEW_PIXELS
    if evidence.kept < 0.9 or evidence.repeats > 0.3 or evidence.pulsing > 0.08 or evidence.identical > 0.4:
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


def _scatter(patch: Patch, area: float) -> float:
    """Half the relative interval of a standard deviation from so many independent samples."""
    samples = max(2.0, patch.pixels / area * (patch.frames - 1))
    return 1.96 / math.sqrt(2.0 * samples)


def _bounded(common: Common, evidence: Evidence) -> Common:
    """Turn readings of which the encoder left too little into bounds."""
    if evidence.kept >= LEAST_KEPT:
        return common
    reason = (
        f"The encoder left about {100 * evidence.kept:.0f} % of the noise: there was at least this much. "
        "Film at a higher data rate (a bit a pixel or more), intra-frame only, and use the camera's own file."
    )
    return replace(common, state="limit", reason=reason)


def _temporal(
    common: Common, patch: Patch, evidence: Evidence, level: float, sizes: Sizes, area: float
) -> tuple[Reading, Reading]:
    """Temporal noise and SNR of a pixel."""
    own = _bounded(common, evidence)
    wide = _scatter(patch, area)
    words = "standard deviation of a pixel over frames, each frame's level removed, in linear light"
    ratio = f"mean over temporal noise of a pixel, {NOT_THE_SHEET}"
    if own.state == "limit":
        least = sizes.file * (1.0 - wide)
        snr = replace(own, reason=(own.reason or "").replace("there was at least this much", "the SNR was at most this"))
        return (
            own.reading("temporal_sigma", sizes.file, least, None, LIGHT, method=words),
            snr.reading("snr", level / sizes.file, None, level / least, method=ratio),
        )
    if sizes.likely > 1.001 * sizes.file:
        words += ", what the encoder likely took added"
    low, high = sizes.file * (1.0 - wide), sizes.most * (1.0 + wide)
    return (
        own.reading("temporal_sigma", sizes.likely, low, high, LIGHT, method=words),
        own.reading("snr", level / sizes.likely, level / high, level / low, method=ratio),
    )


def _gain(patch: Patch, fixed: float, water: float) -> float:
    """Return the gain with which the encoder passed a white pattern of this variance, under the patch's noise."""
    if water <= 0:
        return 1.0
    noise = patch.spectrum if patch.spectrum is not None else np.array([clean_temporal_var(patch)])
    return float(np.mean((noise + fixed) / (noise + fixed + water)))


def _pattern(common: Common, patch: Patch, fixed: float, water: float, area: float) -> Reading:
    """The fixed pattern: an upper limit where noise hides it, a lower one where the encoder took most of it."""
    left = clean_temporal_var(patch) / patch.frames
    error = 1.96 * (fixed + left) * math.sqrt(2.0 / max(2.0, patch.pixels / area))
    method = "standard deviation of the mean image beyond the noise left in it, a plane of shading removed (ISO 15739's split)"
    likely = most = fixed
    # The gain depends on what was there before.
    for _ in range(4):
        likely = fixed / max(0.05, _gain(patch, likely, water)) ** 2
        most = (fixed + error) / max(0.05, _gain(patch, most, STILL_DOUBT * water)) ** 2
    low = math.sqrt(max(0.0, fixed - error - OWN_PATTERN**2 * water))
    if _gain(patch, likely, water) >= 0.5:
        if water > 0:
            method += ", what the encoder likely took added"
        return common.reading("fixed_pattern_sigma", math.sqrt(likely), low, math.sqrt(most), LIGHT, method=method)
    if low > 0:
        reason = (
            "The encoder smooths a pattern of this size away: there was at least this much. "
            "Film at a higher data rate, intra-frame only."
        )
        own = replace(common, state="limit", reason=reason)
        return own.reading("fixed_pattern_sigma", math.sqrt(fixed), low, None, LIGHT, method=method)
    reason = "The encoder would have smoothed a fixed pattern away: film at a higher data rate, intra-frame only."
    return common.refusal("fixed_pattern_sigma", reason, LIGHT, method=method)


def _disc(common: Common, patch: Patch, evidence: Evidence, level: float, water: float, disc_px: float, area: float) -> Reading:
    method = f"mean over temporal noise of a disc of {disc_px:.2f} px, from the noise spectrum, {NOT_THE_SHEET}"
    if disc_px > 0.5 * min(patch.mean_image.shape):
        reason = f"The disc of {disc_px:.1f} px does not fit the region twice: mark a larger even region."
        return common.refusal("snr_disc", reason, method=method)
    took = missing_power(patch, water)
    file, likely, most = (disc_sigma(patch, disc_px, extra=part) for part in (0.0, took, DOUBT * water))
    if not file or not likely or not most:
        return common.refusal("snr_disc", "The region holds no noise to judge: film at a higher data rate.", method=method)
    discs = max(2.0, patch.pixels / max(1.0, math.pi * disc_px**2 / 4.0) * (patch.frames - 1))
    wide = math.hypot(_scatter(patch, area), 1.96 / math.sqrt(2.0 * discs))
    own = _bounded(common, evidence)
    if own.state == "limit":
        return own.reading("snr_disc", level / file, None, level / file * (1.0 + wide), method=method)
    return own.reading("snr_disc", level / likely, level / most * (1.0 - wide), level / file * (1.0 + wide), method=method)


__all__ = [
    "LEAST_KEPT",
    "NAMES",
    "Evidence",
    "Noise",
    "Sizes",
    "evidence_of",
    "measure",
    "missing_power",
    "why_no_noise",
]

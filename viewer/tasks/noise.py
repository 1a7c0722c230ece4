"""Noise of a region of a clip as a result document."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from viewer.errors import UsageError
from viewer.measure.noise import measure
from viewer.measure.noiseparts import correlations
from viewer.measure.readings import Flag
from viewer.measure.regions import Rect
from viewer.media import ClipReader
from viewer.tasks.document import Result
from viewer.tasks.encoder import encoder_of, light_sigma
from viewer.tasks.patches import Progress, Span, Stop, bend_of, gather, single_colour, step_light

NOISE_TINT_ERROR = 0.15


def measure_noise(
    clip: ClipReader,
    region: Rect,
    *,
    frames: Span = (0, None),
    px_per_degree: float | None = None,
    disc_deg: float | None = None,
    progress: Progress = None,
    cancelled: Stop = None,
) -> Result:
    """Measure temporal and fixed-pattern noise of an even region.

    Parameters
    ----------
    clip : ClipReader
    region : Rect
        An evenly lit part of the picture, upright px, 64 px or more.
    frames : (first, stop)
    px_per_degree, disc_deg : float, optional
        Scale, and diameter of the disc for which ``snr_disc`` is given too.

    Returns
    -------
    Result
        Readings ``mean``, ``temporal_sigma``, ``fixed_pattern_sigma`` (relative light), ``snr`` (1) of ``region``.
        Where the encoder left too little, ``temporal_sigma`` is a lower and ``snr`` an upper bound (state ``limit``).
        Extras: ``evidence`` {kept, identical, pulsing, rhythm, lag, codes, repeats}, ``correlation_area_px``, ``correlation``
        {x, y, frames: correlation at 0, 1, 2 ... px or frames}, ``drift_per_frame``, ``drift_per_frame_sigma`` (relative
        light), ``shading``, ``bits_per_pixel``.  Plots: ``frame_times_s``, ``frame_means``, ``noise_by_frame`` (standard
        deviation from each frame to the next), ``mean_image``, ``noise_image``, ``noise_power`` (spectrum).

    Raises
    ------
    RegionError
        If the region reaches outside the picture or is smaller than 64 px.
    UsageError
        If a disc is asked for without a scale.
    """
    if disc_deg is not None and px_per_degree is None:
        raise UsageError(
            "a disc in degrees needs the scale.", hint="Give --px-per-degree, measured on a target of known angle."
        )
    region.check(clip.info.width, clip.info.height, least=64, where=clip.info.path.name)
    tint = single_colour(clip, region, frames, most=NOISE_TINT_ERROR)
    found = gather(clip, {"region": region}, frames=frames, tint=tint, spectrum=True, progress=progress, cancelled=cancelled)
    patch = found.patches["region"]
    encoder = encoder_of(clip)
    noise = measure(
        patch,
        encoder=encoder,
        step=step_light(clip, patch.level),
        level_sigma=light_sigma(clip, encoder, found.signals["region"], pixels=patch.pixels, blurred=True),
        bend=bend_of(clip, patch.level),
        repeats=found.repeats,
        disc_px=None if disc_deg is None or px_per_degree is None else disc_deg * px_per_degree,
        flags=found.flags | Flag.ONE_TAKE,
    )
    warnings = list(clip.info.warnings)
    if found.repeats:
        warnings.append(f"{found.repeats} exact repeats of the frame before were left out.")
    if clip.info.reencoded:
        warnings.append(f"the file is not the camera's own ({'; '.join(clip.info.reencoded)}): noise may have been lost.")
    extras: dict[str, Any] = {
        "evidence": asdict(noise.evidence),
        "correlation_area_px": noise.area_px,
        "correlation": correlations(patch),
        "drift_per_frame": noise.drift_per_frame,
        "drift_per_frame_sigma": noise.drift_sigma,
        "shading": noise.shading,
        "bits_per_pixel": clip.info.bits_per_pixel,
    }
    plots = {
        "frame_times_s": found.times_s,
        "frame_means": patch.frame_means,
        "noise_by_frame": patch.difference_vars**0.5,
        "mean_image": patch.mean_image,
        "noise_image": patch.noise_image,
        "noise_power": patch.spectrum,
    }
    return Result(
        command="noise",
        inputs=(clip.info.input_record(),),
        readings=noise.readings,
        warnings=tuple(warnings),
        extras=extras,
        plots=plots,
    )


__all__ = ["measure_noise"]

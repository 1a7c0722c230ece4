"""Contrast of two regions of a clip as a result document."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from viewer.align.circle import fit_field_circle
from viewer.errors import UsageError
from viewer.measure.contrast import Dark, contrast_readings
from viewer.measure.corner import corner_dark, corner_masks
from viewer.measure.encoder import Encoder
from viewer.measure.errorbudget import Budget
from viewer.measure.localcontrast import LocalContrast, band_readings, local_contrast
from viewer.measure.noiseparts import clean_temporal_var
from viewer.measure.patches import Patch
from viewer.measure.readings import Flag
from viewer.measure.regions import Rect
from viewer.measure.stats import mean_estimate
from viewer.media import ClipReader, Frame
from viewer.tasks.document import Result
from viewer.tasks.encoder import encoder_of, light_sigma
from viewer.tasks.match import measure_match
from viewer.tasks.one_colour import OneColour, one_colour
from viewer.tasks.patches import Progress, Span, Stop, bend_of, black_code, gather, single_colour, step_light

CORNER_FRAMES = 5


def measure_contrast(
    clip: ClipReader,
    bright: Rect,
    dark: Rect,
    *,
    frames: Span = (0, None),
    black: Rect | None = None,
    dark_clip: ClipReader | None = None,
    flat_clip: ClipReader | None = None,
    corner: bool = True,
    local: Rect | None = None,
    px_per_degree: float | None = None,
    progress: Progress = None,
    cancelled: Stop = None,
) -> Result:
    """Measure the contrast of a bright and a dark region.

    Parameters
    ----------
    clip : ClipReader
    bright, dark : Rect
        Upright px.
    frames : (first, stop)
    black : Rect, optional
        A region of this clip that receives no light; its level is subtracted.
    dark_clip : ClipReader, optional
        Filmed with lens and eyepiece capped, same settings; its level in the same regions is subtracted.
    flat_clip : ClipReader, optional
        An even field through the same device; both levels are divided by its light there.
    corner : bool
        Whether to use the corners outside the field circle where they give a dark level.
    local : Rect, optional
        Region for local contrast by octaves.
    px_per_degree : float, optional
        Scale for those octaves; in cycles/px without.

    Returns
    -------
    Result
        Readings ``michelson``, ``weber``, ``rms``, ``cnr`` of ``bright/dark``; with `local`, ``local_contrast`` of each octave.
        Extras: ``levels`` {bright, dark, dark_level, dark_level_from}, ``budget`` [{source, sigma}].
        Plots: ``frame_times_s``, ``bright``, ``dark`` (light per frame); with `local`, ``octaves``
        {name: {"frequency", "map", "rms"}}.

    Raises
    ------
    RegionError
        If a region reaches outside the picture or holds fewer than 4 px.
    UsageError
        If both regions overlap.
    """
    if _overlap(bright, dark):
        raise UsageError(f"the bright region {bright} and the dark region {dark} overlap.", hint="Draw them apart.")
    rects = {"bright": bright, "dark": dark} | ({"black": black} if black else {})
    look = corner and dark_clip is None and black is None
    colour = one_colour(clip, bright, dark, frames) if dark_clip is None and black is None and flat_clip is None else None
    found = gather(
        clip,
        rects,
        frames=frames,
        tint=colour.tint if colour else None,
        limits=True,
        pictures=CORNER_FRAMES if look else 0,
        progress=progress,
        cancelled=cancelled,
    )
    patches = dict(found.patches)
    level, why = _dark_level(clip, patches, bright, dark, dark_clip, found.pictures, cancelled)
    patches = _freed(patches, level)
    flat = _flat(flat_clip, bright, dark, cancelled)
    encoder = encoder_of(clip)
    for name in ("bright", "dark"):
        step = colour.step(patches[name].level) if colour else step_light(clip, patches[name].level)
        patches[name] = _lowered(patches[name], step * encoder.luma_shift)
    traces = [_trace(clip, encoder, patches[name], found.signals[name], colour) for name in ("bright", "dark")]
    readings, budget = contrast_readings(
        patches["bright"],
        patches["dark"],
        level["common"],
        flat=flat,
        flags=found.flags,
        colour=colour.doubt if colour else None,
        **{key: (traces[0][key], traces[1][key]) for key in traces[0]},
    )
    warnings = [f"no dark level subtracted: {why}."] if why and level["common"].source == "none" else []
    plots: dict[str, Any] = {name: patches[name].frame_means for name in ("bright", "dark")}
    plots["frame_times_s"] = found.times_s
    extras = {
        "levels": {name: patches[name].level for name in ("bright", "dark")}
        | {"dark_level": level["common"].level, "dark_level_from": level["common"].source},
        "budget": _budget_rows(budget),
    }
    if local is not None:
        octaves = _octaves(clip, local, frames, px_per_degree)
        readings += band_readings(octaves, flags=found.flags | Flag.ONE_TAKE, angular=px_per_degree is not None)
        plots["octaves"] = {
            band.name: {"frequency": band.frequency, "map": band.map, "rms": band.rms} for band in octaves.bands
        }
    return Result(
        command="contrast",
        inputs=tuple(c.info.input_record() for c in (clip, dark_clip, flat_clip) if c is not None),
        readings=readings,
        warnings=(*clip.info.warnings, *warnings),
        extras=extras,
        plots=plots,
    )


def with_match(
    result: Result, clip: ClipReader, bright: Rect, other: ClipReader, region: Rect, *, frames: Span = (0, None)
) -> Result:
    """Return a result of `measure_contrast` with the ``matching_factor`` to another device's clip added."""
    reading = measure_match(clip, bright, other, region, frames=frames)
    return replace(result, inputs=(*result.inputs, other.info.input_record()), readings=(*result.readings, reading))


def _trace(clip: ClipReader, encoder: Encoder, patch: Patch, signal: np.ndarray, colour: OneColour | None) -> dict[str, float]:
    """Return what curve, rounding and encoder do to the level of a patch, as `contrast_readings` takes it."""
    step = colour.step(patch.level) if colour else step_light(clip, patch.level)
    noise = clean_temporal_var(patch) / step**2 if step > 0 else 0.0
    return {
        "bend": bend_of(clip, patch.level),
        "step": step,
        "kept": encoder.kept(noise),
        "code_error": step * encoder.luma_sigma(patch.pixels)
        if colour
        else light_sigma(clip, encoder, signal, pixels=patch.pixels, blurred=True),
    }


def _overlap(a: Rect, b: Rect) -> bool:
    return a.x < b.x + b.w and b.x < a.x + a.w and a.y < b.y + b.h and b.y < a.y + a.h


def _budget_rows(budget: Budget | None) -> list[dict[str, object]]:
    return [] if budget is None else [{"source": part.source, "sigma": part.sigma} for part in budget.components]


def _dark_level(
    clip: ClipReader,
    patches: Mapping[str, Patch],
    bright: Rect,
    dark: Rect,
    dark_clip: ClipReader | None,
    pictures: Sequence[Frame],
    cancelled: Stop,
) -> tuple[dict[str, Dark], str]:
    """Return what to subtract: ``common`` from both, and the rest of each region's own (``bright``, ``dark``)."""
    if dark_clip is not None:
        own = gather(dark_clip, {"bright": bright, "dark": dark}, cancelled=cancelled).patches
        both = {name: mean_estimate(patch.frame_means) for name, patch in own.items()}
        level = 0.5 * (both["bright"].value + both["dark"].value)
        common = Dark(level, max(both["bright"].sigma, both["dark"].sigma), "the dark clip")
        return {"common": common} | {name: Dark(part.value - level, part.sigma) for name, part in both.items()}, ""
    if "black" in patches:
        estimate = mean_estimate(patches["black"].frame_means)
        return {"common": Dark(estimate.value, estimate.sigma, "the black region")}, ""
    common, why = dark_of_corners(clip, patches["dark"].level, pictures)
    return {"common": common}, why


def _freed(patches: dict[str, Patch], level: Mapping[str, Dark]) -> dict[str, Patch]:
    """Take each region's own part of the dark clip off."""
    out = dict(patches)
    for name in ("bright", "dark"):
        if name in level:
            out[name] = _lowered(patches[name], level[name].level)
    return out


def _lowered(patch: Patch, light: float) -> Patch:
    return replace(patch, mean_image=patch.mean_image - light, frame_means=patch.frame_means - light)


def dark_of_corners(clip: ClipReader, region_level: float, pictures: Sequence[Frame]) -> tuple[Dark, str]:
    """Return the dark level of the corners outside the field circle of some whole frames, and why it is not used if so."""
    if not pictures:
        return Dark(), ""
    lights = [picture.luminance().light for picture in pictures]
    light = np.mean(lights, axis=0)
    circle = fit_field_circle(light)
    if circle is None:
        return Dark(), ""
    masks = corner_masks(light.shape, circle.cx, circle.cy, circle.radius)
    if not masks:
        return Dark(), ""
    outside = np.any(masks, axis=0)
    black = black_code(clip)
    codes = [picture.luma()[outside] for picture in pictures]
    at, below = (
        float(np.mean([np.mean(part) for part in parts])) for parts in ([c <= black for c in codes], [c < black for c in codes])
    )
    noise = float(np.sqrt(np.mean(np.var([part[outside] for part in lights], axis=0)))) if len(lights) > 1 else 0.0
    return corner_dark(light, masks, black_share=at - 2.0 * below, noise=noise, region_level=region_level)


def _flat(flat_clip: ClipReader | None, bright: Rect, dark: Rect, cancelled: Stop) -> tuple[float, float]:
    if flat_clip is None:
        return 1.0, 1.0
    found = gather(flat_clip, {"bright": bright, "dark": dark}, cancelled=cancelled).patches
    levels = (found["bright"].level, found["dark"].level)
    if min(levels) <= 0 or max(found["bright"].clipped_share, found["dark"].clipped_share) > 0.01:
        raise UsageError(
            "the flat clip is black or clipped in the regions.",
            where=flat_clip.info.path.name,
            hint="Film an even, lit, unclipped field through the same device.",
        )
    mean = 0.5 * (levels[0] + levels[1])
    return levels[0] / mean, levels[1] / mean


def _octaves(clip: ClipReader, rect: Rect, frames: Span, px_per_degree: float | None) -> LocalContrast:
    """Return local contrast of the mean picture about a region."""
    rect.check(clip.info.width, clip.info.height, least=256, where=clip.info.path.name)
    tint = single_colour(clip, rect, frames)
    total, squares, count = np.zeros((rect.h, rect.w)), np.zeros((rect.h, rect.w)), 0
    for frame in clip.frames(*frames):
        light = frame.luminance(rect, tint=tint).light
        total += light
        squares += light.astype(np.float64) ** 2
        count += 1
    mean = total / count
    noise = np.sqrt(np.maximum(squares / count - mean**2, 0.0).mean() / count)
    return local_contrast(mean, px_per_degree=px_per_degree, noise_sigma=float(noise))


__all__ = ["dark_of_corners", "measure_contrast", "with_match"]

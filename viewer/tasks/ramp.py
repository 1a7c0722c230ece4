"""Light steps of a clip as a result document, and any other measure step by step."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from viewer.align.circle import fit_field_circle
from viewer.errors import UsageError
from viewer.measure.encoder import Encoder
from viewer.measure.lostlight import Lost, lost_with_noise
from viewer.measure.noiseparts import photon_transfer
from viewer.measure.patches import Common, PatchSum
from viewer.measure.ramp import Ramp, Step, find_ramp
from viewer.measure.readings import Flag, Reading
from viewer.measure.regions import Rect
from viewer.measure.units import LEVEL_UNITS, level_luminance
from viewer.media import ClipReader
from viewer.tasks.document import Result
from viewer.tasks.encoder import encoder_of, grey_sigma
from viewer.tasks.patches import Progress, Span, Stop, bend_of, clip_flags, new_pictures, single_colour, step_light

NOISE_SIDE = 128


def measure_ramp(
    clip: ClipReader,
    region: Rect | None = None,
    *,
    levels: Sequence[float] | None = None,
    unit: str = "mfL",
    frames: Span = (0, None),
    progress: Progress = None,
    cancelled: Stop = None,
) -> Result:
    """Find the steps of the light level in a clip, and the settled part of each.

    Parameters
    ----------
    clip : ClipReader
    region : Rect, optional
        What sees the light change; the inner part of the field (or of the picture) if left out.
    levels : sequence of float, optional
        Light levels in the order of the clip.
    unit : str
        Of the levels: one of `viewer.measure.units.LEVEL_UNITS`.
    frames : (first, stop)

    Returns
    -------
    Result
        Per step ``mean`` (relative light) and ``settling_time`` (s) of ``step-1`` ....  Extras: ``steps`` [{start_s, end_s,
        settled_from_s, mean, level, unit, steady, frames: [first, stop]}] with the frames that other measures may use;
        ``region``; ``photon_transfer`` {slope, floor, slope_sigma, floor_sigma, straight} or null.  Plots: ``frame_times_s``,
        ``light``, ``step_times_s``, ``noise_variance`` (per step).

    Raises
    ------
    UsageError
        If a level is not positive or the unit is not known.
    """
    if levels is not None and (not levels or min(levels) <= 0):
        raise UsageError("light levels must be numbers above 0.", hint="For example --levels 1.5,0.5,0.15.")
    if unit not in LEVEL_UNITS:
        raise UsageError(f"unit {unit!r} is not known.", hint=f"Use one of {', '.join(LEVEL_UNITS)}.")
    rect = region or inner_region(clip, frames)
    rect.check(clip.info.width, clip.info.height, least=16, where=clip.info.path.name)
    side_w, side_h = min(rect.w, NOISE_SIDE), min(rect.h, NOISE_SIDE)
    inner = Rect(rect.x + (rect.w - side_w) // 2, rect.y + (rect.h - side_h) // 2, side_w, side_h)
    # Subsampled chroma would smooth the noise.
    tint = single_colour(clip, rect, frames, most=0.15)
    patch = PatchSum((side_h, side_w))
    light, times, numbers, clipped = [], [], [], []
    flags = clip_flags(clip) | Flag.ONE_TAKE
    for frame, repeat in new_pictures(clip, frames, progress, cancelled):
        found = frame.luminance(rect)
        light.append(float(found.light.mean(dtype=np.float64)))
        clipped.append(float(found.clipped.mean()))
        times.append(frame.time_s)
        numbers.append(frame.number)
        flags |= Flag.REPEATED if repeat else Flag.NONE
        patch.add(frame.luminance(inner, tint=tint).light)
    if len(light) < 3:
        raise UsageError(
            f"holds too few frames for a light ramp ({len(light)}).",
            where=clip.info.path.name,
            hint="Film 1 s or more a level.",
        )
    series, at = np.array(light), np.array(times)
    ramp = find_ramp(series, at, levels)
    variances = patch.result().difference_vars if series.size > 1 else np.zeros(0)
    return _result(clip, rect, ramp, series, at, np.array(numbers), np.array(clipped), variances, unit, flags)


def inner_region(clip: ClipReader, frames: Span = (0, None)) -> Rect:
    """Return the inner part of the field circle, or of the picture where there is none."""
    stop = len(clip.index) if frames[1] is None else min(frames[1], len(clip.index))
    numbers = sorted({int(n) for n in np.linspace(frames[0], max(frames[0], stop - 1), 5)})
    mean = np.mean([clip.frame(number).luminance().light for number in numbers], axis=0)
    circle = fit_field_circle(mean)
    width, height = clip.info.width, clip.info.height
    if circle is None:
        return Rect(width // 4, height // 4, width // 2, height // 2)
    half = 0.5 * circle.radius
    x0, x1 = max(0, round(circle.cx - half)), min(width, round(circle.cx + half))
    y0, y1 = max(0, round(circle.cy - half)), min(height, round(circle.cy + half))
    if x1 - x0 < 8 or y1 - y0 < 8:
        return Rect(width // 4, height // 4, width // 2, height // 2)
    return Rect(x0, y0, x1 - x0, y1 - y0)


def _result(
    clip: ClipReader,
    rect: Rect,
    ramp: Ramp,
    series: np.ndarray,
    times: np.ndarray,
    numbers: np.ndarray,
    clipped: np.ndarray,
    variances: np.ndarray,
    unit: str,
    flags: Flag,
) -> Result:
    readings: list[Reading] = []
    rows: list[dict[str, Any]] = []
    noise: list[float] = []
    encoder = encoder_of(clip)
    for k, step in enumerate(ramp.steps, 1):
        first, stop = step.usable
        own = flags | (Flag.CLIPPED if clipped[first:stop].mean() > 0.001 else Flag.NONE)
        own |= Flag.NONE if step.steady else Flag.DRIFT
        common = Common(of=f"step-{k}", flags=own, frames=stop - first, pixels=rect.area)
        moved = grey_sigma(clip, encoder, step.mean.value, pixels=rect.area, blurred=True)
        noise.append(float(np.median(variances[first : stop - 1])) if stop - first > 2 else float("nan"))
        lost = _lost(clip, encoder, step.mean.value, noise[-1])
        readings += _step_readings(common, step, clip.index.interval_s, moved, lost)
        rows.append(
            {
                "start_s": step.start_s,
                "end_s": step.end_s,
                "settled_from_s": step.settled_from_s,
                "mean": step.mean.value + lost.light,
                "level": step.level,
                "unit": unit if step.level is not None else None,
                "luminance_cd_m2": None if step.level is None else level_luminance(step.level, unit),
                "steady": step.steady,
                "frames": [int(numbers[first]), int(numbers[stop - 1]) + 1],
            }
        )
    doubts = list(ramp.doubts)
    if len(ramp.steps) == 1:
        doubts.append("the light level does not change: this is not a ramp, or the region does not see it.")
    return Result(
        command="ramp",
        inputs=(clip.info.input_record(),),
        readings=tuple(readings),
        warnings=(*clip.info.warnings, *doubts),
        extras={"steps": rows, "region": str(rect), "photon_transfer": _transfer(ramp, noise, rect)},
        plots={
            "frame_times_s": times,
            "light": series,
            "step_times_s": np.array([step.start_s for step in ramp.steps]),
            "noise_variance": np.array(noise),
        },
    )


def _lost(clip: ClipReader, encoder: Encoder, level: float, noise: float) -> Lost:
    """Return the light that a level reads low by because the encoder smoothed noise before the curve made light of it."""
    step = step_light(clip, level)
    left = noise / step**2 if step > 0 and math.isfinite(noise) else 0.0
    return lost_with_noise(level, noise, bend=bend_of(clip, level), kept=encoder.kept(left))


def _step_readings(common: Common, step: Step, interval_s: float, moved: float, lost: Lost) -> list[Reading]:
    """Readings of one step; `moved` is by how much the encoder may have moved its light (1 sigma), `lost` what it took."""
    low, high = step.mean.interval()
    half = math.hypot(0.5 * (high - low), 1.96 * moved, 1.96 * lost.sigma)
    method = "mean of linear light over the settled part of the step, light that went with lost noise added"
    level = step.mean.value + lost.light
    mean = common.reading("mean", level, level - half, level + half, "relative light", method=method)
    words = "from the change until the level stays within 0.5 % or three errors of its final value"
    if step.settled >= step.stop:
        reason = "The level does not settle before the next step: film each level longer."
        return [mean, common.refusal("settling_time", reason, "s", method=words)]
    value = step.settling_s
    early, late = step.settled_span_s or (step.settled_from_s, step.settled_from_s)
    low, high = max(0.0, early - step.start_s - interval_s), late - step.start_s + interval_s
    return [mean, common.reading("settling_time", value, low, high, "s", method=words)]


def _transfer(ramp: Ramp, noise: list[float], rect: Rect) -> dict[str, Any] | None:
    """Noise variance over mean light of the steps as a straight line; None with fewer than three usable steps."""
    means = np.array([step.mean.value for step in ramp.steps])
    variances = np.array(noise)
    good = np.isfinite(variances) & (means > 0) & (variances > 0)
    if np.count_nonzero(good) < 3:
        return None
    frames = np.array([step.usable[1] - step.usable[0] for step in ramp.steps], float)
    samples = np.maximum(4.0, frames * min(rect.area, NOISE_SIDE**2) / 10.0)
    line = photon_transfer(means[good], variances[good], samples[good])
    return {
        "slope": line.slope,
        "floor": line.floor,
        "slope_sigma": line.slope_sigma,
        "floor_sigma": line.floor_sigma,
        "straight": line.straight,
    }


def measure_steps(ramp: Result, measure: Callable[[Span], Result]) -> list[Result]:
    """Do a measure on the settled part of every step of a ramp.

    Parameters
    ----------
    ramp : Result
        Of `measure_ramp`.
    measure : callable
        From frames (first, stop) to a result.

    Returns
    -------
    list of Result
        One a step; ``of`` of each reading carries the level: ``bright/dark at 0.5 mfL`` (``at step-2`` if none was typed).
    """
    results = []
    for k, row in enumerate(ramp.extras["steps"], 1):
        found = measure((row["frames"][0], row["frames"][1]))
        place = f"{row['level']:g} {row['unit']}" if row["level"] is not None else f"step-{k}"
        renamed = tuple(replace(reading, of=f"{reading.of} at {place}") for reading in found.readings)
        results.append(replace(found, readings=renamed))
    return results


__all__ = ["inner_region", "measure_ramp", "measure_steps"]

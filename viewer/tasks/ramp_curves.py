"""Contrast and bars at every level of a ramp, and the level at which they are lost."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from typing import Any

from viewer.measure.bars import LEAST_MODULATION, Target
from viewer.measure.errorbudget import from_interval
from viewer.measure.names import label_of
from viewer.measure.ramp import level_of_loss
from viewer.measure.readings import Flag, Reading, refused
from viewer.measure.regions import Rect
from viewer.media import ClipReader
from viewer.tasks.bars import measure_bars
from viewer.tasks.contrast import measure_contrast
from viewer.tasks.document import Result
from viewer.tasks.edge import measure_edge
from viewer.tasks.figure import measure_figure
from viewer.tasks.noise import measure_noise
from viewer.tasks.patches import Progress, Span, Stop
from viewer.tasks.ramp import measure_ramp, measure_steps
from viewer.tasks.tint import measure_tint

# Michelson contrast that side-by-side viewers just notice (practice).
LEAST_CONTRAST = 0.05
THRESHOLDS = {"michelson": LEAST_CONTRAST, "modulation": LEAST_MODULATION}


def measure_curves(
    clip: ClipReader,
    region: Rect | None = None,
    *,
    levels: Sequence[float],
    unit: str = "mfL",
    contrast: tuple[Rect, Rect] | None = None,
    targets: Sequence[Target] = (),
    noise: Rect | None = None,
    edge: Rect | None = None,
    tint: Rect | None = None,
    figure: Rect | None = None,
    frames: Span = (0, None),
    progress: Progress = None,
    cancelled: Stop = None,
) -> Result:
    """Measure a ramp, and any other measure on the settled part of each of its steps.

    Parameters
    ----------
    clip, region, levels, unit, frames
        As for `viewer.tasks.ramp.measure_ramp`.
    contrast : (Rect, Rect), optional
        Bright and dark region.
    targets : sequence of Target
        Tri-bar targets.
    noise, edge, tint, figure : Rect, optional
        Regions of those measures.

    Returns
    -------
    Result
        The readings of the ramp; those of each measure per step (``of``: ``bright/dark at 0.5 mfL``, ``4.49/v at 0.5 mfL``);
        and ``level_lost`` (unit of the levels) of ``bright/dark`` and of each target: where Michelson contrast falls under
        0.05, or modulation under 0.03.  Extras: as of the ramp, and ``curves`` {name: {of: {level, value, low, high}}}.
        Plots: as of the ramp, and ``curves``.
    """
    ramp = measure_ramp(clip, region, levels=levels, unit=unit, frames=frames, progress=progress, cancelled=cancelled)
    per_step: list[Result] = []
    if contrast is not None:
        bright, dark = contrast
        per_step += measure_steps(ramp, lambda span: measure_contrast(clip, bright, dark, frames=span, cancelled=cancelled))
    if targets:
        per_step += measure_steps(ramp, lambda span: measure_bars(clip, targets, frames=span, cancelled=cancelled))
    others: list[tuple[Rect | None, Callable[[Rect, Span], Result]]] = [
        (noise, lambda rect, span: measure_noise(clip, rect, frames=span, cancelled=cancelled)),
        (edge, lambda rect, span: measure_edge(clip, rect, frames=span, cancelled=cancelled)),
        (tint, lambda rect, span: measure_tint(clip, rect, frames=span, cancelled=cancelled)),
        (figure, lambda rect, span: measure_figure(clip, [(rect, None)], frames=span, cancelled=cancelled)),
    ]
    for rect, measure in others:
        if rect is not None:
            per_step += measure_steps(ramp, partial(measure, rect))
    readings = [reading for result in per_step for reading in result.readings]
    curves = curves_of(readings, ramp)
    lost = [loss_reading(name, of, curve, unit) for name in THRESHOLDS for of, curve in curves.get(name, {}).items()]
    return replace(
        ramp,
        readings=(*ramp.readings, *readings, *lost),
        warnings=tuple(dict.fromkeys((*ramp.warnings, *(text for result in per_step for text in result.warnings)))),
        extras={**ramp.extras, "curves": curves},
        plots={**ramp.plots, "curves": curves},
    )


def curves_of(readings: Sequence[Reading], ramp: Result) -> dict[str, dict[str, dict[str, list[float]]]]:
    """Return name -> object -> {level, value, low, high} of readings per step; refused ones are left out."""
    levels = {
        f"{row['level']:g} {row['unit']}" if row["level"] is not None else f"step-{k}": row["level"]
        for k, row in enumerate(ramp.extras["steps"], 1)
    }
    curves: dict[str, dict[str, dict[str, list[float]]]] = {}
    for reading in readings:
        of, _, place = reading.of.partition(" at ")
        level = levels.get(place)
        if level is None or reading.value is None or reading.low is None or reading.high is None:
            continue
        empty: dict[str, list[float]] = {"level": [], "value": [], "low": [], "high": []}
        curve = curves.setdefault(reading.name, {}).setdefault(of, empty)
        for key, value in (("level", level), ("value", reading.value), ("low", reading.low), ("high", reading.high)):
            curve[key].append(float(value))
    return curves


def loss_reading(name: str, of: str, curve: dict[str, Any], unit: str) -> Reading:
    """Return the level at which a curve falls under its threshold as a reading ``level_lost``."""
    threshold = THRESHOLDS[name]
    sigmas = [from_interval(low, high) for low, high in zip(curve["low"], curve["high"])]
    found = level_of_loss(curve["level"], curve["value"], sigmas, threshold)
    method = f"level at which {label_of(name)} falls under {threshold:g}, interpolated in the logarithm of light"
    if found.state == "refused":
        return refused("level_lost", of, unit, found.reason, flags=Flag.ONE_TAKE, method=method)
    return Reading(
        name="level_lost",
        of=of,
        value=found.level,
        unit=unit,
        low=found.low,
        high=found.high,
        state="limit" if found.state == "limit" else "measured",
        reason=found.reason or None,
        flags=Flag.ONE_TAKE,
        method=method,
    )


__all__ = ["LEAST_CONTRAST", "THRESHOLDS", "curves_of", "loss_reading", "measure_curves"]

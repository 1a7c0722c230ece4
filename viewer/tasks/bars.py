"""Tri-bar targets of a clip as a result document."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from typing import Any

import numpy as np

from viewer.errors import UsageError
from viewer.measure.bars import (
    Target,
    TargetLight,
    TargetResult,
    read_target,
)
from viewer.measure.bars_curve import Curve, read_together
from viewer.measure.bars_place import find_places, noise_of, polarity_of
from viewer.measure.bars_words import limit_reading, modulation_reading
from viewer.measure.chart import nearest_element
from viewer.measure.contrast import Dark
from viewer.measure.cutnoise import Uncut, level_of_cut_mean
from viewer.measure.readings import Flag
from viewer.measure.regions import Rect
from viewer.measure.resolution import limiting_resolution
from viewer.media import ClipReader, Frame
from viewer.tasks.bars_light import MOST_SAMPLES, Window, lights_of, window_of, with_ways
from viewer.tasks.contrast import CORNER_FRAMES, dark_of_corners
from viewer.tasks.document import Result
from viewer.tasks.patches import (
    Progress,
    Span,
    Stop,
    clip_flags,
    gather,
    new_pictures,
    single_colour,
    spread,
)

BARS_TINT_ERROR = 0.15


def measure_bars(
    clip: ClipReader,
    targets: Sequence[Target],
    *,
    frames: Span = (0, None),
    black: Rect | None = None,
    dark_clip: ClipReader | None = None,
    corner: bool = True,
    progress: Progress = None,
    cancelled: Stop = None,
) -> Result:
    """Measure the modulation of tri-bar targets and the limiting resolution.

    Parameters
    ----------
    clip : ClipReader
    targets : sequence of Target
        Boxes around the three bars, upright px.
    frames : (first, stop)
    black, dark_clip, corner
        Where the dark level comes from, as for `viewer.tasks.contrast.measure_contrast`.

    Returns
    -------
    Result
        Per target ``modulation`` (1); ``limiting_resolution`` (lp/mm) of ``all frames``, and
        ``limiting_resolution_single_frame`` of ``one frame``.  Extras: ``resolved`` {of: bool}, ``resolved_single_frame``
        {of: bool}, ``why_not`` {of: text}, ``polarity``, ``element`` (finest element with all coarser resolved, or null),
        ``elements`` [{lpmm, group, element (null between the steps of the 1951 chart), modulation_v, modulation_h, resolved,
        resolved_single_frame}], ``targets`` {of: {centre_px, bar_width_px, bars, gaps}}, ``cut_at_black`` {of: {share, bend}}
        of targets whose noise was cut at black (share of samples at black, bend of the quantiles), ``own_modulation``
        {of: what the target's own light shows}, ``transfer`` (the curve that all targets share: depth, corner in cycles/px,
        steepness, lying, stray; null where there is none).
        Plots: ``targets`` {of: {"profile", "sigma", "start_px", "centre_px", "width_px"}}, ``frequency_lpmm``,
        ``modulation``, ``low``, ``high`` (one entry a target).

    Raises
    ------
    RegionError
        If a target reaches outside the picture or is smaller than 5 px across its bars.
    UsageError
        If no target is given, or the same twice.
    """
    if not targets:
        raise UsageError("no target was marked.", hint="Give --target LPMM=X,Y,W,H,v for each.")
    names = [target.of for target in targets]
    if len(set(names)) < len(names):
        twice = next(name for name in names if names.count(name) > 1)
        raise UsageError(f"target {twice} is given twice.", hint="Mark each element once for upright and once for lying bars.")
    windows = [window_of(clip, target) for target in targets]
    tint = single_colour(clip, _around([target.rect for target in targets]), frames, most=BARS_TINT_ERROR)
    flags = clip_flags(clip) | Flag.ONE_TAKE
    wanted = spread(clip, frames, CORNER_FRAMES) if corner and dark_clip is None and black is None else set()
    pictures = []
    sampled = spread(clip, frames, MOST_SAMPLES)
    for frame, repeat in new_pictures(clip, frames, progress, cancelled):
        if frame.number in wanted:
            pictures.append(frame)
        if repeat:
            flags |= Flag.REPEATED
            continue
        for window in windows:
            window.add(frame, tint, frame.number in sampled)
    found = lights_of(clip, windows)
    lights = [light for light, _ in found]
    cuts = {light.target.of: uncut for light, uncut in found if uncut is not None}
    dark, why = _dark(clip, windows, lights, black, dark_clip, pictures, frames, cancelled)
    dark = _dark_uncut(dark, cuts)
    flags |= Flag.NO_DARK if dark.source == "none" else Flag.NONE
    places = find_places(lights)
    polarity = polarity_of(lights, places)
    noise = noise_of(lights, places)
    results = [
        read_target(
            light,
            place,
            polarity,
            black=dark.level,
            black_sigma=float(np.hypot(dark.sigma, light.moved)),
            noise=noise,
        )
        for light, place in zip(lights, places)
    ]
    results, curve = read_together(results)
    return _result(clip, windows, lights, results, polarity, flags, dark, why, dark_clip, cuts, curve)


def _around(rects: Sequence[Rect]) -> Rect:
    x, y = min(r.x for r in rects), min(r.y for r in rects)
    return Rect(x, y, max(r.x + r.w for r in rects) - x, max(r.y + r.h for r in rects) - y)


def _dark(
    clip: ClipReader,
    windows: Sequence[Window],
    lights: Sequence[TargetLight],
    black: Rect | None,
    dark_clip: ClipReader | None,
    pictures: Sequence[Frame],
    frames: Span,
    cancelled: Stop,
) -> tuple[Dark, str]:
    from viewer.measure.stats import mean_estimate

    if dark_clip is not None or black is not None:
        rect = black or _around([window.target.rect for window in windows])
        helper = dark_clip or clip
        patch = gather(helper, {"dark": rect}, frames=(0, None) if dark_clip else frames, cancelled=cancelled).patches["dark"]
        estimate = mean_estimate(patch.frame_means)
        return Dark(estimate.value, estimate.sigma, "the dark clip" if dark_clip else "the black region"), ""
    return dark_of_corners(clip, min(float(light.mean.min()) for light in lights), pictures)


def _dark_uncut(dark: Dark, cuts: Mapping[str, Uncut]) -> Dark:
    """Return the dark level with the same cut undone that the targets suffered."""
    if not cuts or dark.source == "none":
        return dark
    noise = float(np.median([uncut.noise for uncut in cuts.values()]))
    level = level_of_cut_mean(dark.level, noise)
    return replace(dark, level=level, sigma=float(np.hypot(dark.sigma, 0.25 * (dark.level - level))))


def _elements(results: Sequence[TargetResult]) -> list[dict[str, Any]]:
    """Return the table of groups and elements, coarse to fine."""
    rows = []
    for lpmm in sorted({result.target.lpmm for result in results}):
        own = {result.target.way: result for result in results if result.target.lpmm == lpmm}
        group, element = nearest_element(lpmm)
        exact = 2.0 ** (group + (element - 1) / 6.0)
        rows.append(
            {
                "lpmm": lpmm,
                # a frequency between the steps of the chart is none of its elements
                "group": group if abs(lpmm / exact - 1.0) < 0.02 else None,
                "element": element if abs(lpmm / exact - 1.0) < 0.02 else None,
                **{f"modulation_{way}": result.modulation for way, result in own.items()},
                "resolved": all(result.resolved for result in own.values()),
                "resolved_single_frame": all(result.resolved_single for result in own.values()),
            }
        )
    return rows


def _result(
    clip: ClipReader,
    windows: Sequence[Window],
    lights: Sequence[TargetLight],
    results: Sequence[TargetResult],
    polarity: float,
    flags: Flag,
    dark: Dark,
    why: str,
    dark_clip: ClipReader | None,
    cuts: Mapping[str, Uncut],
    curve: Curve | None,
) -> Result:
    readings = [
        modulation_reading(result, flags | (Flag.LOW_SIGNAL if result.target.of in cuts else Flag.NONE)) for result in results
    ]
    together, alone = limiting_resolution(results), limiting_resolution(results, single=True)
    readings.append(limit_reading(together, "limiting_resolution", "all frames", results, flags))
    single = limit_reading(alone, "limiting_resolution_single_frame", "one frame", results, flags)
    readings.append(replace(single, frames=1))
    plots: dict[str, Any] = {"targets": {}}
    places: dict[str, Any] = {}
    for window, light, result in zip(windows, lights, results):
        start = window.rect.x if window.target.way == "v" else window.rect.y
        plots["targets"][result.target.of] = {
            "profile": light.mean,
            "sigma": light.sigma,
            "start_px": start,
            "centre_px": start + result.place.centre,
            "width_px": result.place.width,
        }
        places[result.target.of] = {
            "centre_px": start + result.place.centre,
            "bar_width_px": result.place.width,
            "bars": list(result.bars),
            "gaps": list(result.gaps),
        }
    plots["frequency_lpmm"] = np.array([result.target.lpmm for result in results])
    plots["modulation"] = np.array([result.modulation for result in results])
    for end in ("low", "high"):
        plots[end] = np.array([np.nan if getattr(r, end) is None else getattr(r, end) for r in readings[: len(results)]])
    warnings = [f"no dark level subtracted: {why}."] if why and dark.source == "none" else []
    if cuts:
        warnings.append(
            f"noise was cut at black in {len(cuts)} of {len(results)} targets: their dark level was estimated from the noise "
            "above black. Film with a raised black level or more light to know it."
        )
    elements = {result.target.lpmm for result in results}
    if any(len([r for r in results if r.target.lpmm == lpmm]) < 2 for lpmm in elements):
        warnings.append("some elements were marked in one orientation only: the limit holds for the marked one.")
    extras = {
        "resolved": {result.target.of: result.resolved for result in results},
        "resolved_single_frame": {result.target.of: result.resolved_single for result in results},
        "why_not": {result.target.of: result.why for result in results if result.why},
        "polarity": "dark bars" if polarity > 0 else "bright bars",
        "element": together.element or None,
        "targets": places,
        "dark_level": {"level": dark.level, "from": dark.source},
        "own_modulation": {result.target.of: result.own for result in results},
        "transfer": None if curve is None else asdict(curve),
        "elements": _elements(results),
        "cut_at_black": {of: {"share": uncut.pile, "bend": uncut.bend} for of, uncut in cuts.items()},
    }
    return Result(
        command="bars",
        inputs=tuple(c.info.input_record() for c in (clip, dark_clip) if c is not None),
        readings=tuple(readings),
        warnings=(*clip.info.warnings, *warnings),
        extras=extras,
        plots=plots,
    )


__all__ = ["Target", "measure_bars", "with_ways"]

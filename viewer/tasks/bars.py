"""Tri-bar targets of a clip as a result document."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import Any

import numpy as np

from viewer.errors import RegionError, UsageError
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
from viewer.measure.coding import LOSSLESS, Coding, coding_of
from viewer.measure.contrast import Dark
from viewer.measure.cutnoise import LEAST_PILE, Uncut, channels_alike, level_of_cut_mean, undo_cut
from viewer.measure.readings import Flag
from viewer.measure.regions import Rect
from viewer.measure.resolution import limiting_resolution
from viewer.media import ClipReader, Frame, Tint
from viewer.tasks.contrast import CORNER_FRAMES, dark_of_corners
from viewer.tasks.document import Result
from viewer.tasks.mean_picture import LOSSLESS as LOSSLESS_CODECS
from viewer.tasks.patches import (
    Progress,
    Span,
    Stop,
    bend_of,
    black_code,
    clip_flags,
    gather,
    linear_of_code,
    new_pictures,
    single_colour,
    spread,
    step_light,
)

BARS_TINT_ERROR = 0.15
# Pictures whose pixels are kept one by one, to tell noise that was cut at black.
MOST_SAMPLES = 48
MOST_COLOURS = 12
ALIKE = 0.95
# Of the lift of the mean that noise makes through the curve, what an encoder takes by smoothing (bench_bars.py levels).
SMOOTHED = 0.12
# By how much of the noise of luminance columns may be darker still: three channels cut apart, less the cut of their sum.
UNSEEN, SEEN_ALIKE = 0.40, 0.20


@dataclass
class _Window:
    """The part of the picture that a target needs, and what was gathered of it (lines along the bars, columns across)."""

    target: Target
    rect: Rect
    weights: np.ndarray
    box_start: float
    box_length: float
    profiles: list[np.ndarray]
    total: np.ndarray
    clipped: float = 0.0
    squares: np.ndarray | float = 0.0
    samples: list[np.ndarray] = field(default_factory=list)
    colours: list[np.ndarray] = field(default_factory=list)

    def add(self, frame: Frame, tint: Tint | None, keep: bool) -> None:
        found = frame.luminance(self.rect, tint=tint)
        light, clipped = found.light, found.clipped
        if self.target.way == "h":
            light, clipped = light.T, clipped.T
        self.profiles.append(np.asarray(self.weights @ light, float))
        self.total += light
        # about the first picture: sums of squares of the light itself would lose small noise
        first = light if not self.samples else self.samples[0]
        self.squares = self.squares + (light - first).astype(float) ** 2
        self.clipped += float(clipped.mean())
        if keep or not self.samples:
            self.samples.append(np.array(light, np.float32))
            if len(self.colours) < MOST_COLOURS:
                self.colours.append(_blocks(frame.rgb(self.rect).light))

    def light(self, clip: ClipReader, least: float) -> tuple[TargetLight, Uncut | None]:
        n = len(self.profiles)
        profiles, picture = np.array(self.profiles), self.total / n
        step = step_light(clip, max(float(picture.mean()), 0.0))
        uncut = self._uncut(clip, least)
        coding = self._coding(clip, picture, step)
        if uncut is not None:
            profiles, picture = profiles - uncut.lifted, picture - uncut.lifted
        found = TargetLight(self.target, profiles, picture, self.box_start, self.box_length, self.clipped / n)
        found = replace(found, coding=coding, step=step)
        if uncut is not None:
            # channels cut one by one are lifted by more than their sum shows; codecs take the colour of noise first
            unseen = SEEN_ALIKE if channels_alike(np.array(self.colours)) > ALIKE else UNSEEN
            found = replace(found, unknown=uncut.unknown, unseen=unseen * uncut.noise)
        return found, uncut

    def _uncut(self, clip: ClipReader, least: float) -> Uncut | None:
        """What was lost of noise that was cut at black, if any."""
        inner = slice(1, -1) if self.weights.size > 4 else slice(None)
        samples = np.array([light[inner] for light in self.samples])
        code = 2.0 ** (clip.info.bit_depth - 8)
        black = linear_of_code(clip, black_code(clip) + code)
        return undo_cut(samples, black, step_light(clip, 0.0), least=least)

    def _coding(self, clip: ClipReader, picture: np.ndarray, step: float) -> Coding:
        """How coarsely the target is coded: from its noise in luma codes, and what stands along its lines."""
        if clip.info.codec in LOSSLESS_CODECS:
            return LOSSLESS
        n = len(self.profiles)
        moved = np.maximum(self.squares / n - (picture - self.samples[0]) ** 2, 0.0)
        noise = float(np.mean(moved))
        # pulsing light moves all pixels of a frame alike
        noise = max(0.0, noise - float(np.var([profile.mean() for profile in self.profiles]))) if n > 1 else 0.0
        standing = float(np.mean(np.diff(picture, axis=0) ** 2)) / 2.0 if picture.shape[0] > 2 else 0.0
        standing = max(0.0, standing - noise / n)
        return coding_of(
            math.sqrt(noise) / step,
            clip.info.bits_per_pixel,
            standing=math.sqrt(standing) / step,
            bit_depth=clip.info.bit_depth,
        )


def _window(clip: ClipReader, target: Target) -> _Window:
    """Return the window of a target: bars less a bar width at each end, and beside them as far as the picture goes."""
    width, height = clip.info.width, clip.info.height
    box = target.rect.check(width, height, least=9, where=clip.info.path.name)
    across, along = (box.w, box.h) if target.way == "v" else (box.h, box.w)
    if across < 5 or along < 3:
        raise RegionError(
            f"target {target.of} of {box.w} x {box.h} px is too small: three bars and two gaps need 5 px or more.",
            where=clip.info.path.name,
            hint="Film closer, or mark a coarser target.",
        )
    bar = across / 5.0
    margin = max(2, round(0.9 * bar) + 1)
    start, size, limit = (box.x, box.w, width) if target.way == "v" else (box.y, box.h, height)
    first, last = max(0, start - margin), min(limit, start + size + margin)
    # Bars are five widths long; of a longer or shorter box the middle counts.
    inner_low = (along - 1) / 2 - max(0.5, 0.5 * along - bar)
    inner_high = along - 1 - inner_low
    weights = np.clip(np.minimum(np.arange(along) - inner_low + 0.5, inner_high + 0.5 - np.arange(along)), 0.0, 1.0)
    used = np.flatnonzero(weights > 0)
    weights = weights[used] / weights.sum()
    low, count = int(used[0]), used.size
    if target.way == "v":
        rect = Rect(first, box.y + low, last - first, count)
    else:
        rect = Rect(box.x + low, first, count, last - first)
    return _Window(target, rect, weights, float(start - first), float(size), [], np.zeros((count, last - first)))


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
    windows = [_window(clip, target) for target in targets]
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
    found = _lights(clip, windows)
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
            black_sigma=float(np.hypot(dark.sigma, _offset(clip, light))),
            noise=noise,
        )
        for light, place in zip(lights, places)
    ]
    results, curve = read_together(results)
    return _result(clip, windows, lights, results, polarity, flags, dark, why, dark_clip, cuts, curve)


def _blocks(colours: np.ndarray) -> np.ndarray:
    """Means of blocks of 2 x 2 px: colour is recorded no finer."""
    rows, cols = colours.shape[0] // 2, colours.shape[1] // 2
    return np.asarray(colours[: 2 * rows, : 2 * cols].reshape(rows, 2, cols, 2, 3).mean(axis=(1, 3)))


def _lights(clip: ClipReader, windows: Sequence[_Window]) -> list[tuple[TargetLight, Uncut | None]]:
    """Return the light of each target; if noise was cut in one of them, a smaller share at black tells it of the others."""
    found = [window.light(clip, LEAST_PILE) for window in windows]
    if all(uncut is None for _, uncut in found):
        return found
    return [pair if pair[1] else window.light(clip, 0.1 * LEAST_PILE) for window, pair in zip(windows, found)]


def with_ways(clip: ClipReader, marked: Sequence[tuple[Target, bool]], frames: Span = (0, None)) -> list[Target]:
    """Return targets with the way of their bars found where it was not said.

    Parameters
    ----------
    clip : ClipReader
    marked : sequence of (Target, bool)
        True where the way is to be found: light changes more across bars than along them.
    frames : (first, stop)
    """
    if not any(unknown for _, unknown in marked):
        return [target for target, _ in marked]
    stop = len(clip.index) if frames[1] is None else min(frames[1], len(clip.index))
    numbers = sorted({int(n) for n in np.linspace(frames[0], max(frames[0], stop - 1), 8)})
    pictures = [clip.frame(number) for number in numbers]
    leaning, found = [], []
    for target, unknown in marked:
        lean = 1.0 if target.way == "v" else -1.0
        if unknown:
            rect = target.rect.check(clip.info.width, clip.info.height, least=9, where=clip.info.path.name)
            light = np.mean([picture.luminance(rect).light for picture in pictures], axis=0)
            upright, lying = _ripple(light), _ripple(light.T)
            lean = (upright - lying) / max(upright + lying, 1e-12)
        leaning.append(lean)
    for k, (target, unknown) in enumerate(marked):
        lean = leaning[k]
        for other, (twin, _) in enumerate(marked):
            # An element has one target of each way: the clearer one decides for both.
            if other != k and twin.typed == target.typed and unknown and abs(leaning[other]) > abs(lean):
                lean = -leaning[other]
        found.append(replace(target, way="v" if lean >= 0 else "h"))
    return found


def _ripple(light: np.ndarray) -> float:
    """Amplitude of bars and gaps along x about the middle of a box, away from the ends of the bars."""
    rows, cols = light.shape
    cut = rows // 5
    profile = light[cut : rows - cut].mean(axis=0)
    place = (np.arange(cols) - 0.5 * (cols - 1)) / (cols / 5.0)
    wave = np.where(np.abs(place) <= 2.0, np.cos(np.pi * place), 0.0)
    wave -= wave.mean()
    return float(abs(wave @ (profile - profile.mean())) / max(float(wave @ wave), 1e-12))


def _around(rects: Sequence[Rect]) -> Rect:
    x, y = min(r.x for r in rects), min(r.y for r in rects)
    return Rect(x, y, max(r.x + r.w for r in rects) - x, max(r.y + r.h for r in rects) - y)


def _dark(
    clip: ClipReader,
    windows: Sequence[_Window],
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


def _offset(clip: ClipReader, light: TargetLight) -> float:
    """Standard error of the light of the dark parts: rounding to codes, and what an encoder smooths before the curve."""
    level = max(float(light.mean.min()), 0.0)
    noise = 0.0
    if light.profiles.shape[0] > 1 and light.mean.mean() > 0:
        # photon noise grows as the light
        noise = float(light.profiles.var(axis=0, ddof=1).mean()) * light.picture.shape[0] * level / float(light.mean.mean())
    lossless = clip.info.codec in LOSSLESS_CODECS
    lost = 0.0 if lossless else min(SMOOTHED * noise * bend_of(clip, level), 0.5 * level)
    return float(np.hypot(step_light(clip, level) / np.sqrt(12.0), lost / np.sqrt(3.0)))


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
    windows: Sequence[_Window],
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

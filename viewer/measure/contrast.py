r"""Contrast of a bright and a dark region in linear light.

With the levels :math:`L_b` and :math:`L_d`, the level of dark subtracted:

- Michelson :math:`(L_b - L_d) / (L_b + L_d)`,
- Weber :math:`(L_b - L_d) / L_d`,
- RMS: standard deviation over mean of the light of both regions, each with equal weight (their mean images; noise removed),
- contrast to noise :math:`(L_b - L_d) / \sqrt{(s_b^2 + s_d^2) / 2}` with the pixel noise of single frames.

References
----------
.. [1] A. A. Michelson, *Studies in Optics* (1927): visibility.
.. [2] E. Peli, J. Opt. Soc. Am. A 7 (1990) 2032: which contrast is meant.
.. [3] BIPM, JCGM 100:2008 (GUM): combination of errors.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from viewer.measure.beat import Level, gated_depth, level_without_beat
from viewer.measure.encoder import DOUBT
from viewer.measure.errorbudget import Budget, Component
from viewer.measure.lostlight import Lost, cut_light, lost_light
from viewer.measure.patches import Common, Patch
from viewer.measure.readings import Flag, Reading
from viewer.measure.stats import drift

CLIPPED_SHARE = 0.001
LIMIT_SHARE = 0.05
GATED_DEPTH = 0.01
# Of what a cut at black would have added, half is taken off: the interval reaches a little beyond none and all of it.
CUT_DOUBT = 0.6


@dataclass(frozen=True, slots=True)
class Dark:
    """The level without light: value, standard error, and where it came from (``none`` if it is not known)."""

    level: float = 0.0
    sigma: float = 0.0
    source: str = "none"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sides:
    """Levels of both regions freed of beat, dark subtracted, with what their errors are made of."""

    bright: float
    dark: float
    bright_sigma: float
    dark_sigma: float
    dof: float
    dark_level: Dark
    flags: Flag = Flag.NONE
    beat_depth: float = 0.0
    lost: tuple[Lost, Lost] = (Lost(), Lost())
    cut: tuple[float, float] = (0.0, 0.0)


def michelson(bright: float, dark: float) -> float:
    """Return (bright - dark) / (bright + dark)."""
    return (bright - dark) / (bright + dark)


def weber(light: float, ground: float) -> float:
    """Return (light - ground) / ground, signed."""
    return (light - ground) / ground


def michelson_from_weber(value: float) -> float:
    """Return Michelson contrast of a positive Weber contrast."""
    return value / (value + 2.0)


def michelson_from_ratio(ratio: float) -> float:
    """Return Michelson contrast of a contrast ratio."""
    return (ratio - 1.0) / (ratio + 1.0)


def rms_contrast(light: np.ndarray) -> float:
    """Return standard deviation over mean of a picture's light."""
    values = np.asarray(light, float)
    return float(values.std() / values.mean())


def contrast_to_noise(first: float, second: float, first_sigma: float, second_sigma: float) -> float:
    """Return (first - second) over the pooled noise of a pixel."""
    return (first - second) / math.sqrt(0.5 * (first_sigma**2 + second_sigma**2))


def matching_factor(first: float, second: float) -> float:
    """Return the factor that brings the second device's light of a patch to the first's.

    Only for looking: a display brightened by it says so.  Readings are never scaled.
    """
    return first / second


def placement_sigma(bright: Patch, dark: Patch, statistic: Callable[[float, float], float]) -> float:
    """Return the scatter of a contrast when both regions are drawn a little smaller and elsewhere (region placement)."""
    found = []
    for dy in (0.0, 0.5, 1.0):
        for dx in (0.0, 0.5, 1.0):
            levels = []
            for patch in (bright, dark):
                h, w = patch.mean_image.shape
                ch, cw = max(1, round(0.2 * h)), max(1, round(0.2 * w))
                if h - ch < 2 or w - cw < 2:
                    return 0.0
                y, x = round(dy * ch), round(dx * cw)
                levels.append(float(patch.mean_image[y : y + h - ch, x : x + w - cw].mean()))
            found.append(statistic(levels[0], levels[1]))
    noise = sum((p.temporal_var / p.frames + p.fixed_var) / p.pixels for p in (bright, dark))
    spread = float(np.var(found, ddof=1))
    return math.sqrt(spread) if spread > 0 and noise >= 0 else 0.0


def sides_of(
    bright: Patch,
    dark: Patch,
    dark_level: Dark,
    *,
    flat: tuple[float, float] = (1.0, 1.0),
    lost: tuple[Lost, Lost] = (Lost(), Lost()),
    kept: tuple[float, float] = (1.0, 1.0),
    code_error: tuple[float, float] = (0.0, 0.0),
) -> Sides:
    """Return both levels: hot pixels left out, pulsing removed, lost light added, dark and flat field taken off.

    Dark light that comes in single flashes and light with its noise cut at black look alike: half of what a cut would have
    added is taken off, and the error reaches to both ends.
    """
    levels: list[Level] = [level_without_beat(patch.frame_means) for patch in (bright, dark)]
    depth = gated_depth(levels, code_error)
    flags = Flag.GATED if depth > GATED_DEPTH else Flag.NONE
    values, sigmas, dofs = [], [], []
    cut = (cut_light(bright, kept[0]), cut_light(dark, kept[1]))
    for patch, level, field, missing, more in zip((bright, dark), levels, flat, lost, cut):
        estimate = level.estimate
        found = patch.level + estimate.value - float(patch.frame_means.mean()) + missing.light - 0.5 * more
        values.append((found - dark_level.level) / field)
        # Codes are whole numbers: what noise does not blur stays within a step; counted by the caller.
        sigmas.append(estimate.sigma / field)
        dofs.append(estimate.dof)
        trend = drift(level.residual)
        if patch.frames >= 16 and trend.level:
            change = abs(trend.slope) * patch.frames / abs(trend.level)
            if change > 0.02 and abs(trend.slope) > 4.0 * trend.slope_sigma:
                flags |= Flag.DRIFT
        if patch.clipped_share > CLIPPED_SHARE:
            flags |= Flag.CLIPPED
    if min(bright.frames, dark.frames) < 8:
        flags |= Flag.FEW_FRAMES
    if min(bright.pixels, dark.pixels) < 25:
        flags |= Flag.FEW_PIXELS
    if dark_level.source == "none":
        flags |= Flag.NO_DARK
    return Sides(
        bright=values[0],
        dark=values[1],
        bright_sigma=sigmas[0],
        dark_sigma=sigmas[1],
        dof=min(dofs),
        dark_level=dark_level,
        flags=flags,
        beat_depth=depth,
        lost=lost,
        cut=cut,
    )


def _common_sigma(bright: Patch, dark: Patch, sides: Sides) -> float:
    """Standard error of Michelson contrast from frames: of the ratio itself, so that common pulsing and drift cancel."""
    if bright.frames != dark.frames or bright.frames < 8:
        total = (sides.bright + sides.dark) ** 2
        return 2.0 * math.hypot(sides.dark * sides.bright_sigma, sides.bright * sides.dark_sigma) / total
    b = bright.frame_means - bright.frame_means.mean() + sides.bright
    d = dark.frame_means - dark.frame_means.mean() + sides.dark
    total = sides.bright + sides.dark
    influence = 2.0 * (sides.dark * (b - sides.bright) - sides.bright * (d - sides.dark)) / total**2
    return level_without_beat(1.0 + influence, least=0.0005).estimate.sigma


def contrast_budget(
    bright: Patch,
    dark: Patch,
    sides: Sides,
    *,
    step: tuple[float, float] = (0.0, 0.0),
    code_error: tuple[float, float] = (0.0, 0.0),
    colour: float | None = None,
) -> Budget:
    """Return the budget of Michelson contrast.

    Parameters
    ----------
    bright, dark : Patch
    sides : Sides
    step : pair of float
        Light of one code step at the bright and the dark level: their share of a rectangular error enters where noise
        does not blur them.
    code_error : pair of float
        By how much the encoder may have moved the mean light of each region (1 sigma).
    colour : float, optional
        By how much one level may be off against the other, as a share (1 sigma), because both were taken as of one colour.
    """
    total = sides.bright + sides.dark
    by_bright, by_dark = 2.0 * sides.dark / total**2, 2.0 * sides.bright / total**2
    # Both read low together, and move Michelson contrast against each other.
    lost = [by * part.sigma for by, part in zip((by_bright, by_dark), sides.lost)]
    curve = max(abs(lost[0] - lost[1]), 0.5 * max(lost))
    quantum = []
    for patch, size, moved in zip((bright, dark), step, code_error):
        blur = math.sqrt(patch.temporal_var + patch.fixed_var)
        rounded = size / math.sqrt(12.0) if blur < 0.5 * size else size / math.sqrt(12.0 * max(1, patch.pixels))
        # What the encoder moves was rounded with it.
        quantum.append(math.sqrt(max(0.0, rounded**2 - moved**2)))
    parts = [
        Component("frames", _common_sigma(bright, dark, sides), dof=max(1.0, sides.dof)),
        Component("region placement", placement_sigma(bright, dark, michelson)),
        Component("dark level", abs(by_dark - by_bright) * sides.dark_level.sigma, shared=True),
        Component("light curve", curve, shared=True),
        Component("cut at black", math.hypot(*(CUT_DOUBT * by * part for by, part in zip((by_bright, by_dark), sides.cut)))),
        Component("encoder", math.hypot(by_bright * code_error[0], by_dark * code_error[1])),
        Component("quantisation", math.hypot(by_bright * quantum[0], by_dark * quantum[1])),
        Component("one colour", by_dark * sides.dark * (colour or 0.0)),
    ]
    return Budget(michelson(sides.bright, sides.dark), tuple(part for part in parts if part.sigma > 0))


NAMES = ("michelson", "weber", "rms", "cnr")


def why_not(bright: Patch, dark: Patch, sides: Sides) -> str | None:
    """Return why no contrast can be given, with what to film instead; None if it can."""
    if bright.clipped_share > LIMIT_SHARE and dark.clipped_share > LIMIT_SHARE:
        return "Both regions are clipped: film again with a shorter exposure or less gain."
    if min(bright.clipped_share, dark.clipped_share) == 0 and dark.clipped_share > LIMIT_SHARE:
        return "The dark region is clipped: film again with a shorter exposure, or mark the regions the other way round."
    if bright.black > 0.5 and dark.black > 0.5:
        return "Both regions are at the black of the recording: film again with a longer exposure or more gain."
    if sides.dark < -max(4.0 * sides.dark_sigma, 0.02 * sides.bright):
        return (
            "The dark region is darker than the dark level: film a dark clip, lens and eyepiece capped, at the same settings."
        )
    if sides.bright + sides.dark <= 3.0 * math.hypot(sides.bright_sigma, sides.dark_sigma) or sides.bright <= 0:
        return "No light is left in the regions above the dark level: film brighter, or check the dark clip's settings."
    return None


def contrast_readings(
    bright: Patch,
    dark: Patch,
    dark_level: Dark | None = None,
    *,
    flat: tuple[float, float] = (1.0, 1.0),
    bend: tuple[float, float] = (0.0, 0.0),
    step: tuple[float, float] = (0.0, 0.0),
    kept: tuple[float, float] = (1.0, 1.0),
    code_error: tuple[float, float] = (0.0, 0.0),
    colour: float | None = None,
    flags: Flag = Flag.NONE,
) -> tuple[tuple[Reading, ...], Budget | None]:
    """Return Michelson, Weber, RMS and contrast to noise of two patches, and the budget of the first.

    Parameters
    ----------
    bright, dark : Patch
        Of the same frames of a clip.
    dark_level : Dark, optional
        What is subtracted from both.
    flat : pair of float
        Light of an even field in the two regions, relative to each other.
    bend, kept : pairs of float
        Of each region, as for `lost_light`; likely losses are added to the levels.
    step, code_error, colour
        As for `contrast_budget`; without `colour` the light of each pixel is by its own colour.
    flags : Flag
        Of the clip.
    """
    lost = (
        lost_light(bright, dark, bend=bend[0], kept=kept[0]),
        lost_light(dark, bright, bend=bend[1], kept=kept[1]),
    )
    sides = sides_of(bright, dark, dark_level or Dark(), flat=flat, lost=lost, kept=kept, code_error=code_error)
    common = Common(
        of="bright/dark",
        flags=flags | sides.flags | Flag.ONE_TAKE,
        frames=min(bright.frames, dark.frames),
        pixels=bright.pixels + dark.pixels,
    )
    reason = why_not(bright, dark, sides)
    if reason:
        return tuple(common.refusal(name, reason) for name in NAMES), None
    if sides.dark < 3.0 * sides.dark_sigma:
        common = replace(common, flags=common.flags | Flag.LOW_SIGNAL)
    sides = replace(sides, dark=max(sides.dark, 0.0))
    if bright.clipped_share > LIMIT_SHARE:
        note = "The bright region is clipped: its light and the contrast are at least this. Film darker."
        common = replace(common, state="limit", reason=note)
    budget = contrast_budget(bright, dark, sides, step=step, code_error=code_error, colour=colour)
    method = _method(sides, flat, one_colour=colour is not None)
    low, high = budget.interval()
    high = 1.0 if common.state == "limit" else high
    first = common.reading(
        "michelson", budget.value, max(-1.0, low), min(1.0, high), method=f"(bright - dark) / (bright + dark), {method}"
    )
    readings = (
        first,
        _weber(sides, budget, method, common),
        _rms(bright, dark, sides, budget, method, common),
        _cnr(bright, dark, sides, flat, kept, method, common),
    )
    return readings, budget


def _method(sides: Sides, flat: tuple[float, float], *, one_colour: bool) -> str:
    source = sides.dark_level.source
    words = ["region means in linear light"]
    words.append("no dark level subtracted" if source == "none" else f"dark level from {source} subtracted")
    if one_colour:
        words.append("light from luma by the colour that both regions share")
    if flat != (1.0, 1.0):
        words.append("divided by the flat field")
    if Flag.GATED in sides.flags:
        words.append("pulsing removed over whole periods")
    return ", ".join(words)


def _weber(sides: Sides, budget: Budget, method: str, common: Common) -> Reading:
    if sides.dark <= 0 or sides.dark < 2.0 * sides.dark_sigma:
        reason = "The dark region holds no light beyond its error, and Weber divides by it: use Michelson, or film brighter."
        return common.refusal("weber", reason, method=method)
    # W = 2 M / (1 - M): the ends of the interval carry over.
    ends = (min(0.999999, max(-0.999999, end)) for end in budget.interval())
    low, high = (2.0 * m / (1.0 - m) for m in ends)
    return common.reading("weber", weber(sides.bright, sides.dark), low, high, method=f"(bright - dark) / dark, {method}")


def _rms(bright: Patch, dark: Patch, sides: Sides, budget: Budget, method: str, common: Common) -> Reading:
    mean = 0.5 * (sides.bright + sides.dark)
    spread = math.sqrt(0.25 * (sides.bright - sides.dark) ** 2 + 0.5 * (bright.fixed_var + dark.fixed_var))
    value, half = spread / mean, budget.half_width()
    words = f"standard deviation over mean of the mean picture, regions weighted equally, {method}"
    return common.reading("rms", value, max(0.0, value - half), value + half, method=words)


def _cnr(
    bright: Patch,
    dark: Patch,
    sides: Sides,
    flat: tuple[float, float],
    kept: tuple[float, float],
    method: str,
    common: Common,
) -> Reading:
    """Contrast to noise: the noise that the encoder likely took is added, its doubt is in the interval."""

    def noise(doubt: float) -> float:
        took = [doubt * p.temporal_var * (1.0 / max(k, 0.5) ** 2 - 1.0) for p, k in zip((bright, dark), kept)]
        parts = [(p.temporal_var + p.fixed_var + t) / f**2 for p, f, t in zip((bright, dark), flat, took)]
        return math.sqrt(0.5 * sum(parts))

    likely = noise(1.0)
    if likely <= 0:
        reason = "The regions hold no noise at all: a still, or smoothed by the encoder. Film at a higher data rate."
        return common.refusal("cnr", reason, method=method)
    value = (sides.bright - sides.dark) / likely
    difference = math.hypot(sides.bright_sigma, sides.dark_sigma) / likely
    samples = max(4.0, min(bright.pixels, dark.pixels) * min(1.0, bright.frames / 4.0) / 4.0)
    half = 1.96 * math.hypot(difference, value / math.sqrt(2.0 * samples))
    ends = sorted(value * likely / noise(doubt) for doubt in (0.0, DOUBT) if noise(doubt) > 0)
    flags = Flag.COMPRESSED if min(kept) < 0.8 else Flag.NONE
    words = f"difference over the pooled noise of a pixel in one frame, {method}"
    low, high = (ends[0], ends[-1]) if ends else (value, value)
    return common.reading("cnr", value, low - half, high + half, method=words, flags=flags)


__all__ = [
    "NAMES",
    "Dark",
    "Sides",
    "contrast_budget",
    "contrast_readings",
    "contrast_to_noise",
    "matching_factor",
    "michelson",
    "michelson_from_ratio",
    "michelson_from_weber",
    "placement_sigma",
    "rms_contrast",
    "sides_of",
    "weber",
    "why_not",
]

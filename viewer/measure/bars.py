r"""Tri-bar targets: modulation, resolved or not, limiting resolution.

The modulation of a target is :math:`(g - b) / (g + b)` in linear light, with g the mean of its two gaps and b that of its three
bars, each taken from the middle third of its width and at least one bar width away from the ends of the bars.  For bright bars
on a dark ground the sign is turned, so that a faithful picture is positive either way and a negative value means contrast
reversal (spurious resolution).  A target is resolved when its modulation exceeds 0.03 and three times its own error and each
gap stands out from both bars beside it; an element counts when both its orientations are resolved, and the limiting element is
the finest for which every coarser one counts too.  Between elements the limit is interpolated in the logarithm of frequency.

References
----------
.. [1] MIL-STD-150A, *Photographic Lenses*, 5.1.1.7: bars 2.5/R mm long, 0.5/R mm wide, steps of the sixth root of 2.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline

from viewer.errors import UsageError
from viewer.measure.bars_fit import Place, Prior, fit_three_bars
from viewer.measure.beat import level_without_beat
from viewer.measure.coding import LOSSLESS, Coding
from viewer.measure.errorbudget import coverage_factor
from viewer.measure.readings import Flag
from viewer.measure.regions import Rect
from viewer.measure.stats import lag_one, robust_sigma

LEAST_MODULATION = 0.03
SIGMAS = 3.0
LEAST_WIDTH_PX = 1.2


@dataclass(frozen=True, slots=True)
class Target:
    """A target as marked: lp/mm as typed, box around its three bars, ``v`` upright or ``h`` lying bars.

    Raises
    ------
    UsageError
        If the frequency is not a positive number, or the way is neither.
    """

    typed: str
    rect: Rect
    way: str = "v"

    def __post_init__(self) -> None:
        try:
            good = 0.0 < float(self.typed) < 1e6
        except ValueError:
            good = False
        if not good:
            raise UsageError(
                f"target {self.typed!r} has no frequency.", hint="Give lp/mm as a number, for example 4.49=120,80,40,40,v."
            )
        if self.way not in ("v", "h"):
            raise UsageError(f"target {self.typed!r} has bars of way {self.way!r}.", hint="v: upright bars, h: lying bars.")

    @property
    def lpmm(self) -> float:
        """Spatial frequency, line pairs a millimetre."""
        return float(self.typed)

    @property
    def of(self) -> str:
        """Name of its readings."""
        return f"{self.typed}/{self.way}"


@dataclass(frozen=True, slots=True)
class TargetLight:
    """Light of a target.

    Parameters
    ----------
    target : Target
    profiles : ndarray of shape (frames, N)
        Mean light of each frame along the bars (their inner part), across them.
    picture : ndarray of shape (lines, N)
        Mean picture of the inner part, one line for each pixel along the bars.
    box_start, box_length : float
        Where the marked box begins on the profile's axis and its extent, px.
    clipped : float
        Share of clipped samples.
    unknown : ndarray of shape (N,), optional
        Standard error of the light of each column from noise that was cut at black.
    unseen : float
        Light by which columns may be darker still, where colour channels were cut apart.
    coding : Coding
        How coarsely the pictures are coded.
    step : float
        Light of one luma code at the mean light of the target.
    """

    target: Target
    profiles: np.ndarray
    picture: np.ndarray
    box_start: float
    box_length: float
    clipped: float = 0.0
    unknown: np.ndarray | None = None
    unseen: float = 0.0
    coding: Coding = LOSSLESS
    step: float = 0.0

    @property
    def mean(self) -> np.ndarray:
        """Mean profile."""
        return np.asarray(self.profiles.mean(axis=0))

    @property
    def sigma(self) -> float:
        """Noise of a sample of the mean profile: in time, and from line to line where a pattern stands still."""
        n = self.profiles.shape[0]
        lines = self.picture.shape[0]
        fixed = robust_sigma(np.diff(self.picture, axis=0)) / math.sqrt(2.0 * lines) if lines > 2 else 0.0
        moving = float(np.sqrt(self.profiles.var(axis=0, ddof=1).mean() / n)) if n > 1 else 0.0
        return max(fixed, moving)


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetResult:
    """What a target shows.

    ``bars`` and ``gaps`` are the light of the three bars and two gaps, ``sigma`` the standard error of ``modulation`` from
    noise, place and dark level, ``frame_sigma`` its standard deviation in single frames, ``resolved`` and ``resolved_single``
    the decisions for the mean of all frames and for one frame; ``why`` says why not.  ``coding_sigma`` is the error from
    coding and from noise cut at black, ``lost`` by how much modulation may be larger still: both widen the interval, neither
    decides.
    """

    target: Target
    place: Place
    bars: tuple[float, float, float]
    gaps: tuple[float, float]
    modulation: float
    sigma: float
    dof: float
    frame_sigma: float
    resolved: bool
    resolved_single: bool
    why: str = ""
    flags: Flag = Flag.NONE
    frames: int = 0
    clipped: float = 0.0
    coding_sigma: float = 0.0
    lost: float = 0.0

    @property
    def interval(self) -> tuple[float, float]:
        """Ends of the 95 % interval of the modulation, within -1 .. 1."""
        half = math.hypot(coverage_factor(self.dof) * self.sigma, 1.96 * self.coding_sigma)
        return max(-1.0, self.modulation - half), min(1.0, self.modulation + half + self.lost)


def bar_means(profile: np.ndarray, place: Place) -> tuple[np.ndarray, np.ndarray]:
    """Return the mean light of the middle thirds of three bars and two gaps.

    Parameters
    ----------
    profile : ndarray of shape (N,) or (frames, N)
        Light across the bars.
    place : Place

    Returns
    -------
    bars, gaps : ndarrays of shape (..., 3) and (..., 2)
    """
    y = np.asarray(profile, float)
    spline = CubicSpline(np.arange(y.shape[-1], dtype=float), y, axis=-1)
    half = place.width / 6.0
    means = []
    for offset in (-2.0, 0.0, 2.0, -1.0, 1.0):
        middle = place.centre + offset * place.width
        means.append(spline.integrate(middle - half, middle + half) / (2.0 * half))
    stacked = np.stack(means, axis=-1)
    return stacked[..., :3], stacked[..., 3:]


def _free_prior(light: TargetLight) -> Prior:
    """What the box alone says: bars somewhere in it, filling at least 55 % of it."""
    width = light.box_length / 5.0
    middle = light.box_start + 0.5 * (light.box_length - 1.0)
    return Prior(middle, 0.96 * width, max(0.6, 0.35 * width), max(0.15, 0.06 * width), blur=max(0.7, 0.3 * width))


def chart_scale(lights: Sequence[TargetLight], places: Sequence[Place]) -> dict[str, float]:
    """Return the scale of the chart along each way: bar width in px times lp/mm, from the clear targets, else from the boxes.

    Both ways share a scale unless each has clear targets of its own that disagree (pixels that are not square).
    """
    scales: dict[str, list[tuple[float, float]]] = {"v": [], "h": []}
    boxes = []
    for light, place in zip(lights, places):
        boxes.append(light.box_length / 5.0 * light.target.lpmm)
        clear = place.ripple > 8.0 * light.sigma and place.width_sigma < 0.04 * place.width
        if clear:
            scales[light.target.way].append((place.width * light.target.lpmm, place.width_sigma / place.width))
    box = float(np.median(boxes))
    every = [value for values in scales.values() for value in values]
    common = _weighted(every) if every else box
    if abs(common / box - 1.0) > 0.2:
        common = box
    out = {}
    for way, values in scales.items():
        own = _weighted(values) if len(values) >= 2 else common
        out[way] = own if 0.02 < abs(own / common - 1.0) < 0.2 else common
    return out


def _weighted(values: list[tuple[float, float]]) -> float:
    """Weighted mean of (value, relative error), outliers left out."""
    numbers = np.array([value for value, _ in values])
    errors = np.array([max(error, 0.002) for _, error in values])
    middle = float(np.median(numbers))
    keep = np.abs(numbers - middle) <= 0.06 * middle
    if not keep.any():
        return middle
    weights = 1.0 / errors[keep] ** 2
    return float((numbers[keep] * weights).sum() / weights.sum())


def find_places(lights: Sequence[TargetLight]) -> list[Place]:
    """Return where the bars of each target lie: each alone first, then again with the scale they agree on."""
    first = [fit_three_bars(light.mean, light.sigma, _free_prior(light)) for light in lights]
    scale = chart_scale(lights, first)
    clear = [place for light, place in zip(lights, first) if place.ripple > 8.0 * light.sigma]
    blur = float(np.median([place.blur for place in clear])) if clear else None
    # How boxes were drawn about the bars: alike on all targets of a chart.
    offsets = [
        place.centre - (light.box_start + 0.5 * (light.box_length - 1.0))
        for light, place in zip(lights, first)
        if place.centre_sigma < 0.15 and abs(place.width * light.target.lpmm / scale[light.target.way] - 1.0) < 0.04
    ]
    spread = 0.35 if len(offsets) < 3 else float(np.clip(1.2 * robust_sigma(np.array(offsets)), 0.25, 0.5))
    places = []
    for light, place in zip(lights, first):
        width = scale[light.target.way] / light.target.lpmm
        own = light.box_length / 5.0
        if abs(own / width - 1.0) > 0.35:
            # Not of the same chart, or mistyped: its own box counts.
            width = own
        middle = light.box_start + 0.5 * (light.box_length - 1.0)
        slack = max(0.0, 0.5 * (light.box_length - 5.0 * width))
        tight = math.hypot(spread, 0.3 * slack)
        prior = Prior(middle, width, tight, max(0.004 * width, 0.03), blur=blur or place.blur, blur_factor=1.6 if blur else 3.0)
        places.append(fit_three_bars(light.mean, light.sigma, prior))
    return places


def polarity_of(lights: Sequence[TargetLight], places: Sequence[Place]) -> float:
    """Return 1 for dark bars on a bright ground, -1 for bright bars on a dark one: a chart has one polarity.

    The group as a whole is darker or brighter than its surround; targets vote with their significance.
    """
    votes = 0.0
    for light, place in zip(lights, places):
        error = max(place.group_sigma, 0.02 * float(np.ptp(light.mean)), 1e-12)
        votes += float(np.clip(place.group / error, -20.0, 20.0))
    return -1.0 if votes < 0 else 1.0


def _influence(bars: np.ndarray, gaps: np.ndarray, bar: float, gap: float) -> np.ndarray:
    """Linearised modulation of each sample about the means."""
    return np.asarray(2.0 * (bar * (gaps - gap) - gap * (bars - bar)) / (gap + bar) ** 2)


def line_correlation(lights: Sequence[TargetLight], places: Sequence[Place]) -> float:
    """Return the correlation of neighbouring lines along the bars, over all targets long enough to tell, within 0 .. 0.7."""
    found = []
    for light, place in zip(lights, places):
        if light.picture.shape[0] >= 8:
            bars, gaps = bar_means(light.picture, place)
            found.append(lag_one(gaps.mean(axis=1) - bars.mean(axis=1)))
    return float(np.clip(np.median(found), 0.0, 0.7)) if found else 0.3


def read_target(
    light: TargetLight,
    place: Place,
    polarity: float,
    *,
    black: float = 0.0,
    black_sigma: float = 0.0,
    line_rho: float = 0.3,
) -> TargetResult:
    """Return modulation, its error and the decision for one target.

    Parameters
    ----------
    light : TargetLight
    place : Place
    polarity : {1, -1}
        As from `polarity_of`.
    black, black_sigma : float
        Dark level to subtract, and its error.
    line_rho : float
        As from `line_correlation`.
    """
    frame_bars, frame_gaps = bar_means(light.profiles, place)
    bars, gaps = frame_bars.mean(axis=0) - black, frame_gaps.mean(axis=0) - black
    b, g = float(bars.mean()), float(gaps.mean())
    total = g + b
    flags = Flag.NONE
    if place.width < 2.0:
        flags |= Flag.FEW_PIXELS
    if light.clipped > 0.001:
        flags |= Flag.CLIPPED
    n = light.profiles.shape[0]
    if n < 8:
        flags |= Flag.FEW_FRAMES
    if total <= 0:
        return TargetResult(
            target=light.target,
            place=place,
            bars=_three(bars),
            gaps=_two(gaps),
            modulation=0.0,
            sigma=math.inf,
            dof=1.0,
            frame_sigma=math.inf,
            resolved=False,
            resolved_single=False,
            why="no light",
            flags=flags | Flag.LOW_SIGNAL,
            frames=n,
            clipped=light.clipped,
        )
    series = _influence(frame_bars.mean(axis=1) - black, frame_gaps.mean(axis=1) - black, b, g)
    level = level_without_beat(1.0 + series, least=0.001)
    modulation = (g - b) / total + level.estimate.value - 1.0 - float(series.mean())
    if level.depth > 0.01:
        flags |= Flag.GATED
    frame_sigma = float(level.residual.std(ddof=1)) if n > 1 else 0.0
    line_bars, line_gaps = bar_means(light.picture, place)
    lines = _influence(line_bars.mean(axis=1) - black, line_gaps.mean(axis=1) - black, b, g)
    # Along the bars, noise in time and a standing pattern show together; lines beside each other are alike.
    grain = (1.0 + line_rho) / (1.0 - line_rho)
    along = math.sqrt(float(lines.var(ddof=1)) / lines.size * grain) if lines.size > 3 else 0.0
    by_place = _placement(light, place, black)
    by_black = 2.0 * abs(modulation) / total * black_sigma
    statistical = max(level.estimate.sigma, along)
    dof = lines.size / grain if along > level.estimate.sigma else level.estimate.dof
    sigma = math.sqrt(statistical**2 + by_place**2 + by_black**2)
    # Errors of neighbouring targets are alike: few lines do not make the error of one of them unknown.
    dof = max(6.0, dof)
    coding_sigma, lost = _by_coding(light, place, total)
    darker, lighter = min(b, g), max(b, g)
    if light.unseen > 0:
        rest = max(darker - light.unseen, 0.0)
        lost += (lighter - rest) / (lighter + rest) - (lighter - darker) / total
    signed = polarity * modulation
    least = _least_step(bars, gaps, polarity)
    fixed = math.sqrt(max(0.0, along**2 - level.estimate.sigma**2))
    single = math.hypot(frame_sigma, fixed)
    resolved, why = decide(signed, sigma, least)
    # One frame shows the same modulation under its own noise; its extremes must stand out of that noise too.
    alone = resolved and signed > SIGMAS * single
    return TargetResult(
        target=light.target,
        place=place,
        bars=_three(bars),
        gaps=_two(gaps),
        modulation=signed,
        sigma=sigma,
        dof=dof,
        frame_sigma=single,
        resolved=resolved,
        resolved_single=alone,
        why=why,
        flags=flags,
        frames=n,
        clipped=light.clipped,
        coding_sigma=math.hypot(coding_sigma, _by_cut(light, place, b, g)),
        lost=lost,
    )


def _by_coding(light: TargetLight, place: Place, total: float) -> tuple[float, float]:
    """Standard error and likely loss of the modulation from coding; `total` is the light of gap and bar together."""
    error, lost = light.coding.amplitude_error(place.width)
    scale = light.step / max(0.5 * total, 1e-12)
    return min(1.0, error * scale), min(1.0, lost * scale)


def _by_cut(light: TargetLight, place: Place, bar: float, gap: float) -> float:
    """Standard error of the modulation from noise that was cut at black."""
    if light.unknown is None:
        return 0.0
    bars, gaps = bar_means(light.unknown, place)
    return abs(2.0 * (gap * float(bars.mean()) - bar * float(gaps.mean())) / (gap + bar) ** 2)


def _three(values: np.ndarray) -> tuple[float, float, float]:
    return float(values[0]), float(values[1]), float(values[2])


def _two(values: np.ndarray) -> tuple[float, float]:
    return float(values[0]), float(values[1])


def _least_step(bars: np.ndarray, gaps: np.ndarray, polarity: float) -> float:
    """Smallest of the four steps between a gap and a bar beside it, positive if all stand out the right way."""
    steps = [gaps[0] - bars[0], gaps[0] - bars[1], gaps[1] - bars[1], gaps[1] - bars[2]]
    return float(polarity * (min(steps) if polarity > 0 else max(steps)))


def _placement(light: TargetLight, place: Place, black: float) -> float:
    """Standard error of the modulation from where the bars were taken to be."""
    profile = light.mean - black

    def at(shift: float, widen: float) -> float:
        moved = Place(place.centre + shift, place.width * widen, *([0.0] * 7))
        bars, gaps = bar_means(profile, moved)
        b, g = float(bars.mean()), float(gaps.mean())
        return (g - b) / (g + b) if g + b > 0 else 0.0

    here = at(0.0, 1.0)
    by_centre = max(abs(at(sign * place.centre_sigma, 1.0) - here) for sign in (-1.0, 1.0))
    by_width = max(abs(at(0.0, 1.0 + sign * place.width_sigma / place.width) - here) for sign in (-1.0, 1.0))
    return math.hypot(by_centre, by_width)


def decide(modulation: float, sigma: float, least_step: float) -> tuple[bool, str]:
    """Return whether a target is resolved, and if not why."""
    if modulation < 0 and abs(modulation) > SIGMAS * sigma:
        return False, "contrast is reversed"
    if modulation <= LEAST_MODULATION:
        return False, f"modulation is not above {LEAST_MODULATION}"
    if modulation <= SIGMAS * sigma:
        return False, "modulation does not exceed three times its error"
    if least_step <= 0:
        return False, "the bars do not all stand apart"
    return True, ""


__all__ = [
    "LEAST_MODULATION",
    "SIGMAS",
    "Target",
    "TargetLight",
    "TargetResult",
    "bar_means",
    "chart_scale",
    "decide",
    "find_places",
    "line_correlation",
    "polarity_of",
    "read_target",
]

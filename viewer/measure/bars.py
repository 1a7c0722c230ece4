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
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline

from viewer.errors import UsageError
from viewer.measure.bars_fit import Place, template_parts
from viewer.measure.bars_noise import ChartNoise
from viewer.measure.beat import level_without_beat
from viewer.measure.coding import DOUBT, LOSSLESS, Coding, given_back
from viewer.measure.cutnoise import unseen_cut
from viewer.measure.errorbudget import coverage_factor
from viewer.measure.readings import Flag
from viewer.measure.regions import Rect
from viewer.measure.stats import robust_sigma

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
        Standard error of the light of each column from noise that was cut at black, alike for all.
    scatter : ndarray of shape (N,), optional
        The same of each column by itself.
    cut_noise : float
        Noise that was cut, light; 0 where none was.
    alike : bool
        Whether the colour channels were cut together.
    coding : Coding
        How coarsely the pictures are coded.
    step : float
        Light of one luma code at the mean light of the target.
    moved : float
        Standard error of the light of the dark parts from rounding to codes and from what an encoder moved of it.
    """

    target: Target
    profiles: np.ndarray
    picture: np.ndarray
    box_start: float
    box_length: float
    clipped: float = 0.0
    unknown: np.ndarray | None = None
    scatter: np.ndarray | None = None
    cut_noise: float = 0.0
    alike: bool = True
    coding: Coding = LOSSLESS
    step: float = 0.0
    moved: float = 0.0

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
    the decisions for the mean of all frames and for one frame; ``why`` says why not.  ``given_back`` is the part of
    ``modulation`` that the encoder is likely to have taken, ``coding_sigma`` the error of that and of noise cut at black,
    ``lost`` by how much modulation may be larger still: they widen the interval, none of them decides.  ``shared_sigma`` is the
    part of ``sigma`` that all targets share (the dark level).  Where a chart's targets were read together, ``modulation`` leans
    on their common curve; ``own`` is what the target's own light shows.
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
    given_back: float = 0.0
    lone_modulation: float | None = None
    shared_sigma: float = 0.0
    least_step: float = 0.0
    lone_decision_sigma: float | None = None

    @property
    def decision_sigma(self) -> float:
        """Standard error of `own`, which decides."""
        return self.sigma if self.lone_decision_sigma is None else self.lone_decision_sigma

    @property
    def own(self) -> float:
        """Modulation that the target's own light shows."""
        return self.modulation - self.given_back if self.lone_modulation is None else self.lone_modulation

    @property
    def lone_sigma(self) -> float:
        """Standard error from what is the target's own: noise and place."""
        return math.sqrt(max(0.0, self.sigma**2 - self.shared_sigma**2))

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


def influence(bars: np.ndarray, gaps: np.ndarray, bar: float, gap: float) -> np.ndarray:
    """Linearised modulation of each sample about the means."""
    return np.asarray(2.0 * (bar * (gaps - gap) - gap * (bars - bar)) / (gap + bar) ** 2)


def read_target(
    light: TargetLight,
    place: Place,
    polarity: float,
    *,
    black: float = 0.0,
    black_sigma: float = 0.0,
    noise: ChartNoise | None = None,
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
    noise : ChartNoise, optional
        As from `viewer.measure.bars_noise.chart_noise`: how errors of means follow from frames and lines.
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
    series = influence(frame_bars.mean(axis=1) - black, frame_gaps.mean(axis=1) - black, b, g)
    level = level_without_beat(1.0 + series, least=0.001)
    # what three blurred bars lose of their modulation between pixels is known from their template
    loss, outline = template_parts(light.mean - black, place)
    modulation = (g - b) / total + loss + level.estimate.value - 1.0 - float(series.mean())
    if level.depth > 0.01:
        flags |= Flag.GATED
    frame_sigma = float(level.residual.std(ddof=1)) if n > 1 else 0.0
    line_bars, line_gaps = bar_means(light.picture, place)
    lines = influence(line_bars.mean(axis=1) - black, line_gaps.mean(axis=1) - black, b, g)
    statistical, dof = (noise or ChartNoise()).error(level.residual, lines)
    by_place = _placement(light, place, black)
    by_black = 2.0 * abs(modulation) / total * black_sigma
    sigma = math.sqrt(statistical**2 + by_place**2 + by_black**2)
    taken = min(1.0, light.coding.taken(place.width) * light.step / total)
    ripple = polarity * (modulation - outline)
    back = math.copysign(given_back(ripple, taken), ripple)
    lost = taken - abs(back)
    darker, lighter = min(b, g), max(b, g)
    if light.cut_noise > 0:
        rest = max(darker - unseen_cut(darker, light.cut_noise, light.alike), 0.0)
        lost += (lighter - rest) / (lighter + rest) - (lighter - darker) / total
    signed = polarity * modulation
    least = _least_step(bars, gaps, polarity)
    fixed = math.sqrt(max(0.0, statistical**2 - frame_sigma**2 / n))
    single = math.hypot(frame_sigma, fixed)
    resolved, why = decide(signed, sigma, least)
    # One frame shows the same modulation under its own noise; its extremes must stand out of that noise too.
    alone = resolved and signed > SIGMAS * single
    return TargetResult(
        target=light.target,
        place=place,
        bars=_three(bars),
        gaps=_two(gaps),
        modulation=max(-1.0, min(1.0, signed + back)),
        sigma=sigma,
        dof=dof,
        frame_sigma=single,
        resolved=resolved,
        resolved_single=alone,
        why=why,
        flags=flags,
        frames=n,
        clipped=light.clipped,
        coding_sigma=math.hypot(DOUBT * taken, _by_cut(light, place, b, g)),
        lost=lost,
        given_back=back,
        shared_sigma=by_black,
        least_step=least,
    )


def _by_cut(light: TargetLight, place: Place, bar: float, gap: float) -> float:
    """Standard error of the modulation from noise that was cut at black."""
    if light.unknown is None:
        return 0.0
    slopes = 2.0 * np.array([gap, -bar]) / (gap + bar) ** 2
    shared = float(slopes @ [float(part.mean()) for part in bar_means(light.unknown, place)])
    if light.scatter is None:
        return abs(shared)
    # middle thirds of three bars and of two gaps
    own = slopes * [float(part.mean()) for part in bar_means(light.scatter, place)]
    return float(np.hypot(shared, np.linalg.norm(own / np.sqrt(np.maximum(place.width * np.array([1.0, 2.0 / 3.0]), 1.0)))))


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


def decide(modulation: float, sigma: float, least_step: float, *, own: float | None = None) -> tuple[bool, str]:
    """Return whether a target is resolved, and if not why.

    `sigma` is the error of `own`, the modulation that the target's own light shows (`modulation` itself if left out).
    """
    own = modulation if own is None else own
    if own < 0 and abs(own) > SIGMAS * sigma:
        return False, "contrast is reversed"
    if modulation <= LEAST_MODULATION:
        return False, f"modulation is not above {LEAST_MODULATION}"
    if own <= SIGMAS * sigma:
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
    "decide",
    "influence",
    "read_target",
]

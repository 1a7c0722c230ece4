r"""How visible a figure is against its surroundings: contrast, contrast to noise, detectability, Johnson's cycles.

With the mean light :math:`L_f` of the figure's box and :math:`L_g` of the ground around it (a frame of pixels beyond a gap):

- contrast, signed: :math:`(L_f - L_g) / L_g`,
- contrast to noise: :math:`(L_f - L_g) / \sqrt{(s_f^2 + s_g^2) / 2}` with the pixels' standard deviations in one frame, so that
  the ground's texture counts as noise, as it does for an eye,
- detectability: the signal to noise of the matched box, :math:`|L_f - L_g| / (\sigma \sqrt{A (1/n_f + 1/n_g)})` with the
  temporal noise of a pixel and the area A over which that noise is one.  Rose: 5 for reliable sight.

References
----------
.. [1] A. Rose, J. Opt. Soc. Am. 38 (1948) 196.
.. [2] J. Johnson, Image Intensifier Symposium (1958): line pairs across the smaller dimension at 50 %.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from viewer.cv import cv2
from viewer.errors import RegionError
from viewer.measure.beat import level_without_beat
from viewer.measure.noise import LEAST_KEPT, Evidence
from viewer.measure.patches import Common
from viewer.measure.readings import Flag, Reading
from viewer.measure.regions import Rect
from viewer.measure.stats import mean_estimate

# How far light spreads over a rim where an encoder keeps hardly any noise (x264 at constant quality 14 and 20).
SMEAR_PX = 0.8
ROSE = 5.0
JOHNSON = {"detection": 1.0, "orientation": 1.4, "recognition": 4.0, "identification": 6.4}
JOHNSON_SPREAD = {"detection": 0.25, "orientation": 0.35, "recognition": 0.8, "identification": 1.5}


def rose_k(contrast: float, photons: float) -> float:
    """Return Rose's signal to noise of a contrast seen in so many quanta: k^2 = C^2 N."""
    return contrast * math.sqrt(photons)


def rose_least_contrast(photons: float, k: float = ROSE) -> float:
    """Return the smallest contrast seen reliably in so many quanta."""
    return k / math.sqrt(photons)


def johnson_range_km(task: str, size_m: float, cycles_per_mrad: float) -> float:
    """Return the range at which half of all observers do a task, km: an upper bound, at full contrast in good light."""
    return size_m * cycles_per_mrad / JOHNSON[task]


def cycles_across(size_px: float, cycles_px: float) -> float:
    """Return the line pairs that a figure's smaller dimension spans at the limiting resolution."""
    return size_px * cycles_px


def task_probability(cycles: float, needed: float) -> float:
    """Return the share of observers who do a task (target transfer probability function, exponent 2.7 + 0.7 N / N50)."""
    x = cycles / needed
    power = x ** (2.7 + 0.7 * x)
    return float(power / (1.0 + power))


@dataclass(frozen=True, slots=True)
class Mark:
    """A box around the figure at a time of the clip (None: all the time), px, with its centre free to lie between pixels."""

    x: float
    y: float
    w: int
    h: int
    time_s: float | None = None

    @property
    def rect(self) -> Rect:
        """The nearest whole-pixel box."""
        return Rect(round(self.x), round(self.y), self.w, self.h)


def place_at(marks: Sequence[Mark], time_s: float) -> Mark:
    """Return the box at a time, from the marks around it: linear between them, going on as before beyond the first and last."""
    timed = sorted((mark for mark in marks if mark.time_s is not None), key=lambda mark: mark.time_s or 0.0)
    if not timed:
        return marks[0]
    times = np.array([mark.time_s for mark in timed], float)
    values = {name: np.array([getattr(mark, name) for mark in timed], float) for name in ("x", "y", "w", "h")}
    x, y, w, h = (float(np.interp(time_s, times, values[name])) for name in ("x", "y", "w", "h"))
    beyond = time_s - float(np.clip(time_s, times[0], times[-1]))
    pair = slice(0, 2) if beyond < 0 else slice(-2, None)
    if beyond and times.size > 1 and np.ptp(times[pair]) > 0:
        span = float(np.ptp(times[pair]))
        x, y = (
            x + float(np.diff(values["x"][pair])[0]) * beyond / span,
            y + float(np.diff(values["y"][pair])[0]) * beyond / span,
        )
    return Mark(x, y, max(1, round(w)), max(1, round(h)), time_s)


def follow(template: np.ndarray, picture: np.ndarray, expected: tuple[float, float], reach: int) -> tuple[float, float, float]:
    """Return where a template lies in a picture near an expected place, and how well it fits.

    Parameters
    ----------
    template, picture : ndarrays of linear light
    expected : (x, y)
        Of the template's upper left corner in the picture.
    reach : int
        How far it may be, px.

    Returns
    -------
    x, y, score
        ``score`` is the normalised correlation, -1 .. 1.
    """
    th, tw = template.shape
    x0, y0 = max(0, round(expected[0]) - reach), max(0, round(expected[1]) - reach)
    x1, y1 = min(picture.shape[1], round(expected[0]) + reach + tw), min(picture.shape[0], round(expected[1]) + reach + th)
    part = picture[y0:y1, x0:x1].astype(np.float32)
    if part.shape[0] < th or part.shape[1] < tw:
        return expected[0], expected[1], -1.0
    scores = cv2.matchTemplate(part, template.astype(np.float32), cv2.TM_CCOEFF_NORMED)
    _, best, _, (bx, by) = cv2.minMaxLoc(scores)
    return float(x0 + bx), float(y0 + by), float(best)


@dataclass(frozen=True, slots=True)
class View:
    """Figure and ground in one frame."""

    figure: float
    ground: float
    figure_sigma: float
    ground_sigma: float
    figure_pixels: int
    ground_pixels: int
    clipped: float = 0.0


def window_of(rect: Rect, around: int, gap: int, width: int, height: int) -> tuple[Rect, np.ndarray]:
    """Return the window that holds box and ground, and a map of it: 1 figure, 2 ground, 0 neither.

    Raises
    ------
    RegionError
        If under 50 px of ground lie in the picture, or the box reaches outside.
    """
    rect.check(width, height, least=12)
    reach = around + gap
    x0, y0 = max(0, rect.x - reach), max(0, rect.y - reach)
    x1, y1 = min(width, rect.x + rect.w + reach), min(height, rect.y + rect.h + reach)
    parts = np.full((y1 - y0, x1 - x0), 2, np.uint8)
    top, left = rect.y - y0, rect.x - x0
    parts[max(0, top - gap) : top + rect.h + gap, max(0, left - gap) : left + rect.w + gap] = 0
    parts[top : top + rect.h, left : left + rect.w] = 1
    if np.count_nonzero(parts == 2) < 50:
        raise RegionError("no ground is left around the figure.", hint="Widen --around, or mark a figure away from the border.")
    return Rect(x0, y0, x1 - x0, y1 - y0), parts


def look(light: np.ndarray, parts: np.ndarray, clipped: np.ndarray | None = None) -> View:
    """Return figure and ground of one frame."""
    inside, outside = light[parts == 1], light[parts == 2]
    return View(
        float(inside.mean()),
        float(outside.mean()),
        float(inside.std(ddof=1)),
        float(outside.std(ddof=1)),
        int(inside.size),
        int(outside.size),
        0.0 if clipped is None else float(clipped[parts > 0].mean()),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Visibility:
    """Figure and ground over frames: curves and their summary."""

    contrast: np.ndarray
    cnr: np.ndarray
    detectability: np.ndarray
    readings: tuple[Reading, ...]
    seen: float


def detectability_of(view: View, noise_sigma: float, area_px: float) -> float:
    """Return the signal to noise of the matched box."""
    below = noise_sigma * math.sqrt(max(1.0, area_px) * (1.0 / view.figure_pixels + 1.0 / view.ground_pixels))
    return abs(view.figure - view.ground) / below if below > 0 else math.inf


NAMES = ("contrast", "cnr", "detectability")


def summarise(
    views: Sequence[View],
    *,
    of: str,
    noise_sigma: float,
    noise_relative_error: float,
    area_px: float,
    noise_range: tuple[float, float] | None = None,
    evidence: Evidence | None = None,
    noise_reason: str | None = None,
    code_errors: tuple[float, float] = (0.0, 0.0),
    rim: float = 0.0,
    black: float = 0.0,
    black_sigma: float = 0.0,
    flags: Flag = Flag.NONE,
) -> Visibility:
    """Return the readings ``contrast``, ``cnr``, ``detectability`` of a figure over some frames.

    Parameters
    ----------
    views : sequence of View, one a frame
    of : str
    noise_sigma, noise_relative_error, area_px : float
        Temporal noise of a pixel of the ground, its relative error, and the area over which it is one.
    noise_range : pair of float, optional
        The least and the most that noise may have been before the encoder; `noise_sigma` is the likely one.
    evidence, noise_reason
        Traces of the encoder, and why the noise cannot be trusted if so.
    code_errors : pair of float
        By how much the encoder may have moved the mean light of figure and ground (1 sigma).
    rim : float
        Pixels of the figure's rim as a share of its own: across it encoders smear what they do not keep.
    black, black_sigma : float
        Dark level to subtract, and its error.
    flags : Flag
        Of the clip.
    """
    figure = np.array([view.figure for view in views]) - black
    ground = np.array([view.ground for view in views]) - black
    spread = np.array([math.sqrt(0.5 * (view.figure_sigma**2 + view.ground_sigma**2)) for view in views])
    clipped = float(np.mean([view.clipped for view in views]))
    flags |= Flag.CLIPPED if clipped > 0.001 else Flag.NONE
    flags |= Flag.FEW_FRAMES if len(views) < 8 else Flag.NONE
    flags |= Flag.COMPRESSED if evidence is not None and evidence.kept < 0.9 else Flag.NONE
    common = Common(of=of, flags=flags, frames=len(views), pixels=views[0].figure_pixels)
    found = np.array([detectability_of(view, noise_sigma, area_px) for view in views])
    # By how much more and less could be seen if the noise was the least and the most that it may have been.
    spans = (1.0, 1.0) if noise_range is None else (noise_sigma / noise_range[0], noise_sigma / noise_range[1])
    reason = _why_not(figure, ground, clipped)
    with np.errstate(divide="ignore", invalid="ignore"):
        contrast = (figure - ground) / ground
        cnr = (figure - ground) / spread
    if reason:
        refusals = tuple(common.refusal(name, reason) for name in NAMES)
        return Visibility(contrast=contrast, cnr=cnr, detectability=found, readings=refusals, seen=0.0)
    mean_ground = float(ground.mean())
    value = float(figure.mean() - ground.mean()) / mean_ground
    course = (figure - figure.mean() - (1.0 + value) * (ground - mean_ground)) / mean_ground
    level = level_without_beat(1.0 + course, least=0.003)
    value += level.estimate.value - 1.0
    low, high = level.estimate.interval()
    # Frame to frame noise shows in few frames only roughly: what pixels say is a floor.
    floor = noise_sigma * math.sqrt(area_px / views[0].figure_pixels / len(views)) / mean_ground
    half = max(0.5 * (high - low), 1.96 * floor)
    moved = math.hypot(code_errors[0], (1.0 + value) * code_errors[1])
    smeared = SMEAR_PX * rim * abs(value) * (1.0 - evidence.kept) if evidence is not None else 0.0
    half = math.hypot(half, 1.96 * abs(value) * black_sigma / mean_ground, 1.96 * moved / mean_ground, 1.96 * smeared)
    words = "(figure - ground) / ground in linear light, signed; the ground is a frame of pixels around the box"
    readings = [common.reading("contrast", value, value - half, value + half, method=words)]
    ratio = mean_estimate(cnr)
    a, b = ratio.interval()
    swing = math.hypot(0.5 * (b - a), 1.96 * math.hypot(*code_errors) / max(float(spread.mean()), 1e-12))
    a, b = ratio.value - swing, ratio.value + swing
    words = "figure less ground over the pixels' spread in one frame, texture of the ground included"
    readings.append(common.reading("cnr", ratio.value, a, b, method=words))
    readings.append(_detectability(common, figure, ground, found, noise_relative_error, spans, evidence, noise_reason))
    return Visibility(
        contrast=contrast, cnr=cnr, detectability=found, readings=tuple(readings), seen=float(np.mean(found >= ROSE))
    )


def _detectability(
    common: Common,
    figure: np.ndarray,
    ground: np.ndarray,
    found: np.ndarray,
    noise_relative_error: float,
    spans: tuple[float, float],
    evidence: Evidence | None,
    noise_reason: str | None,
) -> Reading:
    words = "signal to noise of the matched box in one frame, temporal noise with its grain; Rose: 5 for reliable sight"
    if noise_reason:
        return common.refusal("detectability", noise_reason, method=words)
    # The mean difference, not the mean of absolute values: noise alone would give those a floor.
    difference = abs(float((figure - ground).mean()))
    scale = float(np.mean(np.abs(figure - ground)))
    value = float(np.mean(found)) * (difference / scale if scale > 0 else 0.0)
    if not math.isfinite(value):
        return common.refusal("detectability", "Nothing moves in time, so there is no noise to compare with.", method=words)
    single = float(np.std(found, ddof=1)) / math.sqrt(found.size) if found.size > 1 else 1.0
    half = 1.96 * math.hypot(single, value * noise_relative_error)
    low, high = max(0.0, value - half) * spans[1], (value + half) * spans[0]
    if evidence is not None and evidence.kept < LEAST_KEPT:
        reason = (
            f"The encoder left about {100 * evidence.kept:.0f} % of the noise, so that it looks easier to see than it was: at "
            "most this. Film at a higher data rate, intra-frame only."
        )
        return replace(common, state="limit", reason=reason).reading(
            "detectability", value * spans[0], None, high, method=words
        )
    return common.reading("detectability", value, low, high, method=words)


def _why_not(figure: np.ndarray, ground: np.ndarray, clipped: float) -> str | None:
    if clipped > 0.05:
        return "Figure or ground is clipped: film with a shorter exposure or less gain."
    if float(ground.mean()) <= 0:
        return "The ground around the figure holds no light above the dark level: film brighter, or widen the ground."
    if not np.isfinite(figure).all():
        return "The figure leaves the picture: mark it where it is whole, or film it nearer the middle."
    return None


__all__ = [
    "JOHNSON",
    "JOHNSON_SPREAD",
    "NAMES",
    "ROSE",
    "Mark",
    "View",
    "Visibility",
    "cycles_across",
    "detectability_of",
    "follow",
    "johnson_range_km",
    "look",
    "place_at",
    "rose_k",
    "rose_least_contrast",
    "summarise",
    "task_probability",
    "window_of",
]

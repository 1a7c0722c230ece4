"""Edges: from a mean picture to width, MTF, over- and undershoot, direction and glow, each with its interval."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from viewer.measure.edge_line import EdgeLine, angle_scatter, find_line, fit_line, raggedness
from viewer.measure.edge_mtf import Mtf, mtf
from viewer.measure.edge_spread import (
    EdgeSpread,
    contradiction,
    overshoot,
    phase_gap,
    spread_gaussian,
    spread_spline,
    uneven,
    width,
)
from viewer.measure.glow import Glow, measure_glow
from viewer.measure.readings import Flag, Reading, refused
from viewer.measure.regions import Rect

COVERAGE = 1.96
WIDTH_OF_SIGMA = 2.5631031
CONTRADICTED = 5.5  # t of a strip, eight pieces, a dozen strips
APART = 3.0  # standard errors of the MTF between a simple and a free curve
WIDEST_GAP = 0.34  # px between distances; a spline needs them closer
UNITS = {
    "rise_10_90": "px",
    "mtf50": "cycles/px",
    "mtf_at_0.05": "1",
    "mtf_at_0.1": "1",
    "overshoot": "%",
    "undershoot": "%",
    "edge_angle": "deg",
    "glow_radius": "px",
}
SPLINE = (
    "slanted edge: cubic spline through all pixels at their perpendicular distance, nothing binned, pixel aperture included"
)
GAUSS = "sum of one or two Gaussian edges, which match the pixels as well as any curve; pixel aperture included"
ENDS = "the region's outer thirds taken as dark and bright"
SECOND = "more than one edge lies in the region. Mark one with one edge only."
NO_SINGLE = "no single edge explains the region. Mark one with one edge only."
METHODS = {
    "edge_angle": "two-dimensional fit of a blurred edge; direction of its normal from +x towards +y, modulo 180",
    "glow_radius": "radius of the disc over which the bright area's light is spread to give the light in the dark beside it",
}


@dataclass(frozen=True, slots=True)
class EdgeResult:
    """Readings of one edge and what they rest on.

    ``esf_px``, ``esf`` are distance (px, bright side positive) and share of the step; ``mtf`` the MTF; ``glow`` the glow's fit;
    ``line`` the edge in region pixels.
    """

    readings: tuple[Reading, ...]
    line: EdgeLine | None = None
    esf_px: np.ndarray = field(default_factory=lambda: np.zeros(0))
    esf: np.ndarray = field(default_factory=lambda: np.zeros(0))
    mtf: Mtf | None = None
    glow: Glow | None = None
    asymmetry: float | None = None

    def reading(self, name: str) -> Reading:
        """Return the reading of this name."""
        return next(r for r in self.readings if r.name == name)


def measure_edge(
    light: np.ndarray,
    rect: Rect,
    *,
    clipped: np.ndarray | None = None,
    valid: np.ndarray | None = None,
    frames: int = 1,
    flags: Flag = Flag.NONE,
    of: str = "edge",
    camera: Mtf | None = None,
) -> EdgeResult:
    """Measure the edge in `rect`.

    Parameters
    ----------
    light : ndarray of shape (rows, cols)
        Mean picture in linear light; what surrounds `rect` is used for the glow alone.
    rect : Rect
        The region, in pixels of `light`.
    clipped : ndarray, optional
        Share of frames (or bool) in which a pixel was clipped.
    valid : ndarray of bool, optional
        Pixels inside the field.
    camera : Mtf, optional
        MTF of the camera alone; the readings of the MTF are then divided by it where it is above 0.3.

    Returns
    -------
    EdgeResult
        Readings ``rise_10_90``, ``mtf50``, ``mtf_at_0.05``, ``mtf_at_0.1``, ``overshoot``, ``undershoot``, ``edge_angle`` and
        ``glow_radius``.
    """
    part = np.asarray(light[rect.slices], float)
    burnt = np.zeros(part.shape) if clipped is None else np.asarray(clipped[rect.slices], float)
    usable = np.isfinite(part) & (burnt <= 0.002)
    inside = np.ones(part.shape, bool) if valid is None else valid[rect.slices]
    usable &= inside
    builder = _Builder(of, frames, flags, int(np.count_nonzero(usable)))
    region = np.zeros(light.shape, bool)
    region[rect.slices] = True
    if not inside.all():
        builder.flags |= Flag.BORDER
    line, problem = _line(part, usable, burnt)
    if line is None:
        builder.refuse_all(problem)
        glow = None
        if problem == NO_SINGLE:
            glow = _glow(light, region, valid, clipped, None, rect)
            builder.glow(glow)
        return EdgeResult(builder.readings(), glow=glow)
    even = _even_rows(part, line, usable)
    if even is not part:
        part, line = even, fit_line(even, line, usable)
    share_burnt = float(np.mean(burnt > 0.002))
    if share_burnt > 0:
        builder.flags |= Flag.CLIPPED
    stray, stray_error = raggedness(part, line, usable)
    ragged = stray > max(1.0, 5.0 * stray_error)
    uncertain = stray / stray_error if stray > 1.5 * stray_error > 0 else 1.0
    spread, transfer, reason = None, None, ""
    if share_burnt > 0.005:
        reason = "part of the region is burnt out, so the bright level is not known. Film with a shorter exposure."
    elif ragged:
        reason = (
            f"the edge is ragged: its pieces stray {stray:.1f} px from a line. Film a straight edge for width and MTF; "
            "glow_radius holds for ragged ones."
        )
    else:
        spread, reason = _spread(part, line, usable)
    scatter = angle_scatter(part, line, usable)
    builder.angle(line, ragged, max(1.0, uncertain, spread.inflation if spread else 1.0), scatter)
    asymmetry = None
    if spread is None:
        builder.refuse(reason, *("rise_10_90", "mtf50", "mtf_at_0.05", "mtf_at_0.1", "overshoot", "undershoot"))
        esf_px, esf = np.zeros(0), np.zeros(0)
    else:
        transfer = mtf(spread)
        builder.widths(spread, line, transfer, camera)
        esf_px = np.arange(math.ceil(spread.low * 8), math.floor(spread.high * 8) + 1) / 8.0
        esf = spread.share(esf_px)
        asymmetry = _asymmetry(esf_px, esf)
    glow = _glow(light, region, valid, clipped, None if ragged else line, rect)
    builder.glow(glow)
    return EdgeResult(builder.readings(), line, esf_px, esf, transfer, glow, asymmetry)


def _line(part: np.ndarray, usable: np.ndarray, burnt: np.ndarray) -> tuple[EdgeLine | None, str]:
    """Find and fit the edge's line, or say why there is none."""
    rows, cols = part.shape
    if min(rows, cols) < 8 or np.count_nonzero(usable) + np.count_nonzero(burnt > 0) < 100:
        return (
            None,
            f"the region of {cols} x {rows} px is too small. Mark at least 12 px to each side of the edge.",
        )
    start = find_line(part)
    if start is None:
        return None, "nothing rises in the region. Mark one with an edge in it."
    line = fit_line(part, start, usable if np.count_nonzero(usable) > 0.5 * usable.size else None)
    yy, xx = np.mgrid[:rows, :cols]
    d = line.distance(xx, yy)
    height = line.bright - line.dark
    noise = 1.4826 * float(np.median(np.abs(np.diff(part, axis=1)))) / math.sqrt(2.0)
    level = max(abs(line.bright), abs(line.dark))
    if height < 4.0 * noise or height < 0.02 * level:
        share = 100.0 * height / max(level, 1e-12)
        return None, f"the step of {share:.1f} % is too small against noise. Film more frames or more contrast."
    if float(d.min()) > -5.0 or float(d.max()) < 5.0:
        return None, "the edge runs along the region's border. Mark a region with the edge in its middle."
    if line.explained < 0.55:
        return None, NO_SINGLE
    return line, ""


def _spread(part: np.ndarray, line: EdgeLine, usable: np.ndarray) -> tuple[EdgeSpread | None, str]:
    """Fit the edge spread, or say why not."""
    rows, cols = part.shape
    yy, xx = np.mgrid[:rows, :cols].astype(float)
    d, t = line.distance(xx, yy), line.along(xx, yy)
    near = usable & (np.abs(d) < 2.0)
    length = float(np.ptp(t[near])) if near.any() else 0.0
    if length < 10.0:
        return None, f"only {length:.0f} px of the edge lie in the region. Mark at least 16 px along it."
    side_low, side_high = -float(d[usable].min()), float(d[usable].max())
    need = 2.6 * line.sigma + 2.0
    if min(side_low, side_high) < need:
        return (
            None,
            f"the region ends {min(side_low, side_high):.0f} px from the edge; its blur needs {need:.0f} px on both sides.",
        )
    if _second_edge(d[usable], part[usable], line):
        return None, SECOND
    keep = usable & (d >= -side_low) & (d <= side_high)
    x, y, distance, values = xx[keep], yy[keep], d[keep], part[keep]
    gap = phase_gap(distance, max(2.0, 2.0 * line.sigma))
    spread = _simplest(x, y, distance, values, line, gap)
    one = spread_gaussian(x, y, distance, values, line.sigma)
    sigma, error = width(one)
    factor = uneven(distance, line.along(x, y), values, sigma / WIDTH_OF_SIGMA, error / WIDTH_OF_SIGMA)
    spread = spread.widened(factor)
    return spread, ""


def _simplest(x: np.ndarray, y: np.ndarray, distance: np.ndarray, light: np.ndarray, line: EdgeLine, gap: float) -> EdgeSpread:
    """Return one Gaussian edge, or two, or a spline: the first that the pixels do not contradict."""
    along = line.along(x, y)

    def against(simple: EdgeSpread) -> float:
        return contradiction(simple, distance, along, light, line.sigma)

    one = spread_gaussian(x, y, distance, light, line.sigma)
    first = against(one)
    free = None if gap > WIDEST_GAP else spread_spline(x, y, distance, light, line.sigma, gap=gap)
    if first < CONTRADICTED and (free is None or _apart(one, free) < APART):
        return one
    two = spread_gaussian(x, y, distance, light, line.sigma, edges=2)
    second = against(two)
    if free is None:
        return two if second < 0.7 * first else one
    return two if second < CONTRADICTED and _apart(two, free) < APART else free


def _apart(simple: EdgeSpread, free: EdgeSpread) -> float:
    """By how many of its standard errors a free curve's MTF at low frequencies differs from a simple one's.

    Glow and veil are a few per cent of the step spread far: noise hides them pixel by pixel, the low frequencies add them up.
    """
    places = np.array([0.03, 0.05, 0.1])
    one, other = mtf(simple, places), mtf(free, places)
    return float(np.max(np.abs(one.value - other.value) / np.hypot(other.sigma, 0.004)))


def _even_rows(part: np.ndarray, line: EdgeLine, usable: np.ndarray) -> np.ndarray:
    """Divide out a gain of each row (or column), where rows cross the edge and their gains differ by more than noise.

    Light that pulses leaves bands along the rows of a rolling shutter; the gain of a row is that of its pixels against the
    fitted edge.
    """
    if abs(line.normal[0]) < 0.5:
        return part
    from scipy.special import ndtr

    rows, cols = part.shape
    yy, xx = np.mgrid[:rows, :cols].astype(float)
    model = line.dark + (line.bright - line.dark) * ndtr(line.distance(xx, yy) / line.sigma)
    weight = usable.astype(float)
    power = (weight * model**2).sum(axis=1)
    if np.any(power <= 0):
        return part
    gain = (weight * model * part).sum(axis=1) / power
    rest = part - gain[:, None] * model
    error = np.sqrt((weight * rest**2).sum(axis=1) / np.maximum(weight.sum(axis=1), 1.0) / power)
    scatter = float(np.std(gain - np.polyval(np.polyfit(np.arange(rows), gain, 1), np.arange(rows))))
    if scatter < 3.0 * float(np.median(error)) or scatter < 0.002:
        return part
    return np.asarray(part / (gain / np.median(gain))[:, None])


def _second_edge(distance: np.ndarray, light: np.ndarray, line: EdgeLine) -> bool:
    """Whether the light, averaged along the edge, falls back by more than a quarter of the step away from it."""
    share = (light - line.dark) / (line.bright - line.dark)
    strip = np.floor(distance).astype(int)
    first = int(strip.min())
    count = np.bincount(strip - first)
    mean = np.bincount(strip - first, share) / np.maximum(count, 1)
    place = np.arange(count.size) + first + 0.5
    seen = count > 0.25 * np.median(count[count > 0])
    away = np.abs(place) > 4.0 * line.sigma + 3.0
    bright, dark = mean[seen & away & (place > 0)], mean[seen & away & (place < 0)]
    low = float(bright.min()) if bright.size else 1.0
    high = float(dark.max()) if dark.size else 0.0
    return low < 0.7 or high > 0.45


def _asymmetry(d: np.ndarray, share: np.ndarray) -> float:
    """Light that lies on the dark side less what is missing on the bright side, px times step (0 for a symmetric edge)."""
    step = d[1] - d[0]
    middle = float(np.interp(0.5, share[(d > -3) & (d < 3)], d[(d > -3) & (d < 3)])) if np.any(np.abs(d) < 3) else 0.0
    spill = float(np.clip(share[d < middle], 0.0, None).sum()) * step
    loss = float(np.clip(1.0 - share[d > middle], 0.0, None).sum()) * step
    return float(spill - loss)


def _glow(
    light: np.ndarray,
    region: np.ndarray,
    valid: np.ndarray | None,
    clipped: np.ndarray | None,
    line: EdgeLine | None,
    rect: Rect,
) -> Glow:
    """Measure the glow; a ragged edge has no line that tells its blur, so a usual one is assumed there."""
    burnt = None if clipped is None else np.asarray(clipped) > 0.1
    blur = 1.5 if line is None else line.sigma
    return measure_glow(
        light, region, valid=valid, clipped=burnt, blur=min(blur, 6.0), most=min(90.0, 0.9 * max(rect.w, rect.h))
    )


class _Builder:
    """Collects readings in the order of the document."""

    def __init__(self, of: str, frames: int, flags: Flag, pixels: int) -> None:
        self.of, self.frames, self.flags, self.pixels = of, frames, flags, pixels
        self._found: dict[str, Reading] = {}

    def refuse(self, reason: str, *names: str) -> None:
        for name in names:
            method = METHODS.get(name, SPLINE)
            self._found[name] = refused(name, self.of, UNITS[name], reason, flags=self.flags, frames=self.frames, method=method)

    def refuse_all(self, reason: str) -> None:
        self.refuse(reason, *UNITS)

    def add(
        self, name: str, value: float, sigma: float, method: str, flags: Flag = Flag.NONE, floor: float | None = None
    ) -> None:
        low, high = value - COVERAGE * sigma, value + COVERAGE * sigma
        self._found[name] = Reading(
            name=name,
            of=self.of,
            value=value,
            unit=UNITS[name],
            low=low if floor is None else max(floor, low),
            high=high,
            flags=self.flags | flags,
            frames=self.frames,
            pixels=self.pixels,
            method=method,
        )

    def angle(self, line: EdgeLine, ragged: bool, factor: float, scatter: float) -> None:
        sigma = math.degrees(max(line.angle_sigma * factor, scatter))
        self.add("edge_angle", line.angle_deg, sigma, METHODS["edge_angle"], Flag.FIT_POOR if ragged else Flag.NONE)

    def widths(self, spread: EdgeSpread, line: EdgeLine, transfer: Mtf, camera: Mtf | None) -> None:
        method = SPLINE if spread.kind == "spline" else GAUSS
        if spread.kind == "spline" or spread.glow > 0.0:
            method = f"{method}; {ENDS}"
        try:
            value, sigma = width(spread)
        except ValueError:
            self.refuse("the light does not pass 10 and 90 % of its step. Mark a region that reaches further.", "rise_10_90")
        else:
            self.add("rise_10_90", value, sigma, method, Flag.FEW_PIXELS if value < 1.2 else Flag.NONE, floor=0.0)
        self._transfer(transfer, camera, method)
        over, under = overshoot(spread, line.sigma)
        for name, (share, error) in (("overshoot", over), ("undershoot", under)):
            sharpened = Flag.PROCESSED if share > max(0.03, 4.0 * error) else Flag.NONE
            self.add(name, 100.0 * share, 100.0 * error, method, sharpened, floor=0.0)

    def _transfer(self, transfer: Mtf, camera: Mtf | None, method: str) -> None:
        if camera is not None:
            transfer = divided(transfer, camera)
            method = f"{method}; the camera's own MTF divided out"
        half = transfer.falls_to(0.5)
        if half is None:
            self.refuse(
                "the MTF does not fall to one half within what the pixels can show. The edge is sharper than the pixels.",
                "mtf50",
            )
        else:
            self.add("mtf50", half[0], half[1], method, floor=0.0)
        for name, frequency in (("mtf_at_0.05", 0.05), ("mtf_at_0.1", 0.1)):
            value, sigma = transfer.at(frequency)
            if math.isfinite(value):
                self.add(name, value, sigma, method, floor=0.0)
            else:
                self.refuse("the camera alone passes under 0.3 here. Film closer, so that the camera does not limit.", name)

    def glow(self, glow: Glow) -> None:
        if glow.radius is None:
            self.refuse(glow.reason, "glow_radius")
        else:
            self.add("glow_radius", glow.radius, glow.sigma, METHODS["glow_radius"], floor=0.0)

    def readings(self) -> tuple[Reading, ...]:
        return tuple(self._found[name] for name in UNITS if name in self._found)


def divided(system: Mtf, camera: Mtf) -> Mtf:
    """Return system over camera where the camera is above 0.3, not a number elsewhere; errors of both combined."""
    below = np.interp(system.frequency, camera.frequency, camera.value)
    error = np.interp(system.frequency, camera.frequency, camera.sigma)
    good = below > 0.3
    safe = np.where(good, below, 1.0)
    value = np.where(good, system.value / safe, np.nan)
    sigma = np.where(good, np.hypot(system.sigma, system.value / safe * error) / safe, np.nan)
    return Mtf(system.frequency, value, sigma)


__all__ = ["METHODS", "UNITS", "EdgeResult", "divided", "measure_edge"]

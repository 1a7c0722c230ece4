"""Bloom of point lights: from a mean picture to readings with intervals.

What the radii mean (px, each also with its definition in the reading's method):

* ``halo_radius``: radius R of the disc that, blurred, is the halo; its steepest fall.  The blurred disc falls most steeply
  ``s^2 / (2 R)`` inside R and is below half there; the fit allows for both.
* ``half_radius``: where the glow (the disc, or without one the smooth glow that carries most of the visible light) falls to
  half of its own unclipped centre; 1.17741 sigma for a Gaussian.  A compact core beside the glow does not enter.
* ``bloom_radius``: where all the added light together falls under a tenth of the local background.
* ``core_radius``: radius of the disc that has the area of the clipped patch; 0 when nothing is clipped.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from viewer.errors import Cancelled
from viewer.measure.bloom_fit import Fit, slopes
from viewer.measure.bloom_group import Member, Scene, best_fit, cut, group, prepare
from viewer.measure.bloom_model import Shape, pack
from viewer.measure.bloom_profile import HALF, RadialProfile, blurred_disc, disc_half_radius, outermost_radius, radial_profile
from viewer.measure.lights import PointLight
from viewer.measure.readings import Flag, Reading, refused

COVERAGE = 1.96
SECTORS = 8
NAMES = ("centre_x", "centre_y", "core_radius", "halo_radius", "half_radius", "bloom_radius")
METHODS = {
    "centre_x": "centre of the fitted light, from unclipped pixels",
    "centre_y": "centre of the fitted light, from unclipped pixels",
    "core_radius": "radius of the disc with the area of the clipped patch; 0 if nothing is clipped",
    "halo_radius": "radius of the blurred disc in a joint fit of core, disc, smooth glow, background and neighbours",
    "half_radius": "radius at which the fitted glow is half of its own unclipped centre (core left out)",
    "bloom_radius": "radius where the fitted added light falls under 10 % of the local background; grows with the source",
}


@dataclass(frozen=True, slots=True)
class LightBloom:
    """One light: readings, and what they rest on.

    ``kind`` is the fitted shape (``disc``, ``gauss``, ``moffat``) or ``none``; ``profile`` the measured rings, ``model`` the
    fitted light at their radii (background included), ``glow`` the fitted glow alone, ``sector_radius_px`` the halo radius in
    eight sectors clockwise from +x with their errors, ``misfit`` the rms of the ring means that the fit leaves, as a share of
    the halo's height, ``veil_share`` the light of the smooth glow at the halo's edge, in the same unit.
    """

    of: str
    centre: tuple[float, float]
    kind: str
    readings: tuple[Reading, ...]
    profile: RadialProfile | None = None
    model: np.ndarray = field(default_factory=lambda: np.zeros(0))
    glow: np.ndarray = field(default_factory=lambda: np.zeros(0))
    sector_radius_px: np.ndarray = field(default_factory=lambda: np.zeros(0))
    sector_sigma_px: np.ndarray = field(default_factory=lambda: np.zeros(0))
    misfit: float = 0.0
    veil_share: float = 0.0

    def reading(self, name: str) -> Reading:
        """Return the reading of this name."""
        return next(r for r in self.readings if r.name == name)


@dataclass(frozen=True, slots=True)
class _Value:
    """A value with its standard error, or why there is none."""

    value: float | None
    sigma: float = 0.0
    reason: str = ""
    limit: bool = False
    flags: Flag = Flag.NONE


def measure_bloom(
    light: np.ndarray,
    marks: Sequence[tuple[float, float]],
    *,
    clipped: np.ndarray | None = None,
    valid: np.ndarray | None = None,
    others: Sequence[PointLight] = (),
    dark: float | None = None,
    frames: int = 1,
    flags: Flag = Flag.NONE,
    cancelled: Callable[[], bool] | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[LightBloom, ...]:
    """Measure the lights at `marks` in one mean picture.

    Parameters
    ----------
    light : ndarray of shape (rows, cols)
        Mean picture in linear light (any unit).
    marks : sequence of (x, y)
        Where the lights are, within a few px.
    clipped : ndarray of shape (rows, cols), optional
        Share of frames (or bool) in which a pixel was clipped.
    valid : ndarray of bool, optional
        Pixels inside the field.
    others : sequence of PointLight, optional
        Further lights: small ones are left out, they are not measured.
    dark : float, optional
        Light level of true darkness; without it the background is taken as it is and `bloom_radius` says so.
    frames : int, optional
        How many frames the mean rests on (recorded only).

    Returns
    -------
    tuple of LightBloom
        In the order of `marks`, named ``light-1`` onwards.

    Raises
    ------
    Cancelled
        If `cancelled` says so.
    """
    scene = Scene.make(light, clipped, valid)
    places = [(float(x), float(y)) for x, y in marks]
    members: list[Member] = []
    results: dict[int, LightBloom] = {}
    for number, place in enumerate(places):
        problem = _no_start(scene, place)
        near = [p for i, p in enumerate(places) if i != number]
        member = None if problem else prepare(scene, number, place, near, crowd=[p.centre for p in others])
        if member is None:
            results[number] = _all_refused(number, place, problem or TOO_FEW, frames, flags)
        else:
            members.append(member)
    groups = group(members)
    for done, cluster in enumerate(groups):
        if cancelled is not None and cancelled():
            raise Cancelled
        if progress is not None:
            progress(done, len(groups))
        results.update(_measure_group(scene, cluster, members, others, places, dark, frames, flags))
    return tuple(results[i] for i in range(len(places)))


TOO_FEW = "too few usable pixels round the light. Film it away from the border and with a shorter exposure."
BURNT = "clipping reaches as far as any edge that could be seen. Film with a shorter exposure or a dimmer lamp."
NO_EDGE = "the glow falls off smoothly and has no edge; half_radius tells its size. For an edge, film a brighter point lamp."
UNCLEAR = "what lies round the light hides its edge. Film it against a plainer background, or mark one that stands alone."
NO_TENTH = "the light adds less than a tenth of the background anywhere. Film a brighter lamp or a darker background."
BURNT_TENTH = "clipping reaches the radius of a tenth of the background. Film with a shorter exposure."
BLACK = "the background is too dark against its error for a tenth of it to mean anything. Film with some ambient light."
OPEN_TENTH = "the added light is above a tenth of the background out to the border of what was fitted."


def _no_start(scene: Scene, place: tuple[float, float]) -> str:
    """Return why a mark cannot be measured at all, or an empty string."""
    rows, cols = scene.light.shape
    x, y = place
    if not (0 <= x <= cols - 1 and 0 <= y <= rows - 1):
        return f"the mark {x:.1f},{y:.1f} lies outside the picture of {cols} x {rows} px. Mark the light in upright pixels."
    return ""


def _all_refused(number: int, place: tuple[float, float], reason: str, frames: int, flags: Flag) -> LightBloom:
    of = f"light-{number + 1}"
    readings = tuple(refused(n, of, "px", reason, flags=flags, frames=frames, method=METHODS[n]) for n in NAMES)
    return LightBloom(of, place, "none", readings)


def _measure_group(
    scene: Scene,
    cluster: list[Member],
    members: list[Member],
    others: Sequence[PointLight],
    places: list[tuple[float, float]],
    dark: float | None,
    frames: int,
    flags: Flag,
) -> dict[int, LightBloom]:
    """Fit one group and read every light of it."""
    inside = {m.number for m in cluster}
    masks = [
        (m.centre[0], m.centre[1], (m.start.radius + 4.0 * m.start.edge_sigma) if m.start.gain > 20.0 else 3.0 * m.start.sigma)
        for m in members
        if m.number not in inside
    ]
    masks += [
        (p.x, p.y, max(4.0, 3.0 * p.size))
        for p in others
        if all(math.dist(p.centre, q) > max(6.0, 2.0 * p.size) for q in places)
    ]
    patch = cut(scene, cluster, masks)
    if patch.light.size < 120:
        return {m.number: _all_refused(m.number, m.centre, TOO_FEW, frames, flags) for m in cluster}
    try:
        found, change = best_fit(patch, cluster)
    except np.linalg.LinAlgError:
        reason = "the light could not be fitted: too little structure. Film it brighter or larger in the picture."
        return {m.number: _all_refused(m.number, m.centre, reason, frames, flags) for m in cluster}
    near = Flag.NEIGHBOUR if len(cluster) > 1 else Flag.NONE
    return {
        m.number: _read(scene, m, found, i, dark, frames, flags | near, masks, 0.7 * change.get(i, 0.0))
        for i, m in enumerate(cluster)
    }


def _read(
    scene: Scene,
    member: Member,
    found: Fit,
    i: int,
    dark: float | None,
    frames: int,
    flags: Flag,
    masks: list[tuple[float, float, float]],
    change: float,
) -> LightBloom:
    """Turn the fit of light `i` into readings; `change` is how far its radius depends on the glow assumed beside it."""
    of = f"light-{member.number + 1}"
    shape = found.shapes[i]
    weights = found.solution.amplitudes[i]
    centre = (float(shape.params[0]), float(shape.params[1]))
    radial = shape.radial(weights)
    seen = _seen_share(scene, centre, _edge_of(shape))
    area, edge = scene.clipped_core(centre, max(6.0, member.inner + 2.0))
    core = math.sqrt(area / math.pi)
    if area > 0:
        flags |= Flag.CLIPPED
    if seen < 0.9:
        flags |= Flag.BORDER
    level, slope = float(found.solution.background[0]), found.solution.background[1:3] / 50.0
    clear = 4.0 * math.hypot(found.amplitude_sigma(1), found.amplitude_sigma(2)) / 50.0
    if math.hypot(*slope) > max(clear, 0.1 * max(level, 1e-12) / max(_edge_of(shape), 1.0)):
        flags |= Flag.SLOPE
    sectors, sector_sigma, not_round, extra = _sectors(found, i)
    if not_round:
        flags |= Flag.NOT_ROUND
    misfit = _misfit(found, i)
    if found.reduced > 2.5 or misfit > 0.25:
        flags |= Flag.FIT_POOR
    faint = _faint(found, i)
    values = {
        "centre_x": _Value(centre[0], found.sigma(i, 0)),
        "centre_y": _Value(centre[1], found.sigma(i, 1)),
        "core_radius": _Value(core, math.sqrt(edge / 12.0) / max(2.0 * math.pi * core, 1.0) if core else 0.0),
        "halo_radius": _halo(found, i, member, seen, math.hypot(extra, change)),
        "half_radius": _half(found, i, member, seen, change),
        "bloom_radius": _bloom(found, i, member, dark),
    }
    if faint:
        values = {name: (_Value(None, reason=faint) if name != "core_radius" else v) for name, v in values.items()}
    readings = tuple(_reading(name, of, values[name], flags, frames, found.patch.light.size) for name in NAMES)
    profile, model, glow = _curves(scene, centre, member.reach, found, i, masks)
    veil = _veil_share(shape, weights, radial)
    return LightBloom(of, centre, shape.kind, readings, profile, model, glow, sectors, sector_sigma, misfit, veil)


def _reading(name: str, of: str, v: _Value, flags: Flag, frames: int, pixels: int) -> Reading:
    """Build one reading with its 95 % interval."""
    method = METHODS[name]
    if v.value is None:
        return refused(name, of, "px", v.reason, flags=flags | v.flags, frames=frames, method=method)
    half = COVERAGE * v.sigma
    low = v.value - half if name.startswith("centre") else max(0.0, v.value - half)
    return Reading(
        name=name,
        of=of,
        value=v.value,
        unit="px",
        low=low,
        high=v.value + half,
        state="limit" if v.limit else "measured",
        reason=v.reason or None,
        flags=flags | v.flags,
        frames=frames,
        pixels=pixels,
        method=method,
    )


def _edge_of(shape: Shape) -> float:
    """Radius of a light's main part."""
    return float(shape.params[2]) if shape.kind == "disc" else HALF * float(shape.params[2])


def _seen_share(scene: Scene, centre: tuple[float, float], radius: float) -> float:
    """Share of a circle's circumference that lies in the field."""
    angle = np.arange(180) * (math.pi / 90)
    x = np.rint(centre[0] + radius * np.cos(angle)).astype(int)
    y = np.rint(centre[1] + radius * np.sin(angle)).astype(int)
    rows, cols = scene.inside.shape
    inside = (x >= 0) & (x < cols) & (y >= 0) & (y < rows)
    return float(scene.inside[y[inside], x[inside]].sum()) / angle.size


def _faint(found: Fit, i: int) -> str:
    """Return a reason if there is no light that stands out of the noise."""
    weights = found.solution.amplitudes[i]
    best = max(
        (w / max(found.amplitude_sigma(found.amplitude_index(i, k)), 1e-300) for k, w in enumerate(weights) if w > 0),
        default=0.0,
    )
    if best < 5.0:
        return "no light stands out of its surroundings here. Mark a light, or film more frames or a brighter lamp."
    if max(found.sigma(i, 0), found.sigma(i, 1)) > max(1.0, 0.05 * _edge_of(found.shapes[i])):
        return UNCLEAR
    return ""


def _halo(found: Fit, i: int, member: Member, seen: float, extra: float) -> _Value:
    """The disc's radius, or why there is none."""
    shape = found.shapes[i]
    if shape.kind != "disc":
        return _Value(None, reason=BURNT if member.inner > 8.0 else NO_EDGE)
    radius, blur = float(shape.params[2]), float(shape.params[3])
    if member.inner > radius - 1.5 * blur:
        burnt = (
            f"clipping reaches the halo's edge (out to {member.inner:.1f} px). Film with a shorter exposure or a dimmer lamp."
        )
        return _Value(None, reason=burnt)
    if seen < 0.25:
        return _Value(
            None, reason=f"only {100 * seen:.0f} % of the halo's edge lies in the field. Move the lamp towards the middle."
        )
    sigma = math.hypot(found.sigma(i, 2), extra)
    if sigma > 0.05 * radius or _misfit(found, i) > 0.5:
        return _Value(None, reason=UNCLEAR, flags=Flag.FIT_POOR)
    return _Value(radius, sigma)


def _half(found: Fit, i: int, member: Member, seen: float, change: float) -> _Value:
    """Half-level radius of the glow."""
    shape = found.shapes[i]
    if shape.kind == "disc":
        radius, blur = float(shape.params[2]), float(shape.params[3])
        value = disc_half_radius(radius, blur)
        if value <= 0.0:
            return _Value(None, reason="the blur is wider than the halo. Focus better, or film the lamp larger.")
        parts = [(disc_half_radius(radius + d, blur + e) - value) / 1e-3 for d, e in ((1e-3, 0.0), (0.0, 1e-3))]
    elif shape.kind == "gauss":
        value, parts = HALF * float(shape.params[2]), [HALF]
    else:
        a, b = float(shape.params[2]), float(shape.params[3])
        value = a * math.sqrt(2.0 ** (1.0 / b) - 1.0)
        slope = -a * 2.0 ** (1.0 / b) * math.log(2.0) / (2.0 * b * b * math.sqrt(2.0 ** (1.0 / b) - 1.0))
        parts = [value / a, slope]
    sigma = math.hypot(_propagate(found, i, parts), change)
    if seen < 0.25:
        return _Value(None, reason=f"only {100 * seen:.0f} % of the glow lies in the field. Move the lamp towards the middle.")
    if sigma > 0.15 * value:
        return _Value(
            None, reason="the unclipped part of the glow does not fix its size. Film with a shorter exposure, or more frames."
        )
    flag = Flag.FEW_PIXELS if value < 1.5 else Flag.NONE
    return _Value(value, sigma, flags=flag)


def _propagate(found: Fit, i: int, parts: list[float]) -> float:
    """Standard error of a quantity from its derivatives after the size parameters of light `i`."""
    first = sum(shape.params.size for shape in found.shapes[:i]) + 2
    rows = slice(first, first + len(parts))
    gradient = np.array(parts)
    return math.sqrt(max(0.0, float(gradient @ found.covariance[rows, rows] @ gradient)))


def _bloom(found: Fit, i: int, member: Member, dark: float | None) -> _Value:
    """Radius at which the added light is a tenth of the local background (the fitted light at the patch's border)."""
    shape, weights = found.shapes[i], found.solution.amplitudes[i]
    radial = shape.radial(weights)
    far = float(radial(np.array([member.reach]))[0])
    level = _ground(found, i) + far - (dark or 0.0)
    flag = Flag.NO_DARK if dark is None else Flag.NONE
    if level <= 4.0 * _error(found, i, member.reach, np.array([0.0, 1.0]), 1.0):
        return _Value(None, reason=BLACK, flags=flag)

    def excess(r: np.ndarray) -> np.ndarray:
        return radial(r) - far

    radius = outermost_radius(excess, 0.1 * level, member.reach)
    if radius <= 0.0:
        return _Value(None, reason=NO_TENTH, flags=flag)
    if radius >= 0.98 * member.reach:
        return _Value(member.reach, 0.0, OPEN_TENTH, True, flag)
    if radius < member.inner - 2.5:
        return _Value(None, reason=BURNT_TENTH, flags=flag)
    step = np.array([radius - 0.05, radius + 0.05])
    slope = abs(float(np.diff(radial(step))[0])) / 0.1
    sigma = _error(found, i, member.reach, np.array([1.0, -1.1]), -0.1, radius) / max(slope, 1e-300)
    if sigma > 0.3 * radius:
        return _Value(None, reason=BLACK, flags=flag)
    return _Value(radius, sigma, flags=flag)


def _ground(found: Fit, i: int) -> float:
    """Fitted background at the place of light `i`."""
    mx, my = found.patch.middle
    ground, place = found.solution.background, found.shapes[i].params
    return float(ground[0] + ground[1] * (place[0] - mx) / 50.0 + ground[2] * (place[1] - my) / 50.0)


def _error(found: Fit, i: int, reach: float, mix: np.ndarray, ground: float, radius: float = 0.0) -> float:
    """Standard error of ``mix[0] * light(radius) + mix[1] * light(reach) + ground * background`` of light `i`."""
    shape, weights = found.shapes[i], found.solution.amplitudes[i]
    gradient = np.zeros(found.covariance.shape[0])
    spots = np.array([radius, reach]), np.zeros(2)
    still = replace(shape, params=np.concatenate([[0.0, 0.0], shape.params[2:]]))
    columns = np.array(still.columns(*spots)) @ mix
    size = pack(found.shapes).size
    first = found.amplitude_index(i, 0)
    for place, index in enumerate(found.free):
        if index == 0:
            gradient[size + place] = ground
        elif first <= index < first + weights.size:
            gradient[size + place] = columns[index - first]
    start = sum(s.params.size for s in found.shapes[:i])
    for k in range(2, shape.params.size):
        step = 1e-3 * max(1.0, float(shape.params[k]))
        sides = []
        for sign in (1.0, -1.0):
            params = still.params.copy()
            params[k] += sign * step
            sides.append(float(replace(still, params=params).total(*spots, weights) @ mix))
        gradient[start + k] = (sides[0] - sides[1]) / (2.0 * step)
    return math.sqrt(max(0.0, float(gradient @ found.covariance @ gradient)))


def _sectors(found: Fit, i: int) -> tuple[np.ndarray, np.ndarray, bool, float]:
    """Halo radius by sectors, their errors, whether they differ, and the error to add to the mean if they do."""
    shape = found.shapes[i]
    if shape.kind != "disc":
        return np.zeros(0), np.zeros(0), False, 0.0
    patch = found.patch
    row = sum(s.params.size for s in found.shapes[:i]) + 2
    lean = slopes(patch, found.solution)[row]
    angle = np.degrees(np.arctan2(patch.y - shape.params[1], patch.x - shape.params[0])) % 360.0
    place = ((angle + 180.0 / SECTORS) % 360.0 // (360.0 / SECTORS)).astype(int)
    power = np.bincount(place, patch.weight * lean**2, SECTORS)
    push = np.bincount(place, patch.weight * lean * found.solution.residual, SECTORS)
    full = power > 0.25 * np.median(power[power > 0])
    offset = np.where(full, push / np.maximum(power, 1e-300), np.nan)
    sigma = np.where(full, np.sqrt(found.reduced) * max(1.0, found.inflation) / np.sqrt(np.maximum(power, 1e-300)), np.nan)
    radius = float(shape.params[2])
    good = offset[full]
    if good.size < 4:
        return radius + offset, sigma, False, 0.0
    chi2 = float(np.sum((good / sigma[full]) ** 2)) / (good.size - 1)
    spread = float(np.std(good, ddof=1))
    differs = chi2 > 4.0 and spread > 0.01 * radius
    extra = spread / math.sqrt(good.size) if chi2 > 4.0 else 0.0
    return radius + offset, sigma, differs, extra


def _misfit(found: Fit, i: int) -> float:
    """Rms of the ring means of the residual near the edge, as a share of the halo's (or glow's) height."""
    shape = found.shapes[i]
    height = float(found.solution.amplitudes[i][0])
    if height <= 0:
        return 0.0
    r = np.hypot(found.patch.x - shape.params[0], found.patch.y - shape.params[1])
    edge = _edge_of(shape)
    reach = 4.0 * float(shape.params[3]) if shape.kind == "disc" else edge
    near = (np.abs(r - edge) < reach) & (found.patch.weight > 0)
    if np.count_nonzero(near) < 20:
        return 0.0
    ring = (r[near] - (edge - reach)).astype(int)
    count = np.bincount(ring)
    mean = np.bincount(ring, found.solution.residual[near])[count > 4] / count[count > 4]
    return float(np.sqrt(np.mean(mean**2))) / height if mean.size else 0.0


def _veil_share(shape: Shape, weights: np.ndarray, radial: Callable[[np.ndarray], np.ndarray]) -> float:
    """Light of the smooth glow at the halo's edge as a share of the halo's height (0 without a halo)."""
    if shape.kind != "disc" or weights[0] <= 0:
        return 0.0
    radius, blur = float(shape.params[2]), float(shape.params[3])
    spot = np.array([radius])
    return float(radial(spot)[0] - weights[0] * blurred_disc(spot, radius, blur)[0]) / float(weights[0])


def _curves(
    scene: Scene,
    centre: tuple[float, float],
    reach: float,
    found: Fit,
    i: int,
    masks: list[tuple[float, float, float]],
) -> tuple[RadialProfile, np.ndarray, np.ndarray]:
    """Measured rings with the fitted neighbours and slope taken away, and the model at the same radii."""
    rows, cols = scene.light.shape
    x, y = centre
    y0, y1 = max(0, math.floor(y - reach)), min(rows, math.ceil(y + reach) + 1)
    x0, x1 = max(0, math.floor(x - reach)), min(cols, math.ceil(x + reach) + 1)
    yy, xx = np.mgrid[y0:y1, x0:x1].astype(float)
    light = scene.light[y0:y1, x0:x1].copy()
    for k, (shape, weights) in enumerate(zip(found.shapes, found.solution.amplitudes, strict=True)):
        if k != i:
            light -= shape.total(xx, yy, weights)
    ground = found.solution.background
    light -= (ground[1] * (xx - x) + ground[2] * (yy - y)) / 50.0
    usable = scene.usable[y0:y1, x0:x1].copy()
    for mx, my, gap in masks:
        usable &= np.hypot(xx - mx, yy - my) > gap
    profile = radial_profile(light, (x - x0, y - y0), reach, valid=usable)
    shape, weights = found.shapes[i], found.solution.amplitudes[i]
    r = profile.radius_px
    return profile, _ground(found, i) + shape.radial(weights)(r), np.asarray(weights[0] * shape.main(r))


__all__ = ["METHODS", "NAMES", "LightBloom", "measure_bloom"]

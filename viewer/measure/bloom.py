"""Bloom of point lights: from a mean picture to readings with intervals.

What the radii mean (px, each also with its definition in the reading's method):

* ``halo_radius``: radius R of the disc that, blurred, is the halo; its steepest fall.  The blurred disc falls most steeply
  ``s^2 / (2 R)`` inside R and is below half there; the fit allows for both.
* ``half_radius``: where the glow (the disc, or without one the smooth glow that carries most of the visible light) falls to
  half of its own unclipped centre; 1.17741 sigma for a Gaussian.  A compact core beside the glow does not enter.
* ``bloom_radius``: where all the added light together, a wide veil included, falls under a tenth of the local background.
* ``core_radius``: radius of the disc that has the area in which the mean light reaches the limit of the recording; 0 when
  nothing is clipped.
* ``veil_at_edge``: light of the smooth glow at the halo's edge as a share of the halo's own height.

Where the picture leaves several glows beside a disc possible, centre and radii are averaged over the fits by their weights.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from viewer.errors import Cancelled
from viewer.measure.bloom_core import clipped_core
from viewer.measure.bloom_fit import Fit
from viewer.measure.bloom_group import Member, Scene, away, best_fit, cut, group, prepare
from viewer.measure.bloom_profile import RadialProfile, radial_profile
from viewer.measure.bloom_round import Roundness, half_level, misfit, roundness
from viewer.measure.bloom_tenth import Surround, surround, tenth
from viewer.measure.bloom_values import Value, averaged, centre, faint, ground, half, halo, veil_at_edge
from viewer.measure.lights import PointLight
from viewer.measure.readings import Flag, Reading, refused

COVERAGE = 1.96
UNITS = {
    "centre_x": "px",
    "centre_y": "px",
    "core_radius": "px",
    "halo_radius": "px",
    "half_radius": "px",
    "bloom_radius": "px",
    "veil_at_edge": "%",
}
NAMES = tuple(UNITS)
METHODS = {
    "centre_x": "centre of the fitted light, from unclipped pixels",
    "centre_y": "centre of the fitted light, from unclipped pixels",
    "core_radius": (
        "radius of the disc with the area in which the mean light reaches the recording's limit; 0 if nothing is clipped; "
        "grows with source and exposure"
    ),
    "halo_radius": "radius of the blurred disc in a joint fit of core, disc, smooth glow, background and neighbours",
    "half_radius": "radius at which the fitted glow is half of its own unclipped centre (core left out)",
    "bloom_radius": (
        "radius where all added light, a wide veil included, falls under 10 % of the local background; grows with the source"
    ),
    "veil_at_edge": "smooth glow at the halo's edge as a share of the halo's own height",
}
Masks = list[tuple[float, float, float]]


@dataclass(frozen=True, slots=True)
class LightBloom:
    """One light: readings, and what they rest on.

    ``kind`` is the fitted shape (``disc``, ``gauss``, ``moffat``) or ``none``; ``profile`` the measured rings, ``model`` the
    fitted light at their radii (background included), ``glow`` the fitted glow alone, ``round`` the radius by sectors,
    ``misfit`` the rms of the ring means that the fit leaves, as a share of the halo's height, ``around`` the rings followed
    outwards, ``dark`` the level of true darkness that was used, ``camera`` the camera's own light at the profile's radii.
    """

    of: str
    centre: tuple[float, float]
    kind: str
    readings: tuple[Reading, ...]
    profile: RadialProfile | None = None
    model: np.ndarray = field(default_factory=lambda: np.zeros(0))
    glow: np.ndarray = field(default_factory=lambda: np.zeros(0))
    round: Roundness = field(default_factory=Roundness)
    misfit: float = 0.0
    around: Surround | None = None
    dark: float | None = None
    camera: np.ndarray = field(default_factory=lambda: np.zeros(0))

    def reading(self, name: str) -> Reading:
        """Return the reading of this name."""
        return next(r for r in self.readings if r.name == name)


@dataclass(frozen=True, slots=True)
class _Job:
    """What every light of a picture is measured with."""

    scene: Scene
    recorded: tuple[np.ndarray, np.ndarray]
    members: list[Member]
    others: Sequence[PointLight]
    places: list[tuple[float, float]]
    dark: float | None
    limit: float | None
    grain: float
    frames: int
    flags: Flag


def measure_bloom(
    light: np.ndarray,
    marks: Sequence[tuple[float, float]],
    *,
    clipped: np.ndarray | None = None,
    burnt: tuple[np.ndarray, np.ndarray] | None = None,
    valid: np.ndarray | None = None,
    others: Sequence[PointLight] = (),
    camera: np.ndarray | None = None,
    dark: float | None = None,
    limit: float | None = None,
    grain: float = 0.0,
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
    burnt : (light, clipped), optional
        Where `light` is joined of several exposures: those of the one whose burnt core is reported.
    valid : ndarray of bool, optional
        Pixels inside the field.
    others : sequence of PointLight, optional
        Further lights: small ones are left out, they are not measured.
    camera : ndarray of shape (2, N), optional
        What the camera alone makes of a point (`camera_profile`); as much of it as the picture holds is taken off.
    dark : float, optional
        Light level of true darkness; without it the background is taken as it is and `bloom_radius` says so.
    limit : float, optional
        Light at which the recording clips; without it, it is taken from the border of the clipped patch.
    grain : float, optional
        Error (1 sigma) that the recording leaves in mean light near the level of the background.
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
            members.append(member if camera is None else replace(member, camera=camera))
    recorded = burnt if burnt is not None else (scene.light, scene.clipped)
    job = _Job(scene, recorded, members, others, places, dark, limit, grain, frames, flags)
    groups = group(members)
    for done, cluster in enumerate(groups):
        if cancelled is not None and cancelled():
            raise Cancelled
        if progress is not None:
            progress(done, len(groups))
        results.update(_measure_group(job, cluster))
    return tuple(results[i] for i in range(len(places)))


TOO_FEW = "too few usable pixels round the light. Film it away from the border and with a shorter exposure."
NO_FIT = "the light could not be fitted: too little structure. Film it brighter or larger in the picture."


def _no_start(scene: Scene, place: tuple[float, float]) -> str:
    """Return why a mark cannot be measured at all, or an empty string."""
    rows, cols = scene.light.shape
    x, y = place
    if not (0 <= x <= cols - 1 and 0 <= y <= rows - 1):
        return f"the mark {x:.1f},{y:.1f} lies outside the picture of {cols} x {rows} px. Mark the light in upright pixels."
    return ""


def _all_refused(number: int, place: tuple[float, float], reason: str, frames: int, flags: Flag) -> LightBloom:
    of = f"light-{number + 1}"
    readings = tuple(refused(n, of, u, reason, flags=flags, frames=frames, method=METHODS[n]) for n, u in UNITS.items())
    return LightBloom(of, place, "none", readings)


def _measure_group(job: _Job, cluster: list[Member]) -> dict[int, LightBloom]:
    """Fit one group and read every light of it."""
    masks = _masks(job, {m.number for m in cluster})
    patch = cut(job.scene, cluster, masks)
    if patch.light.size < 120:
        return {m.number: _all_refused(m.number, m.centre, TOO_FEW, job.frames, job.flags) for m in cluster}
    try:
        choice = best_fit(patch, cluster)
    except np.linalg.LinAlgError:
        return {m.number: _all_refused(m.number, m.centre, NO_FIT, job.frames, job.flags) for m in cluster}
    return {m.number: _read(job, m, cluster, choice, i, masks) for i, m in enumerate(cluster)}


def _masks(job: _Job, inside: set[int]) -> Masks:
    """Return x, y, radius of what is left out: lights of other groups, and lights that nobody marked."""
    masks = [
        (m.centre[0], m.centre[1], (m.start.radius + 4.0 * m.start.edge_sigma) if m.start.gain > 20.0 else 3.0 * m.start.sigma)
        for m in job.members
        if m.number not in inside
    ]
    return masks + [
        (p.x, p.y, max(4.0, 3.0 * p.size))
        for p in job.others
        if all(math.dist(p.centre, q) > max(6.0, 2.0 * p.size) for q in job.places)
    ]


def _read(
    job: _Job, member: Member, cluster: list[Member], choice: Sequence[tuple[Fit, float]], i: int, masks: Masks
) -> LightBloom:
    """Turn the fits of light `i` into readings."""
    fits, weights = [fit for fit, _ in choice], [weight for _, weight in choice]
    found = fits[0]
    shape = found.shapes[i]
    place = (float(shape.params[0]), float(shape.params[1]))
    seen = _seen_share(job.scene, place, half_level(shape))
    sectors = roundness(found, i)
    lost = misfit(found, i)
    core = clipped_core(*job.recorded, place, max(6.0, member.inner + 2.0), limit=job.limit)
    around = surround(job.scene, found, i, member, _usable(job, cluster, member, masks))
    size = averaged([half(fit, i, seen, sectors.extra) for fit in fits], weights)
    edge = averaged([halo(fit, i, member, seen, sectors.extra) for fit in fits], weights)
    values = {
        "centre_x": averaged([centre(fit, i, 0) for fit in fits], weights),
        "centre_y": averaged([centre(fit, i, 1) for fit in fits], weights),
        "core_radius": core,
        "halo_radius": edge,
        "half_radius": size,
        "bloom_radius": tenth(around, found, i, member, job.dark, grain=job.grain),
        "veil_at_edge": averaged([veil_at_edge(fit, i, edge) for fit in fits], weights),
    }
    hidden = faint(found, i)
    if hidden:
        values = {name: (Value(None, reason=hidden) if name != "core_radius" else v) for name, v in values.items()}
    flags = job.flags | _flags(found, i, seen, lost)
    if len(cluster) > 1:
        flags |= Flag.NEIGHBOUR
    if core.value:
        flags |= Flag.CLIPPED
    if sectors.differs:
        flags |= Flag.NOT_ROUND
    of = f"light-{member.number + 1}"
    readings = tuple(_reading(name, of, values[name], flags, job.frames, found.patch.light.size) for name in NAMES)
    profile, model, glow = _curves(job.scene, place, member.reach, found, i, masks)
    alone = found.solution.amplitudes[i][-1] * shape.camera_light(profile.radius_px) if shape.camera.size else np.zeros(0)
    return LightBloom(of, place, shape.kind, readings, profile, model, glow, sectors, lost, around, job.dark, alone)


def _usable(job: _Job, cluster: list[Member], member: Member, masks: Masks) -> np.ndarray:
    """Pixels that only this light, or a fitted one of its group, lights up."""
    inside = {m.number for m in cluster}
    far = [m.centre for m in job.members if m.number not in inside and math.dist(m.centre, member.centre) < member.room]
    usable = job.scene.usable & away(job.scene.light.shape, member.centre, far, member.room)
    rows, cols = usable.shape
    for x, y, gap in masks:
        top, bottom = max(0, math.floor(y - gap)), max(0, min(rows, math.ceil(y + gap) + 1))
        left, right = max(0, math.floor(x - gap)), max(0, min(cols, math.ceil(x + gap) + 1))
        near = np.hypot(np.arange(left, right)[None, :] - x, np.arange(top, bottom)[:, None] - y) <= gap
        usable[top:bottom, left:right] &= ~near
    return np.asarray(usable)


def _flags(found: Fit, i: int, seen: float, lost: float) -> Flag:
    """Return what of the place and the fit needs care."""
    flags = Flag.NONE
    if seen < 0.9:
        flags |= Flag.BORDER
    level, slope = float(found.solution.background[0]), found.solution.background[1:3] / 50.0
    clear = 4.0 * math.hypot(found.amplitude_sigma(1), found.amplitude_sigma(2)) / 50.0
    if math.hypot(*slope) > max(clear, 0.1 * max(level, 1e-12) / max(half_level(found.shapes[i]), 1.0)):
        flags |= Flag.SLOPE
    if found.reduced > 2.5 or lost > 0.25:
        flags |= Flag.FIT_POOR
    return flags


def _reading(name: str, of: str, v: Value, flags: Flag, frames: int, pixels: int) -> Reading:
    """Build one reading with its 95 % interval."""
    method, unit = METHODS[name], UNITS[name]
    if v.value is None:
        return refused(name, of, unit, v.reason, flags=flags | v.flags, frames=frames, method=method)
    low = v.value - COVERAGE * v.sigma if v.low is None else v.low
    high = v.value + COVERAGE * v.sigma if v.high is None else v.high
    return Reading(
        name=name,
        of=of,
        value=v.value,
        unit=unit,
        low=low if name.startswith("centre") else max(0.0, low),
        high=None if v.limit else high,
        state="limit" if v.limit else "measured",
        reason=v.reason or None,
        flags=flags | v.flags,
        frames=frames,
        pixels=pixels,
        method=method,
    )


def _seen_share(scene: Scene, place: tuple[float, float], radius: float) -> float:
    """Share of a circle's circumference that lies in the field."""
    angle = np.arange(180) * (math.pi / 90)
    x = np.rint(place[0] + radius * np.cos(angle)).astype(int)
    y = np.rint(place[1] + radius * np.sin(angle)).astype(int)
    rows, cols = scene.inside.shape
    inside = (x >= 0) & (x < cols) & (y >= 0) & (y < rows)
    return float(scene.inside[y[inside], x[inside]].sum()) / angle.size


def camera_profile(bloom: LightBloom) -> np.ndarray | None:
    """Return radii (px) and light of a point filmed without the device, shape (2, N), peak 1; None if it was not fitted."""
    if bloom.around is None or bloom.reading("centre_x").value is None:
        return None
    reach = bloom.around.reach_px
    r = np.concatenate([np.arange(0.0, min(40.0, reach), 0.25), np.arange(min(40.0, reach), reach, 2.0)])
    light = bloom.around.added(r)
    return np.array([r, light / light[0]]) if light[0] > 0 else None


def _curves(
    scene: Scene,
    place: tuple[float, float],
    reach: float,
    found: Fit,
    i: int,
    masks: Masks,
) -> tuple[RadialProfile, np.ndarray, np.ndarray]:
    """Measured rings with the fitted neighbours and slope taken away, and the model at the same radii."""
    rows, cols = scene.light.shape
    x, y = place
    y0, y1 = max(0, math.floor(y - reach)), min(rows, math.ceil(y + reach) + 1)
    x0, x1 = max(0, math.floor(x - reach)), min(cols, math.ceil(x + reach) + 1)
    yy, xx = np.mgrid[y0:y1, x0:x1].astype(float)
    light = scene.light[y0:y1, x0:x1].copy()
    for k, (shape, weights) in enumerate(zip(found.shapes, found.solution.amplitudes, strict=True)):
        if k != i:
            light -= shape.total(xx, yy, weights)
    slope = found.solution.background[1:3] / 50.0
    light -= slope[0] * (xx - x) + slope[1] * (yy - y)
    usable = scene.usable[y0:y1, x0:x1].copy()
    for mx, my, gap in masks:
        usable &= np.hypot(xx - mx, yy - my) > gap
    profile = radial_profile(light, (x - x0, y - y0), reach, valid=usable)
    shape, weights = found.shapes[i], found.solution.amplitudes[i]
    r = profile.radius_px
    return profile, ground(found, i) + shape.radial(weights)(r), np.asarray(weights[0] * shape.main(r))


__all__ = ["METHODS", "NAMES", "UNITS", "LightBloom", "camera_profile", "measure_bloom"]

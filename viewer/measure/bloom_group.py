"""Lights that overlap are fitted together: patches, start values, choice between a disc and a smooth glow."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.ndimage import binary_dilation

from viewer.measure.bloom_fit import Fit, finish, fit, reweight, search
from viewer.measure.bloom_model import Patch, Shape, pack
from viewer.measure.bloom_profile import radial_profile
from viewer.measure.bloom_start import Start, first_guess, ladder

REACH_MOST = 240.0
NEAR = 100.0  # px within which a neighbour's halo may overlap
TOGETHER = 3  # lights fitted at once
CROWD = 5  # further lights within reach from which on a scene is crowded
MOST_PIXELS = 24_000
KNOWN = 25.0  # further cost of freer glows where the camera's own is given
GAIN = 30.0  # drop of chi2, in units of correlated noise, that an added part must bring


@dataclass(frozen=True, slots=True)
class Scene:
    """The picture that lights are measured in.

    ``usable`` marks pixels that are in the field and well away from clipping; ``clipped`` is the share of frames in which each
    pixel was clipped; ``inside`` marks the field.
    """

    light: np.ndarray
    usable: np.ndarray
    clipped: np.ndarray
    inside: np.ndarray

    @classmethod
    def make(cls, light: np.ndarray, clipped: np.ndarray | None, valid: np.ndarray | None, *, guard: int = 2) -> Scene:
        """Build a scene; pixels within `guard` px of a clipped one are not used (the codec smears a burnt edge)."""
        share = np.zeros(light.shape) if clipped is None else np.asarray(clipped, float)
        inside = np.ones(light.shape, bool) if valid is None else valid
        burnt = share > 0.002
        disc = np.hypot(*np.mgrid[-guard : guard + 1, -guard : guard + 1]) <= guard + 0.3
        near = binary_dilation(burnt, structure=disc) if burnt.any() else burnt
        return cls(np.asarray(light, float), inside & ~near & np.isfinite(light), share, inside)


@dataclass(frozen=True, slots=True)
class Member:
    """One light of a group.

    Number, place, start values, radius out to which pixels enter the fit, the first valid radius, and the radius out to which
    the picture round the light may still be its own (`room`), all px; and the camera's own profile, as in `Shape`.
    """

    number: int
    centre: tuple[float, float]
    start: Start
    reach: float
    inner: float
    room: float = 0.0
    camera: np.ndarray = field(default_factory=lambda: np.zeros((2, 0)))


def away(shape: tuple[int, int], centre: tuple[float, float], others: list[tuple[float, float]], reach: float) -> np.ndarray:
    """Pixels that lie on the sides of a light that look away from its near neighbours."""
    yy, xx = np.mgrid[: shape[0], : shape[1]]
    dx, dy = xx - centre[0], yy - centre[1]
    r = np.hypot(dx, dy)
    keep = np.ones(shape, bool)
    for ox, oy in others:
        d = math.hypot(ox - centre[0], oy - centre[1])
        if 1.0 < d < 2.0 * reach:
            towards = (dx * (ox - centre[0]) + dy * (oy - centre[1])) / d
            # a near one fills the whole side with its own halo, a far one only what lies nearer to it
            keep &= (towards < 0.26 * r + 0.5) if d < NEAR else (towards < 0.5 * d)
    return keep


def prepare(
    scene: Scene,
    number: int,
    centre: tuple[float, float],
    others: list[tuple[float, float]],
    size: float = 3.0,
    crowd: list[tuple[float, float]] | None = None,
) -> Member | None:
    """Return start values of one light, or None if there is nothing to start from.

    `crowd` are all lights known; where many lie about, the reach ends before the `CROWD`-th, since what lies further out is
    theirs.
    """
    rows, cols = scene.light.shape
    reach = min(REACH_MOST, 0.75 * max(rows, cols))
    around = sorted(d for d in (math.dist(c, centre) for c in crowd or []) if d > max(6.0, 2.0 * size))
    if len(around) >= CROWD:
        reach = min(reach, max(24.0, around[CROWD - 1]))
    near = [o for o in others if math.hypot(o[0] - centre[0], o[1] - centre[1]) < reach]
    usable = scene.usable & away(scene.light.shape, centre, near, reach)
    profile = radial_profile(scene.light, centre, reach, valid=usable)
    full = profile.pixels >= np.minimum(6.0, 0.5 * profile.radius_px)
    profile = type(profile)(*(getattr(profile, name)[full] for name in profile.__slots__))
    start = first_guess(profile)
    if start is None:
        return None
    inner = float(profile.radius_px[0])
    edge = start.radius if start.gain > 20.0 else 0.0
    wide = max(1.8 * edge + 16.0, 3.6 * start.sigma + 12.0 if not edge else 0.0, 2.0 * inner + 12.0, 4.0 * size)
    return Member(number, centre, start, min(wide, reach), inner, reach)


def group(members: list[Member]) -> list[list[Member]]:
    """Put lights together whose glows overlap, at most `TOGETHER` at once, nearest first."""
    left = list(members)
    groups: list[list[Member]] = []
    while left:
        cluster = [left.pop(0)]
        while len(cluster) < TOGETHER:
            near = [
                (math.dist(a.centre, b.centre), b)
                for b in left
                for a in cluster
                if math.dist(a.centre, b.centre) < _extent(a) + _extent(b)
            ]
            if not near:
                break
            chosen = min(near, key=lambda pair: pair[0])[1]
            cluster.append(chosen)
            left.remove(chosen)
        groups.append(cluster)
    return groups


def _extent(member: Member) -> float:
    """Radius within which a light changes the picture sharply."""
    if member.start.gain > 20.0:
        return member.start.radius + 4.0 * member.start.edge_sigma
    return min(member.reach, 2.5 * member.start.sigma + 4.0)


def cut(scene: Scene, members: list[Member], others: list[tuple[float, float, float]]) -> Patch:
    """Return the usable pixels round the members; `others` are x, y, radius of places to leave out."""
    rows, cols = scene.light.shape
    x0 = max(0, math.floor(min(m.centre[0] - m.reach for m in members)))
    x1 = min(cols, math.ceil(max(m.centre[0] + m.reach for m in members)) + 1)
    y0 = max(0, math.floor(min(m.centre[1] - m.reach for m in members)))
    y1 = min(rows, math.ceil(max(m.centre[1] + m.reach for m in members)) + 1)
    yy, xx = np.mgrid[y0:y1, x0:x1]
    keep = np.zeros(xx.shape, bool)
    for m in members:
        keep |= np.hypot(xx - m.centre[0], yy - m.centre[1]) < m.reach
    keep &= scene.usable[y0:y1, x0:x1]
    for x, y, r in others:
        keep &= np.hypot(xx - x, yy - y) > r
    step = -(-int(np.count_nonzero(keep)) // MOST_PIXELS)
    if step > 1:
        keep &= (xx + 2 * yy) % step == 0
    light = scene.light[y0:y1, x0:x1][keep]
    x, y = xx[keep].astype(float), yy[keep].astype(float)
    return Patch(x, y, light, np.ones(light.size))


def disc_shape(member: Member, radius: float | None = None, *, glow: str = "broad") -> Shape:
    """Start shape of a light with a halo disc and a free narrow core.

    The glow beside them is `broad` (Gaussians wider than the disc), `wings` (power-law wings as well) or `any` (every width).
    The less it can do at the scale of the disc, the better the disc's radius is fixed.
    """
    r = radius or max(member.start.radius, 4.0)
    core = max(1.0, 0.42 * member.inner)
    params = np.array([*member.centre, r, min(member.start.edge_sigma or 2.0, 0.4 * r), core])
    low = 1.5 * core if glow == "any" else 1.2 * r
    wings = np.array([[1.5 * core, 2.0], [1.5 * core, 3.0]]) if glow == "wings" else np.zeros((0, 2))
    return Shape("disc", params, ladder(low, 2.0 * member.reach), core=True, wings=wings, camera=member.camera)


def smooth_shape(member: Member, *, core: bool, veil: bool, kind: str = "gauss") -> Shape:
    """Start shape of a light without a disc."""
    width = member.start.sigma
    params = [*member.centre, width] if kind == "gauss" else [*member.centre, 2.0 * width, 3.0]
    if core:
        params.append(member.start.core or max(0.8, 0.3 * width))
    wide = ladder(2.2 * width, 2.0 * member.reach) if veil else np.zeros(0)
    return Shape(kind, np.array(params), wide, core=core, camera=member.camera)


def bounds(shapes: tuple[Shape, ...], reaches: list[float]) -> tuple[np.ndarray, np.ndarray]:
    """Return the bounds of the flat parameter vector."""
    low: list[float] = []
    high: list[float] = []
    for shape, reach in zip(shapes, reaches, strict=True):
        x, y = float(shape.params[0]), float(shape.params[1])
        room = max(3.0, 0.06 * reach)
        low += [x - room, y - room]
        high += [x + room, y + room]
        if shape.kind == "disc":
            radius = float(shape.params[2])
            low += [0.6 * radius, 0.3]
            high += [min(1.5 * radius, 0.98 * reach), 0.5 * radius]
        elif shape.kind == "gauss":
            low += [0.5]
            high += [1.2 * reach]
        else:
            low += [0.3, 0.6]
            high += [3.0 * reach, 30.0]
        if shape.core:
            top = 0.5 * float(shape.params[2]) if shape.kind == "disc" else 0.6 * float(shape.params[2])
            low += [0.4]
            high += [max(top, 1.01 * float(shape.params[-1]), 0.8)]
    return np.array(low), np.maximum(np.array(high), np.array(low) * 1.02 + 0.05)


def run(patch: Patch, shapes: tuple[Shape, ...], reaches: list[float], *, rounds: int = 3) -> Fit:
    """Fit shapes with their bounds."""
    low, high = bounds(shapes, reaches)
    return fit(patch, shapes, low, high, rounds=rounds)


def worth(better: Fit, shapes: tuple[Shape, ...], reaches: list[float]) -> tuple[float, Fit]:
    """Return how much worse `shapes` fit than `better` under its weights, in units of its correlated noise, and that fit."""
    low, high = bounds(shapes, reaches)
    found = search(better.patch, shapes, low, high, better.order)
    other = finish(better.patch, found, better.order)
    unit = better.reduced * max(1.0, better.inflation) ** 2
    return (found.chi2 - better.solution.chi2) / max(unit, 1e-300), other


def best_fit(patch: Patch, members: list[Member]) -> tuple[tuple[Fit, float], ...]:
    """Choose, light by light, between a disc and a smooth glow, and fit all together.

    Returns the fits that the picture leaves possible, likeliest first, each with its weight (they sum to 1).  They differ in
    the glow allowed beside a disc.
    """
    reaches = [m.reach for m in members]
    discs = [m.start.gain > 20.0 and m.start.radius > 0 for m in members]
    shapes = [disc_shape(m) if is_disc else smooth_shape(m, core=True, veil=True) for m, is_disc in zip(members, discs)]
    found = run(patch, tuple(shapes), reaches)
    radii = [float(s.params[2]) for s, is_disc in zip(found.shapes, discs) if is_disc]
    if len(radii) > 1 and max(radii) > 1.12 * min(radii):
        for common in (min(radii), max(radii)):
            trial = run(patch, tuple(disc_shape(m, common) if d else s for m, d, s in zip(members, discs, shapes)), reaches)
            if trial.solution.chi2 / trial.reduced < found.solution.chi2 / found.reduced and trial.reduced < found.reduced:
                found = trial
    choice = _glow_of(found, members, discs, reaches)
    found = choice[0][0]
    before = list(discs)
    for i, is_disc in enumerate(discs):
        if is_disc and not _disc_holds(found, i, members, reaches):
            discs[i] = False
    if discs != before:
        shapes = [s if d else smooth_shape(m, core=True, veil=True) for s, m, d in zip(found.shapes, members, discs)]
        found = run(patch, tuple(shapes), reaches)
    if discs == before and all(discs):
        return choice
    for i, is_disc in enumerate(discs):
        if not is_disc:
            found = _simplest(found, i, members[i], reaches)
    return ((found, 1.0),)


def _glow_of(found: Fit, members: list[Member], discs: list[bool], reaches: list[float]) -> tuple[tuple[Fit, float], ...]:
    """Weigh fits that give the glow beside the discs more and more freedom by how well they do.

    A step of freedom that lowers chi2 by D (in units of the correlated noise) gains a factor of ``exp(D / 2 - cost)``.  Where
    the camera's own glow is known, freer glows would take its place; they must bring much more.
    """
    if not any(discs):
        return ((found, 1.0),)

    def freed(fit_: Fit, glow: str) -> Fit:
        shapes = []
        for shape, member, is_disc in zip(fit_.shapes, members, discs, strict=True):
            if is_disc:
                made = disc_shape(member, float(shape.params[2]), glow=glow)
                shape = replace(made, params=np.concatenate([shape.params[:4], made.params[4:]]))
            shapes.append(shape)
        return run(fit_.patch, tuple(shapes), reaches, rounds=2)

    known = KNOWN if any(m.camera.size for m in members) else 0.0
    fits, scores = [found], [0.0]
    for glow, cost in (("wings", 1.0), ("any", 2.5)):
        other = freed(fits[-1], glow)
        gain = worth(other, fits[-1].shapes, reaches)[0]
        fits.append(other)
        scores.append(scores[-1] + 0.5 * gain - cost - known)
        if 0.5 * gain < 1.0 + known:
            break
    share = np.exp(np.array(scores) - max(scores))
    share /= share.sum()
    order = [int(k) for k in np.argsort(-share) if share[k] > 0.02]
    total = float(sum(share[k] for k in order))
    return tuple((fits[k], float(share[k]) / total) for k in order)


def _disc_holds(found: Fit, i: int, members: list[Member], reaches: list[float]) -> bool:
    """Whether the disc of light `i` is real: clear of zero, sharp enough, and missed by a smooth glow of any shape."""
    shape = found.shapes[i]
    radius, blur = float(shape.params[2]), float(shape.params[3])
    height = float(found.solution.amplitudes[i][0])
    error = found.amplitude_sigma(found.amplitude_index(i, 0))
    if height <= 4.0 * error or blur > 0.42 * radius or found.sigma(i, 2) > 0.08 * radius:
        return False
    if radius < members[i].inner or _fall(found, i) > height:
        return False
    params = np.array([*shape.params[:2], 0.6 * radius, shape.params[-1]])
    low = min(float(shape.ladder[0]), 1.5 * float(shape.params[-1]))
    smooth = Shape("gauss", params, ladder(low, 2.0 * reaches[i]), core=True, wings=shape.wings, camera=shape.camera)
    others = tuple(smooth if k == i else s for k, s in enumerate(found.shapes))
    return worth(found, others, reaches)[0] > GAIN


def _fall(found: Fit, i: int) -> float:
    """By how much the smooth part of light `i` falls across the blurred edge of its disc."""
    shape = found.shapes[i]
    radius, blur = float(shape.params[2]), float(shape.params[3])
    smooth = shape.without_camera(found.solution.amplitudes[i])
    smooth[0] = 0.0
    inside, outside = shape.radial(smooth)(np.array([max(0.0, radius - 2.0 * blur), radius + 2.0 * blur]))
    return float(inside - outside)


def _simplest(found: Fit, i: int, member: Member, reaches: list[float]) -> Fit:
    """Drop core and veil of a smooth light where they are not needed; try a Moffat profile where they are."""
    here = replace(member, centre=(float(found.shapes[i].params[0]), float(found.shapes[i].params[1])))
    options = [
        smooth_shape(here, core=False, veil=False),
        smooth_shape(here, core=False, veil=False, kind="moffat"),
        smooth_shape(here, core=True, veil=False),
        smooth_shape(here, core=False, veil=True),
    ]
    trials = []
    for cost, shape in enumerate(options):
        shapes = tuple(shape if k == i else s for k, s in enumerate(found.shapes))
        loss, other = worth(found, shapes, reaches)
        trials.append((loss + (0.0, 4.0, 8.0, 8.0)[cost], other))
    loss, chosen = min(trials, key=lambda t: t[0])
    if loss > GAIN:
        return found
    return run(reweight(chosen.patch, chosen.solution), chosen.shapes, reaches, rounds=2)


__all__ = ["Member", "Scene", "away", "best_fit", "cut", "group", "pack", "prepare", "run"]

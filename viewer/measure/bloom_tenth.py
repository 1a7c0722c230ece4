"""The radius where all added light falls under a tenth of the local background, and how it depends on the source.

What lies far out decides between a wide veil and the background, so rings are followed beyond the pixels of the fit: halo and
core are held as fitted; a veil of any falling shape, level and slope of the background are fitted to the rings' sectors.
Every level of the background that the rings allow gives a radius; their range is the interval.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import cholesky
from scipy.optimize import nnls

from viewer.measure.bloom_fit import Fit
from viewer.measure.bloom_group import Member, Scene
from viewer.measure.bloom_model import Shape
from viewer.measure.bloom_profile import outermost_radius
from viewer.measure.bloom_round import half_level
from viewer.measure.bloom_values import Value, propagate
from viewer.measure.readings import Flag

SECTORS = 12
SHARE = 0.1
WIDEST = 1.2  # a veil whose width exceeds this share of what is seen round the light counts as background
NEAR = 0.5  # the same share for veils that are believed first
POWERS = (1.0, 2.0, 3.0)  # of a veil's wings
CAMERA_DOUBT = 0.25  # error (1 sigma) of the camera's share where the device's veil looks like it
UNEVEN = 30.0  # mean square of what the rings leave, over noise, from which on they show more than one light's veil
TOO_FAR = 0.75  # share of what is seen beyond which too little background is left to be told from the veil
SLACK = 0.0015  # of the background: what the shapes allowed for a veil do not tell
RUNGS = 18  # widths of Gaussians that a veil is made of
VEIL_ASKED = 8.0  # drop of chi square for which a veil is believed
LIKELY = 3.84  # 95 % of chi square with one degree of freedom

NO_TENTH = "the light adds less than a tenth of the background anywhere. Film a brighter lamp or a darker background."
BURNT_TENTH = "clipping reaches the radius of a tenth of the background. Film with a shorter exposure."
BLACK = "the background is too dark against its error for a tenth of it to mean anything. Film with some ambient light."
OPEN_TENTH = (
    "the added light may be above a tenth of the background out to the border of what could be used. "
    "Film the lamp with more of its surroundings."
)

UNSEEN = "what lies round the light hides where it falls under a tenth. Film it with more, and plainer, surroundings."

Profile = Callable[[np.ndarray], np.ndarray]
Solve = Callable[[np.ndarray], Callable[[float], tuple[float, np.ndarray, np.ndarray]]]


@dataclass(frozen=True, slots=True)
class Surround:
    """What the rings round a light say.

    ``added`` is all light that the source adds, by radius (px); ``veil`` its smooth part beside halo and core; ``level`` the
    local background at the light's place; ``reach_px`` how far rings were followed; ``options`` pairs of background level and
    added light that the rings allow, the likeliest first; ``noise`` the scatter of single pixels of the background, ``scatter``
    that of the rings' sectors.  ``uneven`` is nil where rings could be followed as far as the picture allows; where what lies
    round the light (walls, water, other lights) stopped that, it is ``scatter``, and a wide veil counts as background.
    """

    added: Profile
    veil: Profile
    level: float
    level_sigma: float
    reach_px: float
    options: tuple[tuple[float, Profile], ...]
    noise: float
    scatter: float = 0.0
    uneven: float = 0.0


@dataclass(frozen=True, slots=True)
class _Bins:
    """Mean light in sectors of rings: places relative to the light, light, weight (1 / sigma^2)."""

    r: np.ndarray
    u: np.ndarray
    v: np.ndarray
    light: np.ndarray
    weight: np.ndarray
    noise: float


def surround(scene: Scene, found: Fit, i: int, member: Member, usable: np.ndarray) -> Surround | None:
    """Follow the rings round light `i` outwards.

    Parameters
    ----------
    usable : ndarray of bool
        Pixels of the scene that no other light disturbs.

    Returns None where fewer than 30 sectors of rings can be used.
    """
    shape, weights = found.shapes[i], found.solution.amplitudes[i]
    edge = half_level(shape)
    first = max(member.inner, edge + (2.5 * float(shape.params[3]) if shape.kind == "disc" else 0.0))
    reach = _reach(usable, (float(shape.params[0]), float(shape.params[1])), max(member.room, member.reach))
    main = weights.copy()
    main[1 + int(shape.core) :] = 0.0  # the veil is fitted anew, and what the camera alone adds is not the device's
    own = shape.radial(main)
    local, cut_short = 1.6 * edge + 16.0, False
    while True:
        around = _within(scene, found, i, first, reach, usable, own)
        if around is None or not around.uneven or reach <= local:
            break
        cut_short = True
        reach = max(local, reach / 1.5)
    return replace(around, uneven=around.scatter) if around is not None and cut_short else around


def _within(scene: Scene, found: Fit, i: int, first: float, reach: float, usable: np.ndarray, own: Profile) -> Surround | None:
    """Follow the rings out to `reach`; None with fewer than 30 sectors of rings."""
    shape, weights = found.shapes[i], found.solution.amplitudes[i]
    edge = half_level(shape)
    bins = _bins(scene, found, i, first, reach, usable)
    if bins.r.size < 30:
        return None
    widths = np.geomspace(1.2 * edge, max(1.3 * edge, WIDEST * reach), RUNGS)
    scales = [s for s in (0.5 * edge, 1.5 * edge, 4.0 * edge) if s < WIDEST * reach]

    def veil_columns(r: np.ndarray) -> np.ndarray:
        rows = [np.exp(-0.5 * (r / w) ** 2) for w in widths]
        rows += [(1.0 + (r / s) ** 2) ** (-0.5 * p) for s in scales for p in POWERS]
        return np.array(rows)

    whole, nearest = shape.radial(shape.without_camera(weights)), float(bins.r.min())
    slopes = np.array([bins.u, bins.v]) / max(reach, 1.0)
    alone = float(weights[-1]) if shape.camera.size else 0.0
    bins = replace(bins, light=bins.light - own(bins.r) - (alone * shape.camera_light(bins.r) if alone else 0.0))
    columns = np.vstack([slopes, -slopes, veil_columns(bins.r)])
    near = np.concatenate(
        [np.ones(4, bool), widths < NEAR * reach, [p > 1.0 and s < NEAR * reach for s in scales for p in POWERS]]
    )

    def profile(amplitudes: np.ndarray) -> tuple[Profile, Profile]:
        veil_part = amplitudes[4:]

        def veil(r: np.ndarray) -> np.ndarray:
            return np.asarray(veil_part @ veil_columns(np.asarray(r, float)))

        def added(r: np.ndarray) -> np.ndarray:
            # a veil made for the rings means nothing within the first of them; there the fit of the light's own pixels holds
            return np.where(np.asarray(r, float) < nearest, whole(r), own(r) + veil(r))

        return added, veil

    around = _levels(_solver(columns, bins), _solver(columns, bins, near), bins, profile, reach)
    if not alone:
        return around
    # a veil of the device's own can look like the camera's: the fit's error alone would be too small
    sigma = found.amplitude_sigma(found.amplitude_index(i, weights.size - 1))
    return _less_sure(around, shape, math.hypot(sigma, CAMERA_DOUBT * alone))


def _less_sure(around: Surround, shape: Shape, sigma: float) -> Surround:
    """Add options for the error `sigma` of the camera's share."""

    def shifted(by: float) -> Profile:
        return lambda r: around.added(r) + by * shape.camera_light(np.asarray(r, float))

    more = tuple((around.level, shifted(sign * 1.96 * sigma)) for sign in (-1.0, 1.0))
    return replace(around, options=(*around.options, *more))


def _levels(
    at: Solve, near: Solve, bins: _Bins, profile: Callable[[np.ndarray], tuple[Profile, Profile]], reach: float
) -> Surround:
    """Try levels of the background and keep those that the rings allow.

    No veil is believed first, then one that falls off within what is seen (`near`), then any, each only where the rings ask for
    it; what they merely allow goes into the interval.
    """
    far = bins.r > 0.7 * float(bins.r.max())
    high = float(np.median(bins.light[far]))
    spread = max(float(np.percentile(bins.light, 95)) - high, 3.0 * bins.noise / math.sqrt(bins.r.size), 1e-12)
    span = (high - 2.0 * spread, high + 0.5 * spread)
    weight, level = bins.weight, high
    for _ in range(2):  # outliers lose weight after a first look
        level = _lowest(at(weight), *span)
        _, _, rest = at(weight)(level)
        scatter = 1.4826 * float(np.median(np.abs(rest * np.sqrt(bins.weight)))) + 1e-300
        t = np.clip((np.abs(rest) * np.sqrt(bins.weight) / scatter - 3.0) / 3.0, 0.0, 1.0)
        weight = bins.weight * (1.0 - t**2) ** 2
    solve, solve_near = at(weight), near(weight)
    best, amplitudes, rest = solve(level)
    unit = best / max(1.0, float(np.count_nonzero(weight > 0)) - 6.0) * _alike(rest * np.sqrt(weight), bins)
    unit = max(unit, 1e-300)
    level_near = _lowest(solve_near, *span)
    loss_near, amplitudes_near, _ = solve_near(level_near)
    level_bare, bare, loss_bare = _without_veil(bins, weight, amplitudes.size)
    kept = [(level, amplitudes)]
    for loss, found in ((loss_near, (level_near, amplitudes_near)), (loss_bare, (level_bare, bare))):
        if (loss - best) / unit < VEIL_ASKED:
            kept.insert(0, found)
    error = 0.0
    for family, middle, least in ((solve, level, best), (solve_near, level_near, loss_near)):
        for sign in (-1.0, 1.0):
            edge = _border(lambda b: (family(b)[0] - least) / unit - LIKELY, middle, sign, 0.25 * spread, 3.0 * spread)  # noqa: B023
            kept += [(edge, family(edge)[1]), (0.5 * (middle + edge), family(0.5 * (middle + edge))[1])]
            error = max(error, abs(edge - middle) / 1.96)
    for sign in (-1.0, 1.0):
        moved = kept[0][0] * (1.0 + sign * 1.96 * SLACK)
        kept.append((moved, solve(moved)[1]))
    plain = solve(level_bare)[2] if loss_bare <= loss_near else solve_near(level_near)[2]
    scatter = 1.4826 * float(np.median(np.abs(plain)))
    uneven = scatter if best / max(1, bins.r.size - 6) > UNEVEN else 0.0
    added, veil = profile(kept[0][1])
    options = tuple((at_, profile(found)[0]) for at_, found in kept)
    return Surround(added, veil, kept[0][0], error, reach, options, bins.noise, scatter, uneven)


def _without_veil(bins: _Bins, weight: np.ndarray, size: int) -> tuple[float, np.ndarray, float]:
    """Return level, amplitudes (all nil) and loss of a sloping background alone."""
    root = np.sqrt(weight)
    a = np.array([np.ones_like(bins.u), bins.u, bins.v]).T * root[:, None]
    found, *_ = np.linalg.lstsq(a, bins.light * root, rcond=None)
    rest = bins.light * root - a @ found
    return float(found[0]), np.zeros(size), float(rest @ rest)


def _lowest(solve: Callable[[float], tuple[float, np.ndarray, np.ndarray]], a: float, b: float) -> float:
    """Return the level of least squares between a and b (the loss is convex in it)."""
    ratio = 0.5 * (math.sqrt(5.0) - 1.0)
    x, y = b - ratio * (b - a), a + ratio * (b - a)
    fx, fy = solve(x)[0], solve(y)[0]
    for _ in range(22):
        if fx <= fy:
            b, y, fy = y, x, fx
            x = b - ratio * (b - a)
            fx = solve(x)[0]
        else:
            a, x, fx = x, y, fy
            y = a + ratio * (b - a)
            fy = solve(y)[0]
    return 0.5 * (a + b)


def _border(excess: Callable[[float], float], level: float, sign: float, step: float, most: float) -> float:
    """Return where `excess` crosses zero going from `level` in the direction of `sign`, at most `most` away."""
    inside, outside = 0.0, step / 64.0
    while excess(level + sign * outside) < 0.0:
        inside = outside
        if outside >= most:
            return level + sign * most
        outside *= 2.0
    for _ in range(14):
        middle = 0.5 * (inside + outside)
        if excess(level + sign * middle) < 0.0:
            inside = middle
        else:
            outside = middle
    return level + sign * 0.5 * (inside + outside)


def _solver(columns: np.ndarray, bins: _Bins, use: np.ndarray | None = None) -> Solve:
    """Return a function of weights that gives one of the level: the least loss, the amplitudes (>= 0) and the residual.

    Only the columns in `use` get an amplitude.
    """
    chosen = np.flatnonzero(np.ones(len(columns), bool) if use is None else use)

    def weighted(weight: np.ndarray) -> Callable[[float], tuple[float, np.ndarray, np.ndarray]]:
        root = np.sqrt(weight)
        a = columns[chosen] * root
        norm = np.sqrt(np.einsum("ij,ij->i", a, a)) + 1e-300
        a = a / norm[:, None]
        gram = a @ a.T
        gram[np.diag_indices_from(gram)] += 1e-9
        upper = cholesky(gram, check_finite=False)
        back = np.linalg.inv(upper.T)
        light, ones = back @ (a @ (bins.light * root)), back @ (a @ root)

        def solve(level: float) -> tuple[float, np.ndarray, np.ndarray]:
            found, _ = nnls(upper, light - level * ones, maxiter=40 * upper.shape[0])
            amplitudes = np.zeros(len(columns))
            amplitudes[chosen] = found / norm
            rest = bins.light - level - amplitudes @ columns
            return float(weight @ rest**2), amplitudes, rest

        return solve

    return weighted


def _reach(usable: np.ndarray, place: tuple[float, float], room: float) -> float:
    """Return how far rings go on that have a quarter of their round in the picture and the field, at most `room` px."""
    angle = np.arange(120) * (math.pi / 60)
    rows, cols = usable.shape
    best = 0.0
    for r in np.arange(8.0, room + 1.0, 4.0):
        x = np.rint(place[0] + r * np.cos(angle)).astype(int)
        y = np.rint(place[1] + r * np.sin(angle)).astype(int)
        inside = (x >= 0) & (x < cols) & (y >= 0) & (y < rows)
        if np.count_nonzero(usable[y[inside], x[inside]]) >= 30:
            best = float(r)
    return best


def _bins(scene: Scene, found: Fit, i: int, first: float, reach: float, usable: np.ndarray) -> _Bins:
    """Average the scene, less the fitted neighbours, over sectors of rings whose width grows outwards."""
    shape = found.shapes[i]
    x, y = float(shape.params[0]), float(shape.params[1])
    rows, cols = scene.light.shape
    y0, y1 = max(0, math.floor(y - reach)), min(rows, math.ceil(y + reach) + 1)
    x0, x1 = max(0, math.floor(x - reach)), min(cols, math.ceil(x + reach) + 1)
    yy, xx = np.mgrid[y0:y1, x0:x1].astype(float)
    r = np.hypot(xx - x, yy - y)
    use = usable[y0:y1, x0:x1] & (r >= first) & (r < reach)
    light = scene.light[y0:y1, x0:x1][use]
    px, py, r = xx[use], yy[use], r[use]
    for k, (other, weights) in enumerate(zip(found.shapes, found.solution.amplitudes, strict=True)):
        if k != i:
            light = light - other.total(px, py, weights)
    if not r.size:
        none = np.zeros(0)
        return _Bins(none, none, none, none, none, 0.0)
    ring = np.rint(18.0 * np.log(np.maximum(r, 1.0) / max(first, 1.0)) * max(1.0, math.sqrt(first / 20.0))).astype(np.intp)
    sector = (np.degrees(np.arctan2(py - y, px - x)) % 360.0 // (360.0 / SECTORS)).astype(np.intp)
    index = ring * SECTORS + sector
    count = np.bincount(index)
    full = count >= 6
    n = np.maximum(count, 1)

    def mean(values: np.ndarray) -> np.ndarray:
        return np.asarray((np.bincount(index, values, count.size) / n)[full])

    level = mean(light)
    variance = np.maximum(mean(light**2) - level**2, 0.0)
    noise = float(np.median(np.sqrt(variance[-max(12, variance.size // 4) :]))) if variance.size else 0.0
    # the light falls within a ring too; only the far ones tell the noise
    sigma2 = np.maximum(noise**2, 1e-24) / n[full] + (0.002 * np.abs(level)) ** 2
    return _Bins(mean(r), mean(px - x), mean(py - y), level, 1.0 / sigma2, noise)


def _alike(z: np.ndarray, bins: _Bins) -> float:
    """Return by how much likeness of neighbouring residuals (along the radius) enlarges the variance of what is fitted."""
    sector = np.rint((np.degrees(np.arctan2(bins.v, bins.u)) % 360.0) / (360.0 / SECTORS) - 0.5).astype(int)
    order = np.lexsort((bins.r, sector))
    a, same = z[order], np.diff(sector[order]) == 0
    both = float(np.sum(a[:-1][same] * a[1:][same])) / max(1, int(same.sum()))
    rho = float(np.clip(both / max(float(np.mean(a**2)), 1e-300), 0.0, 0.9))
    return (1.0 + rho) / (1.0 - rho)


def _flank_sigma(found: Fit, i: int, radius: float) -> float:
    """Return the error of a radius on the flank of halo or glow, from those of its size and blur and from the pixel's width."""
    params = found.shapes[i].params
    size, blur = float(params[2]), float(params[3]) if params.size > 3 else 1.0
    if found.shapes[i].kind == "disc":
        out = float(np.clip((radius - size) / blur, -4.0, 4.0))
        return math.hypot(propagate(found, i, [1.0, out]), out / (48.0 * blur))
    return propagate(found, i, [radius / size])


def tenth(
    around: Surround | None,
    found: Fit,
    i: int,
    member: Member,
    dark: float | None,
    *,
    grain: float = 0.0,
    share: float = SHARE,
) -> Value:
    """Return the radius where all added light falls under `share` of the local background, or why there is none.

    `dark` is the level of true darkness if known, `grain` the error (1 sigma) that the
    recording leaves in mean light near the level of the background.
    """
    flag = Flag.NO_DARK if dark is None else Flag.NONE
    if around is None:
        return Value(None, reason=BLACK, flags=flag)
    level = around.level - (dark or 0.0)
    if level <= 4.0 * around.level_sigma and level <= 3.0 * around.noise:
        return Value(None, reason=BLACK, flags=flag)

    def at(background: float, added: Profile, off: float = 0.0) -> float:
        least = share * (background - (dark or 0.0)) + off
        if least <= 0.0:
            return around.reach_px
        return outermost_radius(added, least, around.reach_px)

    radius = at(*around.options[0])
    others = [at(*option) for option in around.options]
    if around.uneven:
        others = [r for r in others if r < TOO_FAR * around.reach_px]
        others += [at(*around.options[0], off=sign * 1.96 * around.uneven) for sign in (-1.0, 1.0)]
        others = [min(r, TOO_FAR * around.reach_px) for r in others]
    if radius <= 0.0:
        return Value(None, reason=NO_TENTH, flags=flag)
    if radius < member.inner - 2.5:
        return Value(None, reason=BURNT_TENTH, flags=flag)
    steps = [at(*around.options[0], off=sign * 1.96 * grain) for sign in (-1.0, 1.0)]
    others += [steps[0], max(steps[1], 0.0)]
    slack = 1.96 * _flank_sigma(found, i, radius)
    low = max(0.0, radius - math.hypot(radius - min(others), slack))
    high = radius + math.hypot(max(others) - radius, slack)
    if max(others) >= 0.98 * around.reach_px or radius > TOO_FAR * around.reach_px:
        if level <= 3.0 * around.noise:
            return Value(None, reason=BLACK, flags=flag)
        if low < 1.1 * half_level(found.shapes[i]):  # a bound inside the glow itself says nothing
            return Value(None, reason=UNSEEN, flags=flag)
        return Value(low, reason=OPEN_TENTH, limit=True, flags=flag, low=low)
    return Value(radius, flags=flag, low=low, high=high)


def by_source(around: Surround, dark: float | None, *, share: float = SHARE) -> dict[str, float | None]:
    """Return the radius of a tenth of the background for a lamp ten times and a tenth as bright, px (None: not seen)."""
    least = share * (around.level - (dark or 0.0))
    found: dict[str, float | None] = {}
    for word, factor in (("ten_times", 10.0), ("a_tenth", 0.1)):
        radius = outermost_radius(around.added, least / factor, around.reach_px) if least > 0 else around.reach_px
        found[word] = None if radius >= 0.98 * around.reach_px else radius
    return found


def three_sigma(around: Surround) -> float | None:
    """Return the radius where the added light falls under three times the scatter of the background's pixels (None: beyond)."""
    radius = outermost_radius(around.added, 3.0 * around.noise, around.reach_px)
    return None if radius >= 0.98 * around.reach_px else radius


def encircled_radii(around: Surround) -> dict[str, float]:
    """Return the radii that hold 50 and 80 % of the added light within `reach_px`, and their change per 1 % of background.

    An error dB of the background takes ``pi r^2 dB`` from the light within r.
    """
    r = np.linspace(0.0, around.reach_px, 2001)
    light = 2.0 * math.pi * r * around.added(r)
    within = np.concatenate([[0.0], np.cumsum(np.diff(r) * 0.5 * (light[1:] + light[:-1]))])

    def radii(error: float) -> list[float]:
        held = within - math.pi * r**2 * error
        return [float(r[np.argmax(held >= share * held[-1])]) for share in (0.5, 0.8)]

    plain, moved = radii(0.0), radii(0.01 * around.level)
    return {
        "r50_px": plain[0],
        "r80_px": plain[1],
        "r50_per_percent_px": moved[0] - plain[0],
        "r80_per_percent_px": moved[1] - plain[1],
    }


__all__ = ["Surround", "by_source", "encircled_radii", "surround", "tenth", "three_sigma"]

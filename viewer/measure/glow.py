"""How far bright spills into dark: the kernel that carries the light of a bright area into the dark beside it.

An intensifier scatters a share of all light over a disc.  Beside any bright area, however ragged its outline, the dark then
holds that area's light spread over the disc.  So the bright pixels themselves, spread over discs of all radii, are compared
with what the dark pixels hold; the radius that explains it best is the glow's.  Smooth kernels (lens glare) are tried as well,
and where they explain as much, there is no edge to report.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from scipy.fft import irfft2, next_fast_len, rfft2
from scipy.ndimage import distance_transform_edt, maximum_filter
from scipy.optimize import nnls
from scipy.special import ndtr

from viewer.measure.bloom_fit import covariance
from viewer.measure.bloom_model import Patch

GAIN = 2.0  # by how much a disc must fit better than smooth kernels, in units of correlated noise
SMOOTH_SIGMAS = (4.0, 6.4, 10.0, 16.0, 26.0, 42.0, 68.0, 110.0)
LEAST_SHARE = 0.01  # of the bright light; less is what codecs and blur leave
RICHER = 12.0  # the same for a slope of the dark and a wide glow beside a disc
LEAST_BLUR = 0.3  # px, of a disc's edge: what a pixel's own width makes of it
SOFTER = 1.5  # by how much a halo's own soft edge may exceed the blur
GLARE_SCALES = (5.0, 10.0, 20.0, 40.0)  # px, of exponential glare beside a disc
FADES = "the glow fades without an edge, as lens glare does. Film the same edge without the device to tell them apart."
NO_GLOW = "no glow stands out of the dark. Film a brighter sky, or more frames."
TOO_FAR = "the glow reaches as far as the dark that can be seen. Mark a region that reaches further into the dark."


@dataclass(frozen=True, slots=True)
class Glow:
    """Glow of a bright area into the dark beside it.

    ``radius`` and ``sigma`` (px) are None and 0 with a `reason` where there is no edge.  ``share`` is the part of the bright
    light that the disc carries.  ``distance_px`` and ``profile`` give the median light of dark pixels against their distance
    from the bright area, ``model`` the fitted light there; ``dark`` and ``bright`` the levels used.
    """

    radius: float | None
    sigma: float
    reason: str
    share: float
    dark: float
    bright: float
    distance_px: np.ndarray = field(default_factory=lambda: np.zeros(0))
    profile: np.ndarray = field(default_factory=lambda: np.zeros(0))
    model: np.ndarray = field(default_factory=lambda: np.zeros(0))


class _Spread:
    """Spreads the light of the bright pixels over kernels, by Fourier transform; the border is continued outwards.

    The source is sharp; what blurs its edge (`blur`, sigma in px) blurs that of the disc as well.
    """

    def __init__(self, source: np.ndarray, reach: int, blur: float) -> None:
        self.pad, self.blur = reach, max(blur, LEAST_BLUR)
        padded = np.pad(source, reach, mode="edge")
        self.shape = (next_fast_len(padded.shape[0] + reach, real=True), next_fast_len(padded.shape[1] + reach, real=True))
        self.spectrum = rfft2(padded, self.shape)
        self.rows, self.cols = source.shape
        fy = np.minimum(np.arange(self.shape[0]), self.shape[0] - np.arange(self.shape[0]))
        fx = np.minimum(np.arange(self.shape[1]), self.shape[1] - np.arange(self.shape[1]))
        self.r = np.hypot(fy[:, None], fx[None, :])

    def over(self, kernel: np.ndarray) -> np.ndarray:
        """Return the source spread over a kernel given at the distances ``r`` (normalised to one here)."""
        spread = irfft2(self.spectrum * rfft2(kernel / kernel.sum()), self.shape)
        return np.asarray(spread[self.pad : self.pad + self.rows, self.pad : self.pad + self.cols])

    def disc(self, radius: float, softer: float = 1.0) -> np.ndarray:
        """Spread over a disc with a blurred edge, `softer` times as soft as the blur makes it."""
        return self.over(ndtr((radius - self.r) / (softer * self.blur)))

    def exponential(self, scale: float) -> np.ndarray:
        """Spread over ``exp(-r / scale)``, as glare falls off."""
        return self.over(np.exp(-self.r / scale))

    def gaussian(self, sigma: float) -> np.ndarray:
        """Spread over a Gaussian."""
        return self.over(np.exp(-0.5 * (self.r / sigma) ** 2))


def measure_glow(
    light: np.ndarray,
    region: np.ndarray | None = None,
    *,
    valid: np.ndarray | None = None,
    clipped: np.ndarray | None = None,
    blur: float = 1.5,
    most: float = 90.0,
) -> Glow:
    """Measure how far a bright area glows into the dark of `region`.

    Parameters
    ----------
    light : ndarray of shape (rows, cols)
        Linear light of the region and of what surrounds it: glow comes from outside the region as well.
    region : ndarray of bool, optional
        Where the dark pixels are taken; all by default.
    valid : ndarray of bool, optional
        Pixels inside the field.
    clipped : ndarray of bool, optional
        Burnt-out pixels: they count as bright, and make the result a refusal where they are many.
    blur : float, optional
        Sharp blur of the edge, sigma in px: dark pixels within three of it (and 4 px) are left out.
    most : float, optional
        Largest radius looked for, px.
    """
    inside = np.ones(light.shape, bool) if region is None else region
    usable = np.isfinite(light) if valid is None else valid & np.isfinite(light)
    sample = light[inside & usable]
    if sample.size < 400:
        return _no("the region is too small for a glow. Mark a larger one.", 0.0, 0.0)
    dark, bright = (float(v) for v in np.percentile(sample, (5, 95)))
    noise = 1.4826 * float(np.median(np.abs(np.diff(light, axis=1)[(inside & usable)[:, 1:]]))) / math.sqrt(2.0)
    if bright - dark < 8.0 * noise or bright < 1.5 * dark:
        return _no("bright and dark differ too little for a glow to be seen. Film with more contrast.", dark, bright)
    split = _split(sample, dark, bright)
    above = usable & (light > split)
    if clipped is not None:
        if np.count_nonzero(clipped & inside) > 0.3 * np.count_nonzero(above & inside):
            return _no("the bright side is burnt out, so its light is not known. Film with a shorter exposure.", dark, bright)
        above |= clipped
    away = distance_transform_edt(~above)
    least = max(4.0, 3.0 * blur)
    pixels = inside & usable & ~above & (away > least)
    if np.count_nonzero(pixels) < 300 or float(away[pixels].max()) < least + 8.0:
        return _no(
            "too little dark lies beside the bright area. Mark a region that reaches further into the dark.", dark, bright
        )
    most = min(most, float(away[inside & usable].max()))
    return _search(light, above, away, pixels, usable, dark, bright, most, blur)


def _no(reason: str, dark: float, bright: float) -> Glow:
    return Glow(None, 0.0, reason, 0.0, dark, bright)


def _split(sample: np.ndarray, dark: float, bright: float) -> float:
    """Return the level between dark and bright that best separates two heaps of light (largest variance between them)."""
    levels = np.linspace(dark, bright, 65)
    counts, _ = np.histogram(sample, bins=levels)
    middle = 0.5 * (levels[1:] + levels[:-1])
    below = np.cumsum(counts)
    total = below[-1]
    mass = np.cumsum(counts * middle)
    with np.errstate(divide="ignore", invalid="ignore"):
        between = (mass[-1] * below - mass * total) ** 2 / (below * (total - below))
    found = float(levels[1:][np.nanargmax(np.where(np.isfinite(between), between, -1.0))])
    # glow fills the dark: never split below half way up
    return max(found, 0.5 * (dark + bright))


@dataclass(slots=True)
class _Problem:
    """Dark pixels and the fixed columns of the fit: level, two slopes, smooth glows."""

    target: np.ndarray
    weight: np.ndarray
    ground: np.ndarray
    smooth: np.ndarray

    def solve(self, disc: np.ndarray | None) -> tuple[float, np.ndarray, np.ndarray, np.ndarray]:
        """Return weighted squared residual, amplitudes, columns and residual."""
        parts = [self.ground, self.smooth] + ([disc[None, :]] if disc is not None else [])
        columns = np.vstack(parts)
        root = np.sqrt(self.weight)
        a = columns * root
        norm = np.sqrt(np.einsum("ij,ij->i", a, a)) + 1e-300
        a = a / norm[:, None]
        gram = a @ a.T
        gram[np.diag_indices_from(gram)] += 1e-10
        upper = np.linalg.cholesky(gram).T
        target = np.linalg.solve(upper.T, a @ (self.target * root))
        free = self.ground.shape[0]
        found, _ = nnls(np.hstack([upper, -upper[:, :free]]), target, maxiter=400)
        amplitude = found[: len(columns)].copy()
        amplitude[:free] -= found[len(columns) :]
        amplitude /= norm
        rest = self.target - amplitude @ columns
        return float(np.sum(self.weight * rest**2)), amplitude, columns, rest


def _search(
    light: np.ndarray,
    above: np.ndarray,
    away: np.ndarray,
    pixels: np.ndarray,
    usable: np.ndarray,
    dark: float,
    bright: float,
    most: float,
    blur: float,
) -> Glow:
    """Fit discs of all radii, compare the best with smooth kernels, and report."""
    reach = int(min(160, max(40, 1.6 * most)))
    whole = _filled(light, above & usable, blur)
    source = np.where(above & usable, whole - dark, 0.0)
    ys, xs = np.nonzero(pixels)
    step = max(1, ys.size // 16_000)
    ys, xs = ys[::step], xs[::step]
    u, v = (xs - xs.mean()) / 50.0, (ys - ys.mean()) / 50.0
    plain_ground = np.ones((1, ys.size))
    problem = _Problem(light[ys, xs], np.ones(ys.size), plain_ground, np.zeros((0, ys.size)))
    radius: float | None = None
    for _ in range(3):
        spread = _Spread(source, reach, blur)
        radius = _best_radius(problem, spread, ys, xs, most, near=radius)
        disc = spread.disc(radius)
        chi2, amplitude, columns, rest = problem.solve(disc[ys, xs])
        problem.weight = _robust(rest, problem.target)
        # the bright pixels hold glow of their own; only what is left is the source
        source = np.where(above & usable, np.maximum(whole - amplitude[0] - amplitude[-1] * disc, 0.0), 0.0)
    assert radius is not None
    chi2, amplitude, columns, rest = problem.solve(disc[ys, xs])
    unit = max(chi2 / max(1, ys.size - 4), 1e-300)
    # lens glare beside the disc, and a slope of the dark, only where the picture asks for them
    inflation = _radius_error(problem, spread, ys, xs, radius, amplitude, columns, rest)[1]
    glare = np.array([spread.exponential(scale)[ys, xs] for scale in GLARE_SCALES])
    slope = np.array([np.ones(ys.size), u, v])
    for ground in (plain_ground, slope):
        rich = _Problem(problem.target, problem.weight, ground, glare)
        there = _best_radius(rich, spread, ys, xs, most)
        left = rich.solve(spread.disc(there)[ys, xs])
        if (chi2 - left[0]) / (unit * max(1.0, inflation) ** 2) > RICHER:
            problem, radius = rich, there
            chi2, amplitude, columns, rest = left
            unit = max(chi2 / max(1, ys.size - 9), 1e-300)
            inflation = _radius_error(problem, spread, ys, xs, radius, amplitude, columns, rest)[1]
    sigma, inflation = _radius_error(problem, spread, ys, xs, radius, amplitude, columns, rest)
    softer = _best_radius(problem, spread, ys, xs, most, near=radius, softer=SOFTER)
    unit = max(chi2 / max(1, ys.size - 6) * max(1.0, inflation) ** 2, 1e-300)
    problem.smooth = np.vstack([glare, *(spread.gaussian(s)[None, ys, xs] for s in SMOOTH_SIGMAS if s < 1.5 * most)])
    without, plain, _, _ = problem.solve(None)
    distance, profile, model = _profile(away[ys, xs], problem.target, problem.target - rest)
    curves = {"distance_px": distance, "profile": profile, "model": model}
    share = float(amplitude[-1] / (1.0 + amplitude[-1]))
    if (without - chi2) / unit < GAIN or share < LEAST_SHARE or sigma > 0.12 * radius or radius < 4.0 * blur + 3.0:
        reason = FADES if float(plain[len(problem.ground) :].sum()) > 0.01 else NO_GLOW
        return Glow(None, 0.0, reason, 0.0, dark, bright, **curves)
    if radius > 0.94 * most:
        return Glow(None, 0.0, TOO_FAR, share, dark, bright, **curves)
    sigma = math.hypot(sigma, softer - radius, _unseen(radius, blur))
    return Glow(radius, sigma, "", share, dark, bright, **curves)


def _unseen(radius: float, blur: float) -> float:
    """Standard error of the radius of a small disc: beside the edge, blur and codecs hide a good part of it."""
    hidden = max(4.0, 3.0 * blur) / radius
    return float(1.4 * hidden**1.5)


def _filled(light: np.ndarray, above: np.ndarray, blur: float) -> np.ndarray:
    """Return the light with the blurred rim of the bright area at the level of the bright pixels further in.

    The rim has lost half its light across the half-level outline; leaving it so would move the outline inwards by 0.4 blurs.
    Specks that are all rim take the strongest light near by.
    """
    depth = distance_transform_edt(above)
    core = depth > 2.5 * blur + 0.5
    peak = maximum_filter(np.where(above, light, -np.inf), size=2 * math.ceil(2.0 * blur) + 1)
    if not core.any():
        return np.asarray(np.where(above, peak, light))
    distance, nearest = distance_transform_edt(~core, return_indices=True)
    filled = light[nearest[0], nearest[1]]
    rim = above & ~core
    near = distance <= 4.0 * blur + 3.0
    return np.asarray(np.where(rim & near, filled, np.where(rim, peak, light)))


def _radius_error(
    problem: _Problem,
    spread: _Spread,
    ys: np.ndarray,
    xs: np.ndarray,
    radius: float,
    amplitude: np.ndarray,
    columns: np.ndarray,
    rest: np.ndarray,
) -> tuple[float, float]:
    """Return the standard error of the radius and by how much correlated residuals inflate it."""
    lean = amplitude[-1] * (spread.disc(radius + 0.5)[ys, xs] - spread.disc(radius - 0.5)[ys, xs])
    kept = np.flatnonzero((np.arange(len(amplitude)) < problem.ground.shape[0]) | (amplitude > 0))
    patch = Patch(xs.astype(float), ys.astype(float), problem.target, problem.weight)
    cov, inflation = covariance(patch, np.vstack([lean, columns[kept]]), rest)
    return math.sqrt(max(0.0, float(cov[0, 0]))), inflation


def _robust(rest: np.ndarray, target: np.ndarray) -> np.ndarray:
    """Weights: one standard deviation throughout, biweight beyond three of them."""
    sigma = 1.4826 * float(np.median(np.abs(rest - np.median(rest)))) + 1e-6 * float(np.abs(target).max()) + 1e-15
    t = np.clip((np.abs(rest) / sigma - 3.0) / 3.0, 0.0, 1.0)
    return np.asarray((1.0 - t**2) ** 2 / sigma**2)


def _best_radius(
    problem: _Problem,
    spread: _Spread,
    ys: np.ndarray,
    xs: np.ndarray,
    most: float,
    near: float | None = None,
    softer: float = 1.0,
) -> float:
    """Return the radius of least squared residual: a coarse ladder, then finer steps round the best."""

    def left(radius: float) -> float:
        return problem.solve(spread.disc(radius, softer)[ys, xs])[0]

    ladder = 5.0 * 1.12 ** np.arange(40) if near is None else near * np.array([0.94, 0.97, 1.0, 1.03, 1.06])
    ladder = ladder[(ladder >= 3.0) & (ladder <= most)]
    values = np.array([left(float(r)) for r in ladder])
    i = int(np.argmin(values))
    low, high = float(ladder[max(0, i - 1)]), float(ladder[min(ladder.size - 1, i + 1)])
    golden = 0.5 * (math.sqrt(5.0) - 1.0)
    a, b = high - golden * (high - low), low + golden * (high - low)
    fa, fb = left(a), left(b)
    while high - low > 0.04:
        if fa < fb:
            high, b, fb = b, a, fa
            a = high - golden * (high - low)
            fa = left(a)
        else:
            low, a, fa = a, b, fb
            b = low + golden * (high - low)
            fb = left(b)
    return 0.5 * (low + high)


def _profile(away: np.ndarray, light: np.ndarray, model: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Median light and model against the distance from the bright area, in steps of a pixel."""
    ring = away.astype(int)
    places = [k for k in range(int(ring.max()) + 1) if np.count_nonzero(ring == k) >= 8]
    rows = [
        (float(away[ring == k].mean()), float(np.median(light[ring == k])), float(np.median(model[ring == k]))) for k in places
    ]
    table = np.array(rows).reshape(-1, 3)
    return table[:, 0], table[:, 1], table[:, 2]


__all__ = ["Glow", "measure_glow"]

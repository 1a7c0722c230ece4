"""First guesses of a pose: matched features, and the spectrum in log-polar coordinates; mirrored or not, both ways."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import scipy.fft as sfft

from viewer.align.picture import LogLight
from viewer.cv import cv2

_FEATURES = 1600


@dataclass(frozen=True, kw_only=True)
class Guess:
    """A similarity, reference px -> moving px (3 x 3, clip px), how it was found, and its strength."""

    warp: np.ndarray
    by: str
    mirrored: bool
    score: float
    points_reference: np.ndarray | None = None
    points_moving: np.ndarray | None = None


def _similarity(scale: float, angle: float, shift: tuple[float, float], mirrored: bool, flip_about: float = 0.0) -> np.ndarray:
    """Reference -> moving: turn and scale, then mirror left-right about a column if asked."""
    c, s = scale * math.cos(angle), scale * math.sin(angle)
    m = np.array([[c, -s, shift[0]], [s, c, shift[1]], [0, 0, 1.0]])
    if mirrored:
        m = np.array([[-1.0, 0, 2.0 * flip_about], [0, 1, 0], [0, 0, 1]]) @ m
    return m


# --- features ------------------------------------------------------------------------------------------------------


def _to_bytes(made: LogLight) -> np.ndarray:
    """Local contrast evened out, as 8 bit, for the feature finder."""
    power = cv2.GaussianBlur(made.values**2, (0, 0), 12.0) / np.maximum(
        cv2.GaussianBlur(made.mask.astype(np.float32), (0, 0), 12.0), 0.05
    )
    usual = float(np.median(np.sqrt(power[made.mask]))) if made.mask.any() else 1.0
    even = made.values / (np.sqrt(power) + 0.5 * usual + 1e-9)
    return np.asarray(np.where(made.mask, np.clip(128.0 + 42.0 * even, 0, 255), 128).astype(np.uint8))


@lru_cache(maxsize=4)
def _detect(made: LogLight) -> tuple[np.ndarray, np.ndarray]:
    """Positions (clip px) and descriptors of features."""
    finder = cv2.SIFT.create(nfeatures=_FEATURES, contrastThreshold=0.02, edgeThreshold=12)
    points, descriptors = finder.detectAndCompute(_to_bytes(made), made.mask.astype(np.uint8))
    if descriptors is None or len(points) < 4:
        return np.zeros((0, 2)), np.zeros((0, 128), np.float32)
    place = np.array([point.pt for point in points], float)
    root = np.sqrt(descriptors / np.maximum(descriptors.sum(axis=1, keepdims=True), 1e-9))
    return made.factor * (place + 0.5) - 0.5, root.astype(np.float32)


def mirrored_descriptors(descriptors: np.ndarray) -> np.ndarray:
    """Descriptors of the same features in the mirrored picture, shape (N, 128).

    The 4 x 4 cells lie along the feature's own direction (columns) and across it (rows), 8 directions each: a mirror turns
    the rows and the sense of the directions round.
    """
    cells = descriptors.reshape(-1, 4, 4, 8)[:, ::-1]
    return np.ascontiguousarray(cells[..., (0, 7, 6, 5, 4, 3, 2, 1)].reshape(-1, 128))


def from_features(reference: LogLight, moving: LogLight) -> list[Guess]:
    """Guesses from matched features, for the plain and the mirrored picture, best first (at most one each)."""
    pa, da = _detect(reference)
    pb, plain = _detect(moving)
    out: list[Guess] = []
    for flip in (False, True):
        db = mirrored_descriptors(plain) if flip else plain
        guess = _consensus(pa, da, pb, db, flip, 2.5 * max(reference.factor, moving.factor))
        if guess is not None:
            out.append(guess)
    return sorted(out, key=lambda guess: -guess.score)


def _consensus(pa: np.ndarray, da: np.ndarray, pb: np.ndarray, db: np.ndarray, flip: bool, tolerance: float) -> Guess | None:
    """Ratio test both ways, then a similarity that most pairs obey."""
    if len(pa) < 6 or len(pb) < 6:
        return None
    likeness = da @ db.T
    near = np.argsort(-likeness, axis=1)[:, :2] if likeness.shape[1] < 64 else np.argpartition(-likeness, 1, axis=1)[:, :2]
    rows = np.arange(len(pa))
    first = np.maximum(likeness[rows, near[:, 0]], likeness[rows, near[:, 1]])
    second = np.minimum(likeness[rows, near[:, 0]], likeness[rows, near[:, 1]])
    best = np.where(likeness[rows, near[:, 0]] >= likeness[rows, near[:, 1]], near[:, 0], near[:, 1])
    mutual = np.argmax(likeness, axis=0)[best] == rows
    d1, d2 = np.sqrt(np.maximum(2 - 2 * first, 0)), np.sqrt(np.maximum(2 - 2 * second, 1e-9))
    good = mutual & (d1 < 0.88 * d2)
    if good.sum() < 6:
        return None
    a, b = pa[good], pb[best[good]]
    warp, inside = _vote(a, b, flip, tolerance)
    if warp is None or inside.sum() < 6:
        return None
    # Unrelated pairs agree by chance: with N pairs about N * (tolerance / size)**2 * many trials fall in.
    return Guess(
        warp=warp,
        by="features",
        mirrored=flip,
        score=float(inside.sum()),
        points_reference=a[inside],
        points_moving=b[inside],
    )


def _vote(a: np.ndarray, b: np.ndarray, mirrored: bool, tolerance: float) -> tuple[np.ndarray | None, np.ndarray]:
    """Similarity (mirrored or not) by random pairs of points, then least squares on those that obey it."""
    za = a[:, 0] + 1j * a[:, 1]
    zb = b[:, 0] + 1j * b[:, 1]
    if mirrored:
        zb = -np.conj(zb)  # mirrored about column 0
    rng = np.random.default_rng(11)
    n = len(a)
    i, j = rng.integers(0, n, 1500), rng.integers(0, n, 1500)
    apart = np.abs(za[i] - za[j])
    ok = apart > 12 * tolerance
    i, j = i[ok], j[ok]
    if len(i) == 0:
        return None, np.zeros(n, bool)
    turn = (zb[i] - zb[j]) / (za[i] - za[j])
    ok = (np.abs(turn) > 0.25) & (np.abs(turn) < 4.0)
    i, turn = i[ok], turn[ok]
    if len(i) == 0:
        return None, np.zeros(n, bool)
    shift = zb[i] - turn * za[i]
    gap = np.abs(zb[None, :] - turn[:, None] * za[None, :] - shift[:, None])
    hits = (gap < tolerance).sum(axis=1)
    k = int(np.argmax(hits))
    inside = gap[k] < tolerance
    t, s = turn[k], shift[k]
    for _ in range(6):
        if inside.sum() < 4:
            return None, inside
        x, y = za[inside], zb[inside]
        mx, my = x.mean(), y.mean()
        t = np.vdot(x - mx, y - my) / np.vdot(x - mx, x - mx).real
        s = my - t * mx
        inside = np.abs(zb - t * za - s) < tolerance
    warp = _similarity(abs(t), float(np.angle(t)), (s.real, s.imag), mirrored)
    return warp, inside


# --- spectrum ------------------------------------------------------------------------------------------------------

_SIZE = 256
_ANGLES = 360
_RADII = 192


def _square(made: LogLight) -> tuple[np.ndarray, np.ndarray]:
    """The layer on a square of fixed size, evened out and windowed; with the matrix square px -> clip px."""
    ys, xs = np.nonzero(made.mask)
    cy, cx = (ys.min() + ys.max()) / 2, (xs.min() + xs.max()) / 2
    side = float(max(np.ptp(ys), np.ptp(xs)) + 1)
    zoom = side / _SIZE
    to_layer = np.array([[zoom, 0, cx - zoom * (_SIZE - 1) / 2], [0, zoom, cy - zoom * (_SIZE - 1) / 2], [0, 0, 1.0]])
    smooth = cv2.GaussianBlur(made.values, (0, 0), max(0.5 * zoom, 0.5)) if zoom > 1.2 else made.values
    power = cv2.GaussianBlur(made.values**2, (0, 0), 15.0) + 1e-12
    usual = float(np.median(np.sqrt(power[made.mask])))
    even = np.clip(smooth / (np.sqrt(power) + usual), -2.5, 2.5)
    soft = cv2.GaussianBlur(made.mask.astype(np.float32), (0, 0), 0.03 * side)
    soft = np.where(made.mask, np.clip(2 * soft - 1, 0, 1), 0)
    out = cv2.warpAffine(
        (even * soft).astype(np.float32), to_layer[:2], (_SIZE, _SIZE), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    )
    return out, made.to_clip @ to_layer


def _log_polar(square: np.ndarray) -> np.ndarray:
    """Log-polar map of the whitened amplitude spectrum: rows half a turn, columns radius."""
    spectrum = np.abs(sfft.fftshift(sfft.fft2(square, (2 * _SIZE, 2 * _SIZE))))
    spectrum = np.log(spectrum + np.median(spectrum) * 0.3 + 1e-12).astype(np.float32)
    n = 2 * _SIZE
    angle = np.arange(_ANGLES)[:, None] * (math.pi / _ANGLES)
    radius = np.exp(np.linspace(math.log(8.0), math.log(0.42 * n), _RADII))[None, :]
    x = (n // 2 + radius * np.cos(angle)).astype(np.float32)
    y = (n // 2 + radius * np.sin(angle)).astype(np.float32)
    out = cv2.remap(spectrum, x, y, cv2.INTER_LINEAR)
    return np.asarray(out - out.mean(axis=0, keepdims=True))


@dataclass(frozen=True, eq=False)
class _Spectral:
    """A layer on its square, the matrix square px -> clip px, its spectrum, and that in log-polar coordinates."""

    square: np.ndarray
    to_clip: np.ndarray
    spectrum: np.ndarray
    log_polar: np.ndarray


@lru_cache(maxsize=4)
def _spectral(made: LogLight) -> _Spectral:
    square, to_clip = _square(made)
    return _Spectral(square, to_clip, sfft.rfft2(square, (2 * _SIZE, 2 * _SIZE)), _log_polar(square))


def from_spectrum(reference: LogLight, moving: LogLight, *, most: int = 3) -> list[Guess]:
    """Guesses from the amplitude spectra (turn and scale), then phase correlation (shift); best first."""
    if not (reference.mask.any() and moving.mask.any()):
        return []
    a, b = _spectral(reference), _spectral(moving)
    if a.square.std() <= 0 or b.square.std() <= 0:
        return []
    step = (math.log(0.42 * 2 * _SIZE) - math.log(8.0)) / (_RADII - 1)
    out: list[Guess] = []
    for mirrored in (False, True):
        # Left-right mirrored, what stood at an angle stands at half a turn less that angle.
        pb = b.log_polar[-np.arange(_ANGLES)] if mirrored else b.log_polar
        for turn, scale in _log_polar_peaks(a.log_polar, pb, step, most):
            for half in (0.0, math.pi):
                out.append(_shifted(a, b, turn + half, scale, mirrored))
    return sorted(out, key=lambda guess: -guess.score)


def _log_polar_peaks(pa: np.ndarray, pb: np.ndarray, step: float, most: int) -> list[tuple[float, float]]:
    """(turn, scale) that carry the reference's spectrum to the moving one's."""
    fa = sfft.rfft2(pa, (_ANGLES, 2 * _RADII))
    fb = sfft.rfft2(pb, (_ANGLES, 2 * _RADII))
    cross = np.conj(fa) * fb
    cross /= np.abs(cross) ** 0.5 + 1e-9
    plane = sfft.irfft2(cross, (_ANGLES, 2 * _RADII))
    allowed = math.log(2.6) / step
    shift = np.arange(2 * _RADII)
    shift = np.where(shift > _RADII, shift - 2 * _RADII, shift)
    plane[:, np.abs(shift) > allowed] = -np.inf
    out: list[tuple[float, float]] = []
    for _ in range(most):
        r, c = np.unravel_index(int(np.argmax(plane)), plane.shape)
        # A picture magnified by s has its spectrum shrunk by s.
        out.append((float(r) * math.pi / _ANGLES, math.exp(-float(shift[c]) * step)))
        rr = (np.arange(r - 4, r + 5)) % _ANGLES
        cc = (np.arange(c - 4, c + 5)) % (2 * _RADII)
        plane[np.ix_(rr, cc)] = -np.inf
    return out


def _shifted(a: _Spectral, b: _Spectral, turn: float, scale: float, mirrored: bool) -> Guess:
    """Turn and scale the moving picture back, find its shift, and judge the overlap."""
    picture = np.ascontiguousarray(b.square[:, ::-1]) if mirrored else b.square
    n, middle = 2 * _SIZE, (_SIZE - 1) / 2
    c, s = scale * math.cos(turn), scale * math.sin(turn)
    back = np.array([[c, -s, middle - c * middle + s * middle], [s, c, middle - s * middle - c * middle], [0, 0, 1.0]])
    # `back` carries reference places into the moving picture, so warping by it brings the moving picture to the reference.
    turned = cv2.warpAffine(picture, back[:2], (_SIZE, _SIZE), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    cross = np.conj(a.spectrum) * sfft.rfft2(turned, (n, n))
    cross /= np.abs(cross) ** 0.6 + 1e-9
    plane = sfft.irfft2(cross, (n, n))
    y, x = np.unravel_index(int(np.argmax(plane)), plane.shape)
    score = float(plane[y, x] / (plane.std() + 1e-30))
    dx, dy = (x - n if x > n // 2 else x), (y - n if y > n // 2 else y)
    move = np.array([[1.0, 0, dx], [0, 1, dy], [0, 0, 1]])
    flip = np.array([[-1.0, 0, _SIZE - 1], [0, 1, 0], [0, 0, 1]]) if mirrored else np.eye(3)
    warp = b.to_clip @ flip @ back @ move @ np.linalg.inv(a.to_clip)
    return Guess(warp=warp, by="spectrum", mirrored=mirrored, score=score)


__all__ = ["Guess", "from_features", "from_spectrum", "mirrored_descriptors"]

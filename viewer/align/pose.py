"""Pose of one clip against another: guesses by features and spectrum, refinement by intensity, and the right to refuse.

A pose is given when the pictures agree beyond noise in most parts of the field, when a method that does not rest on the
refinement lands at the same place, and when no other pose (mirrored, say) comes near.  Otherwise it is refused.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from viewer.align.coarse import Guess, from_features, from_spectrum
from viewer.align.picture import Picture, layer, reliability
from viewer.align.refine import Refined, refine, scale_of
from viewer.align.transform import Pose
from viewer.errors import UsageError

_LEAST_AGREEMENT = 0.35
_FLOOR_PX = 0.01
_BANDS = ((0.9, 6.0), (1.4, 9.0), (1.4, 16.0), (2.5, 16.0), (4.5, 24.0))
_PULL = 0.004
HELP = "Film a chart or a lit, detailed scene through both devices, from the same place."


@dataclass(frozen=True, kw_only=True)
class PoseFit:
    """A pose with its errors, or the reason why there is none.

    Parameters
    ----------
    pose : Pose or None
        Moving clip px -> reference clip px.
    reason : str
        Why `pose` is None.
    agreement : float
        Correlation of both pictures at the pose, noise allowed for (1: the same but for noise).
    second_px : float or None
        Difference (rms over the field, px) of the method that confirms it.
    scale_sigma, rotation_sigma_deg, shift_sigma_px : float
    overlap : float
        Share of the reference's field that the moving clip shows.
    warnings : tuple of str
    homography : ndarray of shape (3, 3) or None
        Moving -> reference, where a similarity leaves more than a perspective does.
    """

    pose: Pose | None = None
    reason: str = ""
    agreement: float = 0.0
    second_px: float | None = None
    scale_sigma: float = 0.0
    rotation_sigma_deg: float = 0.0
    shift_sigma_px: float = 0.0
    overlap: float = 0.0
    tiles: np.ndarray | None = None
    warnings: tuple[str, ...] = ()
    homography: np.ndarray | None = None


def fit_pose(reference: Picture, moving: Picture) -> PoseFit:
    """Find the similarity (mirrored or not) that carries the moving picture onto the reference.

    Parameters
    ----------
    reference, moving : Picture
        Sizes may differ.

    Returns
    -------
    PoseFit
        Refused when the pictures do not agree beyond noise, when two methods disagree, or when two poses do as well.
    """
    guesses = _guesses(reference, moving)
    trials = _trials(reference, moving, guesses)
    if not trials:
        return PoseFit(reason=f"the pictures have nothing in common that stands out of the noise. {HELP}")
    score, guess, rough = trials[0]
    first = refine(reference, moving, rough.warp, factors=(2.0,), rough=True)
    for other_score, other, other_rough in trials[1:]:
        if other_score < 0.5 * score or _distance(other_rough.warp, rough.warp, reference) < 0.03 * _radius(reference):
            continue
        if first is not None and _rivals(reference, moving, first, other_rough):
            kind = "mirrored and not" if other.mirrored != guess.mirrored else "two places"
            return PoseFit(reason=f"two poses fit nearly as well ({kind}). {HELP}")
    finest = _finest(reference, moving, rough.warp)
    if finest is None:
        return PoseFit(reason=f"the pictures overlap too little. {HELP}")
    return _judge(reference, moving, finest, guesses)


def _rivals(reference: Picture, moving: Picture, one: Refined, second: Refined) -> bool:
    """Whether a second pose leaves hardly more unexplained than the first, detail included."""
    two = refine(reference, moving, second.warp, factors=(2.0,), steps=6, rough=True)
    if two is None:
        return False
    left_one = 1.0 - one.correlation * math.sqrt(one.overlap)
    left_two = 1.0 - two.correlation * math.sqrt(two.overlap)
    # Chance alone moves a correlation by one over the root of the independent pixels.
    chance = 8.0 / math.sqrt(max(two.pixels / 200.0, 1.0))
    return left_two < min(1.6 * left_one, left_one + 0.1) + min(chance, 0.03)


def _finest(reference: Picture, moving: Picture, warp: np.ndarray) -> Refined | None:
    """Refined at full size in the band that promises the smallest error.

    Halo, veil and shading of two devices differ and pull by about a two-hundredth of the band's width; noise asks for a wider
    band.  The stated error is that of noise and the pull together.
    """
    best: tuple[float, Refined] | None = None
    found = refine(reference, moving, warp, factors=(2.0,), rough=True)
    for fine, coarse in _BANDS:
        if found is None:
            break
        made = refine(reference, moving, found.warp, factors=(1.0,), fine=fine, coarse=coarse)
        if made is None:
            continue
        noise = 0.5 * float(np.trace(made.covariance))
        error = noise + (_PULL * coarse) ** 2
        if best is None or error < best[0]:
            best = (error, replace(made, covariance=made.covariance + np.eye(len(made.covariance)) * (_PULL * coarse) ** 2))
            if noise < 4.0 * (_PULL * coarse) ** 2:
                break
    return best[1] if best else None


def _radius(picture: Picture) -> float:
    return picture.circle.radius if picture.circle else 0.5 * min(picture.light.shape)


def _field_points(picture: Picture) -> np.ndarray:
    """Points over the field, for comparing poses."""
    rows, cols = picture.light.shape
    y, x = np.mgrid[0 : rows : max(1, rows // 24), 0 : cols : max(1, cols // 24)]
    points = np.stack([x.ravel(), y.ravel()], axis=1).astype(float)
    if picture.circle:
        c = picture.circle
        points = points[np.hypot(points[:, 0] - c.cx, points[:, 1] - c.cy) < c.radius]
    return points


def _distance(first: np.ndarray, second: np.ndarray, picture: Picture) -> float:
    """Rms distance (reference px) between two warps over the field."""
    points = _field_points(picture)
    p = np.concatenate([points, np.ones((len(points), 1))], axis=1).T
    a, b = first @ p, second @ p
    gap = a[:2] / a[2] - b[:2] / b[2]
    return float(np.sqrt((gap**2).sum(axis=0).mean())) / max(scale_of(first), 1e-6)


def _guesses(reference: Picture, moving: Picture) -> list[Guess]:
    """All first guesses, standing still among them."""
    sizes = [max(p.light.shape) / 760.0 for p in (reference, moving)]
    a, b = (layer(p, max(1.0, size)) for p, size in zip((reference, moving), sizes, strict=True))
    a, b = a.banded(1.2, 18.0), b.banded(1.2, 18.0)
    out = from_features(a, b)
    spectral = from_spectrum(a, b)
    for mirrored in (False, True):
        out += [guess for guess in spectral if guess.mirrored == mirrored][:2]
    if reference.light.shape == moving.light.shape:
        out.append(Guess(warp=np.eye(3), by="standing still", mirrored=False, score=0.0))
    return out


def _trials(reference: Picture, moving: Picture, guesses: list[Guess]) -> list[tuple[float, Guess, Refined]]:
    """Guesses refined on coarse pixels, best first, doubles left out.  The score grows with agreement and overlap."""
    size = max(1.0, max(reference.light.shape) / 320.0)
    out: list[tuple[float, Guess, Refined]] = []
    for guess in guesses:
        near = 0.03 * _radius(reference)
        if any(_distance(guess.warp, seen.warp, reference) < near and seen.correlation > 0.3 for _, _, seen in out):
            continue
        if not 0.2 < scale_of(guess.warp) < 5.0:
            continue
        found = refine(reference, moving, guess.warp, factors=(2.0 * size, size), steps=8, rough=True)
        if found is None or found.correlation <= 0:
            continue
        if (np.linalg.det(found.warp[:2, :2]) < 0) != guess.mirrored or not 0.2 < scale_of(found.warp) < 5.0:
            continue
        out.append((found.correlation * math.sqrt(found.overlap), guess, found))
    return sorted(out, key=lambda trial: -trial[0])


def _judge(reference: Picture, moving: Picture, found: Refined, guesses: list[Guess]) -> PoseFit:
    """Accept or refuse a refined pose."""
    trust = math.sqrt(max(reliability(reference, most=800) * reliability(moving, most=800), 1e-6))
    agreement = min(found.correlation / max(trust, found.correlation, 1e-3), 1.0)
    independent = found.pixels / 50.0
    chance = 6.0 / math.sqrt(max(independent, 1.0))
    if found.correlation < chance or agreement < _LEAST_AGREEMENT or trust < 0.05:
        return PoseFit(
            reason=f"the pictures do not agree beyond noise (agreement {agreement:.2f}). {HELP}", agreement=agreement
        )
    tiles = found.tiles
    inside = np.hypot(tiles[:, 2], tiles[:, 3]) < np.maximum(1.0, 3.0 * tiles[:, 4])
    alike = tiles[:, 5] > 0.3 * found.correlation
    if len(tiles) < 3 or (inside & alike).mean() < 0.5:
        return PoseFit(reason=f"the parts of the picture do not agree on one pose. {HELP}", agreement=agreement)
    by, second = _confirmed(reference, moving, found, guesses)
    if by is None:
        return PoseFit(reason=f"a second method does not confirm the pose. {HELP}", agreement=agreement)
    matrix = np.linalg.inv(found.warp)
    matrix /= matrix[2, 2]
    pose = Pose.from_matrix(matrix[:2], pose_by=f"intensity+{by}", residual_px=found.residual_px)
    landing = found.errors_at(np.array([[pose.shift_x, pose.shift_y]]))[0] / math.sqrt(2.0)
    warnings: list[str] = []
    if found.overlap < 0.6:
        warnings.append(f"only {100 * found.overlap:.0f} % of the reference's field shows in the clip.")
    homography = None
    usual = float(np.median(tiles[:, 4]))
    if found.residual_px > max(0.3, 3.0 * usual):
        wider = refine(reference, moving, found.warp, factors=(1.0,), kind="homography")
        warnings.append(f"parts of the picture lie up to {found.residual_px:.2f} px off: parallax or lens distortion.")
        if wider is not None and wider.residual_px < 0.6 * found.residual_px:
            homography = np.linalg.inv(wider.warp)
            homography = homography / homography[2, 2]
            warnings.append(f"a perspective lowers the residual to {wider.residual_px:.2f} px.")
    return PoseFit(
        pose=pose,
        agreement=agreement,
        second_px=second,
        scale_sigma=math.hypot(math.sqrt(found.covariance[0, 0]), _FLOOR_PX) / found.length * pose.scale,
        rotation_sigma_deg=math.degrees(math.hypot(math.sqrt(found.covariance[1, 1]), _FLOOR_PX) / found.length),
        shift_sigma_px=math.hypot(landing, _FLOOR_PX),
        overlap=found.overlap,
        tiles=tiles,
        warnings=tuple(warnings),
        homography=homography,
    )


def _confirmed(reference: Picture, moving: Picture, found: Refined, guesses: list[Guess]) -> tuple[str | None, float | None]:
    """The method that lands at the same pose by itself, and how far off it is."""
    pixel = max(1.0, max(max(reference.light.shape), max(moving.light.shape)) / 760.0)
    mirrored = float(np.linalg.det(found.warp[:2, :2])) < 0
    limits = {"features": max(2.0 * pixel, 0.012 * _radius(reference)), "spectrum": max(4.0 * pixel, 0.03 * _radius(reference))}
    for by, limit in limits.items():
        gaps = [_distance(found.warp, g.warp, reference) for g in guesses if g.by == by and g.mirrored == mirrored]
        if gaps and min(gaps) < limit:
            return by, min(gaps)
    return None, None


# --- by hand -------------------------------------------------------------------------------------------------------


def pose_from_points(clip: Sequence[tuple[float, float]], reference: Sequence[tuple[float, float]]) -> Pose:
    """Return the similarity through pairs of points, mirrored where that fits better.

    Two pairs fix it (not mirrored); from three on the mirror is decided and the residual tells how well they fit.

    Raises
    ------
    UsageError
        With fewer than two pairs, or points that coincide.
    """
    p, q = np.asarray(clip, float), np.asarray(reference, float)
    if p.shape != q.shape or p.ndim != 2 or p.shape[1:] != (2,) or len(p) < 2:
        raise UsageError("a pose needs at least two pairs of points.", hint="Mark the same detail in both clips.")
    zp, zq = p[:, 0] + 1j * p[:, 1], q[:, 0] + 1j * q[:, 1]
    best: tuple[float, Pose] | None = None
    for mirrored in (False, True) if len(p) > 2 else (False,):
        z = -np.conj(zp) if mirrored else zp
        mz, mq = z.mean(), zq.mean()
        power = float((np.abs(z - mz) ** 2).sum())
        if power < 1.0:
            raise UsageError("the marked points coincide.", hint="Mark details far from each other.")
        turn = complex(np.vdot(z - mz, zq - mq)) / power
        if abs(turn) < 1e-6:
            continue
        shift = complex(mq) - turn * complex(mz)
        left = np.abs(zq - turn * z - shift)
        residual = float(np.sqrt((left**2).sum() / max(2 * len(p) - 4, 1))) if len(p) > 2 else 0.0
        pose = Pose(
            scale=abs(turn),
            rotation_deg=math.degrees(math.atan2(turn.imag, turn.real)),
            shift_x=shift.real,
            shift_y=shift.imag,
            mirrored=mirrored,
            pose_by="hand",
            residual_px=residual,
        )
        if best is None or residual < best[0]:
            best = (residual, pose)
    if best is None:
        raise UsageError("no pose fits these points.", hint="Check that the pairs belong together.")
    return best[1]


def pose_residual(reference: Picture, moving: Picture, pose: Pose) -> tuple[float, float] | None:
    """How well a pose set by hand fits: (agreement of the pictures, px by which a step improves it), or None."""
    warp = np.linalg.inv(np.vstack([pose.matrix, [0, 0, 1]]))
    found = refine(reference, moving, warp, factors=(2.0,), steps=1, rough=True)
    if found is None:
        return None
    return found.correlation, _distance(found.warp, warp, reference)


__all__ = ["PoseFit", "fit_pose", "pose_from_points", "pose_residual"]

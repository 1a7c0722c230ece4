"""Pose of one clip against another: guesses by features and spectrum, refinement by intensity, and the right to refuse.

A pose is given when the pictures agree beyond noise in most parts of the field, when a method that does not rest on the
refinement lands at the same place, and when no other pose (mirrored, say) comes near.  Otherwise it is refused.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from viewer.align.coarse import Guess, from_features, from_spectrum
from viewer.align.corners import corner_fit
from viewer.align.hand import pose_from_points
from viewer.align.picture import LogLight, Picture, layer, reliability
from viewer.align.radial import Radial, radial_of, unbent
from viewer.align.refine import Refined, field_radius, refine, scale_of, warp_distance
from viewer.align.transform import Pose

_LEAST_AGREEMENT = 0.35
_FLOOR_PX = 0.003
_BANDS = ((0.9, 6.0), (1.4, 9.0), (1.4, 16.0), (2.5, 16.0), (4.5, 24.0))
_PULL = 0.003
_HOPELESS = 0.4  # of the best score on coarse pixels: finer ones only tell more against such a guess
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
    scale_sigma, rotation_sigma_deg : float
    shift_sigma_px : (float, float)
        1.96 sigma is the 95 % interval, see `spread`.
    overlap : float
        Share of the reference's field that the moving clip shows.
    warnings : tuple of str
    homography : ndarray of shape (3, 3) or None
        Moving -> reference, where a similarity leaves more than a perspective does.
    radial : Radial or None
        Barrel or cushion between the clips, where it explains most of what a similarity leaves.
    corners, corners_px : int, float or None
        Corners that both pictures show, and how far (rms over the field, px) the pose through them lies off.
    """

    pose: Pose | None = None
    reason: str = ""
    agreement: float = 0.0
    second_px: float | None = None
    scale_sigma: float = 0.0
    rotation_sigma_deg: float = 0.0
    shift_sigma_px: tuple[float, float] = (0.0, 0.0)
    overlap: float = 0.0
    tiles: np.ndarray | None = None
    warnings: tuple[str, ...] = ()
    homography: np.ndarray | None = None
    radial: Radial | None = None
    corners: int = 0
    corners_px: float | None = None


def fit_pose(reference: Picture, moving: Picture, *, marked: Pose | None = None) -> PoseFit:
    """Find the similarity (mirrored or not) that carries the moving picture onto the reference.

    Parameters
    ----------
    reference, moving : Picture
        Sizes may differ.
    marked : Pose, optional
        Through pairs of points that the operator marked: a first guess more, and a second method that may confirm the pose.

    Returns
    -------
    PoseFit
        Refused when the pictures do not agree beyond noise, when two methods disagree, or when two poses do as well.
    """
    guesses = _guesses(reference, moving)
    if marked is not None:
        warp = np.linalg.inv(np.vstack([marked.matrix, [0, 0, 1]]))
        guesses.append(Guess(warp=warp, by="points", mirrored=marked.mirrored, score=marked.residual_px or 0.0))
    trials = _trials(reference, moving, guesses)
    if not trials:
        return PoseFit(reason=f"the pictures have nothing in common that stands out of the noise. {HELP}")
    score, guess, rough = trials[0]
    first = refine(reference, moving, rough.warp, factors=(2.0,), rough=True)
    for other_score, other, other_rough in trials[1:]:
        if other_score < 0.5 * score or warp_distance(other_rough.warp, rough.warp, reference) < 0.03 * field_radius(reference):
            continue
        if first is not None and _rivals(reference, moving, first, other_rough):
            if first.correlation < _LEAST_AGREEMENT * math.sqrt(max(_trust(reference) * _trust(moving), 1e-6)):
                return PoseFit(reason=f"no pose makes the pictures alike: other things, or too little to hold on to. {HELP}")
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

    Halo, veil and shading of two devices differ and pull by about a three-hundredth of the band's width, noise asks for a wider
    band: so much for the choice.  The error that is stated is what the parts of the picture show (`spread`).
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
            best = (error, made)
            if noise < 4.0 * (_PULL * coarse) ** 2:
                break
    return best[1] if best else None


@lru_cache(maxsize=4)
def _banded(picture: Picture) -> LogLight:
    """The layer that first guesses are made on; kept, as one reference meets many clips."""
    return layer(picture, max(1.0, max(picture.light.shape) / 760.0)).banded(1.2, 18.0)


@lru_cache(maxsize=4)
def _trust(picture: Picture) -> float:
    return reliability(picture, most=800)


def _guesses(reference: Picture, moving: Picture) -> list[Guess]:
    """All first guesses, standing still among them."""
    a, b = _banded(reference), _banded(moving)
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
    near = 0.03 * field_radius(reference)
    begun: list[tuple[float, Guess, Refined]] = []
    for guess in guesses:
        if any(warp_distance(guess.warp, seen.warp, reference) < near and seen.correlation > 0.3 for _, _, seen in begun):
            continue
        found = refine(reference, moving, guess.warp, factors=(2.0 * size,), steps=8, rough=True)
        if found is not None and _sound(found, guess):
            begun.append((found.correlation * math.sqrt(found.overlap), guess, found))
    begun.sort(key=lambda trial: -trial[0])
    out: list[tuple[float, Guess, Refined]] = []
    for score, guess, seen in begun:
        if any(warp_distance(seen.warp, other.warp, reference) < near and other.correlation > 0.3 for _, _, other in out):
            continue
        if out and score < _HOPELESS * min(begun[0][0], out[0][0]):
            continue
        found = refine(reference, moving, seen.warp, factors=(size,), steps=8, rough=True)
        if found is not None and _sound(found, guess):
            out.append((found.correlation * math.sqrt(found.overlap), guess, found))
            out.sort(key=lambda trial: -trial[0])
    return out


def _sound(found: Refined, guess: Guess) -> bool:
    """Whether what became of a guess is still a pose of its kind."""
    mirrored = bool(np.linalg.det(found.warp[:2, :2]) < 0)
    return found.correlation > 0 and mirrored == guess.mirrored and 0.2 < scale_of(found.warp) < 5.0


def _judge(reference: Picture, moving: Picture, found: Refined, guesses: list[Guess]) -> PoseFit:
    """Accept or refuse a refined pose."""
    trust = math.sqrt(max(_trust(reference) * _trust(moving), 1e-6))
    agreement = min(found.correlation / max(trust, found.correlation, 1e-3), 1.0)
    independent = found.pixels / 50.0
    chance = 6.0 / math.sqrt(max(independent, 1.0))
    if trust < 0.05:
        return PoseFit(reason=f"noise or bands hide what the pictures show. {HELP}", agreement=agreement)
    if found.correlation < chance or agreement < _LEAST_AGREEMENT:
        return PoseFit(
            reason=f"the pictures do not agree beyond noise (correlation {found.correlation:.2f}). {HELP}", agreement=agreement
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
    landing = found.errors_at(np.array([[pose.shift_x, pose.shift_y]]))[0]
    warnings: list[str] = []
    if found.overlap < 0.6:
        warnings.append(f"only {100 * found.overlap:.0f} % of the reference's field shows in the clip.")
    homography, radial = _beyond(reference, moving, found, warnings)
    corner = corner_fit(reference, moving, found.warp)
    gap = warp_distance(corner.warp, found.warp, reference) if corner else None
    if corner is not None and gap is not None and gap > max(0.6, 6.0 * corner.scatter_px / math.sqrt(corner.corners)):
        warnings.append(f"the pose through {corner.corners} corners of the pictures lies {gap:.2f} px off; intensity is used.")
    return PoseFit(
        pose=pose,
        agreement=agreement,
        second_px=second,
        scale_sigma=math.hypot(math.sqrt(found.covariance[0, 0]), _FLOOR_PX) / found.length * pose.scale,
        rotation_sigma_deg=math.degrees(math.hypot(math.sqrt(found.covariance[1, 1]), _FLOOR_PX) / found.length),
        shift_sigma_px=(math.hypot(landing[0], _FLOOR_PX), math.hypot(landing[1], _FLOOR_PX)),
        overlap=found.overlap,
        tiles=tiles,
        warnings=tuple(warnings),
        homography=homography,
        radial=radial,
        corners=corner.corners if corner else 0,
        corners_px=gap,
    )


def _beyond(
    reference: Picture, moving: Picture, found: Refined, warnings: list[str]
) -> tuple[np.ndarray | None, Radial | None]:
    """A perspective (moving -> reference) or a radial term, where the residual asks for it and it explains most of it."""
    if found.residual_px <= max(0.15, 2.0 * float(np.median(found.tiles[:, 4]))):
        return None, None
    warnings.append(f"parts of the picture lie up to {found.residual_px:.2f} px off: parallax or lens distortion.")
    radial = _bend(reference, moving, found)
    wider = refine(reference, moving, found.warp, factors=(1.0,), kind="homography")
    if wider is None or wider.residual_px > 0.6 * found.residual_px:
        wider = None
    if radial is not None and (wider is None or radial.residual_px <= wider.residual_px):
        kind = "barrel or cushion"
        warnings.append(f"{kind} ({radial.edge_px:+.2f} px at the edge) lowers the residual to {radial.residual_px:.2f} px.")
        return None, radial
    if wider is None:
        return None, None
    warnings.append(f"a perspective lowers the residual to {wider.residual_px:.2f} px.")
    homography = np.linalg.inv(wider.warp)
    return homography / homography[2, 2], None


def _bend(reference: Picture, moving: Picture, found: Refined) -> Radial | None:
    """A radial term found by taking it out of the moving picture again and again; None where it explains little."""
    rows, cols = reference.light.shape
    c = reference.circle
    centre = (c.cx, c.cy) if c else (0.5 * (cols - 1), 0.5 * (rows - 1))
    radius = c.radius if c else 0.5 * math.hypot(rows, cols)
    edge_px, made, radial = 0.0, found, None
    for _ in range(5):
        more = radial_of(made.tiles, centre, radius)
        if more is None:
            return None
        edge_px += more.edge_px
        radial = replace(more, edge_px=edge_px)
        again = refine(reference, unbent(moving, np.linalg.inv(made.warp), radial), made.warp, factors=(2.0, 1.0))
        if again is None:
            return None
        made = again
        if abs(more.edge_px) < 0.02 * abs(edge_px):
            break
    if radial is None or abs(edge_px) < 4.0 * radial.sigma_px or made.residual_px > 0.6 * found.residual_px:
        return None
    return replace(radial, residual_px=made.residual_px)


def _confirmed(reference: Picture, moving: Picture, found: Refined, guesses: list[Guess]) -> tuple[str | None, float | None]:
    """The method that lands at the same pose by itself, and how far off it is."""
    pixel = max(1.0, max(max(reference.light.shape), max(moving.light.shape)) / 760.0)
    mirrored = float(np.linalg.det(found.warp[:2, :2])) < 0
    near, far = max(2.0 * pixel, 0.012 * field_radius(reference)), max(4.0 * pixel, 0.03 * field_radius(reference))
    limits = {"features": near, "points": max(3.0, near), "spectrum": far}
    for by, limit in limits.items():
        gaps = [warp_distance(found.warp, g.warp, reference) for g in guesses if g.by == by and g.mirrored == mirrored]
        if gaps and min(gaps) < limit:
            return by, min(gaps)
    return None, None


__all__ = ["PoseFit", "fit_pose", "pose_from_points"]

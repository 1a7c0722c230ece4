"""The round edge of the eyepiece image, to a fraction of a pixel.

A vote of edge pixels finds where a circle may be; then the light along rays across its edge is fitted with a blurred step
whose bright side may slope (vignetting, scene) and whose dark side may glow.  The half-level point of that step does not move
with blur.  A robust circle through the sectors' edge points is the answer; sectors outside the picture or without an edge
take no part.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import erfc

from viewer.align.circle_seek import candidates
from viewer.align.transform import FieldCircle
from viewer.cv import cv2

_SECTORS = 144
_LOOK_AGAIN = 5
_Look = tuple[float, float, float, float, float]


@dataclass(frozen=True)
class _Edges:
    """Edge points of the sectors around a circle: angle, radius, its 1-sigma error, contrast; sectors wholly in the picture."""

    angle: np.ndarray
    radius: np.ndarray
    sigma: np.ndarray
    contrast: np.ndarray
    blur_px: float
    whole: int


def fit_field_circle(luminance: np.ndarray, *, smallest: float = 0.12) -> FieldCircle | None:
    """Fit the field circle of one picture (best: the mean of many frames).

    Parameters
    ----------
    luminance : ndarray of shape (rows, cols), float
        Linear light.  Values that are not finite count as dark.
    smallest : float, optional
        Least radius, as a fraction of the shorter side.

    Returns
    -------
    FieldCircle or None
        Centre and radius (px, pixel centres whole numbers), the robust spread of the sectors' edge points about it and the
        arc that was seen.  None when there is no circle: no bright disc against a darker surround, or under 50 degrees of
        its edge in the picture.

    Notes
    -----
    The half-level contour of a disc of radius R blurred by a Gaussian of sigma s lies s**2 / (2 R) inside the edge: 0.01 px
    for R = 400 px and s = 3 px; it is not corrected.
    """
    light = np.nan_to_num(np.asarray(luminance, np.float32), nan=0.0, posinf=0.0, neginf=0.0)
    if light.ndim != 2 or min(light.shape) < 32 or float(np.ptp(light)) <= 0:
        return None
    far = _best_looks(light, candidates(light, smallest), 0.08)[:_LOOK_AGAIN]
    ranked: list[_Look] = []
    for look in _best_looks(light, [look[1:4] for look in far], 0.05):
        if all(math.dist(look[1:4], other[1:4]) > 0.04 * other[3] for other in ranked):
            ranked.append(look)
    best: tuple[float, FieldCircle] | None = None
    for _, cx, cy, radius, blur in ranked[:3]:
        found = _refine(light, cx, cy, radius, blur, smallest)
        if found is not None and (best is None or found[0] > best[0]):
            best = found
            if found[1].arc_deg > 240.0 and (found[1].residual_px or 0.0) < 0.002 * radius:
                break  # nothing else is that long and that round
    return best[1] if best else None


def _best_looks(light: np.ndarray, places: Sequence[tuple[float, float, float]], share: float) -> list[_Look]:
    """What a look at each place finds, best first."""
    found = [_look(light, *place, share=share) for place in places]
    return sorted((look for look in found if look is not None), reverse=True)


def _look(light: np.ndarray, cx: float, cy: float, radius: float, *, share: float) -> _Look | None:
    """Move a candidate roughly onto its edge, sought within a share of its radius: (score, cx, cy, radius, blur)."""
    reach = max(10.0, share * radius)
    edges = _sector_edges(light, cx, cy, radius, reach, (0.06 * reach, 0.15 * reach))
    fit = _robust_circle(edges, cx, cy, radius, 0.25 * reach) if edges else None
    if edges is None or fit is None:
        return None
    cx, cy, radius = fit[0], fit[1], fit[2]
    if not 8.0 <= radius <= 2.0 * max(light.shape):
        return None
    good = fit[4] > 0.2
    score = float(good.sum()) / (1.0 + fit[3] / reach * 10.0) * min(float(np.median(edges.contrast[good])), 10.0)
    return score * radius**0.5, cx, cy, radius, edges.blur_px


def _refine(
    light: np.ndarray, cx: float, cy: float, radius: float, blur: float, smallest: float
) -> tuple[float, FieldCircle] | None:
    """Follow a candidate to the sub-pixel circle; with a score that prefers long, strong, round edges."""
    rows, cols = light.shape
    for turn in range(8):
        reach = float(np.clip(5.0 * blur + 4.0, 8.0, max(10.0, 0.15 * radius)))
        factors = (0.5, 0.7, 1.0, 1.4, 2.0) if turn < 2 else (0.87, 1.0, 1.15)
        blurs = [max(0.4, blur * factor) for factor in factors]
        solved = _most_likely(light, cx, cy, radius, reach, blurs, far=turn < 2)
        if solved is None:
            return None
        moved = math.hypot(solved[0] - cx, solved[1] - cy) + abs(solved[2] - radius)
        cx, cy, radius, blur = solved
        if not smallest * min(rows, cols) <= radius <= 1.5 * max(rows, cols):
            return None
        if turn >= 2 and moved < 3e-3:
            break
    edges = _sector_edges(light, cx, cy, radius, reach, (blur,))
    fit = _robust_circle(edges, cx, cy, radius, 1.0) if edges else None
    if edges is None or fit is None or abs(fit[2] - radius) + math.hypot(fit[0] - cx, fit[1] - cy) > 0.02 * radius:
        return None
    residual, weight = fit[3], fit[4]
    good = weight > 0.2
    arc = 360.0 * float(good.sum()) / _SECTORS
    seen = 360.0 * edges.whole / _SECTORS
    strength = float(np.median(edges.contrast[good])) if good.any() else 0.0
    if arc < 50.0 or arc < 0.5 * seen or residual > max(2.0, 0.012 * radius) or strength < 2.0:
        return None
    circle = FieldCircle(cx=cx, cy=cy, radius=radius, residual_px=residual, arc_deg=arc)
    if not _even_outside(light, circle):
        return None
    return arc * radius**0.5 * min(strength, 10.0) / (1.0 + residual), circle


def _even_outside(light: np.ndarray, circle: FieldCircle) -> bool:
    """Whether the light outside is all one darkness against the step at the edge: beyond a field stop there is no scene."""
    rows, cols = light.shape
    step = max(1.0, 0.02 * circle.radius)
    size = (max(8, round(cols / step)), max(8, round(rows / step)))
    small = cv2.GaussianBlur(cv2.resize(light, size, interpolation=cv2.INTER_AREA), (0, 0), 1.0)
    y = (np.arange(size[1])[:, None] + 0.5) * rows / size[1] - 0.5
    x = (np.arange(size[0])[None, :] + 0.5) * cols / size[0] - 0.5
    away = np.hypot(x - circle.cx, y - circle.cy) / circle.radius
    inside, outside = small[away < 0.93], small[away > 1.1]
    if len(outside) < 0.005 * small.size or len(inside) == 0:
        return True
    middle, high = np.percentile(outside, (50, 90))
    return bool(high - middle < 0.2 * (float(np.median(inside)) - middle))


def _most_likely(
    light: np.ndarray, cx: float, cy: float, radius: float, reach: float, blurs: list[float], *, far: bool
) -> tuple[float, float, float, float] | None:
    """Move the circle to where the blurred step fits all sectors best: (cx, cy, radius, blur).

    Each sector has a noise of its own, so its likelihood is a power of what the step leaves; a sector without an edge is
    flat and has no say.  `far` tells that the edge may still lie elsewhere than where it is sought.
    """
    made = _profiles(light, cx, cy, radius, reach)
    if made is None:
        return None
    offset, angle, profile = made
    place = np.linspace(-0.5 * reach, 0.5 * reach, 41)
    directions = np.stack([np.cos(angle), np.sin(angle), np.ones_like(angle)], axis=1)
    total = ((profile - profile.mean(axis=1, keepdims=True)) ** 2).sum(axis=1, keepdims=True) + 1e-30
    quiet = _quietness(profile)
    best: tuple[float, np.ndarray, float] | None = None
    for blur in blurs:
        left, height = _step_costs(profile, offset, place, blur, quiet)
        left = np.where(height > 0, np.minimum(left, total), total) + 1e-4 * total
        for begin in (np.zeros(3), *([_through_lowest(left, place, directions)] if far else [])):
            cost, move = _descend(left, place, directions, begin)
            if best is None or cost < best[0]:
                best = (cost, move, blur)
    if best is None or float(np.abs(best[1]).max()) > 2.0 * reach:
        return None
    return cx + float(best[1][0]), cy + float(best[1][1]), radius + float(best[1][2]), best[2]


def _through_lowest(left: np.ndarray, place: np.ndarray, directions: np.ndarray) -> np.ndarray:
    """The circle (a move of centre and radius) through most sectors' own best places."""
    lowest = place[np.argmin(left, axis=1)]
    start = np.linalg.lstsq(directions, lowest, rcond=None)[0]
    for _ in range(3):
        gap = np.abs(lowest - directions @ start)
        near = gap <= np.median(gap) * 2.5 + 1e-9
        start = np.linalg.lstsq(directions[near], lowest[near], rcond=None)[0]
    return np.asarray(start)


def _descend(left: np.ndarray, place: np.ndarray, directions: np.ndarray, move: np.ndarray) -> tuple[float, np.ndarray]:
    """Least sum of log `left` over the sectors by reweighted steps: (cost, move of centre and radius)."""
    spacing = float(place[1] - place[0])
    slope = np.zeros_like(left)
    bend = np.zeros_like(left)
    slope[:, 1:-1] = (left[:, 2:] - left[:, :-2]) / (2.0 * spacing)
    bend[:, 1:-1] = (left[:, 2:] - 2.0 * left[:, 1:-1] + left[:, :-2]) / spacing**2
    rows = np.arange(len(left))
    best = (math.inf, move)
    for _ in range(20):
        at = np.clip(directions @ move, place[1], place[-2])
        node = np.clip(np.rint((at - place[0]) / spacing).astype(int), 1, len(place) - 2)
        gap, curve = at - place[node], bend[rows, node]
        here = np.maximum(left[rows, node] + gap * (slope[rows, node] + 0.5 * gap * curve), 1e-3 * left[rows, node])
        cost = float(np.log(here).sum())
        if cost >= best[0] - 1e-9 and math.isfinite(best[0]):
            move = 0.5 * (move + best[1])
            if float(np.abs(move - best[1]).max()) < 1e-4:
                break
            continue
        best = (cost, move)
        s, b = (slope[rows, node] + gap * curve) / here, np.maximum(curve / here, 0.0)
        normal = directions.T @ (b[:, None] * directions)
        normal += np.eye(3) * (1e-4 * np.trace(normal) / 3.0 + 1e-9)
        reach = 0.3 * float(place[-1])
        move = move + np.clip(-np.linalg.solve(normal, directions.T @ s), -reach, reach)
    return best


def _profiles(light: np.ndarray, cx: float, cy: float, radius: float, reach: float) -> tuple[np.ndarray, ...] | None:
    """Mean light along rays, sector by sector: (offsets from `radius`, angles, profiles)."""
    rows, cols = light.shape
    per_sector = int(np.clip(2.0 * math.pi * radius / _SECTORS, 3, 24))
    step = float(np.clip(reach / 40.0, 0.25, 1.0))
    offset = np.arange(-reach, reach + 0.5 * step, step)
    angle = (np.arange(_SECTORS * per_sector) + 0.5) * (2.0 * math.pi / (_SECTORS * per_sector))
    r = radius + offset
    x = cx + r[None, :] * np.cos(angle)[:, None]
    y = cy + r[None, :] * np.sin(angle)[:, None]
    inside = ((x > 0.5) & (x < cols - 1.5) & (y > 0.5) & (y < rows - 1.5)).all(axis=1)
    sampled = cv2.remap(light, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    sampled = sampled.reshape(_SECTORS, per_sector, -1)
    whole = inside.reshape(_SECTORS, per_sector).all(axis=1)
    if whole.sum() < 12:
        return None
    sampled = sampled[whole]
    middle = angle.reshape(_SECTORS, per_sector).mean(axis=1)[whole]
    return offset, middle, sampled.mean(axis=1)


def _sector_edges(
    light: np.ndarray, cx: float, cy: float, radius: float, reach: float, blurs: tuple[float, ...]
) -> _Edges | None:
    """Fit the blurred step in every sector, with the one of `blurs` that suits most of them."""
    made = _profiles(light, cx, cy, radius, reach)
    if made is None:
        return None
    offset, angle, profile = made
    total = ((profile - profile.mean(axis=1, keepdims=True)) ** 2).sum(axis=1) + 1e-30
    place = np.linspace(-0.72 * reach, 0.72 * reach, 61)
    fits = [(*_step_costs(profile, offset, place, blur, _quietness(profile)), blur) for blur in blurs]
    left, height, blur = min(fits, key=lambda fit: float(np.median(fit[0].min(axis=1) / total)))
    at = np.argmin(np.where(height > 0, left, np.inf), axis=1)  # the bright side must be inside
    n = np.arange(len(at))
    ok = (height[n, at] > 0) & (at > 0) & (at < len(place) - 1)
    at = np.clip(at, 1, len(place) - 2)
    c0, c1, c2 = left[n, at - 1], left[n, at], left[n, at + 1]
    bend = c0 - 2.0 * c1 + c2
    ok &= bend > 0
    bend = np.where(ok, bend, 1.0)
    shift = np.where(ok, 0.5 * (c0 - c2) / bend, 0.0)
    ok &= np.abs(shift) <= 1.0
    spacing = place[1] - place[0]
    # Neighbouring samples share pixels: about one independent value a pixel.
    step = offset[1] - offset[0]
    noise = c1 / max(len(offset) - 5.0 / step, 4.0)
    sigma = spacing * np.sqrt(2.0 * noise / min(step, 1.0) / bend)
    contrast = height[n, at] / np.sqrt(noise + 1e-30)
    if ok.sum() < 12:
        return None
    edge = radius + place[at] + shift * spacing
    return _Edges(angle[ok], edge[ok], np.maximum(sigma[ok], 0.02), contrast[ok], blur, len(angle))


def _step_costs(
    profile: np.ndarray, offset: np.ndarray, place: np.ndarray, sigma: float, quiet: float
) -> tuple[np.ndarray, np.ndarray]:
    """Variance left by a blurred step at each place: shape (sectors, places), and the step's height there.

    Scene and photon noise scale with the light, so the dark side says more: samples are weighted by the step itself, `quiet`
    being the noise of the dark side relative to the bright one.
    """
    u = offset[None, :] - place[:, None]
    step = 0.5 * erfc(u / (math.sqrt(2.0) * sigma))
    weight = 1.0 / np.sqrt(step**2 + quiet**2)
    weight /= np.exp(np.log(weight).mean(axis=1, keepdims=True))  # keeps variances at different places comparable
    reach = float(np.ptp(offset))
    basis = np.stack([np.ones_like(u), step, step * u / reach, (1.0 - step) * u / reach], axis=-1)
    q, r = np.linalg.qr(basis * weight[..., None])
    seen = np.einsum("pkb,sk->spb", q * weight[..., None], profile, optimize=True)
    left = np.maximum((profile**2) @ (weight**2).T - (seen**2).sum(axis=-1), 0.0)
    heights = np.einsum("pb,spb->sp", np.linalg.inv(r)[:, 1, :], seen, optimize=True)
    return left, heights


def _quietness(profile: np.ndarray) -> float:
    """Scatter of the dark end of the profiles relative to the bright end, 0.6 to 1."""
    third = profile.shape[1] // 3
    ends = [np.diff(part, n=2, axis=1) for part in (profile[:, :third], profile[:, -third:])]
    bright, dark = (float(np.median(np.abs(end))) for end in ends)
    return float(np.clip(dark / max(bright, 1e-30), 0.6, 1.0))


def _middle(values: np.ndarray) -> float:
    """The median (the upper one of two) of a few values, without the library's overhead."""
    return float(np.partition(values, len(values) // 2)[len(values) // 2])


def _robust_circle(
    edges: _Edges, cx: float, cy: float, radius: float, least_px: float
) -> tuple[float, float, float, float, np.ndarray] | None:
    """Weighted circle through the edge points, outliers left out: (cx, cy, radius, spread, weights 0..1)."""
    ux, uy = np.cos(edges.angle), np.sin(edges.angle)
    x, y = cx + edges.radius * ux, cy + edges.radius * uy
    a, b, r = cx, cy, radius
    gap = np.hypot(x - a, y - b) - r
    spread = max(1.4826 * _middle(np.abs(gap - _middle(gap))), 0.02)
    limit = max(4.0 * spread, least_px)
    weight = np.ones_like(gap)
    for turn in range(12):
        dx, dy = x - a, y - b
        d = np.hypot(dx, dy)
        gap = d - r
        centre = _middle(gap) if turn == 0 else 0.0
        weight = np.clip(1.0 - ((gap - centre) / limit) ** 2, 0.0, None) ** 2
        w = weight / (edges.sigma**2 + spread**2)
        if (weight > 0.2).sum() < 12:
            return None
        design = np.stack([dx / d, dy / d, np.ones_like(d)], axis=1)
        normal = design.T @ (w[:, None] * design)
        if np.linalg.cond(normal) > 1e10:
            return None
        change = np.linalg.solve(normal, design.T @ (w * gap))
        a, b, r = a + change[0], b + change[1], r + change[2]
        gap = np.hypot(x - a, y - b) - r
        core = weight > 0.2
        spread = max(1.4826 * _middle(np.abs(gap[core])), 0.02)
        limit = max(4.0 * spread, 0.5)
        if turn > 3 and float(np.abs(change).max()) < 1e-4:
            break
    return float(a), float(b), float(r), spread, weight


__all__ = ["fit_field_circle"]

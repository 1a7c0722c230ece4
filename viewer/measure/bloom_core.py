"""Size of the patch in which a light's mean picture reaches the limit of the recording."""

from __future__ import annotations

import math

import numpy as np
from scipy.ndimage import binary_dilation, label

from viewer.measure.bloom_values import Value

TOUCHED = 0.02  # share of frames in which a pixel may have been clipped for its mean to be trusted
MASK_ERROR = 0.08  # by how much of the limit pixels below it may count as clipped
LEVEL_ERROR = 0.03  # of light next to burnt pixels, as encoders leave it


def clipped_core(
    light: np.ndarray, clipped: np.ndarray, centre: tuple[float, float], reach: float, *, limit: float | None = None
) -> Value:
    """Measure the radius of the disc that has the area of the clipped patch.

    Which pixels count as clipped depends on noise, on the encoder and on how light pulses; the light round the patch does
    not.  So the light that no frame clipped is followed inwards and carried on to the limit.

    Parameters
    ----------
    light : ndarray of shape (rows, cols)
        Mean light.
    clipped : ndarray of shape (rows, cols)
        Share of frames in which each pixel was clipped.
    centre : (x, y)
        The light.
    reach : float
        Px within which the patch must come near the centre.
    limit : float, optional
        Light at which the recording clips; without it, the light along the border of the patch.

    Returns
    -------
    Value
        Radius in px, 0 where nothing is clipped, with its standard error.
    """
    patch = _patch(clipped, centre, reach)
    if patch is None:
        return Value(0.0)
    counted = math.sqrt(float(clipped[patch].sum()) / math.pi)
    part, share, place = _window(light, clipped, patch)
    top = limit if limit is not None else _border_light(part, share)
    found = _carried_on(part, share, place, top) if top else None
    if found is None:
        return Value(counted, 0.15 + 0.1 * counted)
    radius, sigma, slope = found
    # what counts as clipped starts a little below the limit, which matters where light falls slowly
    plain = math.hypot(0.2, MASK_ERROR * slope / (2.0 * max(counted, 0.5)))
    trust = plain**2 / (plain**2 + sigma**2)
    value = trust * radius + (1.0 - trust) * counted
    return Value(value, math.hypot(plain * math.sqrt(1.0 - trust), min(0.3 * abs(radius - counted), plain)))


def _patch(clipped: np.ndarray, centre: tuple[float, float], reach: float) -> np.ndarray | None:
    """Return the connected patch nearest to `centre` that is clipped in some frames, grown by 2 px; None without one."""
    names, count = label(clipped > 0.1, structure=np.ones((3, 3)))
    if not count:
        return None
    x, y, r = round(centre[0]), round(centre[1]), max(2, math.ceil(reach))
    y0, x0 = max(0, y - r), max(0, x - r)
    near = names[y0 : y + r + 1, x0 : x + r + 1]
    yy, xx = np.nonzero(near)
    if not yy.size:
        return None
    nearest = int(np.argmin(np.hypot(xx + x0 - centre[0], yy + y0 - centre[1])))
    return np.asarray(binary_dilation(names == near[yy[nearest], xx[nearest]], iterations=2))


def _window(light: np.ndarray, clipped: np.ndarray, patch: np.ndarray) -> tuple[np.ndarray, np.ndarray, tuple[float, float]]:
    """Cut light and clipped share round the patch, twice as wide as it; and the patch's middle within the cut."""
    ys, xs = np.nonzero(patch)
    pad = 6 + max(int(np.ptp(ys)), int(np.ptp(xs))) // 2
    y0, y1 = max(0, int(ys.min()) - pad), min(light.shape[0], int(ys.max()) + pad + 1)
    x0, x1 = max(0, int(xs.min()) - pad), min(light.shape[1], int(xs.max()) + pad + 1)
    own = np.where(patch, clipped, 0.0)[y0:y1, x0:x1]
    return light[y0:y1, x0:x1], own, (float(xs.mean()) - x0, float(ys.mean()) - y0)


def _border_light(light: np.ndarray, share: np.ndarray) -> float:
    """Return the mean light of pixels that are clipped in about half of the frames, or else next to the patch."""
    half = (share > 0.25) & (share < 0.75)
    if np.count_nonzero(half) >= 4:
        return float(np.median(light[half]))
    full = share > 0.5
    ring = full & ~binary_dilation(~full)
    edge = full & ~ring
    return float(np.percentile(light[edge], 10)) if edge.any() else 0.0


def _carried_on(
    light: np.ndarray, share: np.ndarray, place: tuple[float, float], limit: float
) -> tuple[float, float, float] | None:
    """Return radius and error at which the light reaches `limit`, and how steeply; None where too few pixels lead up to it.

    The steepness is the change of the squared radius with the logarithm of the light.

    The logarithm of the light is a straight line or a parabola in the square of the radius (a line for a Gaussian); the mean of
    both is carried on from the pixels that no frame clipped.
    """
    yy, xx = np.indices(light.shape)
    q = np.asarray((xx - place[0]) ** 2 + (yy - place[1]) ** 2)
    inner = float(np.max(q, where=share > 0.5, initial=0.0))
    good = (share <= TOUCHED) & (light < 0.95 * limit) & (light > 0)
    ground = float(np.median(light[good])) if good.any() else 0.0
    next_to = good & (q < 2.0 * inner + 12.0)
    top = float(np.percentile(light[next_to], 98)) if next_to.any() else 0.0
    near = good & (light > max(0.3 * top, ground + 0.2 * (top - ground))) & (q < 4.0 * inner + 40.0)
    if np.count_nonzero(near) < 8:
        return None
    t, at = np.log(light[near] / limit), q[near]
    trust = light[near] / top
    found, steep = [], 0.0
    for degree in (1, 2):
        if near.sum() < 8 * degree:
            continue
        columns = np.vander(t, degree + 1) * trust[:, None]
        inverse = np.linalg.pinv(columns.T @ columns)
        fit = np.atleast_1d(inverse @ columns.T @ (trust * at))
        rest = trust * at - columns @ fit
        error = math.sqrt(float(np.mean(rest**2) * inverse[-1, -1]))
        steep = float(fit[-2]) if degree == 1 else steep
        found.append((float(fit[-1]), math.hypot(error, LEVEL_ERROR * float(fit[-2]))))
    value = float(np.mean([v for v, _ in found]))
    if value <= 0.0:
        return None
    spread = math.hypot(0.5 * float(np.ptp([v for v, _ in found])), max(e for _, e in found))
    radius = math.sqrt(value)
    return radius, max(math.sqrt(value + spread) - radius, 0.04), abs(steep)


__all__ = ["clipped_core"]

"""Fit of the light model to a picture: robust weights, nonlinear search, errors that allow for correlated residuals."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from viewer.measure.bloom_model import Patch, Shape, Solution, design, pack, solution, unpack

MOST_STEPS = 25
MAX_LAG = 14  # px over which residuals may be correlated


@dataclass(frozen=True, slots=True)
class Fit:
    """A finished fit.

    ``covariance`` is of the flat vector of nonlinear parameters followed by the amplitudes in `free` (indices into the full
    list of columns, backgrounds first).  ``reduced`` is the weighted mean square residual (1 for pure noise of the weights),
    ``lag_px`` the distance over which residuals are correlated.
    """

    patch: Patch
    solution: Solution
    covariance: np.ndarray
    free: np.ndarray
    order: int
    reduced: float
    inflation: float

    @property
    def shapes(self) -> tuple[Shape, ...]:
        """The fitted shapes."""
        return self.solution.shapes

    def sigma(self, light: int, param: int) -> float:
        """Standard error of one nonlinear parameter."""
        place = sum(shape.params.size for shape in self.shapes[:light]) + param
        return math.sqrt(max(0.0, float(self.covariance[place, place])))

    def amplitude_index(self, light: int, column: int) -> int:
        """Index of a column of one light in the full list of columns."""
        ground = self.solution.background.size
        return ground + sum(a.size for a in self.solution.amplitudes[:light]) + column

    def amplitude_sigma(self, index: int) -> float:
        """Standard error of one amplitude (0 if it is held at its bound)."""
        place = np.flatnonzero(self.free == index)
        if not place.size:
            return 0.0
        row = pack(self.shapes).size + int(place[0])
        return math.sqrt(max(0.0, float(self.covariance[row, row])))


def search(patch: Patch, shapes: tuple[Shape, ...], low: np.ndarray, high: np.ndarray, order: int = 1) -> Solution:
    """Return the best solution near `shapes` within the bounds of the flat parameter vector.

    Levenberg and Marquardt's steps on the parameters, the amplitudes solved inside; parameters at a bound that would leave it
    rest.  A light's core, whose width says nothing while its amplitude is nil, is started from three widths.
    """
    first = np.clip(pack(shapes), low, high)
    best = solution(patch, unpack(shapes, first), order)
    place = 0
    for shape in shapes:
        place += shape.params.size
        if not shape.core:
            continue
        for factor in (0.5, 0.75, 1.3):
            trial = pack(best.shapes)
            trial[place - 1] = np.clip(first[place - 1] * factor, low[place - 1], high[place - 1])
            other = solution(patch, unpack(shapes, trial), order)
            if other.chi2 < best.chi2:
                best = other
    return _descend(patch, best, low, high, order)


def _descend(patch: Patch, found: Solution, low: np.ndarray, high: np.ndarray, order: int) -> Solution:
    """Step downhill until a step moves nothing by more than 1e-4 of its room to move, or gains nothing."""
    root = np.sqrt(patch.weight)
    damping = 1e-3
    for _ in range(MOST_STEPS):
        vector = pack(found.shapes)
        lean = projected(patch, found, order, root)
        push = lean.T @ (root * found.residual)
        held = ((vector <= low) & (push < 0)) | ((vector >= high) & (push > 0))
        curve = lean.T @ lean
        power = np.diag(curve).copy()
        power[power <= 1e-12 * power.max(initial=0.0)] = np.inf
        free = ~held & np.isfinite(power)
        if not free.any():
            return found
        while True:
            step = np.zeros(vector.size)
            part = curve[np.ix_(free, free)] + np.diag(damping * power[free])
            step[free] = np.linalg.solve(part, push[free])
            # what a quadratic valley would gain; below that of a tenth of a standard error the search is done
            if float(push @ step) < 3e-7 * found.chi2:
                return found
            moved = np.clip(vector + step, low, high)
            other = solution(patch, unpack(found.shapes, moved), order)
            if other.chi2 <= found.chi2:
                break
            damping *= 8.0
            if damping > 1e6:
                return found
        small = bool(np.all(np.abs(moved - vector) < 1e-4 * (high - low)))
        gained = found.chi2 - other.chi2
        found, damping = other, max(damping / 8.0, 1e-9)
        if small or gained < 3e-7 * found.chi2:
            return found
    return found


def slopes(patch: Patch, found: Solution) -> np.ndarray:
    """Return d model / d nonlinear parameter at fixed amplitudes, one row a parameter."""
    rows: list[np.ndarray] = []
    for shape, amplitude in zip(found.shapes, found.amplitudes, strict=True):
        for i, value in enumerate(shape.params):
            step = 1e-3 * max(1.0, abs(float(value)))
            sides = []
            for sign in (1.0, -1.0):
                params = shape.params.copy()
                params[i] += sign * step
                sides.append(replace(shape, params=params).total(patch.x, patch.y, amplitude))
            rows.append((sides[0] - sides[1]) / (2.0 * step))
    return np.array(rows)


def projected(patch: Patch, found: Solution, order: int, root: np.ndarray) -> np.ndarray:
    """Return the weighted slopes with the share that the free amplitudes take over removed (Kaufman), shape (N, parameters)."""
    matrix, ground = design(patch, found.shapes, order)
    amplitude = np.concatenate([found.background, *found.amplitudes])
    free = (np.arange(amplitude.size) < ground) | (amplitude > 0)
    a = matrix[free] * root
    a /= np.sqrt(np.einsum("ij,ij->i", a, a))[:, None] + 1e-300
    d = slopes(patch, found) * root
    gram = a @ a.T
    gram[np.diag_indices_from(gram)] += 1e-9
    return np.asarray((d - np.linalg.solve(gram, a @ d.T).T @ a).T)


def reweight(patch: Patch, found: Solution, *, floor: float = 0.004) -> Patch:
    """Return the patch with weights from the scatter of the residuals.

    The scatter is taken as a function of the model's light (median absolute residual in twelve equal groups, at least `floor`
    of the light there), and pixels beyond 3 standard deviations lose weight as in Tukey's biweight (0 beyond 6).
    """
    model = patch.light - found.residual
    level = np.median(model)
    order = np.argsort(model, kind="stable")
    groups = np.array_split(order, 12)
    places = np.array([float(np.median(model[g])) for g in groups])
    scatter = np.array([1.4826 * float(np.median(np.abs(found.residual[g]))) for g in groups])
    typical = max(float(np.median(scatter)), 1e-12)
    scatter = np.maximum(scatter, 0.5 * typical)
    spot = places + 1e-12 * np.arange(places.size) * max(1.0, abs(level))
    sigma = np.hypot(np.interp(model, spot, scatter), floor * np.abs(model - np.min(places)))
    t = np.clip((np.abs(found.residual) / sigma - 3.0) / 3.0, 0.0, 1.0)
    return replace(patch, weight=(1.0 - t**2) ** 2 / sigma**2)


def jacobian(patch: Patch, found: Solution, order: int) -> tuple[np.ndarray, np.ndarray]:
    """Return d model / d parameters (nonlinear first, then the free amplitudes) and the indices of those amplitudes."""
    matrix, ground = design(patch, found.shapes, order)
    amplitude = np.concatenate([found.background, *found.amplitudes])
    free = np.flatnonzero((np.arange(amplitude.size) < ground) | (amplitude > 0))
    return np.vstack([slopes(patch, found), matrix[free]]), free


def covariance(patch: Patch, jac: np.ndarray, residual: np.ndarray) -> tuple[np.ndarray, float]:
    """Return the covariance of the parameters, allowing for correlated residuals, and by how much they inflate it.

    With weighted rows ``H`` and residuals ``z`` of autocorrelation ``C(lag)`` (as far as it stands out of chance, then tapered
    to nil over as far again; its spectrum held positive), the covariance is ``G^-1 (sum_lag C(lag) H H_lag^T) G^-1`` with
    ``G = H H^T``.
    """
    root = np.sqrt(patch.weight)
    h = jac * root
    z = residual * root
    x = np.rint(patch.x - patch.x.min()).astype(np.intp)
    y = np.rint(patch.y - patch.y.min()).astype(np.intp)
    shape = (int(y.max()) + 1 + MAX_LAG, int(x.max()) + 1 + MAX_LAG)

    def spectrum(values: np.ndarray) -> np.ndarray:
        image = np.zeros(shape)
        image[y, x] = values
        return np.asarray(np.fft.rfft2(image))

    count = np.fft.irfft2(np.abs(spectrum((root > 0).astype(float))) ** 2, s=shape)
    auto = np.fft.irfft2(np.abs(spectrum(z)) ** 2, s=shape) / np.maximum(count, 1.0)
    lag_y = np.minimum(np.arange(shape[0]), shape[0] - np.arange(shape[0]))
    lag_x = np.minimum(np.arange(shape[1]), shape[1] - np.arange(shape[1]))
    far = np.hypot(lag_y[:, None], lag_x[None, :])
    last = _last_lag(auto, far, int(np.count_nonzero(root > 0)))
    auto = auto * np.clip(2.0 - far / last, 0.0, 1.0) * (count > 0)
    norm = np.maximum(np.sqrt(np.einsum("ij,ij->i", h, h)), 1e-12)
    h = h / norm[:, None]
    gram = h @ h.T
    gram[np.diag_indices_from(gram)] += 1e-9
    inverse = np.linalg.inv(gram)
    # only the combinations inverse @ h matter: one transform a parameter
    power = np.maximum(np.fft.rfft2(auto).real, 0.0)
    weights = np.full(power.shape, 2.0)
    weights[:, 0] = 1.0
    if shape[1] % 2 == 0:
        weights[:, -1] = 1.0
    rows = np.array([(spectrum(row) * np.sqrt(power * weights)).ravel() for row in inverse @ h])
    cov = np.real(rows @ rows.conj().T) / (shape[0] * shape[1])
    dof = max(1, int(np.count_nonzero(root > 0)) - jac.shape[0])
    plain = float(z @ z) / dof * inverse
    lead = min(4, jac.shape[0])
    ratio = np.sqrt(np.abs(np.diag(cov)[:lead]) / np.maximum(np.diag(plain)[:lead], 1e-300))
    # residuals of a fit are slightly smaller than the noise
    cov = cov * np.count_nonzero(root > 0) / dof
    return cov / norm[:, None] / norm[None, :], float(np.median(ratio))


def _last_lag(auto: np.ndarray, far: np.ndarray, count: int) -> float:
    """Return the lag (px) up to which residuals are correlated: where the mean over a ring of lags sinks into chance."""
    ring = np.rint(far).astype(int)
    near = ring <= MAX_LAG // 2
    lags = np.bincount(ring[near])
    mean = np.bincount(ring[near], auto[near]) / np.maximum(lags, 1)
    if mean[0] <= 0:
        return 0.5
    # each pair of opposite lags is one value of variance 1 / count
    chance = 2.5 * np.sqrt(2.0 / (np.maximum(lags, 1) * max(count, 1)))
    for lag in range(1, MAX_LAG // 2 + 1):
        if mean[lag] / mean[0] < chance[lag]:
            return max(0.5, lag - 0.5)
    return MAX_LAG / 2.0


def fit(patch: Patch, shapes: tuple[Shape, ...], low: np.ndarray, high: np.ndarray, *, order: int = 1, rounds: int = 3) -> Fit:
    """Fit `shapes` to `patch` with weights from the residuals, `rounds` times over."""
    found = search(patch, shapes, low, high, order)
    for _ in range(rounds - 1):
        patch = reweight(patch, found)
        found = search(patch, found.shapes, low, high, order)
    return finish(patch, found, order)


def finish(patch: Patch, found: Solution, order: int) -> Fit:
    """Add the covariance to a solution."""
    jac, free = jacobian(patch, found, order)
    cov, inflation = covariance(patch, jac, found.residual)
    used = int(np.count_nonzero(patch.weight > 0))
    return Fit(patch, found, cov, free, order, found.chi2 / max(1, used - jac.shape[0]), inflation)


__all__ = ["Fit", "covariance", "finish", "fit", "jacobian", "reweight", "search"]

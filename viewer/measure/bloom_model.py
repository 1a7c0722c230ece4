"""The picture of point lights as a sum of parts, and its fit with the linear parts solved inside.

One light is a core, a disc with a blurred edge (the halo of an intensifier) and a smooth glow.  Core and glow of unknown shape
are a mixture of centred Gaussians with positive weights on a fixed ladder of widths: such a mixture falls smoothly, takes the
shape of Gaussian, exponential and power-law wings alike, and cannot imitate the edge of a disc.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.linalg import cholesky
from scipy.optimize import nnls

from viewer.measure.bloom_profile import blurred_disc

Profile = Callable[[np.ndarray], np.ndarray]


@dataclass(frozen=True, slots=True)
class Patch:
    """Pixels that enter a fit: places, light, weights (1 / sigma^2 up to a factor)."""

    x: np.ndarray
    y: np.ndarray
    light: np.ndarray
    weight: np.ndarray

    @property
    def middle(self) -> tuple[float, float]:
        """Mean place, the origin of the background's slope."""
        return float(self.x.mean()), float(self.y.mean())


@dataclass(frozen=True, slots=True)
class Shape:
    """The nonlinear side of one light.

    ``params`` is ``x, y`` and then what `kind` needs: ``disc``: radius and edge blur; ``gauss``: sigma; ``moffat``: a, b.
    ``ladder`` holds the widths (px) of the Gaussians beside it, ``core`` says whether one narrow Gaussian of free width is
    added (its width is then the last parameter).  ``wings`` are rows of scale (px) and power of power-law wings
    ``(1 + r^2 / scale^2)^(-power / 2)``, as lenses have them.  ``camera``, of shape (2, N), is what the camera alone makes of a
    point: radii (px, rising) and light; empty if it is not known.
    """

    kind: str
    params: np.ndarray
    ladder: np.ndarray = field(default_factory=lambda: np.zeros(0))
    core: bool = False
    wings: np.ndarray = field(default_factory=lambda: np.zeros((0, 2)))
    camera: np.ndarray = field(default_factory=lambda: np.zeros((2, 0)))

    @property
    def size(self) -> int:
        """Number of columns."""
        return 1 + int(self.core) + self.ladder.size + len(self.wings) + bool(self.camera.size)

    def camera_light(self, r: np.ndarray) -> np.ndarray:
        """Return the camera's own profile at radii `r`."""
        return np.asarray(np.interp(r, self.camera[0], self.camera[1], right=0.0))

    def without_camera(self, weights: np.ndarray) -> np.ndarray:
        """Return `weights` with the camera's own light left out."""
        own = weights.copy()
        if self.camera.size:
            own[-1] = 0.0
        return own

    @property
    def main(self) -> Profile:
        """Profile of the main part at unit amplitude."""
        p = self.params
        if self.kind == "disc":
            radius, sigma = float(p[2]), float(p[3])
            return lambda r: blurred_disc(r, radius, sigma)
        if self.kind == "gauss":
            width = float(p[2])
            return lambda r: np.asarray(np.exp(-0.5 * (r / width) ** 2))
        a, b = float(p[2]), float(p[3])
        return lambda r: np.asarray((1.0 + (r / a) ** 2) ** -b)

    def columns(self, x: np.ndarray, y: np.ndarray) -> list[np.ndarray]:
        """Return the parts at unit amplitude: main, core if any, the ladder, the wings, and the camera's own light if known."""
        r2 = (x - self.params[0]) ** 2 + (y - self.params[1]) ** 2
        parts = [self.main(np.sqrt(r2))]
        widths = ([float(self.params[-1])] if self.core else []) + list(self.ladder)
        parts.extend(np.exp(-0.5 * r2 / width**2) for width in widths)
        parts.extend((1.0 + r2 / scale**2) ** (-0.5 * power) for scale, power in self.wings)
        if self.camera.size:
            parts.append(self.camera_light(np.sqrt(r2)))
        return parts

    def total(self, x: np.ndarray, y: np.ndarray, weights: np.ndarray) -> np.ndarray:
        """Return the light of this source for the amplitudes `weights` of its columns; parts of no light are not computed."""
        r2 = (x - self.params[0]) ** 2 + (y - self.params[1]) ** 2
        light = weights[0] * self.main(np.sqrt(r2)) if weights[0] else np.zeros_like(r2)
        widths = ([float(self.params[-1])] if self.core else []) + list(self.ladder)
        for weight, width in zip(weights[1 : 1 + len(widths)], widths, strict=True):
            if weight:
                light = light + weight * np.exp(-0.5 * r2 / width**2)
        last = 1 + len(widths) + len(self.wings)
        for weight, (scale, power) in zip(weights[1 + len(widths) : last], self.wings, strict=True):
            if weight:
                light = light + weight * (1.0 + r2 / scale**2) ** (-0.5 * power)
        if self.camera.size and weights[-1]:
            light = light + weights[-1] * self.camera_light(np.sqrt(r2))
        return np.asarray(light)

    def radial(self, weights: np.ndarray) -> Profile:
        """Return the light of this source as a function of the radius, for the amplitudes `weights` of its columns."""
        return lambda r: self.total(np.asarray(r, float) + self.params[0], self.params[1] + 0.0 * np.asarray(r, float), weights)


@dataclass(frozen=True, slots=True)
class Solution:
    """A fit: shapes, amplitudes, background and how well they match."""

    shapes: tuple[Shape, ...]
    amplitudes: tuple[np.ndarray, ...]
    background: np.ndarray  # level at the patch's middle, slope along x, slope along y
    residual: np.ndarray  # light - model
    chi2: float


def _background_columns(patch: Patch, order: int) -> list[np.ndarray]:
    """Columns of the background: level, slopes, and for order 2 the three curvatures."""
    mx, my = patch.middle
    u, v = (patch.x - mx) / 50.0, (patch.y - my) / 50.0
    columns = [np.ones_like(u), u, v]
    return [*columns, u * u, u * v, v * v] if order == 2 else columns


def design(patch: Patch, shapes: tuple[Shape, ...], order: int = 1) -> tuple[np.ndarray, int]:
    """Return the matrix of all columns (backgrounds first) and the number of background columns."""
    ground = _background_columns(patch, order)
    columns = list(ground)
    for shape in shapes:
        columns.extend(shape.columns(patch.x, patch.y))
    return np.array(columns), len(ground)


def solve_linear(matrix: np.ndarray, ground: int, patch: Patch) -> tuple[np.ndarray, np.ndarray]:
    """Return amplitudes (background free, the rest >= 0) and residual of the weighted least squares.

    The normal equations are scaled and lightly ridged (1e-10), then solved by non-negative least squares with every
    background column entered with both signs.
    """
    root = np.sqrt(patch.weight)
    a = matrix * root
    b = patch.light * root
    norm = np.sqrt(np.einsum("ij,ij->i", a, a)) + 1e-300
    a = a / norm[:, None]
    gram = a @ a.T
    gram[np.diag_indices_from(gram)] += 1e-10
    right = a @ b
    upper = cholesky(gram, check_finite=False)
    target = np.linalg.solve(upper.T, right)
    both = np.hstack([upper, -upper[:, :ground]])
    found, _ = nnls(both, target, maxiter=20 * both.shape[1])
    size = matrix.shape[0]
    amplitude = found[:size].copy()
    amplitude[:ground] -= found[size:]
    amplitude /= norm
    return amplitude, patch.light - amplitude @ matrix


def solution(patch: Patch, shapes: tuple[Shape, ...], order: int = 1) -> Solution:
    """Solve the linear side for fixed shapes."""
    matrix, ground = design(patch, shapes, order)
    amplitude, residual = solve_linear(matrix, ground, patch)
    parts: list[np.ndarray] = []
    place = ground
    for shape in shapes:
        count = shape.size
        parts.append(amplitude[place : place + count])
        place += count
    return Solution(shapes, tuple(parts), amplitude[:ground], residual, float(np.sum(patch.weight * residual**2)))


def unpack(shapes: tuple[Shape, ...], vector: np.ndarray) -> tuple[Shape, ...]:
    """Return the shapes with the parameters of one flat vector."""
    found: list[Shape] = []
    place = 0
    for shape in shapes:
        count = shape.params.size
        found.append(replace(shape, params=vector[place : place + count]))
        place += count
    return tuple(found)


def pack(shapes: tuple[Shape, ...]) -> np.ndarray:
    """Return all nonlinear parameters as one flat vector."""
    return np.concatenate([shape.params for shape in shapes])


__all__ = ["Patch", "Profile", "Shape", "Solution", "design", "pack", "solution", "solve_linear", "unpack"]

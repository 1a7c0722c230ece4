"""How far a refined warp may be trusted: its covariance from leaving out parts of the picture, and what each part says."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from scipy.stats import t as student_t

from viewer.align.compared import Compared, gram, project
from viewer.align.warp import KINDS

_TILES = 8
_CELLS = 12
_BLOCKS = (4, 6)  # to a side; both divide the cells


def what_is_left(state: Compared, factor: float) -> tuple[np.ndarray, np.ndarray]:
    """Return tiles (see `Refined.tiles`) and covariance, in the reference's clip px; `factor` is the layer's pixel size.

    Notes
    -----
    The parameters are found with weights that fall for large differences, so they answer to a change by the curvature of
    that rule (only pixels of full weight count), not by the weights.  Each block of the picture is left out once, in blocks of
    two sizes: what neighbouring pixels share (noise bands, an encoder's blocks, things at another distance, halos of the
    devices) then widens the error.  Few blocks with most of the say make a few-valued estimate: Student's t for as many
    degrees of freedom as their moves show stands behind each sigma, so that 1.96 sigma is the 95 % interval.
    """
    jacobian, residual, w, normal = state.equations()
    solved = np.linalg.lstsq(normal, project(jacobian, w * residual), rcond=None)[0]
    n_pose = KINDS[state.kind]
    solved[:n_pose] = 0.0
    left = residual - np.einsum("p,pn->n", solved, jacobian)
    spread = _covariance(*_cell_sums(state, jacobian, left, w))[:n_pose, :n_pose]
    rows = _tile_rows(_places(state, _TILES), state, left, w)
    rows[:, 0:2] = factor * (rows[:, 0:2] + 0.5) - 0.5
    rows[:, 2:5] *= factor * state.noisy
    return rows, spread * (factor * state.noisy) ** 2


def _places(state: Compared, count: int) -> np.ndarray:
    """Number of the square (row by row, `count` to a side) that each pixel lies in."""
    side = (max(np.ptp(state.x), np.ptp(state.y)) + 1.0) / count
    return np.asarray(((state.y - state.y.min()) / side).astype(int) * count + ((state.x - state.x.min()) / side).astype(int))


def _cell_sums(
    state: Compared, jacobian: np.ndarray, left: np.ndarray, w: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Cell numbers, and what each says: its curvature and its pull at the parameters, shape (cells, parameters[, same])."""
    cell = _places(state, _CELLS)
    order = np.argsort(cell, kind="stable")
    bounds = [*np.nonzero(np.diff(cell[order], prepend=-1))[0].tolist(), len(order)]
    curvature, pull = [], []
    for begin, stop in pairwise(bounds):
        part, weight = jacobian[:, order[begin:stop]], w[order[begin:stop]]
        pull.append(project(part, weight * left[order[begin:stop]]))
        curvature.append(gram(part[:, weight >= 1.0]))
    return cell[order][bounds[:-1]], np.array(curvature), np.array(pull)


def _covariance(cell: np.ndarray, curvature: np.ndarray, pull: np.ndarray) -> np.ndarray:
    """Covariance of the parameters from leaving out one block at a time; of both sizes of block the larger error counts."""
    even = np.sqrt(np.maximum(np.einsum("cpp->p", curvature), 1e-30))
    curvature, pull = curvature / np.outer(even, even), pull / even
    whole = curvature.sum(axis=0)
    row, column = np.divmod(cell, _CELLS)
    half = np.zeros(len(whole))
    shape = np.eye(len(whole))
    for blocks in _BLOCKS:
        block = row * blocks // _CELLS * blocks + column * blocks // _CELLS
        moves = np.array(
            [
                np.linalg.lstsq(whole - curvature[block == k].sum(axis=0), pull[block == k].sum(axis=0), rcond=1e-9)[0]
                for k in np.unique(block)
            ]
        )
        made = (len(moves) - 1.0) / len(moves) * (moves.T @ moves)
        sigma = np.sqrt(np.maximum(np.diag(made), 1e-30))
        # A Gaussian's fourth moment is three squares of its second: fewer blocks with a say raise it.
        power = (moves**2).sum(axis=0)
        freedom = np.maximum(3.0 * power**2 / np.maximum((moves**4).sum(axis=0), 1e-300) - 2.0, 2.0)
        half = np.maximum(half, sigma * student_t.ppf(0.975, freedom) / 1.96)
        shape = made / np.outer(sigma, sigma)
    return np.asarray(shape * np.outer(half / even, half / even))


def _tile_rows(tile: np.ndarray, state: Compared, residual: np.ndarray, w: np.ndarray) -> np.ndarray:
    """Per telling tile: x, y, shift x, shift y, sigma, correlation."""

    count = int(tile.max()) + 1

    def total(values: np.ndarray) -> np.ndarray:
        return np.asarray(np.bincount(tile, values, minlength=count))

    dx, dy = state.dx, state.dy
    number = total(np.ones_like(dx))
    xx, xy, yy = total(w * dx * dx), total(w * dx * dy), total(w * dy * dy)
    rx, ry = total(w * dx * residual), total(w * dy * residual)
    det = xx * yy - xy * xy
    telling = (number > 40) & (det > 4e-3 * (xx + yy) ** 2) & (xx + yy > 0.02 * np.max(xx + yy))
    det = np.where(telling, det, 1.0)
    shift_x, shift_y = (yy * rx - xy * ry) / det, (xx * ry - xy * rx) / det
    power = total(w * residual**2) / np.maximum(number, 1)
    # Smoothed neighbours are not independent: about 12 pixels of the layer say one thing.
    sigma = np.sqrt(np.maximum(power * (xx + yy) / det, 0.0) * max(1.0, 12.0 / state.stride**2))
    mean_a, mean_b = total(state.a) / np.maximum(number, 1), total(state.b) / np.maximum(number, 1)
    ab = total(state.a * state.b) - number * mean_a * mean_b
    aa, bb = total(state.a**2) - number * mean_a**2, total(state.b**2) - number * mean_b**2
    correlation = ab / np.sqrt(np.maximum(aa * bb, 1e-30))
    x, y = total(state.x) / np.maximum(number, 1), total(state.y) / np.maximum(number, 1)
    return np.asarray(np.stack([x, y, shift_x, shift_y, sigma, correlation], axis=1)[telling])


__all__ = ["what_is_left"]

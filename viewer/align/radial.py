"""Barrel or cushion between two clips, read from where the parts of the picture lie off their common pose."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from viewer.align.picture import Picture
from viewer.cv import cv2


@dataclass(frozen=True, kw_only=True)
class Radial:
    """A place at distance r from the centre lies ``edge_px * (r / radius)**3`` farther out than the pose says.

    Parameters
    ----------
    cx, cy, radius : float
        Centre and edge of the field in the reference, px.
    edge_px, sigma_px : float
        Displacement at the edge (outwards positive), and its 1-sigma error.
    residual_px : float
        Rms that is left of the tiles' shifts.
    """

    cx: float
    cy: float
    radius: float
    edge_px: float
    sigma_px: float
    residual_px: float

    def bent(self, points: np.ndarray) -> np.ndarray:
        """Carry points of shape (N, 2), (x, y), that the pose has brought to the reference, to where they are seen there."""
        p = np.atleast_2d(np.asarray(points, float))
        away = p - (self.cx, self.cy)
        share = (away**2).sum(axis=1, keepdims=True) / self.radius**2
        return np.asarray(p + away / self.radius * share * self.edge_px)


def unbent(moving: Picture, matrix: np.ndarray, radial: Radial) -> Picture:
    """The moving picture with the bend taken out, so that its pose alone carries it onto the reference.

    Parameters
    ----------
    moving : Picture
    matrix : ndarray of shape (3, 3)
        Pose, moving px -> reference px.
    radial : Radial
    """
    rows, cols = moving.light.shape
    y, x = np.mgrid[0:rows, 0:cols].astype(np.float64)
    wanted = np.stack([x.ravel(), y.ravel(), np.ones(x.size)])
    there = (matrix @ wanted)[:2].T
    before = there
    for _ in range(4):
        before = before + there - radial.bent(before)
    place = np.linalg.inv(matrix) @ np.concatenate([before, np.ones((len(before), 1))], axis=1).T
    map_x, map_y = (place[k].reshape(rows, cols).astype(np.float32) for k in (0, 1))

    def read(values: np.ndarray) -> np.ndarray:
        return np.asarray(cv2.remap(values, map_x, map_y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE))

    clipped = moving.clipped
    return Picture(
        light=read(np.asarray(moving.light, np.float32)),
        clipped=None if clipped is None else read(clipped.astype(np.float32)) > 0.5,
        halves=None if moving.halves is None else (read(moving.halves[0]), read(moving.halves[1])),
        circle=moving.circle,
    )


def radial_of(tiles: np.ndarray, centre: tuple[float, float], radius: float) -> Radial | None:
    """Fit a radial term (beside what a similarity can take up) to residual shifts.

    Parameters
    ----------
    tiles : ndarray of shape (N, 6)
        x, y, residual shift x, y, its 1-sigma error (all px of the reference), correlation; see `Refined.tiles`.  The shift is
        where the moving picture would have to be read instead, carried to the reference.
    centre, radius : float
        Of the field in the reference, px.

    Returns
    -------
    Radial or None
        None with fewer than eight tiles.
    """
    if len(tiles) < 8:
        return None
    u, v = (tiles[:, 0] - centre[0]) / radius, (tiles[:, 1] - centre[1]) / radius
    share = u * u + v * v
    one, zero = np.ones_like(u), np.zeros_like(u)
    rows_x = np.stack([u, -v, one, zero, share * u], axis=1)
    rows_y = np.stack([v, u, zero, one, share * v], axis=1)
    design, seen = np.concatenate([rows_x, rows_y]), np.concatenate([tiles[:, 2], tiles[:, 3]])
    weight = np.tile(1.0 / (tiles[:, 4] ** 2 + 0.02**2), 2)
    for _ in range(5):
        normal = design.T @ (weight[:, None] * design)
        if np.linalg.cond(normal) > 1e9:
            return None
        found = np.linalg.solve(normal, design.T @ (weight * seen))
        gap = seen - design @ found
        usual = max(1.4826 * float(np.median(np.abs(gap))), 0.01)
        weight = np.tile(1.0 / (tiles[:, 4] ** 2 + 0.02**2), 2) / np.maximum(1.0, np.abs(gap) / (2.0 * usual))
    scale = float((weight * gap**2).sum()) / max(len(seen) - 5, 1)
    sigma = math.sqrt(max(scale, 0.25) * float(np.linalg.inv(normal)[4, 4]))
    left = math.sqrt(float((weight * gap**2).sum() / weight.sum()) * 2.0)
    # What has to be read farther out lies farther out in the moving clip than the pose says: the clip's places bend inwards.
    return Radial(cx=centre[0], cy=centre[1], radius=radius, edge_px=-float(found[4]), sigma_px=sigma, residual_px=left)


__all__ = ["Radial", "radial_of", "unbent"]

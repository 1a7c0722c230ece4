"""Warps: small changes of a similarity, affine map or perspective, and how far two of them lie apart."""

from __future__ import annotations

import math

import numpy as np

KINDS = {"similarity": 4, "affine": 6, "homography": 8}


def terms(u: np.ndarray, v: np.ndarray, kind: str) -> np.ndarray:
    """How a position moves with the parameters: shape (2, parameters, N); u, v centred and scaled."""
    one, zero = np.ones_like(u), np.zeros_like(u)
    if kind == "similarity":
        return np.array([[u, -v, one, zero], [v, u, zero, one]])
    x = [u, v, one, zero, zero, zero]
    y = [zero, zero, zero, u, v, one]
    if kind == "homography":
        x, y = [*x, -u * u, -u * v], [*y, -u * v, -v * v]
    return np.array([x, y])


def change(kind: str, p: np.ndarray, centre: tuple[float, float], length: float) -> np.ndarray:
    """3 x 3 warp near the identity for small parameters (px at distance `length` from the centre)."""
    into = np.array([[1 / length, 0, -centre[0] / length], [0, 1 / length, -centre[1] / length], [0, 0, 1.0]])
    q = p / length
    if kind == "similarity":
        small = np.array([[1 + q[0], -q[1], q[2]], [q[1], 1 + q[0], q[3]], [0, 0, 1.0]])
    else:
        last = q[6:8] if kind == "homography" else np.zeros(2)
        small = np.array([[1 + q[0], q[1], q[2]], [q[3], 1 + q[4], q[5]], [last[0], last[1], 1.0]])
    return np.asarray(np.linalg.inv(into) @ small @ into)


def scale_of(warp: np.ndarray) -> float:
    """Mean scale of a warp (its linear part)."""
    return math.sqrt(abs(float(np.linalg.det(warp[:2, :2]))))


__all__ = ["KINDS", "change", "scale_of", "terms"]

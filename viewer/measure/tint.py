"""Tint of the phosphor: CIE 1976 u'v' from linear light, and what each channel gives to luminance.

Linear R, G, B go to XYZ by the primaries of the file (white at D65); u' = 4X / (X + 15Y + 3Z), v' = 9Y / (X + 15Y + 3Z).  The
camera's white balance and profile are part of the result: tints compare only between clips filmed alike, and no other measure
is touched by them.

References
----------
.. [1] CIE 15:2018, *Colorimetry*: the 1976 uniform chromaticity scale.
.. [2] ITU-R BT.709-6, BT.2020-2, BT.601-7, SMPTE EG 432-1: primaries and white.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from viewer.measure.patches import Common
from viewer.measure.readings import Flag, Reading
from viewer.measure.stats import mean_estimate

D65 = (0.3127, 0.3290)
PRIMARIES: dict[str, tuple[tuple[float, float], tuple[float, float], tuple[float, float]]] = {
    "bt709": ((0.640, 0.330), (0.300, 0.600), (0.150, 0.060)),
    "bt2020": ((0.708, 0.292), (0.170, 0.797), (0.131, 0.046)),
    "bt601-525": ((0.630, 0.340), (0.310, 0.595), (0.155, 0.070)),
    "bt601-625": ((0.640, 0.330), (0.290, 0.600), (0.150, 0.060)),
    "p3": ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060)),
}


def xyz_matrix(primaries: str) -> np.ndarray:
    """Return the matrix from linear R, G, B to XYZ (white has Y = 1); BT.709's for unknown names."""
    corners = PRIMARIES.get(primaries, PRIMARIES["bt709"])
    columns = np.array([[x / y, 1.0, (1.0 - x - y) / y] for x, y in corners]).T
    white = np.array([D65[0] / D65[1], 1.0, (1.0 - D65[0] - D65[1]) / D65[1]])
    return np.asarray(columns * np.linalg.solve(columns, white))


def chromaticity(rgb: np.ndarray, primaries: str = "bt709") -> tuple[float, float]:
    """Return CIE 1976 u', v' of linear R, G, B.

    Raises
    ------
    ZeroDivisionError
        If there is no light.
    """
    x, y, z = (float(value) for value in xyz_matrix(primaries) @ np.asarray(rgb, float))
    total = x + 15.0 * y + 3.0 * z
    return 4.0 * x / total, 9.0 * y / total


def luminance_shares(rgb: np.ndarray, primaries: str = "bt709") -> tuple[float, float, float]:
    """Return the shares of R, G and B in luminance; they add to 1."""
    parts = xyz_matrix(primaries)[1] * np.asarray(rgb, float)
    total = float(parts.sum())
    return float(parts[0] / total), float(parts[1] / total), float(parts[2] / total)


@dataclass(frozen=True, slots=True)
class TintResult:
    """Readings ``u_prime`` and ``v_prime``, and the luminance shares of R, G, B (None where refused)."""

    readings: tuple[Reading, ...]
    shares: tuple[float, float, float] | None


METHOD = "CIE 1976 from linear R, G, B by the primaries of the file, D65 white; includes the camera's white balance"


def measure(
    means: np.ndarray,
    *,
    primaries: str,
    clipped: float,
    black: float,
    code_errors: np.ndarray | None = None,
    of: str = "region",
    pixels: int = 0,
    flags: Flag = Flag.NONE,
) -> TintResult:
    """Return the tint of a region.

    Parameters
    ----------
    means : ndarray of shape (frames, 3)
        Mean linear R, G, B of each frame, dark level subtracted where known.
    primaries : str
    clipped, black : float
        Share of clipped samples, and of samples at black.
    code_errors : ndarray of shape (3, 3), optional
        By how much (1 sigma) encoder and rounding move linear R, G, B (rows) through each of the coded planes (columns).
    """
    values = np.asarray(means, float)
    common = Common(of=of, flags=flags, frames=values.shape[0], pixels=pixels)
    mean = values.mean(axis=0)
    reason = _why_not(mean, clipped, black, primaries)
    if clipped > 0.0005:
        common = Common(of=of, flags=flags | Flag.CLIPPED, frames=values.shape[0], pixels=pixels)
    if reason:
        return TintResult(tuple(common.refusal(name, reason, method=METHOD) for name in ("u_prime", "v_prime")), None)
    u, v = chromaticity(mean, primaries)
    readings = []
    for k, (name, value) in enumerate((("u_prime", u), ("v_prime", v))):
        slopes = np.array([_slope(mean, channel, k, primaries) for channel in range(3)])
        course = mean_estimate((values - mean) @ slopes)
        rounding = 0.0 if code_errors is None else float(np.linalg.norm(slopes @ code_errors))
        low, high = course.interval()
        half = math.hypot(0.5 * (high - low), 1.96 * rounding)
        readings.append(common.reading(name, value, value - half, value + half, method=METHOD))
    return TintResult(tuple(readings), luminance_shares(mean, primaries))


def _slope(mean: np.ndarray, channel: int, axis: int, primaries: str) -> float:
    step = np.zeros(3)
    step[channel] = 0.01 * float(mean.max())
    above, below = chromaticity(mean + step, primaries)[axis], chromaticity(mean - step, primaries)[axis]
    return (above - below) / (2.0 * float(step[channel]))


def _why_not(mean: np.ndarray, clipped: float, black: float, primaries: str) -> str | None:
    if clipped > 0.01:
        return "A channel is clipped, which turns the tint towards white: film with a shorter exposure or less gain."
    if black > 0.2 or not float(xyz_matrix(primaries)[1] @ mean) > 0:
        return "The region is at the black of the recording: mark a lit region, or film brighter."
    x, y, z = xyz_matrix(primaries) @ mean
    if x <= 0 or z < -0.02 * y:
        return "The channels give no possible colour: check the matrix and range of the clip, and film a lit region."
    return None


__all__ = ["D65", "PRIMARIES", "TintResult", "chromaticity", "luminance_shares", "measure", "xyz_matrix"]

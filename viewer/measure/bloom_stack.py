"""Mean pictures of one scene at several exposures, joined from what each holds unclipped."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import binary_dilation, convolve

from viewer.errors import UsageError
from viewer.measure.bloom_motion import Anchor, carried

GUARD = 2  # px round clipped pixels that are not used either
GAIN_ERROR = 0.003  # of an exposure, where the light curves of two clips do not quite agree
LEAST_PIXELS = 200
STRAY = 0.07  # rms by which light may stray from proportion


@dataclass(frozen=True, slots=True)
class Exposure:
    """Mean light of a clip and the share of frames in which each pixel was clipped, both of shape (rows, cols)."""

    light: np.ndarray
    clipped: np.ndarray

    @property
    def whole(self) -> np.ndarray:
        """Pixels away from clipping."""
        burnt = self.clipped > 0.002
        if not burnt.any():
            return np.ones(burnt.shape, bool)
        disc = np.hypot(*np.mgrid[-GUARD : GUARD + 1, -GUARD : GUARD + 1]) <= GUARD + 0.3
        return np.asarray(~binary_dilation(burnt, structure=disc))


@dataclass(frozen=True, slots=True)
class Joint:
    """How another exposure goes with the first: ``light = ratio * first + offset``, moved by ``shift_px`` (x, y).

    ``misfit`` is the rms of what the line leaves, as a share of the light; ``pixels`` how many clipped pixels it filled in.
    """

    ratio: float
    ratio_sigma: float
    offset: float
    shift_px: tuple[float, float]
    misfit: float
    pixels: int


def join(first: Exposure, others: Sequence[Exposure], place: tuple[float, float]) -> tuple[Exposure, tuple[Joint, ...]]:
    """Join exposures of one scene in the light of the first.

    Each pixel is the mean, by their errors, of the exposures that hold it unclipped; where none does, it stays clipped.

    Parameters
    ----------
    first : Exposure
        The one whose light counts.
    others : sequence of Exposure
        Shorter ones show burnt cores, longer ones the dark.
    place : (x, y)
        A light by which pictures are laid over each other.

    Raises
    ------
    UsageError
        If sizes differ, too little is common, or the light of two clips is not proportional.
    """
    noise = _noise(first.light)
    weight = np.where(first.whole, 1.0 / (noise**2 + (GAIN_ERROR * first.light) ** 2), 0.0)
    total, clipped = weight * first.light, first.clipped
    joints = []
    for other in others:
        moved, shift, line = _fitted(first, other, place)
        ratio, sigma, offset, misfit = line
        whole = moved.whole
        light = (moved.light - offset) / ratio
        error = _noise(moved.light) / ratio
        trust = np.where(whole, 1.0 / (error**2 + (GAIN_ERROR * light) ** 2 + (sigma / ratio * light) ** 2), 0.0)
        filled = int(np.count_nonzero(whole & ~first.whole))
        total, weight = total + trust * light, weight + trust
        clipped = np.where(whole, 0.0, np.minimum(clipped, np.where(moved.clipped > 0.002, moved.clipped, clipped)))
        joints.append(Joint(ratio, sigma, offset, shift, misfit, filled))
    light = np.where(weight > 0, total / np.maximum(weight, 1e-300), first.light)
    clipped = np.where(weight > 0, 0.0, np.maximum(clipped, 0.01))
    return Exposure(light, clipped), tuple(joints)


def _noise(light: np.ndarray) -> float:
    """Scatter of single pixels, from differences with their neighbours."""
    kernel = np.array([[1.0, -2.0, 1.0], [-2.0, 4.0, -2.0], [1.0, -2.0, 1.0]])
    return 1.4826 * float(np.median(np.abs(convolve(light, kernel)))) / 6.0 + 1e-9


def _fitted(
    first: Exposure, other: Exposure, place: tuple[float, float]
) -> tuple[Exposure, tuple[float, float], tuple[float, float, float, float]]:
    """Lay another exposure over the first and fit the line between their light."""
    if other.light.shape != first.light.shape:
        raise UsageError(
            f"it is {_size(other.light)} px, the first clip {_size(first.light)} px.",
            hint="Film every exposure with the same camera settings but the shutter.",
        )
    ratio = _line(first, other)[0]
    ceiling = 0.8 * min(_top(first), _top(other) / ratio)
    anchor = Anchor(np.minimum(first.light, ceiling), place)
    found = anchor.find(np.minimum(other.light / ratio, ceiling)) if anchor.ready else None
    shift = (found.x, found.y) if found is not None and found.length > max(0.05, 2.0 * found.sigma) else (0.0, 0.0)
    if any(shift):
        burnt = carried(binary_dilation(other.clipped > 0.002).astype(np.float32), shift) > 0.5
        other = Exposure(np.asarray(carried(other.light, shift), float), burnt.astype(float))
    line = _line(first, other)
    if line[3] > STRAY:
        raise UsageError(
            f"its light is not proportional to the first clip's (it strays by {100 * line[3]:.0f} %).",
            hint="Lock everything but the shutter, keep camera and lamp still, and film steady lamps.",
        )
    return other, shift, line


def _size(light: np.ndarray) -> str:
    return f"{light.shape[1]} x {light.shape[0]}"


def _top(exposure: Exposure) -> float:
    """Light at which an exposure clips, or its highest light."""
    whole = exposure.whole
    return float(exposure.light[whole].max(initial=1e-9)) if whole.any() else float(exposure.light.max())


def _line(first: Exposure, other: Exposure) -> tuple[float, float, float, float]:
    """Return ratio, its error, offset and relative misfit of the light of two exposures, by robust least squares."""
    both = first.whole & other.whole
    a, b = first.light[both], other.light[both]
    if a.size < LEAST_PIXELS:
        raise UsageError(
            "too few pixels are unclipped in both it and the first clip.", hint="Film exposures one to three stops apart."
        )
    a, b, count = _levels(a, b)
    noise = _noise(other.light)
    trust = 1.0 / (noise**2 + (0.01 * b) ** 2)
    ratio = offset = sigma = 0.0
    rest = b
    for _ in range(4):
        columns = np.array([a, np.ones_like(a)]) * np.sqrt(trust)
        inverse = np.linalg.pinv(columns @ columns.T)
        ratio, offset = (float(v) for v in inverse @ columns @ (b * np.sqrt(trust)))
        rest = b - ratio * a - offset
        scale = 1.4826 * float(np.median(np.abs(rest * np.sqrt(trust)))) + 1e-12
        sigma = scale * math.sqrt(float(inverse[0, 0]))
        t = np.clip(np.abs(rest) * np.sqrt(trust) / scale / 6.0, 0.0, 1.0)
        trust = (1.0 - t**2) ** 2 / (noise**2 + (0.01 * b) ** 2)
    if ratio <= 3.0 * sigma or ratio <= 0:
        raise UsageError("its light does not follow the first clip's.", hint="Film the same scene from the same place.")
    chance = 1.5 * noise**2 / count  # of a median, squared
    stray = (rest**2 - 2.0 * chance)[-12:] / np.maximum(ratio * a[-12:], 1e-12) ** 2
    misfit = math.sqrt(max(0.0, float(np.mean(stray))))
    return ratio, max(sigma, 0.5 * misfit * ratio, 1e-4 * ratio), offset, misfit


def _levels(a: np.ndarray, b: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the medians of both lights at forty levels of the first, those of the dark left out, and of how many pixels.

    In the dark, encoders that cut noise off at black lift the mean; where light is scarce a line would follow that.
    """
    dark = float(np.median(a))
    top = float(np.percentile(a, 99.9))
    edges = (
        np.geomspace(max(1.5 * dark, 1e-3 * top), top, 41) if top > 2.0 * dark else np.quantile(a, np.linspace(0.5, 1.0, 21))
    )
    place = np.digitize(a, edges)
    full = [k for k in range(1, edges.size) if np.count_nonzero(place == k) >= 12]
    if len(full) < 5:
        raise UsageError("too little of the light is unclipped in both clips.", hint="Film exposures one to three stops apart.")
    middles = [(np.median(a[place == k]), np.median(b[place == k]), np.count_nonzero(place == k)) for k in full]
    light, other, count = np.array(middles, float).T
    return light, other, count


__all__ = ["Exposure", "Joint", "join"]

"""The modulation transfer function of a fitted edge."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from viewer.measure.edge_spread import EdgeSpread

FREQUENCIES = np.round(np.arange(0.0, 0.5001, 0.005), 4)
# What the sum of two Gaussian edges leaves open of the MTF where the wide one is a glow, as a share of the glow's part of the
# step (rendered halos and veils of 12 to 20 %: MTF off by 0.005 to 0.013).
GLOW_MTF = 0.07
GLOW_FROM = 0.03  # cycles/px, above which the open shape of the glow counts in full
NEAR_LEVEL = 0.3  # share of a level within which the curve is smoothed to find where it crosses


@dataclass(frozen=True, slots=True)
class Mtf:
    """Modulation transfer against frequency (cycles/px), noise power removed, with standard errors."""

    frequency: np.ndarray
    value: np.ndarray
    sigma: np.ndarray

    def at(self, frequency: float) -> tuple[float, float]:
        """MTF and its standard error at a frequency."""
        return (
            float(np.interp(frequency, self.frequency, self.value)),
            float(np.interp(frequency, self.frequency, self.sigma)),
        )

    def falls_to(self, level: float) -> tuple[float, float] | None:
        """Return the lowest frequency at which the MTF falls to `level` and its standard error; None if it stays above."""
        below = np.flatnonzero(self.value < level)
        if not below.size or below[0] == 0:
            return None
        i = int(below[0])
        # a noisy curve first dips below too early: a parabola through all that lies near the level crosses where it does
        near = NEAR_LEVEL * level
        first, last = i, i
        while first > 0 and self.value[first - 1] < level + near:
            first -= 1
        while last < self.value.size - 1 and self.value[last + 1] > level - near:
            last += 1
        f, v = self.frequency[first : last + 1], self.value[first : last + 1]
        if f.size < 4:
            first, last = max(0, i - 2), min(self.value.size, i + 2) - 1
            f, v = self.frequency[first : last + 1], self.value[first : last + 1]
        middle = float(self.frequency[i])
        bend = np.polyfit(f - middle, v - level, 2 if f.size > 4 else 1)
        roots = np.roots(bend)
        real = np.real(roots[np.abs(np.imag(roots)) < 1e-9])
        slopes = np.polyval(np.polyder(bend), real)
        good = (slopes < 0) & (real + middle >= f[0]) & (real + middle <= f[-1])
        if not good.any():
            f0, f1 = self.frequency[i - 1 : i + 1]
            v0, v1 = self.value[i - 1 : i + 1]
            place, slope = float(f0 + (v0 - level) / (v0 - v1) * (f1 - f0)), abs(float(np.polyfit(f, v, 1)[0]))
        else:
            place, slope = float(real[good][0]) + middle, abs(float(slopes[good][0]))
        return place, float(np.interp(place, self.frequency, self.sigma)) / max(slope, 1e-9)


def mtf(spread: EdgeSpread, frequency: np.ndarray = FREQUENCIES) -> Mtf:
    """Return the MTF: modulus of the Fourier transform of the spread's derivative over the step between its two levels.

    The derivative is that of the fitted function, so no finite-difference loss needs undoing; the noise power expected from
    the coefficients' covariance is taken off before the root.
    """
    step = 1.0 / 32.0
    d = np.arange(spread.low, spread.high + step, step)
    columns = spread.slope(d) * step
    height = spread.bright - spread.dark
    turns = np.exp(-2j * math.pi * np.outer(frequency, d))
    parts = turns @ columns / height
    value = parts @ spread.coefficients
    change = (spread.levels[1] - spread.levels[0]) / height
    real = parts.real - value.real[:, None] * change
    imag = parts.imag - value.imag[:, None] * change
    var_real = np.einsum("fk,kl,fl->f", real, spread.covariance, real)
    var_imag = np.einsum("fk,kl,fl->f", imag, spread.covariance, imag)
    power = np.abs(value) ** 2 - np.maximum(var_real + var_imag, 0.0)
    modulus = np.sqrt(np.maximum(power, 0.0))
    size = np.maximum(np.abs(value), 1e-12)
    lean = (value.real[:, None] * real + value.imag[:, None] * imag) / size[:, None]
    sigma = np.sqrt(np.maximum(np.einsum("fk,kl,fl->f", lean, spread.covariance, lean), 0.0))
    shape = GLOW_MTF * spread.glow * np.minimum(1.0, np.asarray(frequency, float) / GLOW_FROM)
    return Mtf(frequency, modulus, np.hypot(sigma, shape))


__all__ = ["FREQUENCIES", "Mtf", "mtf"]

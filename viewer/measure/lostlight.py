"""Light that a level reads low or high by, because noise was smoothed or cut before the curve turned signal into light."""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy import stats
from scipy.optimize import brentq

from viewer.measure.noiseparts import clean_temporal_var
from viewer.measure.patches import BLOCK, Patch

CUT_SHARE = 0.005


@dataclass(frozen=True, slots=True)
class Lost:
    """Light that a level reads low by: what is likely, and the error of that (1 sigma)."""

    light: float = 0.0
    sigma: float = 0.0


def lost_light(patch: Patch, other: Patch, *, bend: float, kept: float = 1.0) -> Lost:
    """Return by how much the level of a patch reads low because the encoder smoothed the signal.

    A smoothed signal loses noise before the curve turns it into light: light reads low by half the lost variance times the
    curve's `bend`, the second derivative of light by signal over the square of the first (HLG below 1/12: 1 / (2 light)).
    How much was lost follows from the encoder's level of distortion (`viewer.measure.encoder`).  Two traces bound it: photon
    noise grows as the light, so the other region's noise tells what this one may have held; and the means of blocks survive
    better than pixels, so they tell what pixels had if their grain spans about 2 x 2 px.

    Parameters
    ----------
    patch, other : Patch
    bend : float
        1 / light; 0 for a straight curve.
    kept : float
        Share of the noise's standard deviation that is left; 1 for lossless clips.
    """
    level = patch.level
    if bend <= 0 or level <= 0 or kept >= 1.0:
        return Lost()
    present = clean_temporal_var(patch)
    # Below half, hardly anything is left to judge by.
    had = present / max(kept, 0.5) ** 2
    most = [had, patch.block_var * BLOCK * BLOCK / 4.0]
    if other.level > 0:
        most.append(clean_temporal_var(other) * min(1.0, level / other.level))
    likely, possible = 0.5 * bend * (had - present), 0.5 * bend * max(0.0, max(most) - present)
    top = 0.5 * level
    return Lost(min(likely, top), min(max(0.5 * likely, (possible - likely) / 1.5), top))


def lost_with_noise(level: float, noise: float, *, bend: float, kept: float = 1.0) -> Lost:
    """Return by how much a level reads low, from the noise that is left in it alone (as `lost_light` without a second region).

    Parameters
    ----------
    level : float
        Light.
    noise : float
        Variance of a pixel in time that is left, light squared.
    bend, kept : float
        As for `lost_light`.
    """
    if bend <= 0 or level <= 0 or kept >= 1.0 or not noise > 0:
        return Lost()
    likely = min(0.5 * bend * (noise / max(kept, 0.5) ** 2 - noise), 0.5 * level)
    return Lost(likely, 0.5 * likely)


def cut_light(patch: Patch, kept: float = 1.0) -> float:
    r"""Return by how much the level of a patch may read high because the recording cuts noise off at black, units of light.

    Normal noise about a level m, :math:`t = m / \sigma`, cut at black has the mean :math:`\sigma (t \Phi(t) + \varphi(t))` and
    the mean square :math:`\sigma^2 ((t^2 + 1) \Phi(t) + t \varphi(t))`; their ratio gives t (what the encoder
    kept of the deviation allowed for).
    """
    level, spread = patch.level, math.sqrt(patch.temporal_var) / max(kept, 0.5)
    if patch.black < CUT_SHARE or level <= 0 or spread < 0.2 * level:
        return 0.0

    def mean(t: float) -> float:
        return float(t * stats.norm.cdf(t) + stats.norm.pdf(t))

    def excess(t: float) -> float:
        square = (t * t + 1.0) * stats.norm.cdf(t) + t * stats.norm.pdf(t)
        return float(square / mean(t) ** 2 - 1.0) - (spread / level) ** 2

    t = float(brentq(excess, -3.0, 8.0)) if excess(-3.0) > 0 else -3.0
    return level - max(0.0, t / mean(t) * level)


__all__ = ["Lost", "cut_light", "lost_light", "lost_with_noise"]

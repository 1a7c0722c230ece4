"""Light whose noise was cut at black: the mean that the noise would have had, from the part above the cut.

A camera without a pedestal records no negative light.  Where the light is of the size of its noise, the lower half of the
noise is lost and the mean rises.  The upper half is untouched: there the quantiles of normal noise lie on a straight line over
those of the standard normal, which passes the median at the mean.  Codecs blur the heap at black; the upper quantiles hardly
notice.  Rare bright flashes (a tube that counts single electrons) bend that line upwards and are no cut noise: the bend decides
how much is taken off and how wide the interval must be.

References
----------
.. [1] A. C. Cohen, *Truncated and Censored Samples*, 1991: normal samples of which one end is known by number only.
.. [2] H. A. David, H. N. Nagaraja, *Order Statistics*, 2003, chapter 8: location and scale from quantiles.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri
from scipy.stats import norm

# Shares of the upper half that carry the line; above 0.95 few samples are left and codecs flatten.
SHARES = np.array([0.56, 0.62, 0.68, 0.74, 0.80, 0.86, 0.91, 0.95])
FAR_SHARE = 0.985
LEAST_PILE = 0.03  # of samples at black; below, the cut moves no mean
STRAIGHT = 1.30  # upper against lower slope: normal noise 1.0, through codecs up to 1.2, single electrons 1.5 and more
BENT = 1.60
LEFT_OVER = 0.25  # of a correction that stays unknown, from encodes of known noise
# Of the noise, at no light: three channels cut apart, less the cut of their sum (0.15 without codecs, the rest from encodes of
# known noise, bench_bars.py cut); it falls by a factor e in so many standard deviations of level.
UNSEEN, UNSEEN_ALIKE = 0.45, 0.36
UNSEEN_FALL = 1.9
FAR_ABOVE = 2.5  # standard deviations above black at which nothing is cut


@dataclass(frozen=True, slots=True)
class Uncut:
    """Mean light with the cut undone.

    Parameters
    ----------
    mean : ndarray of shape (N,)
        Light of each column as the noise without a cut would have left it; the plain mean where nothing was cut.
    lifted : ndarray of shape (N,)
        By how much the cut raised the plain mean, as taken off.
    unknown : ndarray of shape (N,)
        Standard error of `lifted` that all columns share: how far normal noise describes what was cut.
    scatter : ndarray of shape (N,)
        Standard error of `lifted` of each column by itself.
    pile : float
        Share of samples at black, over all columns.
    bend : float
        Upper slope of the quantiles over the lower one: 1 for normal noise.
    noise : float
        Standard deviation of the noise in the darkest columns, light.
    """

    mean: np.ndarray
    lifted: np.ndarray
    unknown: np.ndarray
    scatter: np.ndarray
    pile: float
    bend: float
    noise: float


def cut_mean(level: float, sigma: float) -> float:
    """Return the mean of normal noise of a level and standard deviation, cut at zero: ``sigma (phi(a) + a Phi(a))``."""
    a = level / sigma
    return float(sigma * (norm.pdf(a) + a * ndtr(a)))


def level_of_cut_mean(mean: float, sigma: float) -> float:
    """Return the level whose noise, cut at zero, has this mean; 0 where even no light would have a larger one."""
    if sigma <= 0 or mean > 4.0 * sigma:
        return mean
    if mean <= cut_mean(0.0, sigma):
        return 0.0
    low, high = 0.0, mean
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if cut_mean(middle, sigma) < mean else (low, middle)
    return 0.5 * (low + high)


def undo_cut(samples: np.ndarray, black: float, step: float, *, least: float = LEAST_PILE) -> Uncut | None:
    """Undo a cut at black.

    Parameters
    ----------
    samples : ndarray of shape (frames, lines, N)
        Light of each pixel in each frame; a column is of one light but for its noise.
    black : float
        Light up to which a sample counts as black.
    step : float
        Light of one code there: noise that spans less cannot be judged.
    least : float, optional
        Share of samples at black, in the darkest tenth of the columns, from which noise counts as cut.

    Returns
    -------
    Uncut or None
        None where nothing was cut, or where noise is too small or samples are too few to tell.
    """
    columns = np.asarray(samples, float).reshape(-1, samples.shape[-1])
    if columns.shape[0] < 60:
        return None
    at_black = (columns <= black).mean(axis=0)
    if float(np.percentile(at_black, 90)) < least:
        return None
    rungs = np.quantile(columns, [*SHARES, FAR_SHARE], axis=0)
    z = ndtri(SHARES)
    level, slope = _line(z, rungs[:-1])
    if not float(slope.max()) > 0.0:
        return None
    dark = at_black >= max(least, 0.5 * float(at_black.max()))
    # rows of one target share their noise: it grows with the light, or stays
    slope = _smooth(level, slope)
    noise = float(np.median(slope[dark]))
    if noise < step or noise <= 0:
        return None
    level = (rungs[:-1] - z[:, None] * slope).mean(axis=0)
    bend = _bend(rungs[:, dark])
    plain = columns.mean(axis=0)
    a = np.clip(level / np.maximum(slope, 1e-300), 0.0, None)
    share = np.clip((FAR_ABOVE - a) / 0.5, 0.0, 1.0)
    whole = np.clip((plain - np.maximum(level, 0.0)) * share, 0.0, plain)
    # straight quantiles: the cut explains the lift; bent ones: it may or may not
    trust = float(np.clip(min((BENT - bend) / (BENT - STRAIGHT), (bend - 0.5) / 0.3), 0.0, 1.0))
    lifted = whole * (0.5 + 0.5 * trust)
    scatter = slope * math.sqrt(2.0 / columns.shape[0])
    unknown = whole * (LEFT_OVER + (0.5 - LEFT_OVER) * (1.0 - trust))
    cut = share > 0
    return Uncut(
        plain - lifted,
        lifted,
        np.where(cut, unknown, 0.0),
        np.where(cut, scatter, 0.0),
        float(at_black.mean()),
        bend,
        noise,
    )


def unseen_cut(level: float, noise: float, alike: bool) -> float:
    """Return by how much light may be darker still where the channels of a colour were cut one by one.

    Noise of its own in each channel is larger than that of their sum, and weak channels lie nearer to black: each is lifted
    by its cut, while the sum shows little of it.  Weak channels make the bound fall slowly with the level.

    Parameters
    ----------
    level, noise : float
        Of the sum, light.
    alike : bool
        Whether the channels' noise is alike (light that flickers): less then, but codecs that took the colour of noise show
        the same.
    """
    if noise <= 0:
        return 0.0
    whole = UNSEEN_ALIKE if alike else UNSEEN
    return whole * noise * math.exp(-max(level, 0.0) / (UNSEEN_FALL * noise))


def channels_alike(colours: np.ndarray) -> float:
    """Return how alike the noise of the colour channels is: 1 for light that flickers, 0 for channels cut one by one.

    Parameters
    ----------
    colours : ndarray of shape (frames, rows, cols, 3)
        Light of blocks of pixels, red, green, blue; two frames or more.
    """
    moving = colours - colours.mean(axis=0)
    flat = moving.reshape(-1, 3)
    power = np.sqrt((flat**2).mean(axis=0))
    if flat.shape[0] < 40 or power[1] <= 0:
        return 1.0
    mixed = [float((flat[:, 1] * flat[:, k]).mean() / (power[1] * power[k])) for k in (0, 2) if power[k] > 0]
    return float(np.clip(np.mean(mixed), 0.0, 1.0)) if mixed else 1.0


def _line(z: np.ndarray, rungs: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Intercept and slope of the quantiles of each column against those of the normal distribution."""
    u = z - z.mean()
    slope = u @ rungs / float(u @ u)
    return rungs.mean(axis=0) - z.mean() * slope, slope


def _smooth(level: np.ndarray, slope: np.ndarray) -> np.ndarray:
    """Noise of each column from a variance that grows in proportion with the light, fitted to all columns."""
    light = np.maximum(level, 0.0)
    matrix = np.column_stack([np.ones_like(light), light])
    # each variance counts by its share, so that dark columns do not vanish beside bright ones
    own = np.maximum(slope, 1e-3 * float(np.abs(slope).max()) + 1e-300) ** 2
    found, *_ = np.linalg.lstsq(matrix / own[:, None], np.ones_like(own), rcond=None)
    return np.asarray(np.sqrt(np.clip(matrix @ found, 0.5 * own, 2.0 * own)))


def _bend(rungs: np.ndarray) -> float:
    """Slope of the upper quantiles over that of the lower ones, median over columns."""
    z = ndtri(np.array([*SHARES, FAR_SHARE]))
    lower = (rungs[4] - rungs[0]) / (z[4] - z[0])
    upper = (rungs[-1] - rungs[4]) / (z[-1] - z[4])
    return float(np.median(upper) / max(float(np.median(lower)), 1e-300))


__all__ = ["LEAST_PILE", "Uncut", "channels_alike", "cut_mean", "level_of_cut_mean", "undo_cut", "unseen_cut"]

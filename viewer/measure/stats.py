"""Means and intervals of series whose samples are not independent: frames of a clip, pixels of a noisy picture.

The error of a mean follows from the long-run variance of the series, the spectrum at frequency zero.  It is estimated by
equally weighted low cosines on the series whitened by a first-order autoregression, which keeps 95 % intervals honest from
white noise up to a frame-to-frame correlation of about 0.9 and does not mind the rhythm of a codec.

References
----------
.. [1] E. Lazarus, D. J. Lewis, J. H. Stock, M. W. Watson, "HAR inference: recommendations for practice", J. Bus. Econ. Stat. 36
   (2018) 541: equally weighted cosines and their t distribution.
.. [2] D. W. K. Andrews, J. C. Monahan, Econometrica 60 (1992) 953: whitening before the spectrum at zero is estimated.
.. [3] M. G. Kendall, Biometrika 41 (1954) 403: bias of the estimated autocorrelation.
.. [4] D. N. Politis, J. P. Romano, J. Am. Stat. Assoc. 89 (1994) 1303: the stationary bootstrap.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import stats

from viewer.errors import UsageError

MAD_TO_SIGMA = 1.4826022185056018


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its standard error.

    ``dof`` are the degrees of freedom behind the error, ``effective`` the number of independent samples that would give the
    same error, ``samples`` how many there were.
    """

    value: float
    sigma: float
    dof: float
    effective: float
    samples: int

    def interval(self, coverage: float = 0.95) -> tuple[float, float]:
        """Ends of the interval that covers the truth with probability `coverage`."""
        half = t_factor(self.dof, coverage) * self.sigma
        return self.value - half, self.value + half


def t_factor(dof: float, coverage: float = 0.95) -> float:
    """Two-sided factor of Student's t; the normal one for infinite `dof`."""
    tail = 0.5 + 0.5 * coverage
    return float(stats.norm.ppf(tail) if not math.isfinite(dof) else stats.t.ppf(tail, max(dof, 1.0)))


def robust_sigma(values: np.ndarray) -> float:
    """Standard deviation from the median absolute deviation (normal noise); 0 for an empty array."""
    flat = np.asarray(values, float).ravel()
    if not flat.size:
        return 0.0
    return MAD_TO_SIGMA * float(np.median(np.abs(flat - np.median(flat))))


def lag_one(series: np.ndarray) -> float:
    """Correlation of neighbouring samples with Kendall's correction for its bias, within -0.5 .. 0.97."""
    x = np.asarray(series, float)
    x = x - x.mean()
    power = float(x @ x)
    if x.size < 4 or power <= 0:
        return 0.0
    raw = float(x[1:] @ x[:-1]) / power
    return float(np.clip(raw + (1.0 + 3.0 * raw) / x.size, -0.5, 0.97))


def autocorrelation(series: np.ndarray, most: int | None = None) -> np.ndarray:
    """Return the autocorrelation of a series at lags 0 .. `most` (biased estimator, 1 at lag 0; zeros for a constant)."""
    x = np.asarray(series, float)
    x = x - x.mean()
    most = min(x.size - 1, most if most is not None else x.size // 4)
    size = 1 << (2 * x.size - 1).bit_length()
    spectrum = np.fft.rfft(x, size)
    auto = np.fft.irfft(np.abs(spectrum) ** 2, size)[: most + 1]
    return np.zeros(most + 1) if auto[0] <= 0 else np.asarray(auto / auto[0])


def mean_estimate(series: np.ndarray) -> Estimate:
    """Return the mean of a correlated series with an error that allows for the correlation.

    Parameters
    ----------
    series : ndarray of shape (N,)
        Samples at even spacing, N >= 1.

    Returns
    -------
    Estimate
        With N < 4 the degrees of freedom are N - 1 (at least 1) and correlation is not looked for; of a single sample the
        error is 0.

    Raises
    ------
    UsageError
        If the series is empty or not finite.
    """
    x = np.asarray(series, float).ravel()
    if not x.size or not np.isfinite(x).all():
        raise UsageError(f"a series of {x.size} samples, not all finite, has no mean.")
    n, mean = x.size, float(x.mean())
    spread = float(x.std(ddof=1)) if n > 1 else 0.0
    if n < 8 or spread == 0.0:
        return Estimate(mean, spread / math.sqrt(n), max(1.0, n - 1.0), float(n), n)
    rho = lag_one(x)
    # Slight correlation is not told from none: whitening then only adds noise.
    if abs(rho) < 1.0 / math.sqrt(n):
        rho = 0.0
    white = x[1:] - rho * x[:-1] if rho else x
    cosines = _low_cosines(white)
    long_run = float(np.mean(cosines**2)) / (1.0 - rho) ** 2
    dof = 1.0 / (1.0 / cosines.size + (2.0 * (1.0 + rho) / ((1.0 - rho) * n) if rho > 0 else 0.0))
    sigma = math.sqrt(long_run / n)
    # With a degree of freedom or two, t is no guide: a mean lies within the range of its samples about it.
    sigma = min(sigma, float(np.ptp(x)) / t_factor(max(1.0, dof)))
    effective = min(float(n), spread**2 / sigma**2) if sigma > 0 else float(n)
    return Estimate(mean, sigma, max(1.0, dof), max(1.0, effective), n)


def _low_cosines(series: np.ndarray) -> np.ndarray:
    """Projections on the lowest cosines, each with the long-run variance for its mean square."""
    n = series.size
    count = int(np.clip(round(1.2 * n ** (2.0 / 3.0)), 4, max(4, n - 2)))
    place = math.pi * (np.arange(n) + 0.5) / n
    basis = np.cos(np.outer(np.arange(1, count + 1), place))
    return np.asarray(math.sqrt(2.0 / n) * basis @ series)


def effective_pixels(correlation_px: float, pixels: int) -> float:
    """Independent samples among `pixels` whose noise has the correlation area ``correlation_px`` (px, >= 1)."""
    return max(1.0, pixels / max(1.0, correlation_px))


def block_bootstrap(
    data: np.ndarray,
    statistic: Callable[[np.ndarray], float],
    *,
    block: float | None = None,
    rounds: int = 400,
    seed: int = 0,
) -> Estimate:
    """Estimate the error of any statistic of a correlated series by the stationary bootstrap.

    Parameters
    ----------
    data : ndarray of shape (N, ...)
        Samples along the first axis, N >= 4.
    statistic : callable
        From an array like `data` to a number.
    block : float, optional
        Mean length of the blocks; from the correlation of the first principal course if left out.
    rounds, seed : int
        Resamplings and the seed of their choice.

    Raises
    ------
    UsageError
        With fewer than 4 samples.
    """
    x = np.asarray(data, float)
    n = x.shape[0]
    if n < 4:
        raise UsageError(f"{n} samples are too few to resample.")
    if block is None:
        course = x.reshape(n, -1).mean(axis=1)
        rho = max(0.0, lag_one(course))
        block = float(np.clip((2.0 * rho / (1.0 - rho**2)) ** (2.0 / 3.0) * n ** (1.0 / 3.0), 1.0, n / 3.0))
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(rounds):
        fresh = np.asarray(rng.random(n) < 1.0 / block)
        fresh[0] = True
        starts = np.asarray(rng.integers(0, n, size=n))
        last = np.maximum.accumulate(np.where(fresh, np.arange(n), 0))
        found.append(statistic(x[(starts[last] + np.arange(n) - last) % n]))
    good = np.array([value for value in found if math.isfinite(value)])
    value = float(statistic(x))
    if good.size < rounds // 2:
        return Estimate(value, math.inf, 1.0, 1.0, n)
    dof = max(1.0, n / block - 1.0)
    # Resampled blocks lose the share of variance that lies in their common mean.
    sigma = float(good.std(ddof=1)) * math.sqrt(1.0 + 1.0 / dof)
    return Estimate(value, sigma, dof, max(1.0, n / block), n)


@dataclass(frozen=True, slots=True)
class Line:
    """A fitted straight line ``level + slope * (x - middle)`` with standard errors."""

    slope: float
    slope_sigma: float
    level: float
    level_sigma: float
    middle: float


def drift(series: np.ndarray, times: np.ndarray | None = None) -> Line:
    """Return the trend of a series, with errors that allow for correlated residuals."""
    y = np.asarray(series, float)
    x = np.arange(y.size, dtype=float) if times is None else np.asarray(times, float)
    middle = float(x.mean())
    u = x - middle
    spread = float(u @ u)
    slope = float(u @ y) / spread if spread > 0 else 0.0
    residual = y - y.mean() - slope * u
    estimate = mean_estimate(residual)
    plain = float(residual.std(ddof=2)) / math.sqrt(y.size) if y.size > 3 else 0.0
    inflation = max(1.0, estimate.sigma / plain) if plain > 0 else 1.0
    sigma = float(residual.std(ddof=2)) * inflation if y.size > 3 else 0.0
    return Line(
        slope, sigma / math.sqrt(spread) if spread > 0 else 0.0, float(y.mean()), sigma / math.sqrt(max(1, y.size)), middle
    )


def clipped_mean(values: np.ndarray, *, limit: float = 5.0, rounds: int = 3) -> tuple[float, np.ndarray]:
    """Return the mean without outliers and the mask of what was kept.

    Values farther than `limit` robust standard deviations from the median are left out; noise, even skewed noise, stays
    in, so that the mean stays unbiased.
    """
    x = np.asarray(values, float)
    keep = np.isfinite(x)
    for _ in range(rounds):
        if not keep.any():
            break
        middle, sigma = float(np.median(x[keep])), robust_sigma(x[keep])
        if sigma <= 0:
            break
        fresh = np.isfinite(x) & (np.abs(x - middle) <= limit * sigma)
        if (fresh == keep).all():
            break
        keep = fresh
    return (float(x[keep].mean()) if keep.any() else math.nan), keep


__all__ = [
    "MAD_TO_SIGMA",
    "Estimate",
    "Line",
    "autocorrelation",
    "block_bootstrap",
    "clipped_mean",
    "drift",
    "effective_pixels",
    "lag_one",
    "mean_estimate",
    "robust_sigma",
    "t_factor",
]

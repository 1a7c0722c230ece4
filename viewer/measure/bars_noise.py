"""How the error of a target's modulation follows from its frames and lines, learnt from all targets of a chart.

One target is too small to tell how its noise hangs together: few lines, few frames.  All targets of a chart share their noise,
so that correlation in time, grain along the bars and what stands still are found from all of them and then hold for each.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from viewer.measure.stats import lag_one

LEAST_LINES = 6
LEAST_FRAMES = 4
ODD = 2.5  # times its expected error that a target's own lines must show before they count for themselves
LEAST_DOF = 6.0


@dataclass(frozen=True, slots=True)
class ChartNoise:
    """How errors of means follow from scatter.

    ``in_time`` is the standard error of a mean over frames in units of the one that independent frames would have; ``grain``
    by how much the variance of a mean over lines exceeds that of independent lines; ``standing`` the whole error over that
    which the frames show: 1 where no pattern stands still.
    """

    in_time: float = 1.0
    grain: float = 1.86
    standing: float = 1.0

    def by_frames(self, series: np.ndarray) -> float:
        """Standard error of the mean of a series over frames, from noise in time."""
        return float(series.std(ddof=1)) / math.sqrt(series.size) * self.in_time if series.size > 1 else 0.0

    def by_lines(self, lines: np.ndarray) -> float:
        """Standard error of the mean over lines, from noise and standing pattern; 0 where lines are too few to tell."""
        n = lines.size
        left = 1.0 - self.grain / n
        return math.sqrt(float(lines.var()) / left * self.grain / n) if n >= 4 and left > 0.25 else 0.0

    def error(self, series: np.ndarray, lines: np.ndarray) -> tuple[float, float]:
        """Return standard error and degrees of freedom of a modulation.

        Parameters
        ----------
        series : ndarray of shape (frames,)
            Linearised modulation of each frame.
        lines : ndarray of shape (lines,)
            The same of each line of the mean picture.
        """
        along = self.by_lines(lines)
        if series.size < LEAST_FRAMES:
            return max(along, self.by_frames(series)), max(LEAST_DOF, lines.size / self.grain)
        moving = self.by_frames(series) * self.standing
        if along > ODD * moving:
            return along, max(LEAST_DOF, lines.size / self.grain)
        return moving, max(LEAST_DOF, (series.size - 1) / self.in_time**2)


def chart_noise(series: Sequence[np.ndarray], lines: Sequence[np.ndarray]) -> ChartNoise:
    """Learn how errors follow from scatter, from all targets.

    Parameters
    ----------
    series, lines : sequences of ndarrays
        Linearised modulation over frames and along the bars, one of each for every target.
    """
    rho = [lag_one(one) for one in series if one.size >= 8]
    slow = float(np.clip(np.median(rho), 0.0, 0.8)) if rho else 0.0
    in_time = math.sqrt((1.0 + slow) / (1.0 - slow))
    long = [one for one in lines if one.size >= LEAST_LINES]
    near = float(np.clip(np.median([lag_one(one) for one in long]), 0.0, 0.85)) if long else 0.3
    # grain is light spread over a spot: its correlation falls as a Gaussian
    grain = 1.0 + 2.0 * sum(near ** (k * k) for k in range(1, 6))
    noise = ChartNoise(in_time, grain)
    pairs = [
        (noise.by_lines(along), noise.by_frames(moving))
        for moving, along in zip(series, lines)
        if along.size >= LEAST_LINES and moving.size >= LEAST_FRAMES
    ]
    ratios = [along / moving for along, moving in pairs if along > 0.0 and moving > 0.0]
    return ChartNoise(in_time, grain, max(1.0, float(np.median(ratios))) if ratios else 1.0)


__all__ = ["ChartNoise", "chart_noise"]

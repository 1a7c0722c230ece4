"""Steps of the light level in a clip: where they are, from when each is settled, and at which level a measure is lost.

A step is an abrupt change of the level against its own noise and pulsing; what follows may settle slowly (gain control of tube
or camera) and is used only from where it stays within its final level.  Levels are found, not assumed: the user types what the
light box showed, in order.

References
----------
.. [1] E. S. Page, Biometrika 41 (1954) 100: detection of a change in level.
.. [2] H. Theil, Proc. KNAW 53 (1950) 386: the median of slopes, here as trend test of the settled part.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from viewer.measure.beat import level_without_beat
from viewer.measure.stats import Estimate, mean_estimate, robust_sigma

LEAST_STEP = 0.04
LEAST_LENGTH_S = 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One light level.

    Parameters
    ----------
    first, stop : int
        Frames of the whole step.
    settled : int
        First frame from which it stays at its final level; `stop` if it never does.
    start_s, end_s, settled_from_s : float
        The same as times; ``settled_from_s`` is ``end_s`` if it never settles.
    mean : Estimate
        Level of the settled part (of the last third if it never settles).
    steady : bool
        Whether the settled part shows no trend beyond its error and half a percent.
    level : float or None
        As typed.
    settled_span_s : (float, float) or None
        Between which times it may have settled.
    """

    first: int
    stop: int
    settled: int
    start_s: float
    end_s: float
    settled_from_s: float
    mean: Estimate
    steady: bool
    level: float | None = None
    settled_span_s: tuple[float, float] | None = None

    @property
    def settling_s(self) -> float:
        """Time from the change until the level holds."""
        return self.settled_from_s - self.start_s

    @property
    def usable(self) -> tuple[int, int]:
        """Frames (first, stop) that other measures may use; the last one may have seen the next change already."""
        start = self.settled if self.settled < self.stop else self.first + 2 * (self.stop - self.first) // 3
        return start, max(start + 1, self.stop - 1)


@dataclass(frozen=True, slots=True)
class Ramp:
    """The steps of a clip; `doubts` say in words what does not fit."""

    steps: tuple[Step, ...]
    doubts: tuple[str, ...] = field(default=())


def change_scores(series: np.ndarray, reach: int) -> np.ndarray:
    """Return for each frame the change of the median level from the `reach` frames before it to those from it on."""
    y = np.asarray(series, float)
    n = y.size
    scores = np.zeros(n)
    for k in range(2, n - 1):
        before, after = y[max(0, k - reach) : k], y[k : min(n, k + reach)]
        scores[k] = float(np.median(after) - np.median(before))
    return scores


def find_changes(series: np.ndarray, times_s: np.ndarray, *, count: int | None = None) -> list[int]:
    """Return the frames at which a new level begins.

    Parameters
    ----------
    series : ndarray of shape (N,)
        Mean light per frame.
    times_s : ndarray of shape (N,)
    count : int, optional
        How many changes there should be (one fewer than the typed levels): the strongest are taken, down to weaker
        ones than usual too.
    """
    y = np.asarray(series, float)
    n = y.size
    if n < 6:
        return []
    interval = max(1e-6, float(np.median(np.diff(times_s))))
    floor = max(1e-9, 0.002 * float(np.max(y)))
    logs = np.log(np.maximum(y, floor))
    reach = int(np.clip(round(0.1 / interval), 2, 8))
    apart = max(reach, round(LEAST_LENGTH_S / interval))
    scores = np.abs(change_scores(logs, reach))
    # Pulsing repeats all along the clip, changes of level do not: the median tells its size.
    usual = robust_sigma(change_scores(logs, reach))
    threshold = max(LEAST_STEP, 7.0 * usual)
    if count is not None:
        threshold = max(0.25 * LEAST_STEP, 5.0 * usual)
    found: list[tuple[float, int]] = []
    left = scores.copy()
    while True:
        at = int(np.argmax(left))
        if left[at] < threshold or (count is not None and len(found) >= count):
            break
        place = _sharpest(logs, at, reach)
        if apart // 2 <= place <= n - 2 and all(abs(place - other) >= apart for _, other in found):
            found.append((float(left[at]), place))
        left[max(0, at - apart) : at + apart] = 0.0
    return sorted(place for _, place in found)


def _sharpest(logs: np.ndarray, about: int, reach: int) -> int:
    """Return the first frame that is whole at the new level: after the steepest change of neighbours."""
    low, high = max(1, about - reach), min(logs.size - 1, about + reach)
    steps = np.abs(np.diff(logs))[low - 1 : high]
    at = low + int(np.argmax(steps))
    # A frame that saw the change itself lies between both levels: the new one begins after it.
    if at + 1 < logs.size:
        before = float(np.median(logs[max(0, at - 3) : at]))
        jump = float(logs[at + 1]) - before
        if abs(jump) > 10.0 * robust_sigma(np.diff(logs)) and 0.15 < (logs[at] - before) / jump < 0.85:
            return at + 1
    return at


def settle(series: np.ndarray, times_s: np.ndarray, first: int, stop: int) -> int:
    """Return the first frame from which a step stays at its final level, `stop` if it never does."""
    return settle_span(series, times_s, first, stop)[0]


def settle_span(series: np.ndarray, times_s: np.ndarray, first: int, stop: int) -> tuple[int, int, int]:
    """Return the first frame from which a step stays at its final level, and the earliest and latest that this may be.

    All are `stop` if it never does.  The final level is that of the last third; running means must stay within three of their
    errors or half a percent of it.
    """
    # The last frame may have seen the next change already.
    y = np.asarray(series[first : stop - 1], float)
    n = y.size
    if n < 6:
        return first, first, first
    final = y[2 * n // 3 :]
    level = float(np.median(final))
    interval = max(1e-6, float(np.median(np.diff(times_s))))
    width = int(np.clip(round(0.12 / interval), 2, max(2, n // 6)))
    beat = level_without_beat(y[n // 3 :])
    if beat.depth > 0.004 and beat.tones[0][0] * beat.residual.size >= 2.0:
        # Pulsing light holds its level over whole periods; what comes less than twice is still settling.
        width = int(np.clip(round(1.0 / beat.tones[0][0]), width, max(width, n // 3)))
    kernel = np.ones(width) / width
    running = np.convolve(y, kernel, "valid")
    tail = np.convolve(final, kernel, "valid") if final.size >= width else final
    noise = max(robust_sigma(np.diff(final)) / math.sqrt(2.0 * width), 1e-12)
    # Pulsing is no reason to wait, a trend is.
    rest = tail - np.polyval(np.polyfit(np.arange(tail.size), tail, 1), np.arange(tail.size)) if tail.size > 3 else tail
    swing = 0.5 * float(np.ptp(rest)) if tail.size > 3 else 0.0
    allowed = max(3.0 * noise, 1.1 * swing, 0.005 * abs(level))
    away = np.abs(running - level)
    # What the level itself, and the encoder, wander by.
    doubt = 2.0 * math.hypot(noise * math.sqrt(1.0 + 3.0 * width / n), 0.5 * swing)
    # The last of many noisy means that lie outside is late already.
    limits = (allowed, allowed + doubt, max(allowed - 0.5 * doubt, 0.5 * allowed))
    found = [_last_above(away, limit, width) for limit in limits]
    if found[0] > 2 * n // 3:
        return stop, stop, stop
    settled, early, late = (first + min(place, n) for place in found)
    return settled, min(early, settled), max(late, settled)


def _last_above(away: np.ndarray, limit: float, width: int) -> int:
    """Return the place after the last running mean that is further away than a limit."""
    outside = np.flatnonzero(away > limit)
    return int(outside[-1]) + (width - 1) // 2 + 1 if outside.size else 0


def steady(series: np.ndarray) -> bool:
    """Whether a part shows no trend: half against half, beyond three errors and half a percent."""
    y = np.asarray(series, float)
    if y.size < 8:
        return True
    half = y.size // 2
    one, two = mean_estimate(y[:half]), mean_estimate(y[half:])
    change = abs(two.value - one.value)
    return bool(change <= max(3.0 * math.hypot(one.sigma, two.sigma), 0.005 * abs(float(y.mean()))))


def find_ramp(series: np.ndarray, times_s: np.ndarray, levels: Sequence[float] | None = None) -> Ramp:
    """Return the steps of a clip.

    Parameters
    ----------
    series : ndarray of shape (N,)
        Mean light of a region in each frame.
    times_s : ndarray of shape (N,)
    levels : sequence of float, optional
        Light levels as typed, in the order of the clip.
    """
    y, t = np.asarray(series, float), np.asarray(times_s, float)
    interval = float(np.median(np.diff(t))) if t.size > 1 else 0.0
    changes = find_changes(y, t, count=len(levels) - 1 if levels else None)
    edges = [0, *changes, y.size]
    doubts: list[str] = []
    typed: Sequence[float | None] = [None] * (len(edges) - 1)
    if levels:
        if len(levels) == len(edges) - 1:
            typed = list(levels)
        else:
            doubts.append(
                f"{len(levels)} levels were typed, but the clip shows {len(edges) - 1}: no level was assigned. "
                "Choose a region that sees the light change, or type the levels that were filmed."
            )
    tones = _tones(y, edges)
    steps = []
    for k, (first, stop) in enumerate(pairwise(edges)):
        settled, *span = settle_span(y, t, first, stop)
        if settled >= stop:
            doubts.append(f"step {k + 1} does not settle: film each level longer.")
        start = settled if settled < stop else first + 2 * (stop - first) // 3
        part = y[start : max(start + 1, stop - 1)]
        end_s = float(t[stop]) if stop < t.size else float(t[-1]) + interval
        steps.append(
            Step(
                first=first,
                stop=stop,
                settled=settled,
                start_s=float(t[first]),
                end_s=end_s,
                settled_from_s=float(t[settled]) if settled < stop else end_s,
                mean=level_without_beat(part, known=tones).estimate,
                steady=settled < stop and steady(level_without_beat(part, known=tones).residual),
                level=typed[k],
                settled_span_s=None if settled >= stop else (float(t[span[0]]), float(t[min(span[1], t.size - 1)])),
            )
        )
    return Ramp(tuple(steps), tuple(doubts))


def _tones(series: np.ndarray, edges: Sequence[int]) -> list[float]:
    """Return the beat of gated light, cycles per frame, as the longest step shows it: short steps hold too few periods."""
    first, stop = max(pairwise(edges), key=lambda pair: pair[1] - pair[0])
    return [frequency for frequency, _ in level_without_beat(series[first + (stop - first) // 3 : stop - 1]).tones[:1]]


@dataclass(frozen=True, slots=True)
class Loss:
    """The light level at which a measure falls under a threshold.

    ``state``: ``measured``, ``limit`` (still above at the lowest level: the truth is lower) or ``refused``.
    """

    state: str
    level: float = 0.0
    low: float = 0.0
    high: float = 0.0
    reason: str = ""


def level_of_loss(levels: Sequence[float], values: Sequence[float], sigmas: Sequence[float], threshold: float) -> Loss:
    """Return the light level below which a measure stays under a threshold, interpolated in the logarithm of the level.

    Parameters
    ----------
    levels : sequence of float
        Light levels > 0, any order.
    values, sigmas : sequences of float
        The measure at each level and its standard error.
    threshold : float
    """
    order = np.argsort(np.asarray(levels, float))[::-1]
    x, y, s = (np.asarray(part, float)[order] for part in (levels, values, sigmas))
    if x.size < 2 or x.min() <= 0:
        return Loss("refused", reason="Two or more light levels are needed: film a ramp with more steps.")
    if y[0] <= threshold:
        return Loss("refused", reason="It is lost at the brightest level already: film brighter levels too.")
    ends = []
    for shift in (0.0, 1.96, -1.96):
        below = np.flatnonzero(y + shift * s <= threshold)
        if not below.size:
            ends.append(math.nan)
            continue
        k = int(below[0])
        if k == 0:
            ends.append(float(x[0]))
            continue
        above, under = y[k - 1] + shift * s[k - 1] - threshold, threshold - y[k] - shift * s[k]
        share = above / (above + under) if above + under > 0 else 0.5
        ends.append(float(math.exp(math.log(x[k - 1]) + share * (math.log(x[k]) - math.log(x[k - 1])))))
    if math.isnan(ends[0]):
        lowest = float(x[-1])
        return Loss("limit", lowest, 0.0, lowest, f"It is still there at {lowest:g}, the lowest level: film darker levels too.")
    # not surely lost at the lowest level: the truth may lie below anything that was filmed
    low = 0.0 if math.isnan(ends[1]) else ends[1]
    return Loss("measured", ends[0], min(low, ends[0]), max(ends[0], ends[2]))


__all__ = [
    "LEAST_STEP",
    "Loss",
    "Ramp",
    "Step",
    "change_scores",
    "find_changes",
    "find_ramp",
    "level_of_loss",
    "settle",
    "settle_span",
    "steady",
]

"""Changes of the light as a witness of time: lamps switched, the level turned down, a flash.

Every row of a rolling-shutter picture is a sample of its own: a step of the light draws an edge across one or two frames,
whose place tells the moment far better than the frame's mean does.  Readout and exposure need not be known: they are fitted
to the edges (a long exposure shows each edge in two frames), and what they leave open widens the error.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from viewer.align.clock import Witness

_BEFORE = 6
_STATIC = (
    "static, no common time: nothing in the picture changes in both clips. Clap, or switch a lamp, in view of all cameras."
)


@dataclass(frozen=True, kw_only=True)
class LightSeries:
    """Light level of a clip, frame by frame and band by band.

    Parameters
    ----------
    time_s : ndarray of shape (N,)
        Presentation times.
    rows, columns : ndarray of shape (N, B)
        Mean linear light of B bands of rows (top to bottom) and of columns (left to right), upright.
    size : (width, height)
        Of the upright picture: clips of one size and rate are taken to share readout and exposure.
    """

    time_s: np.ndarray
    rows: np.ndarray
    columns: np.ndarray
    size: tuple[int, int] = (0, 0)

    @property
    def level(self) -> np.ndarray:
        """Mean light of each frame."""
        return np.asarray(self.rows.mean(axis=1))

    @property
    def interval_s(self) -> float:
        """Usual time between frames."""
        return float(np.median(np.diff(self.time_s))) if len(self.time_s) > 1 else 0.0


@dataclass(frozen=True, kw_only=True)
class LightStep:
    """A lasting change of the light: the frame in which it begins, about when, and the ratio after / before (log)."""

    frame: int
    time_s: float
    log_ratio: float


def find_steps(series: LightSeries, *, least: float = 0.06) -> tuple[LightStep, ...]:
    """Find lasting changes of the light by more than `least` (natural log) and more than the scatter of the level."""
    level = series.level
    n = len(level)
    if n < 8:
        return ()
    floor = max(1e-3 * float(np.max(level)), 1e-9)
    log = np.log(np.maximum(level, 0) + floor)
    half = min(_BEFORE, max(2, n // 6))
    before = np.array([np.median(log[max(0, k - half) : k]) if k >= 2 else log[0] for k in range(n)])
    after = np.array([np.median(log[min(k + 2, n - 1) : min(k + 2 + half, n)]) if k + 3 < n else log[k] for k in range(n)])
    jump = np.where((np.arange(n) >= 2) & (np.arange(n) < n - 3), after - before, 0.0)
    scatter = 1.4826 * float(np.median(np.abs(np.diff(log)))) / math.sqrt(2.0)
    wanted = max(least, 6.0 * scatter)
    out: list[LightStep] = []
    size = np.abs(jump)
    while True:
        k = int(np.argmax(size))
        if size[k] < wanted:
            break
        lo, hi = max(1, k - half), min(n - 1, k + half + 1)
        # The step lies where the level moves most within the plateau of nearly equal jumps.
        moves = np.sign(jump[k]) * np.diff(log[lo - 1 : hi + 1])
        frame = lo + int(np.argmax(moves))
        # A lasting change: most of it in a frame or two, not a slow drift.
        fast = np.sign(jump[k]) * (log[min(frame + 1, n - 1)] - log[max(frame - 2, 0)])
        if fast > 0.5 * size[k]:
            out.append(LightStep(frame=frame, time_s=float(series.time_s[frame]), log_ratio=float(jump[k])))
        size[max(0, min(k, frame) - half - 2) : max(k, frame) + half + 3] = 0
    return tuple(sorted(out, key=lambda step: step.frame))


@dataclass(frozen=True)
class _Edges:
    """Fitted moments: for each step and each (readout, exposure) on the grid, its time and how badly it fits."""

    time_s: np.ndarray
    cost: np.ndarray


def _grid(interval: float) -> tuple[np.ndarray, np.ndarray]:
    """Readout (s, signed: down or up) and exposure (s) that are tried; about 6 % of the interval apart."""
    readout = np.linspace(-1.0, 1.0, 33) * interval
    exposure = np.array([0.03, 0.1, 0.2, 0.3, 0.42, 0.54, 0.66, 0.78, 0.9, 1.0]) * interval
    return readout, exposure


def _fit_edges(series: LightSeries, bands: np.ndarray, steps: tuple[LightStep, ...]) -> _Edges:
    """Fit the moment of every step for every readout and exposure."""
    interval = series.interval_s
    readout, exposure = _grid(interval)
    y = (np.arange(bands.shape[1]) + 0.5) / bands.shape[1] - 0.5
    times = np.zeros((len(steps), len(readout), len(exposure)))
    costs = np.zeros_like(times)
    tries = np.arange(-1.6, 3.4, 0.04) * interval
    for number, step in enumerate(steps):
        k = step.frame
        lo, hi = max(0, k - 2), min(len(bands), k + 3)
        low = np.median(bands[max(0, k - 1 - _BEFORE) : max(1, k - 1)], axis=0)
        high = np.median(bands[min(k + 2, len(bands) - 1) : k + 2 + _BEFORE], axis=0)
        height = high - low
        telling = np.abs(height) > 0.15 * float(np.max(np.abs(height)))
        share = (bands[lo:hi] - low)[:, telling] / height[telling]
        away = np.concatenate([bands[max(0, k - 1 - _BEFORE) : max(1, k - 1)], bands[k + 2 : k + 2 + _BEFORE] - height])
        noise = float(np.median(np.std((away - low)[:, telling] / height[telling], axis=0))) if len(away) > 2 else 0.05
        weight = 1.0 / max(noise, 0.02) ** 2
        start = series.time_s[lo:hi, None] - series.time_s[k]
        for i, r in enumerate(readout):
            # A frame's own time is taken for the start of the exposure of the row that is read first.
            base = (start + y[telling][None, :] * r + 0.5 * abs(r)).ravel()
            seen = share.ravel()
            for j, e in enumerate(exposure):
                model = np.clip((base[None, :] - tries[:, None]) / e + 1.0, 0.0, 1.0)
                left = ((model - seen[None, :]) ** 2).sum(axis=1) * weight
                best = int(np.argmin(left))
                shift = 0.0
                if 0 < best < len(tries) - 1:
                    c0, c1, c2 = left[best - 1 : best + 2]
                    shift = float(np.clip(0.5 * (c0 - c2) / max(c0 - 2 * c1 + c2, 1e-12), -0.5, 0.5))
                times[number, i, j] = series.time_s[k] + tries[best] + shift * 0.04 * interval
                # Neighbouring bands are not wholly independent; a model never fits to the noise.
                costs[number, i, j] = left[best] / 4.0
    return _Edges(times, costs)


def steps_witness(reference: LightSeries, clip: LightSeries) -> Witness:
    """Compare the light of two clips; refuses where nothing changes, or where the steps come at other intervals."""
    steps_a, steps_b = find_steps(reference), find_steps(clip)
    if not steps_a or not steps_b:
        return Witness(kind="light steps", reason=_STATIC)
    matched = _match(steps_a, steps_b, max(reference.interval_s, clip.interval_s))
    if matched is None:
        return Witness(
            kind="light steps",
            reason="the light changes at other intervals in the two clips: takes of their own. Line them up by level.",
        )
    picked_a, picked_b = tuple(steps_a[i] for i, _ in matched), tuple(steps_b[j] for _, j in matched)
    time_a, time_b, sigma, spread = _joint(reference, clip, picked_a, picked_b)
    notes: tuple[str, ...] = (f"{len(matched)} steps of the light, read row by row",)
    if len(matched) == 1:
        notes += ("rests on a single step of the light",)
    return Witness(
        kind="light steps",
        clip_s=time_b,
        scene_s=time_a,
        sigma_s=np.full(len(time_b), max(sigma, 3e-4)),
        score=float(3.0 * len(matched)),
        floor_s=math.hypot(spread, 5e-4 if _alike_cameras(reference, clip) else 2e-3),
        notes=notes,
    )


def _match(a: tuple[LightStep, ...], b: tuple[LightStep, ...], interval: float) -> list[tuple[int, int]] | None:
    """Pairs of steps that one offset brings together; None where too few of them do."""
    best: list[tuple[int, int]] = []
    best_cost = math.inf
    for first in a:
        for second in b:
            if not _alike(first, second):
                continue
            offset = first.time_s - second.time_s
            pairs, cost = [], 0.0
            for p, one in enumerate(a):
                gaps = [(abs(one.time_s - two.time_s - offset), q) for q, two in enumerate(b) if _alike(one, two)]
                if gaps and min(gaps)[0] < 2.5 * interval:
                    pairs.append((p, min(gaps)[1]))
                    cost += min(gaps)[0]
            if (len(pairs), -cost) > (len(best), -best_cost):
                best, best_cost = pairs, cost
    # Steps that fall outside the other clip don't count against it.
    if not best:
        return None
    offset = float(np.median([a[i].time_s - b[j].time_s for i, j in best]))
    last_a, last_b = a[-1].time_s, b[-1].time_s
    expected_a = sum(b[0].time_s + offset - interval <= s.time_s <= last_b + offset + interval for s in a)
    expected_b = sum(a[0].time_s - interval <= s.time_s + offset <= last_a + interval for s in b)
    if len({j for _, j in best}) < len(best) or len(best) < 0.6 * max(expected_a, expected_b):
        return None
    if len(best) == 1 and max(len(a), len(b)) > 1:
        return None
    return best


def _alike(a: LightStep, b: LightStep) -> bool:
    return a.log_ratio * b.log_ratio > 0 and 0.4 < abs(a.log_ratio / b.log_ratio) < 2.5


def _joint(
    reference: LightSeries, clip: LightSeries, steps_a: tuple[LightStep, ...], steps_b: tuple[LightStep, ...]
) -> tuple[np.ndarray, np.ndarray, float, float]:
    """Moments in both clips with readout and exposure fitted to all steps together: (times a, times b, sigma, common)."""
    choices = []
    for use_rows in (True, False):
        fits = [
            _fit_edges(series, series.rows if use_rows else series.columns, steps)
            for series, steps in ((reference, steps_a), (clip, steps_b))
        ]
        choices.append((float(sum(fit.cost.sum(axis=0).min() for fit in fits)), fits))
    _, (fit_a, fit_b) = min(choices, key=lambda choice: choice[0])
    shared = _alike_cameras(reference, clip)
    cost_a, cost_b = fit_a.cost.sum(axis=0).ravel(), fit_b.cost.sum(axis=0).ravel()
    time_a, time_b = (fit.time_s.reshape(len(steps_a), -1) for fit in (fit_a, fit_b))
    if shared:
        gaps = time_a - time_b
        cost = cost_a + cost_b + _scatter(gaps)
        weight = np.exp(-0.5 * (cost - cost.min()))
        weight /= weight.sum()
        mean_gap, mean_b = gaps @ weight, time_b @ weight
    else:
        keep_a, keep_b = np.argsort(cost_a)[:120], np.argsort(cost_b)[:120]
        gaps = (time_a[:, keep_a, None] - time_b[:, None, keep_b]).reshape(len(steps_a), -1)
        cost = (cost_a[keep_a][:, None] + cost_b[keep_b][None, :]).ravel() + _scatter(gaps)
        weight = np.exp(-0.5 * (cost - cost.min()))
        weight /= weight.sum()
        mean_gap = gaps @ weight
        mean_b = time_b[:, int(np.argmin(cost_b))]
    offsets = gaps.mean(axis=0)
    common = float(np.sqrt(weight @ (offsets - weight @ offsets) ** 2))
    sigma = float(np.std(mean_gap, ddof=1)) if len(mean_gap) > 2 else 1e-3
    return mean_b + mean_gap, mean_b, sigma, common


def _alike_cameras(reference: LightSeries, clip: LightSeries) -> bool:
    """Whether both were filmed in one mode of the camera, by all that is seen: readout and exposure are then the same."""
    return reference.size == clip.size and abs(reference.interval_s / max(clip.interval_s, 1e-9) - 1.0) < 5e-3


def _scatter(gaps: np.ndarray, sigma_s: float = 5e-4) -> np.ndarray:
    """Cost of differences that are not the same at all steps (a slow drift of the clocks is far smaller)."""
    return np.asarray(((gaps - gaps.mean(axis=0)) ** 2).sum(axis=0) / sigma_s**2)


def match_levels(reference: LightSeries, clip: LightSeries) -> list[tuple[int, int]]:
    """Pair the plateaus between steps by their order and ratio, for series that were turned down by hand at other times.

    Returns
    -------
    list of (reference plateau, clip plateau)
        Plateau 0 lies before the first step.  Empty without steps.
    """
    a, b = find_steps(reference), find_steps(clip)
    best: list[tuple[int, int]] = []
    for shift in range(-len(b) + 1, len(a)):
        run = [(i, i - shift) for i in range(len(a)) if 0 <= i - shift < len(b)]
        if run and all(_alike(a[i], b[j]) for i, j in run) and len(run) > len(best):
            best = run
    return [(best[0][0], best[0][1])] + [(i + 1, j + 1) for i, j in best] if best else []


__all__ = ["LightSeries", "LightStep", "find_steps", "match_levels", "steps_witness"]

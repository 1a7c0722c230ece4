"""Changes of the light as a witness of time: lamps switched, the level turned down, a flash.

Every row of a rolling-shutter picture is a sample of its own: a step of the light draws an edge across one or two frames,
whose place tells the moment far better than the frame's mean does.  Readout and exposure need not be known: they are fitted
to the edges (a long exposure shows each edge in two frames), and what they leave open widens the error.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d
from scipy.signal import fftconvolve
from scipy.special import logsumexp

from viewer.align.clock import Witness

_BEFORE = 6
_EXPOSURES = (0.03, 0.1, 0.2, 0.3, 0.42, 0.54, 0.66, 0.78, 0.9, 1.0)  # in frame intervals
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
    # Medians over the `half` frames before each frame, and over as many from two frames after it on; short ends hold NaN.
    middles = np.median(np.lib.stride_tricks.sliding_window_view(log, half), axis=1)
    before, after = np.full(n, np.nan), np.full(n, np.nan)
    before[half:] = middles[: n - half]
    after[: n - half - 1] = middles[2:]
    for k in range(2, half):
        before[k] = np.median(log[:k])
    for k in range(n - half - 1, n - 3):
        after[k] = np.median(log[k + 2 :])
    before, after = np.where(np.isfinite(before), before, log), np.where(np.isfinite(after), after, log)
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
        # Level before and level after: what moves through the picture makes slopes, not plateaus.
        calm = all(
            len(part) >= 2 and float(np.ptp(part)) < 0.3 * size[k] + 4.0 * scatter
            for part in (log[max(0, frame - 1 - half) : max(0, frame - 1)], log[frame + 3 : frame + 3 + half])
        )
        if calm and fast > 0.5 * size[k]:
            out.append(LightStep(frame=frame, time_s=float(series.time_s[frame]), log_ratio=float(jump[k])))
        size[max(0, min(k, frame) - half - 2) : max(k, frame) + half + 3] = 0
    return tuple(sorted(out, key=lambda step: step.frame))


def _grid(interval: float) -> np.ndarray:
    """Readout (s, signed: down or up) and exposure (s) that are tried, shape (modes, 2)."""
    return np.array([(r, e) for r in np.linspace(-1.0, 1.0, 25) for e in _EXPOSURES]) * interval


def _finer(modes: np.ndarray, likelihood: np.ndarray, interval: float, most: int = 12) -> np.ndarray:
    """The likely modes of the grid, each divided into nine, shape (modes, 2)."""
    best = np.argsort(-likelihood)[:most]
    best = best[likelihood[best] > likelihood[best[0]] - 12.0]
    widths = np.gradient(_EXPOSURES) * interval
    out = []
    for readout, exposure in modes[best]:
        width = float(widths[np.argmin(np.abs(np.array(_EXPOSURES) * interval - exposure))])
        out += [
            (readout + k * interval / 36.0, max(exposure + m * width / 3.0, 0.01 * interval))
            for k in (-1, 0, 1)
            for m in (-1, 0, 1)
        ]
    return np.array(out)


def _likelihoods(
    series: LightSeries, bands: np.ndarray, steps: tuple[LightStep, ...], spacing: float, modes: np.ndarray
) -> np.ndarray:
    """Log likelihood of each step's moment: shape (steps, modes, moments); a mode is a readout and an exposure (s).

    Moments lie `spacing` apart, from 1.6 intervals before the time of the step's frame on.  A step in the dead time between
    two exposures leaves a flat stretch: an interval, not a point.
    """
    interval = series.interval_s
    if bands.shape[1] % 2 == 0:
        bands = 0.5 * (bands[:, ::2] + bands[:, 1::2])
    y = (np.arange(bands.shape[1]) + 0.5) / bands.shape[1] - 0.5
    tries = np.arange(-1.6 * interval, 3.4 * interval, spacing)
    out = np.zeros((len(steps), len(modes), len(tries)))
    for number, step in enumerate(steps):
        lo, hi, seen, telling, noise = _fractions(bands, step.frame)
        seen = seen[:, telling].ravel()
        # A model never fits to the noise, and neighbouring bands share what it misses.
        weight = 0.5 / max(noise, 0.03) ** 2 / 3.0
        start = series.time_s[lo:hi, None] - series.time_s[step.frame]
        for mode, (r, e) in enumerate(modes):
            # A frame's own time is taken for the start of the exposure of the row that is read first.
            base = (start + y[telling][None, :] * r + 0.5 * abs(r)).ravel()
            gap = np.clip((base[None, :] - tries[:, None]) / e + 1.0, 0.0, 1.0) - seen
            out[number, mode] = -weight * np.einsum("ts,ts->t", gap, gap)
    return out


def _evidence(likelihoods: np.ndarray) -> np.ndarray:
    """What each mode makes of all steps, whenever they came (log): where any moment in a dead time will do, more moments do."""
    return np.asarray(logsumexp(likelihoods, axis=2).sum(axis=0))


def _fractions(bands: np.ndarray, k: int) -> tuple[int, int, np.ndarray, np.ndarray, float]:
    """How far each band has gone from its level before a step at frame k to that after it.

    Returns first and last frame (excluded), the fractions (frames, bands), which bands tell, and their noise.
    """
    lo, hi = max(0, k - 2), min(len(bands), k + 3)
    low = np.median(bands[max(0, k - 1 - _BEFORE) : max(1, k - 1)], axis=0)
    high = np.median(bands[min(k + 2, len(bands) - 1) : k + 2 + _BEFORE], axis=0)
    height = high - low
    telling = np.abs(height) > 0.15 * float(np.max(np.abs(height)))
    height = np.where(telling, height, 1.0)
    away = np.concatenate([bands[max(0, k - 1 - _BEFORE) : max(1, k - 1)], bands[k + 2 : k + 2 + _BEFORE] - height])
    noise = float(np.median(np.std(((away - low) / height)[:, telling], axis=0))) if len(away) > 2 else 0.05
    return lo, hi, (bands[lo:hi] - low) / height, telling, noise


def _rolling(series: LightSeries, steps: tuple[LightStep, ...]) -> np.ndarray:
    """The bands along which the shutter rolls: while the light changes, they differ; across it all say the same."""

    def spread(bands: np.ndarray) -> float:
        made = [_fractions(bands, step.frame) for step in steps]
        return sum(float(seen[:, telling].var(axis=1).sum()) for _, _, seen, telling, _ in made)

    return max((series.rows, series.columns), key=spread)


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
    offset, sigma = _offset(reference, clip, picked_a, picked_b)
    notes: tuple[str, ...] = (f"{len(matched)} steps of the light, read row by row",)
    if len(matched) == 1:
        notes += ("rests on a single step of the light",)
    time_b = np.array([step.time_s for step in picked_b])
    return Witness(
        kind="light steps",
        clip_s=time_b,
        scene_s=time_b + offset,
        sigma_s=np.full(len(time_b), max(sigma, 5e-4) * math.sqrt(len(time_b))),
        score=float(3.0 * len(matched)),
        trust=30,
        floor_s=1e-3 if _alike_cameras(reference, clip) else 2e-3,
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
    if len({j for _, j in best}) < len(best) or len(best) < 0.75 * max(expected_a, expected_b):
        return None
    if len(best) == 1 and max(len(a), len(b)) > 1:
        return None
    return best


def _alike(a: LightStep, b: LightStep) -> bool:
    return a.log_ratio * b.log_ratio > 0 and 0.4 < abs(a.log_ratio / b.log_ratio) < 2.5


def _offset(
    reference: LightSeries, clip: LightSeries, steps_a: tuple[LightStep, ...], steps_b: tuple[LightStep, ...]
) -> tuple[float, float]:
    """Mean and standard deviation of the offset (s), readout and exposure integrated out."""
    spacing = 0.02 * min(reference.interval_s, clip.interval_s)
    like_a, like_b = _by_mode(reference, clip, steps_a, steps_b, spacing)
    best_a, best_b = _evidence(like_a), _evidence(like_b)
    if _alike_cameras(reference, clip):
        both = best_a + best_b
        modes = [(int(m), int(m)) for m in np.nonzero(both > both.max() - 12.0)[0]]
    else:
        keep_a, keep_b = np.argsort(-best_a)[:24], np.argsort(-best_b)[:24]
        modes = [(int(m), int(n)) for m in keep_a for n in keep_b if best_a[m] + best_b[n] > best_a.max() + best_b.max() - 12.0]
    times_a, times_b = (np.array([step.time_s for step in steps]) for steps in (steps_a, steps_b))
    start = times_a - 1.6 * reference.interval_s - (times_b - 1.6 * clip.interval_s)
    reach = 3.0 * (reference.interval_s + clip.interval_s)
    grid = np.arange(float(np.median(start)) - reach, float(np.median(start)) + reach, spacing)
    size = like_a.shape[2] + like_b.shape[2] - 1
    lag = (np.arange(size) - (like_b.shape[2] - 1)) * spacing
    # Clocks drift apart by up to 50 ppm over the time between the steps; half a millisecond is the model's own error.
    blur = np.hypot(5e-4, 5e-5 * np.abs(times_b - times_b.mean())) / spacing
    total: list[np.ndarray] = []
    for m, n in modes:
        log = np.zeros_like(grid)
        for j in range(len(steps_a)):
            a, b = np.exp(like_a[j, m] - like_a[j, m].max()), np.exp(like_b[j, n] - like_b[j, n].max())
            both = gaussian_filter1d(fftconvolve(a, b[::-1]), blur[j], mode="constant")
            value = np.interp(grid, start[j] + lag, np.maximum(both, 0.0), left=0.0, right=0.0)
            log += np.log(value + 1e-9 * float(both.max())) + like_a[j, m].max() + like_b[j, n].max()
        total.append(log)
    stack = np.array(total)
    chance = np.exp(stack - stack.max()).sum(axis=0)
    chance /= chance.sum()
    mean = float((chance * grid).sum())
    # Half as much again: the grid of readouts and exposures is coarse, and light rarely steps at once.
    return mean, 1.5 * math.sqrt(float((chance * (grid - mean) ** 2).sum()))


def _by_mode(
    reference: LightSeries,
    clip: LightSeries,
    steps_a: tuple[LightStep, ...],
    steps_b: tuple[LightStep, ...],
    spacing: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Likelihoods of both clips for the modes that explain the edges best."""
    both = [(one, _rolling(one, steps), steps) for one, steps in ((reference, steps_a), (clip, steps_b))]
    best = []
    for one, bands, steps in both:
        made = _likelihoods(one, bands, steps, 0.06 * one.interval_s, _grid(one.interval_s))
        best.append(_evidence(made))
    if _alike_cameras(reference, clip):  # one mode for both
        best = [best[0] + best[1]] * 2
    a, b = (
        _likelihoods(one, bands, steps, spacing, _finer(_grid(one.interval_s), values, one.interval_s))
        for (one, bands, steps), values in zip(both, best, strict=True)
    )
    return a, b


def _alike_cameras(reference: LightSeries, clip: LightSeries) -> bool:
    """Whether both were filmed in one mode of the camera, by all that is seen: readout and exposure are then the same."""
    return reference.size == clip.size and abs(reference.interval_s / max(clip.interval_s, 1e-9) - 1.0) < 5e-3


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

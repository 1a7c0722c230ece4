"""From matched moments to a clock map: robust line fit, prior of quartz clocks, witnesses checked against each other."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.stats import t as student_t

from viewer.align.transform import ClockMap
from viewer.errors import UsageError

# Two recorders' clocks differ by tens of ppm: a weak prior that only speaks when the evidence is too short to.
RATE_PRIOR_PPM = 50.0
RATE_LIMIT_PPM = 400.0
_SHORTEST_S = 0.8


@dataclass(frozen=True, kw_only=True)
class Witness:
    """What one kind of evidence says of two clips' times.

    Parameters
    ----------
    kind : str
        ``sound``, ``sound onsets``, ``light steps``, ``motion``, ``marks``, ``creation time``, ``timecode``.
    clip_s, scene_s, sigma_s : ndarray of shape (K,)
        Matched moments and their 1-sigma errors.  Empty for a refusal.
    score : float
        How far the evidence stands above chance: a signal-to-noise ratio, or 0.
    floor_s : float
        Systematic 1-sigma error common to all moments.
    weak : bool
        True for a prior: shown and checked, never used alone.
    reason : str
        Why there is no answer; empty if there is one.
    notes : tuple of str
        What the user should know of this evidence.
    rivals_s : tuple of float
        Offsets (s) between which the evidence can't choose; another witness may.
    trust : int
        The stated errors are believed as if they had been seen in so many moments.
    least_scale : float
        The scatter seen may show that the errors are smaller than stated, but never smaller than this share.
    """

    kind: str
    clip_s: np.ndarray = field(default_factory=lambda: np.zeros(0))
    scene_s: np.ndarray = field(default_factory=lambda: np.zeros(0))
    sigma_s: np.ndarray = field(default_factory=lambda: np.zeros(0))
    score: float = 0.0
    floor_s: float = 0.0
    weak: bool = False
    reason: str = ""
    notes: tuple[str, ...] = ()
    rivals_s: tuple[float, ...] = ()
    trust: int = 4
    least_scale: float = 1.0

    @property
    def answered(self) -> bool:
        """Whether there is an answer."""
        return not self.reason and len(self.clip_s) > 0


@dataclass(frozen=True, kw_only=True)
class ClockFit:
    """A fitted clock map with the errors of what was fitted.

    ``offset_s`` is at clip time 0, its interval too; ``middle_s`` and ``middle_sigma_s`` tell where the evidence lies and how
    well it is known there.  ``rate_known`` is False where the evidence is too short to say more than the prior.
    """

    clock: ClockMap
    middle_s: float
    middle_sigma_s: float
    rate_sigma_ppm: float
    rate_known: bool
    rate_low_ppm: float
    rate_high_ppm: float
    offset_low_s: float
    offset_high_s: float
    used: np.ndarray
    residual_s: float
    score: float
    kind: str


@dataclass(frozen=True, kw_only=True)
class Statement:
    """A witness's line in the table: its offset at a common moment, its error, and whether it agrees with the chosen one."""

    kind: str
    offset_s: float | None
    sigma_s: float | None
    rate_ppm: float | None
    score: float
    moments: int
    chosen: bool
    agrees: bool | None
    text: str


def fit_clock(witness: Witness, *, rate: bool = True) -> ClockFit | None:
    """Fit offset and rate to a witness's moments; None if it has none.

    Moments that lie off the line by more than 4 robust sigma take no part.  The rate carries a prior of 0 +- 50 ppm; its
    interval, and that of the offset, use Student's t for the moments seen and the trust in the stated errors.
    """
    if not witness.answered:
        return None
    x, y, sigma = (np.asarray(a, float) for a in (witness.clip_s, witness.scene_s, witness.sigma_s))
    rate = rate and float(np.ptp(x)) >= _SHORTEST_S  # moments of one event say nothing of the rate
    used = np.ones(len(x), bool)
    fit = _line(witness, used, rate)
    for _ in range(8):
        gap = y - x - fit[0] - fit[1] * (x - fit[4])
        spread = max(1.4826 * float(np.median(np.abs(gap[used]))), float(np.median(sigma)) * 0.5)
        keep = np.abs(gap) <= 4.0 * np.hypot(spread, sigma)
        if keep.sum() < min(2, len(x)) or (keep == used).all():
            break
        used = keep
        fit = _line(witness, used, rate)
    level, slope, level_sigma, slope_sigma, middle = fit
    gap = (y - x - level - slope * (x - middle))[used]
    quantile = float(student_t.ppf(0.975, witness.trust + max(int(used.sum()) - 2, 0)))
    level_sigma = math.hypot(level_sigma, witness.floor_s)
    offset = level - slope * middle
    offset_half = quantile * math.hypot(level_sigma, slope_sigma * middle)
    rate_half = quantile * slope_sigma
    return ClockFit(
        clock=ClockMap(
            offset_s=offset,
            rate_ppm=1e6 * slope,
            offset_low_s=offset - quantile * level_sigma,
            offset_high_s=offset + quantile * level_sigma,
            sync_by=witness.kind,
            residual_s=float(np.sqrt(np.mean(gap**2))) if len(gap) > 2 else float(np.median(sigma)),
        ),
        middle_s=middle,
        middle_sigma_s=level_sigma,
        rate_sigma_ppm=1e6 * slope_sigma,
        rate_known=bool(rate and used.sum() >= 3 and 1e6 * slope_sigma < 0.5 * RATE_PRIOR_PPM),
        rate_low_ppm=1e6 * (slope - rate_half),
        rate_high_ppm=1e6 * (slope + rate_half),
        offset_low_s=offset - offset_half,
        offset_high_s=offset + offset_half,
        used=used,
        residual_s=float(np.sqrt(np.mean(gap**2))) if len(gap) > 2 else float(np.median(sigma)),
        score=witness.score,
        kind=witness.kind,
    )


def _line(witness: Witness, used: np.ndarray, rate: bool) -> tuple[float, float, float, float, float]:
    """Weighted line of scene - clip with the rate prior: (level, slope, their sigmas, middle)."""
    x, y, sigma = (np.asarray(a, float) for a in (witness.clip_s, witness.scene_s, witness.sigma_s))
    w = used / sigma**2
    middle = float((w * x).sum() / w.sum())
    u, v = x - middle, y - x
    prior = (1e-6 * RATE_PRIOR_PPM) ** -2
    sxx = float((w * u * u).sum()) if rate else 0.0
    level = float((w * v).sum() / w.sum())
    slope = float((w * u * (v - level)).sum()) / (sxx + prior) if rate else 0.0
    gap = (v - level - slope * u)[used]
    count = int(used.sum())
    seen = float((w[used] * gap**2).sum()) if count > 2 else 0.0
    scale = math.sqrt((witness.trust + seen) / (witness.trust + max(count - 2, 0)))
    scale = max(scale, witness.least_scale)
    return level, slope, scale / math.sqrt(float(w.sum())), 1.0 / math.sqrt(sxx / scale**2 + prior), middle


def weigh(witnesses: Sequence[Witness]) -> tuple[ClockFit | None, tuple[Statement, ...], tuple[str, ...]]:
    """Choose the best witness, check the others against it, and say who disagrees.

    Returns
    -------
    fit : ClockFit or None
        Of the witness with the smallest error in the middle of its evidence; priors are never chosen.
    statements : tuple of Statement
        One a witness, refusals included.
    warnings : tuple of str
        Disagreements beyond 3 combined sigma.  They are shown, never averaged away.
    """
    fits = [fit_clock(witness) for witness in witnesses]
    able = [fit for fit, witness in zip(fits, witnesses, strict=True) if fit is not None and not witness.weak]
    chosen = min(able, key=lambda fit: fit.middle_sigma_s) if able else None
    statements: list[Statement] = []
    warnings: list[str] = []
    for fit, witness in zip(fits, witnesses, strict=True):
        if fit is None:
            statements.append(
                Statement(
                    kind=witness.kind,
                    offset_s=None,
                    sigma_s=None,
                    rate_ppm=None,
                    score=witness.score,
                    moments=0,
                    chosen=False,
                    agrees=None,
                    text=witness.reason,
                )
            )
            continue
        agrees: bool | None = None
        text = "; ".join(witness.notes)
        if chosen is not None and fit is not chosen:
            here = fit.middle_s
            gap = fit.clock.scene_time(here) - chosen.clock.scene_time(here)
            allowed = 3.0 * math.hypot(fit.middle_sigma_s, chosen.middle_sigma_s)
            agrees = abs(gap) <= allowed
            if not agrees:
                warnings.append(
                    f"{witness.kind} and {chosen.kind} disagree by {1e3 * gap:+.1f} ms "
                    f"(expected within {1e3 * allowed:.1f} ms); {chosen.kind} is used."
                )
        statements.append(
            Statement(
                kind=witness.kind,
                offset_s=fit.clock.offset_s,
                sigma_s=fit.middle_sigma_s,
                rate_ppm=fit.clock.rate_ppm if fit.rate_known else None,
                score=witness.score,
                moments=int(fit.used.sum()),
                chosen=fit is chosen,
                agrees=agrees,
                text=text,
            )
        )
    return chosen, tuple(statements), tuple(warnings)


def from_marks(pairs: Sequence[tuple[float, float]], *, sigma_s: float = 0.02) -> Witness:
    """Return the witness of moments that the operator marked: pairs of clip time and scene time (s)."""
    if not pairs:
        raise UsageError("no marks were given.", hint="Mark the same moment in both clips.")
    clip, scene = (np.array(values, float) for values in zip(*pairs, strict=True))
    return Witness(kind="marks", clip_s=clip, scene_s=scene, sigma_s=np.full(len(clip), sigma_s), score=math.inf)


def nudged(clock: ClockMap, *, shift_s: float) -> ClockMap:
    """Return the clock map moved by hand: scene time grows by `shift_s` (s)."""
    low, high = clock.offset_low_s, clock.offset_high_s
    return ClockMap(
        offset_s=clock.offset_s + shift_s,
        rate_ppm=clock.rate_ppm,
        offset_low_s=None if low is None else low + shift_s,
        offset_high_s=None if high is None else high + shift_s,
        sync_by="hand",
        residual_s=None,
    )


def residual_of(clock: ClockMap, witness: Witness) -> float | None:
    """Root mean square (s) by which a clock map misses a witness's moments; None if it has none.

    For the read-out while a lane is dragged: cheap enough to call at every move.
    """
    if not witness.answered:
        return None
    gap = witness.scene_s - clock.offset_s - (1.0 + 1e-6 * clock.rate_ppm) * witness.clip_s
    good = np.abs(gap - np.median(gap)) <= 5.0 * np.maximum(1.4826 * np.median(np.abs(gap - np.median(gap))), witness.sigma_s)
    return float(np.sqrt(np.mean(gap[good] ** 2)))


__all__ = ["ClockFit", "Statement", "Witness", "fit_clock", "from_marks", "nudged", "residual_of", "weigh"]

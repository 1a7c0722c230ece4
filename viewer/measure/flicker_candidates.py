"""From alias and band spacing to frequency: one where the readout is known, all that fit where it is not."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from viewer.measure.flicker_fit import Wave
from viewer.measure.flicker_sampling import HIGHEST_HZ, LOWEST_HZ, Clock

MOST_CANDIDATES = 60
READOUT_TYPICAL_S = 0.014
READOUT_SPREAD = 0.45
"""Natural logarithm of the factor within which two of three cameras' readouts lie; used to weigh, never to decide alone."""
READOUT_LEAST_S = 0.001
READOUT_ERROR = 0.001
"""Relative error of a typed readout that is taken for granted."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """A frequency that fits, the readout (s, whole picture) that it implies, and its weight (sum 1)."""

    frequency_hz: float
    sigma_hz: float
    readout_s: float
    weight: float
    backwards: bool = False


@dataclass(frozen=True, slots=True)
class Choice:
    """Candidates by falling weight; ``misfit`` is the distance of the band spacing from the best one, in alias steps."""

    candidates: tuple[Candidate, ...]
    misfit: float = 0.0
    notes: tuple[str, ...] = ()

    @property
    def single(self) -> Candidate | None:
        """The one answer, or None where several fit."""
        return self.candidates[0] if len(self.candidates) == 1 else None


def _normal(candidates: list[Candidate], *, least: float) -> tuple[Candidate, ...]:
    """Return the candidates by weight, the negligible dropped, weights summing to one."""
    top = max((c.weight for c in candidates), default=0.0)
    kept = sorted((c for c in candidates if c.weight > least * top), key=lambda c: -c.weight)[:MOST_CANDIDATES]
    total = sum(c.weight for c in kept)
    return tuple(replace(c, weight=c.weight / total) for c in kept)


def aliases(wave: Wave, clock: Clock, share: float, *, backwards: bool = False) -> list[tuple[float, float]]:
    """Return (frequency, implied readout) of every alias of a wave up to `HIGHEST_HZ`.

    Bands that advance along the readout have ``f = k fs + g`` with the sign of g taken together with that of q.
    """
    sign = math.copysign(1.0, wave.q) * (-1.0 if backwards else 1.0)
    g, q = sign * wave.g_hz, abs(wave.q)
    if not math.isfinite(clock.fold_hz):
        return [(g, q / g / share)] if g > LOWEST_HZ else []
    first = math.ceil((LOWEST_HZ - g) / clock.fold_hz)
    orders = np.arange(first, first + int(HIGHEST_HZ / clock.fold_hz) + 2)
    found = g + orders * clock.fold_hz
    return [(float(f), q / float(f) / share) for f in found if LOWEST_HZ < f <= HIGHEST_HZ]


def choose_known(wave: Wave, clock: Clock, share: float, readout_s: float, *, readout_error: float = READOUT_ERROR) -> Choice:
    """Return the frequencies that a known readout allows: one, unless its error or that of the bands spans more.

    Parameters
    ----------
    wave : Wave
    clock : Clock
    share : float
        Part of the readout that the fitted rows cover.
    readout_s : float
        First to last row of the whole picture.
    readout_error : float
        Relative 1-sigma error of it.
    """
    q = abs(wave.q)
    span = readout_s * share
    spread = math.hypot(0.02 + 2.0 * wave.sigma_q, 1.5 * readout_error * q)
    found = []
    for frequency, implied in aliases(wave, clock, share):
        off = (frequency * span - q) / spread
        found.append(
            Candidate(frequency, wave.sigma_hz, implied, math.exp(-0.5 * min(off, 1e3) ** 2) if abs(off) < 37 else 0.0)
        )
    if not found:
        return Choice(())
    nearest = min(found, key=lambda c: abs(c.frequency_hz * span - q))
    step = clock.fold_hz * span if math.isfinite(clock.fold_hz) else max(nearest.frequency_hz * span, 1e-9)
    misfit = (nearest.frequency_hz * span - q) / step
    if max(c.weight for c in found) <= 0.0:
        found = [replace(nearest, weight=1.0)]
    notes = []
    if abs(misfit) > 0.05 and abs(misfit) * step > 3.0 * spread:
        other = [abs(f * span - q) / step for f, _ in aliases(wave, clock, share, backwards=True)]
        if other and min(other) < 0.5 * abs(misfit):
            notes.append("The band spacing fits better when the readout runs the other way: check its direction.")
        else:
            notes.append("The band spacing does not fit the readout time: check it with a lamp of known frequency.")
        around = sorted(found, key=lambda c: abs(c.frequency_hz * span - q))[:3]
        if abs(misfit) > 0.3:
            found = [replace(c, weight=max(c.weight, math.exp(-abs(c.frequency_hz * span - q) / step))) for c in around]
    return Choice(_normal(found, least=0.02), misfit, tuple(notes))


def choose_unknown(wave: Wave, clock: Clock, share: float, *, direction_known: bool, longest_s: float | None = None) -> Choice:
    """Return every frequency whose implied readout a camera could have, weighed by how usual that readout is."""
    longest = 1.02 / clock.rate if longest_s is None else longest_s
    found = []
    for backwards in (False,) if direction_known else (False, True):
        for frequency, implied in aliases(wave, clock, share, backwards=backwards):
            slack = 2.0 * wave.sigma_q / max(frequency * share, 1e-9)
            if abs(wave.q) > 0.1 and (implied - slack > longest or implied + slack < READOUT_LEAST_S):
                continue
            if abs(wave.q) > 0.1:
                off = math.log(max(implied, 1e-6) / READOUT_TYPICAL_S) / READOUT_SPREAD
                weight = math.exp(-0.5 * off**2)
            else:
                weight = 100.0 / (100.0 + frequency)
            found.append(Candidate(frequency, wave.sigma_hz, implied, weight * (0.05 if backwards else 1.0), backwards))
    return Choice(_normal(found, least=1e-9))


def combine(first: Choice, others: Sequence[Choice], *, wander_hz: float = 0.002, same_readout: float = 0.5) -> Choice:
    """Return what all clips allow together.

    Parameters
    ----------
    first : Choice
    others : sequence of Choice
        Candidates of the same modulation in clips at other frame rates.
    wander_hz : float
        How far the frequency itself may have moved between clips (1 sigma).  If nothing fits, ten and a hundred times as much
        is tried; the answer then says so.
    same_readout : float
        Natural-log spread of the readout from clip to clip.
    """
    notes = list(first.notes)
    for wander in (wander_hz, 10.0 * wander_hz, 100.0 * wander_hz):
        found = _intersect(first, others, wander, same_readout)
        if found:
            if wander > wander_hz:
                notes.append(f"The clips agree only within {3 * wander:.2g} Hz: the rate moved between them.")
            kept = _normal(found, least=1e-3)
            # two that fit are two answers, however unusual the readout of one
            return Choice(kept, first.misfit, tuple(notes))
    notes.append("No frequency fits all clips: they may show different modulations, or the rate moved between them.")
    return replace(first, notes=tuple(notes))


def _intersect(first: Choice, others: Sequence[Choice], wander_hz: float, same_readout: float) -> list[Candidate]:
    found = []
    for candidate in first.candidates:
        weight, mean, precision = candidate.weight, candidate.frequency_hz / candidate.sigma_hz**2, candidate.sigma_hz**-2
        spread = 0.0
        for other in others:
            best = None
            for match in other.candidates:
                if match.backwards != candidate.backwards:
                    continue
                sigma = math.sqrt(candidate.sigma_hz**2 + match.sigma_hz**2 + wander_hz**2)
                off = (match.frequency_hz - candidate.frequency_hz) / sigma
                ratio = math.log(max(match.readout_s, 1e-6) / max(candidate.readout_s, 1e-6)) / same_readout
                score = math.exp(-0.5 * off**2 - 0.5 * ratio**2) if abs(off) < 4.0 and abs(ratio) < 6.0 else 0.0
                if score > 0.0 and (best is None or score > best[0]):
                    best = (score, match)
            if best is None:
                weight = 0.0
                break
            weight *= best[0]
            mean += best[1].frequency_hz / best[1].sigma_hz ** 2
            precision += best[1].sigma_hz ** -2
            spread = max(spread, abs(best[1].frequency_hz - candidate.frequency_hz))
        if weight > 0.0:
            found.append(
                replace(
                    candidate, frequency_hz=mean / precision, sigma_hz=math.hypot(precision**-0.5, 0.3 * spread), weight=weight
                )
            )
    return found


def shared_with(choice: Choice, other: Choice, *, tolerance_hz: float = 0.05) -> bool:
    """Whether two clips can show the same frequency within a relative 0.4 % for mains, else `tolerance_hz`."""
    for a in choice.candidates:
        for b in other.candidates:
            mains = mains_label(a.frequency_hz) and mains_label(b.frequency_hz)
            if abs(a.frequency_hz - b.frequency_hz) < (0.004 * a.frequency_hz if mains else tolerance_hz):
                return True
    return False


def mains_label(frequency_hz: float) -> str:
    """Return ``mains 50 Hz`` or ``mains 60 Hz`` for lamp flicker and its harmonics (grid within 0.4 %), else nothing."""
    for grid in (50, 60):
        order = round(frequency_hz / (2 * grid))
        # a line at the second harmonic alone is more often a screen's backlight
        near = 0.003 if order == 1 else 0.0005
        if 1 <= order <= 2 and abs(frequency_hz - 2 * grid * order) < near * frequency_hz:
            return f"mains {grid} Hz"
    return ""


__all__ = [
    "MOST_CANDIDATES",
    "READOUT_ERROR",
    "READOUT_TYPICAL_S",
    "Candidate",
    "Choice",
    "aliases",
    "choose_known",
    "choose_unknown",
    "combine",
    "mains_label",
    "shared_with",
]

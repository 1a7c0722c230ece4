"""Readings of bars by people who do not know which device they see, and how well they agree.

Trials come in random order, each device under a code that changes from trial to trial; a reader answers resolved or not.
Answers are joined to devices only afterwards.  Agreement beyond chance is Cohen's kappa, between readers and with the machine.

References
----------
.. [1] J. Cohen, Educ. Psychol. Meas. 20 (1960) 37: kappa.
.. [2] J. L. Fleiss, J. Cohen, B. S. Everitt, Psychol. Bull. 72 (1969) 323: its standard error.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from viewer.errors import UsageError


@dataclass(frozen=True, slots=True)
class Trial:
    """One picture to judge: its number in the session, and what it shows (hidden from the reader)."""

    number: int
    code: str
    device: str
    target: str


@dataclass(frozen=True, slots=True)
class Answer:
    """What a reader saw in a trial."""

    number: int
    reader: str
    resolved: bool


def plan_trials(devices: Sequence[str], targets: Sequence[str], *, repeats: int = 2, seed: int = 0) -> tuple[Trial, ...]:
    """Return trials in random order: each device and target `repeats` times, never the same pair twice running if avoidable.

    Raises
    ------
    UsageError
        If there is nothing to show.
    """
    if not devices or not targets or repeats < 1:
        raise UsageError("a blind reading needs devices, targets and at least one repeat.")
    rng = np.random.default_rng(seed)
    pairs = [(device, target) for device in devices for target in targets for _ in range(repeats)]
    order = [pairs[k] for k in rng.permutation(len(pairs))]
    for k in range(1, len(order)):
        if order[k] == order[k - 1]:
            for other in range(len(order)):
                around = {order[other - 1] if other else None, order[other + 1] if other + 1 < len(order) else None}
                if order[other] != order[k] and order[k] not in around:
                    order[k], order[other] = order[other], order[k]
                    break
    codes = rng.permutation(len(order)) + 101
    return tuple(Trial(k, f"{codes[k]}", device, target) for k, (device, target) in enumerate(order))


def shown(trial: Trial) -> dict[str, str | int]:
    """Return what a reader may know of a trial: number, code and target, not the device."""
    return {"number": trial.number, "code": trial.code, "target": trial.target}


def shares(trials: Sequence[Trial], answers: Sequence[Answer]) -> dict[tuple[str, str], tuple[int, int]]:
    """Return (device, target) -> (answers "resolved", answers)."""
    place = {trial.number: trial for trial in trials}
    counts: dict[tuple[str, str], tuple[int, int]] = {}
    for answer in answers:
        trial = place.get(answer.number)
        if trial is None:
            raise UsageError(f"answer to trial {answer.number}, which was not shown.")
        yes, total = counts.get((trial.device, trial.target), (0, 0))
        counts[trial.device, trial.target] = (yes + answer.resolved, total + 1)
    return counts


def limit_by_readers(counts: Mapping[tuple[str, str], tuple[int, int]], device: str) -> float | None:
    """Return the finest target (lp/mm) that at least half of the answers resolve, with all coarser ones; None if none."""
    by_lpmm: dict[float, tuple[int, int]] = {}
    for (own, target), (yes, total) in counts.items():
        if own == device:
            lpmm = float(target.partition("/")[0])
            before = by_lpmm.get(lpmm, (0, 0))
            by_lpmm[lpmm] = (before[0] + yes, before[1] + total)
    limit = None
    for lpmm in sorted(by_lpmm):
        yes, total = by_lpmm[lpmm]
        if 2 * yes < total:
            break
        limit = lpmm
    return limit


@dataclass(frozen=True, slots=True)
class Kappa:
    """Agreement beyond chance: 1 is full, 0 that of chance; with its standard error and the share of equal answers."""

    value: float
    sigma: float
    equal: float
    pairs: int


def cohen_kappa(first: Sequence[bool], second: Sequence[bool]) -> Kappa:
    """Return Cohen's kappa of two series of answers to the same trials.

    Raises
    ------
    UsageError
        If the series differ in length or are empty.
    """
    a, b = np.asarray(first, bool), np.asarray(second, bool)
    if a.size != b.size or not a.size:
        raise UsageError("agreement needs answers of both to the same trials.")
    n = a.size
    table = np.array([[np.mean(a & b), np.mean(a & ~b)], [np.mean(~a & b), np.mean(~a & ~b)]])
    rows, cols = table.sum(axis=1), table.sum(axis=0)
    equal, chance = float(np.trace(table)), float(rows @ cols)
    if chance >= 1.0:
        return Kappa(1.0 if equal == 1.0 else 0.0, math.inf, equal, n)
    kappa = (equal - chance) / (1.0 - chance)
    same = sum(table[k, k] * (1.0 - (rows[k] + cols[k]) * (1.0 - kappa)) ** 2 for k in range(2))
    unlike = (1.0 - kappa) ** 2 * sum(table[i, j] * (cols[i] + rows[j]) ** 2 for i in range(2) for j in range(2) if i != j)
    variance = (same + unlike - (kappa - chance * (1.0 - kappa)) ** 2) / (n * (1.0 - chance) ** 2)
    return Kappa(kappa, math.sqrt(max(0.0, float(variance))), equal, n)


def reader_agreement(answers: Sequence[Answer]) -> dict[tuple[str, str], Kappa]:
    """Return kappa for every pair of readers over the trials both answered."""
    readers = sorted({answer.reader for answer in answers})
    by = {(answer.reader, answer.number): answer.resolved for answer in answers}
    found = {}
    for k, one in enumerate(readers):
        for two in readers[k + 1 :]:
            common = [n for reader, n in by if reader == one and (two, n) in by]
            if common:
                found[one, two] = cohen_kappa([by[one, n] for n in common], [by[two, n] for n in common])
    return found


def machine_agreement(
    trials: Sequence[Trial], answers: Sequence[Answer], resolved: Mapping[tuple[str, str], bool]
) -> dict[str, Kappa]:
    """Return each reader's kappa against the machine's decision for the same device and target."""
    place = {trial.number: trial for trial in trials}
    found = {}
    for reader in sorted({answer.reader for answer in answers}):
        own = [answer for answer in answers if answer.reader == reader]
        pairs = [
            (answer.resolved, resolved[place[answer.number].device, place[answer.number].target])
            for answer in own
            if (place[answer.number].device, place[answer.number].target) in resolved
        ]
        if pairs:
            found[reader] = cohen_kappa([one for one, _ in pairs], [two for _, two in pairs])
    return found


__all__ = [
    "Answer",
    "Kappa",
    "Trial",
    "cohen_kappa",
    "limit_by_readers",
    "machine_agreement",
    "plan_trials",
    "reader_agreement",
    "shares",
    "shown",
]

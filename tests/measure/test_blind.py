"""Blind readings: order, hiding, counts, Cohen's kappa."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise

import numpy as np
import pytest

from viewer.errors import UsageError
from viewer.measure import blind
from viewer.measure.blind import Answer, cohen_kappa, plan_trials


def test_every_pair_is_shown_as_often_in_random_order() -> None:
    trials = plan_trials(["Heron", "Plover"], ["2/v", "4/v", "4/h"], repeats=3, seed=5)
    assert set(Counter((t.device, t.target) for t in trials).values()) == {3}
    assert len({t.code for t in trials}) == len(trials) == 18
    assert plan_trials(["Heron", "Plover"], ["2/v", "4/v", "4/h"], repeats=3, seed=5) == trials
    assert plan_trials(["Heron", "Plover"], ["2/v", "4/v", "4/h"], repeats=3, seed=6) != trials
    assert not any((a.device, a.target) == (b.device, b.target) for a, b in pairwise(trials))


def test_the_device_is_hidden() -> None:
    trial = plan_trials(["Heron"], ["2/v"])[0]
    assert "Heron" not in str(blind.shown(trial)) and set(blind.shown(trial)) == {"number", "code", "target"}


def test_kappa_of_the_textbook_table() -> None:
    """Cohen's kappa 0.40 for 20, 5, 10, 15 of 50 answers: observed 0.70, by chance 0.50 (worked example in common use)."""
    first = [True] * 25 + [False] * 25
    second = [True] * 20 + [False] * 5 + [True] * 10 + [False] * 15
    found = cohen_kappa(first, second)
    assert found.value == pytest.approx(0.4) and found.equal == pytest.approx(0.7) and found.pairs == 50


def test_kappa_at_its_ends_and_its_error() -> None:
    rng = np.random.default_rng(3)
    answers = rng.random(400) < 0.5
    assert cohen_kappa(answers, answers).value == pytest.approx(1.0)
    assert cohen_kappa([True] * 5, [True] * 5).value == 1.0
    found = [cohen_kappa(rng.random(200) < 0.5, rng.random(200) < 0.5) for _ in range(200)]
    assert np.mean([k.value for k in found]) == pytest.approx(0.0, abs=0.02)
    assert np.std([k.value for k in found]) == pytest.approx(np.mean([k.sigma for k in found]), rel=0.15)
    with pytest.raises(UsageError):
        cohen_kappa([True], [])


def test_limits_and_agreement_with_the_machine() -> None:
    trials = plan_trials(["Heron", "Plover"], ["1/v", "2/v", "4/v"], repeats=2, seed=1)
    truth = {("Heron", "1/v"): True, ("Heron", "2/v"): True, ("Heron", "4/v"): False}
    truth |= {("Plover", target): target == "1/v" for target in ("1/v", "2/v", "4/v")}
    answers = [Answer(t.number, reader, truth[t.device, t.target]) for t in trials for reader in ("ann", "bo")]
    counts = blind.shares(trials, answers)
    assert blind.limit_by_readers(counts, "Heron") == 2.0 and blind.limit_by_readers(counts, "Plover") == 1.0
    assert blind.limit_by_readers(counts, "Bittern") is None
    assert blind.reader_agreement(answers)["ann", "bo"].value == pytest.approx(1.0)
    assert blind.machine_agreement(trials, answers, truth)["bo"].value == pytest.approx(1.0)
    with pytest.raises(UsageError):
        blind.shares(trials, [Answer(999, "ann", True)])
    with pytest.raises(UsageError):
        plan_trials([], ["1/v"])

"""Verdicts: rates of false and missed differences, equivalence, words that follow the interval."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from viewer.measure.errorbudget import Budget, Component, combine_takes
from viewer.measure.verdict import (
    DIFFERS,
    EQUAL,
    MATTERS,
    UNKNOWN,
    Comparison,
    Matter,
    compare,
    decide,
    decide_all,
    matter_for,
    no_answer,
)


def pair(a: float, b: float, sigma: float, *, matters: float = 1.0, takes: int = 1, dof: float = math.inf) -> Comparison:
    """Two devices with equal errors."""
    first, second = (Budget(value, (Component("frames", sigma, dof),), takes) for value in (a, b))
    return compare("halo_radius", "lamp", "px", ("Heron", first), ("Bittern", second), matter=Matter(matters, False, "test"))


def test_equal_devices_rarely_differ() -> None:
    rng = np.random.default_rng(11)
    trials = 2000
    for takes in (1, 3):
        false = 0
        for _ in range(trials):
            budgets = []
            for _ in range(2):
                values = 5.0 + 0.4 * rng.standard_normal(takes)
                budgets.append(combine_takes(list(values), [0.4] * takes))
            comparison = compare("snr", "box", "1", ("Heron", budgets[0]), ("Plover", budgets[1]))
            false += decide(comparison).word == DIFFERS
        # At most 5 %; three binomial deviations of 0.5 % allowed for.
        assert false / trials <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / trials)


def test_twice_the_expanded_error_is_told_apart() -> None:
    rng = np.random.default_rng(12)
    sigma, trials = 0.3, 2000
    expanded = 2.0 * math.hypot(sigma, sigma)
    found = sum(
        decide(pair(5.0 + sigma * rng.standard_normal(), 5.0 + 2 * expanded + sigma * rng.standard_normal(), sigma)).word
        == DIFFERS
        for _ in range(trials)
    )
    assert found / trials >= 0.95


def test_equivalence_needs_a_narrow_interval() -> None:
    assert decide(pair(5.0, 5.02, 0.05)).word == EQUAL
    assert decide(pair(5.0, 5.02, 1.0)).word == UNKNOWN


def test_equivalence_rejects_at_its_level() -> None:
    # Schuirmann's two one-sided tests: at a true difference equal to the bound the false "equal" rate is alpha.
    rng = np.random.default_rng(13)
    trials, sigma = 4000, 0.2
    false = 0
    for _ in range(trials):
        a, b = 5.0 + sigma * rng.standard_normal(), 6.0 + sigma * rng.standard_normal()
        false += pair(a, b, sigma, matters=1.0).equivalent
    assert false / trials == pytest.approx(0.05, abs=0.012)


def test_small_but_certain_difference_is_said_as_such() -> None:
    verdict = decide(pair(5.0, 5.5, 0.05, matters=1.0))
    assert verdict.word == DIFFERS
    assert "less than the difference that matters" in verdict.sentence
    assert "higher by 0.50 px" in verdict.sentence


def test_sentences_name_direction_interval_and_scope() -> None:
    sentence = decide(pair(9.0, 5.0, 0.1)).sentence
    assert "Bittern is lower by 4.00 px" in sentence
    assert "95 % interval of the difference -4.28 to -3.72 px" in sentence
    assert "these units, these takes" in sentence
    assert "3 takes each" in decide(pair(9.0, 5.0, 0.1, takes=3)).sentence
    for word in ("better", "worse", "best", "clearly", "significant"):
        assert word not in sentence.lower()


def test_drift_as_large_as_the_difference_decides_nothing() -> None:
    comparison = replace(pair(5.0, 9.0, 0.1), drift=4.5)
    verdict = decide(comparison)
    assert verdict.word == UNKNOWN
    assert "drifted" in verdict.sentence


def test_many_comparisons_are_allowed_for() -> None:
    rng = np.random.default_rng(14)
    sessions, any_false = 400, 0
    for _ in range(sessions):
        rows = [pair(5.0 + 0.3 * rng.standard_normal(), 5.0 + 0.3 * rng.standard_normal(), 0.3) for _ in range(12)]
        verdicts = decide_all(rows)
        any_false += any(verdict.word == DIFFERS for verdict in verdicts)
    # Where nothing differs, 5 % of sessions tell any difference (Benjamini and Hochberg 1995).
    assert any_false / sessions <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / sessions)
    assert "12 comparisons allowed for" in decide_all([pair(5.0, 9.0, 0.1)] * 12)[0].sentence


def of_p(*ps: float) -> list[Comparison]:
    """Return comparisons with these p, and no claim that what is there does not matter."""
    return [pair(0.0, float(stats.norm.isf(p / 2)) * math.sqrt(2), 1.0, matters=0.01) for p in ps]


def test_differences_are_told_by_steps_up() -> None:
    # The example of Benjamini and Hochberg 1995, section 4 (from memory): four of fifteen stand.
    ps = (
        0.0001,
        0.0004,
        0.0019,
        0.0095,
        0.0201,
        0.0278,
        0.0298,
        0.0344,
        0.0459,
        0.3240,
        0.4262,
        0.5719,
        0.6528,
        0.7590,
        0.9999,
    )
    words = [verdict.word for verdict in decide_all(of_p(*ps))]
    assert words == [DIFFERS] * 4 + [UNKNOWN] * 11


def test_what_is_told_agrees_with_scipy() -> None:
    rng = np.random.default_rng(8)
    for _ in range(20):
        ps = np.where(rng.random(30) < 0.4, rng.random(30) * 0.01, rng.random(30))
        told = [verdict.word == DIFFERS for verdict in decide_all(of_p(*ps))]
        assert told == list(stats.false_discovery_control(ps, method="bh") < 0.05)


def test_one_in_twenty_of_the_differences_told_is_false_at_most() -> None:
    rng = np.random.default_rng(15)
    false, all_told = [], 0
    for _ in range(300):
        rows = [
            pair(5.0 + (2.0 if n < 8 else 0.0) + 0.3 * rng.standard_normal(), 5.0 + 0.3 * rng.standard_normal(), 0.3)
            for n in range(16)
        ]
        told = [verdict.word == DIFFERS for verdict in decide_all(rows)]
        false.append(sum(told[8:]) / max(1, sum(told)))
        all_told += sum(told[:8])
    assert np.mean(false) <= 0.05
    assert all_told > 0.95 * 8 * 300


def test_two_takes_of_one_device_still_decide_in_a_large_session() -> None:
    # One degree of freedom, a difference of 160 standard errors, beside clear differences and none.
    bold = replace(pair(5.0, 9.0, 0.1), sigma=0.025, dof=1.0)
    rest = [pair(5.0, 9.0, 0.1)] * 100 + [pair(5.0, 5.01, 0.1)] * 300
    assert decide_all([bold, *rest])[0].word == DIFFERS


def test_presets_carry_reasons() -> None:
    assert all(matter.reason for matter in MATTERS.values())
    assert matter_for("halo_radius", {"halo_radius": 2.0}).absolute(50.0) == 2.0
    assert matter_for("halo_radius").absolute(50.0) == pytest.approx(2.5)


def test_refused_readings_give_no_answer() -> None:
    verdict = no_answer("halo_radius", "lamp", "Heron", "Bittern", "the core is clipped to the edge.")
    assert verdict.word == UNKNOWN
    assert verdict.sentence.endswith("the core is clipped to the edge.")


def test_no_error_at_all() -> None:
    assert decide(pair(1.0, 1.0, 0.0)).word == EQUAL
    assert decide(pair(1.0, 2.0, 0.0)).word == DIFFERS

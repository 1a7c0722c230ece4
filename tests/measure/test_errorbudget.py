"""Error budgets: combination as in the GUM, takes, what repeats buy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from viewer.errors import UsageError
from viewer.measure.errorbudget import (
    Budget,
    Component,
    between_takes_sigma,
    combine_takes,
    coverage_factor,
    expected_half_widths,
    from_interval,
)


def test_quadrature_and_effective_degrees_of_freedom() -> None:
    # JCGM 100:2008, H.1 (end gauge), from memory: components in nm, u_c = 32 nm, nu_eff = 16.
    parts = tuple(
        Component(name, sigma, dof)
        for name, sigma, dof in (
            ("standard", 25.0, 18.0),
            ("comparator", 9.7, 25.6),
            ("expansion", 2.9, 50.0),
            ("temperature", 16.6, 2.0),
        )
    )
    budget = Budget(0.0, parts)
    assert budget.sigma == pytest.approx(31.7, abs=0.1)
    assert budget.dof == pytest.approx(16.7, abs=0.8)
    assert budget.expanded_k2 == pytest.approx(2 * budget.sigma)


def test_coverage_factor_is_students_t() -> None:
    assert coverage_factor(math.inf) == pytest.approx(1.959964, abs=1e-6)
    assert coverage_factor(1) == pytest.approx(12.7062, abs=1e-4)
    assert coverage_factor(16, 0.99) == pytest.approx(2.92, abs=0.01)  # JCGM 100:2008, H.1, from memory


def test_interval_and_sigma_invert() -> None:
    low, high = Budget(5.0, (Component("frames", 0.3),)).interval()
    assert from_interval(low, high) == pytest.approx(0.3)


@pytest.mark.parametrize("takes", [2, 3, 5])
@pytest.mark.parametrize("between", [0.0, 1.0, 3.0])
def test_interval_over_takes_covers_the_truth(takes: int, between: float) -> None:
    rng = np.random.default_rng(7)
    trials = 3000
    inside = 0
    for _ in range(trials):
        values = 10.0 + between * rng.standard_normal(takes) + 0.5 * rng.standard_normal(takes)
        low, high = combine_takes(list(values), [0.5] * takes).interval()
        inside += low <= 10.0 <= high
    # Binomial deviation of 3,000 trials is 0.4 %; 92-98 % is the bound that every interval must keep.
    assert 0.935 < inside / trials < 0.965


def test_one_take_says_so() -> None:
    assert combine_takes([3.0], [0.1]).wording == "within this take"
    assert combine_takes([3.0, 3.1], [0.1, 0.1]).wording == "over 2 takes"


def test_removing_repeats_is_visible() -> None:
    three = combine_takes([3.0, 3.4, 2.8], [0.05] * 3)
    assert three.sigma > 0.05
    assert three.dof == pytest.approx(2.0)


def test_between_takes_sigma() -> None:
    rng = np.random.default_rng(3)
    values = 2.0 * rng.standard_normal(4000) + 0.5 * rng.standard_normal(4000)
    assert between_takes_sigma(values, [0.5] * 4000) == pytest.approx(2.0, rel=0.05)
    assert between_takes_sigma([1.0], [0.1]) == 0.0


def test_what_repeats_buy_shrinks_and_matches_simulation() -> None:
    table = expected_half_widths(0.3, 0.4)
    widths = [table[count] for count in range(2, 7)]
    assert widths == sorted(widths, reverse=True)
    rng = np.random.default_rng(5)
    samples = 0.5 * rng.standard_normal((20_000, 3))
    simulated = float(np.mean(stats.t.ppf(0.975, 2) * samples.std(axis=1, ddof=1) / math.sqrt(3)))
    assert table[3] == pytest.approx(simulated, rel=0.02)


def test_shared_errors_leave_differences() -> None:
    budget = Budget(1.0, (Component("frames", 0.1), Component("scale", 0.5, shared=True)))
    assert budget.own().sigma == pytest.approx(0.1)


@pytest.mark.parametrize("sigma", [-1.0, math.nan, math.inf])
def test_impossible_errors_are_refused(sigma: float) -> None:
    with pytest.raises(UsageError):
        Component("frames", sigma)
    with pytest.raises(UsageError):
        combine_takes([], [])

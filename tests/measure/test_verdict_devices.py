"""Verdicts on made devices, from pixels to the sentence: how often equal ones "differ", and unlike ones are told apart.

Rates are held against the level that the tests claim (5 %, 95 %), with three binomial deviations of the trials allowed for.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from viewer.measure import noise
from viewer.measure.contrast import contrast_readings
from viewer.measure.errorbudget import Budget, Component, combine_takes, from_interval
from viewer.measure.patches import patch_of
from viewer.measure.readings import Reading
from viewer.measure.verdict import DIFFERS, Comparison, compare, decide, decide_all

Device = Callable[[np.random.Generator, float], Reading]
BRIGHT, DARK, NOISE = 0.3, 0.15, 0.02


def contrast_of(rng: np.random.Generator, more: float) -> Reading:
    """Michelson contrast of two patches of 10 x 10 px in 24 frames; `more` brightens the bright one."""
    bright, dark = (patch_of(level + NOISE * rng.standard_normal((24, 10, 10))) for level in (BRIGHT + more, DARK))
    return contrast_readings(bright, dark)[0][0]


def noise_of(rng: np.random.Generator, more: float) -> Reading:
    """Temporal noise of a patch of 12 x 12 px in 16 frames; `more` is added to it."""
    stack = 0.2 + (NOISE + more) * rng.standard_normal((16, 12, 12))
    return next(r for r in noise.measure(patch_of(stack, spectrum=True)).readings if r.name == "temporal_sigma")


def budget_of(*takes: Reading) -> Budget:
    """The budget of a device, as sessions make it from stored intervals."""
    values = [float(r.value or 0.0) for r in takes]
    return combine_takes(values, [from_interval(float(r.low or 0.0), float(r.high or 0.0)) for r in takes])


def beside(first: Budget, second: Budget) -> Comparison:
    return compare("michelson", "chart", "1", ("Heron", first), ("Bittern", second))


def at_most(hits: int, trials: int, level: float = 0.05) -> bool:
    return hits / trials <= level + 3.0 * math.sqrt(level * (1.0 - level) / trials)


@pytest.mark.parametrize(("device", "slope"), [(contrast_of, 2 * DARK / (BRIGHT + DARK) ** 2), (noise_of, 1.0)])
def test_one_take_of_equal_and_of_unlike_devices(device: Device, slope: float) -> None:
    """`slope` is what the reading gains per unit of light added, in closed form."""
    rng = np.random.default_rng(31)
    trials = 300
    equal = [beside(budget_of(device(rng, 0.0)), budget_of(device(rng, 0.0))) for _ in range(trials)]
    assert at_most(sum(decide(c).word == DIFFERS for c in equal), trials)
    assert all("these takes" in decide(c).sentence for c in equal[:5])
    more = 2.0 * float(np.median([2.0 * c.sigma for c in equal])) / slope  # twice the expanded error, k = 2
    apart = sum(
        decide(beside(budget_of(device(rng, 0.0)), budget_of(device(rng, more)))).word == DIFFERS for _ in range(trials)
    )
    assert at_most(trials - apart, trials)


@pytest.mark.parametrize("takes", [2, 3, 5])
def test_repeat_takes_of_equal_and_of_unlike_devices(takes: int) -> None:
    """Mountings scatter more than frames tell: one take each would often find a difference, repeats do not."""
    rng = np.random.default_rng(32 + takes)
    trials, between = 1500, 0.4

    def device(level: float, count: int) -> Budget:
        return combine_takes(list(level + between * rng.standard_normal(count)), [0.1] * count)

    def false(count: int) -> int:
        return sum(decide(beside(device(5.0, count), device(5.0, count))).word == DIFFERS for _ in range(trials))

    assert at_most(false(takes), trials)
    assert not at_most(false(1), trials)  # which is why one take says "these takes"
    apart = 0
    for _ in range(trials):
        stated = beside(device(5.0, takes), device(5.0, takes))
        apart += decide(replace(stated, difference=stated.difference + 2.0 * stated.half_width)).word == DIFFERS
    assert at_most(trials - apart, trials)


@pytest.mark.parametrize(("one", "two"), [(1, 2), (1, 3), (2, 3), (2, 5)])
@pytest.mark.parametrize("between", [0.0, 0.1, 0.4])
def test_unequal_takes_of_equal_and_of_unlike_devices(one: int, two: int, between: float) -> None:
    """As many false differences as claimed however many takes each has, whether mountings scatter or not."""
    rng = np.random.default_rng(100 * one + two)
    trials, within = 600, 0.1

    def device(count: int) -> Budget:
        scatter = math.hypot(between, within)
        return combine_takes(list(5.0 + scatter * rng.standard_normal(count)), [within] * count)

    stated = [beside(device(one), device(two)) for _ in range(trials)]
    assert at_most(sum(decide(c).word == DIFFERS for c in stated), trials)
    apart = sum(decide(replace(c, difference=c.difference + 2.0 * c.half_width)).word == DIFFERS for c in stated)
    assert at_most(trials - apart, trials)


def test_takes_of_a_third_device_tell_how_takes_scatter() -> None:
    """Pooled spread, closed form: s^2 = (2 * 0.04 + 3 * 0.01) / 5, on 5 degrees of freedom (textbook)."""
    spread = math.sqrt((2 * 0.04 + 3 * 0.01) / 5)
    three = Budget(5.0, (Component("between takes", 0.2 / math.sqrt(3), dof=2),), takes=3)
    four = Budget(5.0, (Component("between takes", 0.1 / math.sqrt(4), dof=3),), takes=4)
    single = Budget(5.0, (Component("frames", 0.05),))
    found = compare("michelson", "chart", "1", ("Plover", single), ("Heron", three), others=[four])
    assert found.dof == pytest.approx(5.0)
    assert found.sigma == pytest.approx(math.sqrt(spread**2 + 0.2**2 / 3))
    # two devices with a take each: the spread of a third one does not enter what holds for "these takes"
    assert compare("michelson", "chart", "1", ("Plover", single), ("Heron", single), others=[four]).dof == math.inf


@pytest.mark.parametrize("unlike", [0, 1, 4])
def test_a_session_of_equal_devices_and_some_that_are_not(unlike: int) -> None:
    """Twelve comparisons at once: of those told apart one in twenty is false at most, and twice the expanded error is found."""
    rng = np.random.default_rng(36)
    sessions, sigma = 400, 0.3
    false, found = 0.0, 0
    corrected = 2.86526  # two-sided normal quantile of 0.05 / 12 (scipy.stats.norm.isf)
    far = 2.0 * corrected * math.hypot(sigma, sigma)

    def one(level: float) -> Budget:
        return Budget(level + sigma * rng.standard_normal(), (Component("frames", sigma),))

    for _ in range(sessions):
        rows = [beside(one(5.0), one(5.0 + (far if n < unlike else 0.0))) for n in range(12)]
        told = [verdict.word == DIFFERS for verdict in decide_all(rows)]
        false += sum(told[unlike:]) / max(1, sum(told))
        found += sum(told[:unlike])
    # The share is at most 1 a session, so its sum scatters less than a count of that rate.
    assert at_most(math.floor(false), sessions)
    assert at_most(unlike * sessions - found, max(1, unlike * sessions))

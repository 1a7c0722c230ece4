"""Light steps on series whose truth is known."""

from __future__ import annotations

import math

import numpy as np
import pytest

from viewer.measure.ramp import find_changes, find_ramp, level_of_loss, settle, settle_span, steady


def make_series(
    levels: list[float],
    frames: int = 60,
    *,
    noise: float = 0.01,
    settle_frames: float = 0.0,
    overshoot: float = 0.0,
    gate: float = 0.0,
    seed: int = 1,
) -> tuple[np.ndarray, np.ndarray]:
    """Steps of equal length at 30 frames/s; after each, gain control settles exponentially from an overshoot."""
    rng = np.random.default_rng(seed)
    parts = []
    for k, level in enumerate(levels):
        course = np.full(frames, level)
        if settle_frames and k:
            course = course * (1 + overshoot * np.exp(-np.arange(frames) / settle_frames))
        parts.append(course)
    y = np.concatenate(parts)
    t = np.arange(y.size) / 30.0
    y = y * (1 + gate * np.cos(2 * np.pi * 0.21 * np.arange(y.size))) * (1 + noise * rng.standard_normal(y.size))
    return y, t


@pytest.mark.parametrize("levels", [[0.5, 0.2, 0.08, 0.03], [0.03, 0.3], [0.5, 0.45, 0.4]])
@pytest.mark.parametrize("gate", [0.0, 0.005])
def test_changes_are_found_to_the_frame(levels: list[float], gate: float) -> None:
    y, t = make_series(levels, noise=0.004, gate=gate)
    assert find_changes(y, t) == [60 * k for k in range(1, len(levels))]


def test_deep_gating_makes_no_steps() -> None:
    y, t = make_series([0.3], frames=200, gate=0.3)
    assert find_changes(y, t) == []
    y, t = make_series([0.3], frames=200, noise=0.05)
    assert find_changes(y, t) == []


def test_a_frame_between_two_levels_belongs_to_the_old() -> None:
    y, t = make_series([0.4, 0.1], noise=0.001)
    y[60] = 0.2
    assert find_changes(y, t) == [61]


def test_settling_time_of_a_gain_control() -> None:
    """An overshoot of 30 % with a time constant of 6 frames is within 0.5 % after 6 ln(60) = 24.6 frames."""
    y, t = make_series([0.4, 0.1], frames=120, noise=0.0005, settle_frames=6.0, overshoot=0.3)
    ramp = find_ramp(y, t, [1.5, 0.5])
    second = ramp.steps[1]
    assert second.settling_s == pytest.approx(6 * math.log(60) / 30.0, abs=4 / 30)
    assert second.mean.value == pytest.approx(0.1, rel=0.002) and second.steady
    assert [step.level for step in ramp.steps] == [1.5, 0.5] and not ramp.doubts


def test_gain_control_that_brings_the_level_back() -> None:
    """The tube holds its brightness: only the dip shows that the light changed."""
    y, t = make_series([0.3, 0.3, 0.3], frames=90, noise=0.002, settle_frames=5.0, overshoot=-0.5)
    ramp = find_ramp(y, t, [10.0, 3.0, 1.0])
    assert [step.first for step in ramp.steps] == [0, 90, 180]
    assert all(step.settled > step.first + 8 for step in ramp.steps[1:])


def test_weak_steps_are_found_when_their_number_is_known() -> None:
    y, t = make_series([0.300, 0.292, 0.284], noise=0.002)
    assert find_changes(y, t) == []
    assert find_changes(y, t, count=2) == pytest.approx([60, 120], abs=1)


def test_wrong_number_of_levels_is_said() -> None:
    y, t = make_series([0.4, 0.1], noise=0.005)
    ramp = find_ramp(y, t, [3.0, 2.0, 1.0, 0.5])
    assert len(ramp.steps) == 2 and all(step.level is None for step in ramp.steps)
    assert "4 levels were typed" in ramp.doubts[0] and "type the levels" in ramp.doubts[0]


def test_what_never_settles_is_said() -> None:
    y, t = make_series([0.4, 0.1], frames=80, noise=0.001)
    y[80:] *= np.linspace(2.0, 1.0, 80)
    ramp = find_ramp(y, t)
    assert ramp.steps[1].settled == 160 and not ramp.steps[1].steady
    assert any("does not settle" in text for text in ramp.doubts)
    assert ramp.steps[1].usable[0] > 80 + 50


def test_short_series() -> None:
    ramp = find_ramp(np.array([0.1, 0.1, 0.1]), np.arange(3) / 30)
    assert len(ramp.steps) == 1 and ramp.steps[0].mean.value == pytest.approx(0.1)
    assert settle(np.ones(4), np.arange(4) / 30, 0, 4) == 0
    assert steady(np.ones(4))


def test_level_of_loss_is_interpolated_in_the_logarithm() -> None:
    found = level_of_loss([10, 1, 0.1], [0.5, 0.13, -0.07], [0.01, 0.01, 0.01], 0.03)
    assert found.state == "measured" and found.level == pytest.approx(math.sqrt(0.1), rel=1e-6)
    assert found.low < found.level < found.high
    again = level_of_loss([0.1, 10, 1], [-0.07, 0.5, 0.13], [0.01, 0.01, 0.01], 0.03)
    assert again == found


def test_level_of_loss_refuses_and_bounds() -> None:
    assert level_of_loss([1.0], [0.5], [0.1], 0.03).state == "refused"
    assert "brighter" in level_of_loss([1.0, 0.1], [0.01, 0.0], [0.01, 0.01], 0.03).reason
    still = level_of_loss([1.0, 0.1], [0.5, 0.4], [0.01, 0.01], 0.03)
    assert still.state == "limit" and still.level == 0.1 and "darker" in still.reason


def test_interval_of_a_loss_covers() -> None:
    """95 % of trials within 3 standard errors; truth: 0.3 + 0.1 log10(level) crosses 0.05 at 10^-2.5."""
    rng = np.random.default_rng(4)
    levels = 10.0 ** np.arange(0, -5, -1.0)
    hits = 0
    for _ in range(300):
        values = 0.3 + 0.1 * np.log10(levels) + 0.01 * rng.standard_normal(5)
        found = level_of_loss(levels, values, np.full(5, 0.01), 0.05)
        hits += found.low <= 10**-2.5 <= found.high
    assert 0.91 <= hits / 300 <= 1.0


def test_a_loss_that_is_not_sure_has_no_lower_end() -> None:
    found = level_of_loss([1.0, 0.1], [0.5, 0.02], [0.01, 0.02], 0.03)
    assert found.state == "measured" and found.low == 0.0 and found.level > 0.1


@pytest.mark.parametrize("tau", [0.25, 0.5])
def test_settling_time_of_a_gain_control_and_its_span(tau: float) -> None:
    """A dip of 35 % that heals exponentially is within half a percent after tau ln(0.35 / 0.005)."""
    rng, at = np.random.default_rng(61), np.arange(151) / 30
    truth, late, covered, trials = tau * math.log(0.35 / 0.005), [], 0, 60
    for _ in range(trials):
        level = (1 - 0.35 * np.exp(-at / tau)) * (1 + 0.001 * rng.standard_normal(at.size))
        settled, early, latest = settle_span(level, at, 0, at.size)
        late.append(at[settled] - truth)
        covered += at[early] - 1 / 30 <= truth <= at[latest] + 1 / 30
    assert abs(np.mean(late)) < 0.035  # a frame
    assert covered >= 0.92 * trials

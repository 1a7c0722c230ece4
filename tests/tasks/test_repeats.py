"""What further takes would buy."""

from __future__ import annotations

from dataclasses import replace

import pytest
from scipy import stats

from tests.tasks.test_session import two_devices, with_values
from viewer.measure.errorbudget import within_take
from viewer.session.model import Session
from viewer.tasks.repeats import plan_repeats, worst_scenes
from viewer.tasks.session import verdicts_of
from viewer.tasks.summary import session_result


def judged(takes: int, values: dict[str, tuple[float, float]]) -> Session:
    session = with_values(two_devices(takes), values)
    return replace(session, verdicts=verdicts_of(session))


def test_nothing_to_repeat_where_all_is_told() -> None:
    assert plan_repeats(judged(1, {"h1": (0.5, 0.001), "b1": (0.4, 0.001)})) == ()


def test_one_take_guesses_the_spread_and_says_so() -> None:
    session = judged(1, {"h1": (0.5, 0.06), "b1": (0.46, 0.06)})
    repeats = plan_repeats(session)
    assert {repeat.device for repeat in repeats} == {"h", "b"}
    assert all(repeat.guessed and "guessed" in repeat.sentence for repeat in repeats)
    assert repeats[0].matter == pytest.approx(0.05)


def test_expected_width_follows_students_t() -> None:
    """Closed form: t(n - 1) c4(n) sigma / sqrt(n); c4(3) = 0.886227 (ISO 7870-2, table 2; value from memory)."""
    values = {"h1": (0.50, 0.01), "h2": (0.54, 0.01), "b1": (0.42, 0.01), "b2": (0.46, 0.01)}
    session = judged(2, values)
    repeat = next(r for r in plan_repeats(session) if r.device == "h")
    sigma = 0.02 * 2**0.5
    assert repeat.expected[3] == pytest.approx(stats.t.ppf(0.975, 2) * 0.886227 * sigma / 3**0.5, rel=1e-5)
    assert not repeat.guessed
    assert repeat.takes == 2
    assert worst_scenes(plan_repeats(session)) == (("s", "b", 1), ("s", "h", 1))


def test_wide_spread_is_not_promised_away() -> None:
    session = judged(2, {"h1": (0.3, 0.01), "h2": (0.8, 0.01), "b1": (0.4, 0.01), "b2": (0.9, 0.01)})
    assert all(repeat.enough is None and "still leave" in repeat.sentence for repeat in plan_repeats(session))


def test_parts_of_a_budget_add_up_to_the_interval() -> None:
    parts = within_take({"dark level": 0.003, "frames": 0.004}, 0.013)
    assert sum(part.sigma**2 for part in parts) ** 0.5 == pytest.approx(0.013)
    assert {part.source for part in parts} == {"dark level", "frames"}


def test_summary_prints_budgets_and_repeats(tmp_path: object) -> None:
    from pathlib import Path

    session = judged(1, {"h1": (0.5, 0.06), "b1": (0.46, 0.06)})
    first = replace(session.readings[0], budget={"frames": 0.02, "dark level": 0.01})
    result = session_result(replace(session, readings=(first, *session.readings[1:])), Path("."))
    assert result.extras["budgets"][0]["parts"] == {"frames": 0.02, "dark level": 0.01}
    assert any("takes would" in text for text in result.extras["repeats"])

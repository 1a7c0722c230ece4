"""Clock maps from matched moments: coverage of the intervals, outliers, witnesses that disagree."""

from __future__ import annotations

import numpy as np
import pytest

from viewer.align.clock import Witness, fit_clock, from_marks, nudged, residual_of, weigh
from viewer.errors import UsageError


def witness(
    rng: np.random.Generator, *, offset: float = 2.0, ppm: float = 30.0, n: int = 12, sigma: float = 1e-3, kind: str = "sound"
) -> Witness:
    clip = np.sort(rng.uniform(0, 300, n))
    return Witness(
        kind=kind,
        clip_s=clip,
        scene_s=offset + (1 + 1e-6 * ppm) * clip + sigma * rng.normal(size=n),
        sigma_s=np.full(n, sigma),
        score=20.0,
    )


def test_intervals_cover_the_truth_in_92_to_98_percent() -> None:
    # 600 seeded trials: the count covered has a standard error of 0.9 %, so 92 .. 98 % is a three-sigma test of 95 %.
    rng = np.random.default_rng(1)
    hits = np.zeros(2)
    for _ in range(600):
        n = int(rng.integers(6, 20))
        fit = fit_clock(witness(rng, n=n))
        assert fit is not None
        hits += (fit.offset_low_s <= 2.0 <= fit.offset_high_s, fit.rate_low_ppm <= 30.0 <= fit.rate_high_ppm)
    assert np.all(hits / 600 > 0.92)
    assert np.all(hits / 600 < 0.98)


def test_outliers_take_no_part() -> None:
    rng = np.random.default_rng(2)
    clean = witness(rng, n=20, sigma=1e-4)
    scene = clean.scene_s.copy()
    scene[[3, 11]] += (0.4, -0.2)
    fit = fit_clock(Witness(kind="sound", clip_s=clean.clip_s, scene_s=scene, sigma_s=clean.sigma_s))
    assert fit is not None and fit.used.sum() == 18
    assert fit.clock.offset_s == pytest.approx(2.0, abs=3e-4)


def test_rate_is_left_at_zero_where_the_evidence_is_short() -> None:
    moments = np.array([4.0, 4.1, 4.3])
    fit = fit_clock(Witness(kind="sound", clip_s=moments, scene_s=moments + 1.0, sigma_s=np.full(3, 1e-5)))
    assert fit is not None and not fit.rate_known and fit.clock.rate_ppm == 0.0


def test_disagreement_is_shown_and_not_averaged() -> None:
    rng = np.random.default_rng(3)
    sound = witness(rng, sigma=1e-5)
    light = witness(rng, offset=2.1, sigma=2e-3, kind="light steps")
    weak = Witness(kind="creation time", clip_s=np.zeros(1), scene_s=np.array([2.5]), sigma_s=np.ones(1), weak=True)
    none = Witness(kind="motion", reason="nothing moves.")
    fit, table, warnings = weigh([light, sound, weak, none])
    assert fit is not None and fit.kind == "sound"
    assert fit.clock.offset_s == pytest.approx(2.0, abs=1e-4)
    assert [row.agrees for row in table] == [False, None, True, None]
    assert [row.chosen for row in table] == [False, True, False, False]
    assert len(warnings) == 1 and "light steps and sound disagree" in warnings[0]


def test_priors_alone_give_nothing() -> None:
    weak = Witness(kind="creation time", clip_s=np.zeros(1), scene_s=np.ones(1), sigma_s=np.ones(1), weak=True)
    fit, table, _ = weigh([weak])
    assert fit is None and table[0].offset_s == 1.0


def test_marks_and_nudge() -> None:
    fit = fit_clock(from_marks([(1.0, 3.0), (11.0, 13.0)]))
    assert fit is not None
    assert fit.clock.offset_s == pytest.approx(2.0, abs=1e-9)
    moved = nudged(fit.clock, shift_s=0.040)
    assert moved.scene_time(1.0) == pytest.approx(3.04)
    assert moved.sync_by == "hand"
    residual = residual_of(moved, from_marks([(1.0, 3.0), (11.0, 13.0)]))
    assert residual == pytest.approx(0.040)
    assert residual_of(moved, Witness(kind="motion", reason="nothing moves.")) is None
    with pytest.raises(UsageError):
        from_marks([])

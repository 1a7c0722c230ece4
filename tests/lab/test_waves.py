"""Gating, steps and gain against closed forms."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from viewer.lab.waves import Pulse, Steps, Trace, follow


def test_shutter_attenuates_by_sinc(check_values: list[dict[str, Any]]) -> None:
    # check_values D-SINC: |sin(pi f Te) / (pi f Te)|
    for case in (c for c in check_values if c["quantity"] == "exposure_attenuation"):
        f, exposure = case["inputs"]["f"], case["inputs"]["Te"]
        pulse = Pulse(rate_hz=f, duty=0.5, decay_s=0.01)
        assert pulse.fundamental(exposure) / pulse.fundamental() == pytest.approx(case["expected"], abs=1e-6), case["id"]
        t = np.arange(400) / 400 / f
        seen = np.abs(np.fft.rfft(pulse.exposed(t, exposure)))[1] / 200
        assert seen == pytest.approx(pulse.fundamental() * case["expected"], abs=1e-6), case["id"]


def test_flicker_index_of_rectangles(check_values: list[dict[str, Any]]) -> None:
    # check_values D-FI-sq: D (1 - D) (hi - lo) / mean
    for case in (c for c in check_values if c["quantity"] == "flicker_index_square"):
        inputs = case["inputs"]
        pulse = Pulse(rate_hz=100, duty=inputs["duty"], floor=inputs["lo"] / inputs["hi"])
        assert pulse.flicker_index == pytest.approx(case["expected"], abs=1e-3), case["id"]


def test_decayed_pulse_is_the_steady_state_of_a_first_order_filter() -> None:
    pulse = Pulse(rate_hz=200.0, duty=0.4, floor=0.2, decay_s=0.0008)
    step = 1e-6
    t = np.arange(0, 0.030, step)
    phase = (t * 200.0 + 0.5 * 0.4) % 1.0
    drive = np.where(phase < 0.4, 1.0, 0.2)
    light = np.empty_like(drive)
    level, keep = drive.mean(), np.exp(-step / 0.0008)
    for n, wanted in enumerate(drive):
        level = wanted + (level - wanted) * keep
        light[n] = level
    last = slice(round(0.025 / step), None)
    expected = light[last] / light[last].mean()
    # what harmonics above the sixtieth could add: sum over k > 60 of (0.8 / 0.52) (2 / pi k) / (2 pi k f tau) = 0.016
    assert np.abs(pulse.exposed(t[last], 0.0) - expected).max() < 0.016
    assert pulse.shape(5000).max() == pytest.approx(expected.max(), rel=1e-3)
    assert pulse.shape(5000).min() == pytest.approx(expected.min(), rel=1e-3)


def test_percent_flicker_of_rectangles_and_of_a_slow_glow() -> None:
    # 100 (max - min) / (max + min)
    assert Pulse(rate_hz=50, duty=0.3).percent_flicker == pytest.approx(100)
    assert Pulse(rate_hz=50, duty=0.3, floor=0.5).percent_flicker == pytest.approx(100 / 3)
    # a slow glow turns a square drive into a triangle of relative swing T / (4 tau)
    assert Pulse(rate_hz=50, duty=0.5, decay_s=1.0).percent_flicker == pytest.approx(100 * 0.02 / 4, rel=0.01)


def test_mean_is_one() -> None:
    pulse = Pulse(rate_hz=487, duty=0.4, floor=0.25, decay_s=0.0003, phase=0.4)
    assert pulse.shape().mean() == pytest.approx(1.0, abs=1e-9)
    assert float(pulse.exposed(np.zeros(1), 10 / 487)[0]) == pytest.approx(1.0, abs=1e-9)


def test_step_inside_an_exposure_is_weighed_by_time() -> None:
    trace = Trace(-1.0, 1e-3, Steps((0.0, 1.3), (1.0, 0.3)).at(np.arange(3000) * 1e-3 - 0.9995))
    got = trace.exposed(np.array([1.0, 1.295, 1.32]), 0.02)
    assert got == pytest.approx([1.0, (5 * 1.0 + 15 * 0.3) / 20, 0.3], abs=1e-6)


def test_gain_settles_with_its_time_constant() -> None:
    wanted = np.concatenate([np.ones(100), np.full(1000, 3.0)])
    got = follow(wanted, 1e-3, 0.2)
    assert got[99] == 1.0
    assert got[99 + 200] == pytest.approx(3 - 2 * np.exp(-1), abs=1e-6)

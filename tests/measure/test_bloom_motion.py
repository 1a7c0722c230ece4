"""Shifts of a light put in, got back; pulsing light is no motion."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from viewer.measure.bloom_motion import Anchor, carried

SPEC = importlib.util.spec_from_file_location("light_scenes", Path(__file__).with_name("light_scenes.py"))
assert SPEC and SPEC.loader
scenes = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(scenes)


def picture(dx: float = 0.0, dy: float = 0.0, gain: float = 1.0, seed: int = 0) -> np.ndarray:
    lamp = scenes.lamp(100, 120, (60 + dx, 50 + dy), [(0.6, scenes.gauss(2.5)), (0.1, scenes.disc(20, 2))])
    return gain * (lamp + 0.02) + 0.002 * np.random.default_rng(seed).standard_normal((100, 120))


@pytest.mark.parametrize(("dx", "dy", "gain"), [(0.0, 0.0, 0.6), (0.31, -0.44, 1.0), (-7.6, 5.2, 0.8), (14.2, -12.9, 1.2)])
def test_shift_is_found(dx: float, dy: float, gain: float) -> None:
    anchor = Anchor(picture(), (60, 50))
    shift = anchor.find(picture(dx, dy, gain, seed=3))
    assert shift is not None
    assert np.hypot(shift.x - dx, shift.y - dy) < 0.03
    assert shift.gain == pytest.approx(gain, rel=0.02)
    assert shift.sigma < 0.05 and shift.length == pytest.approx(np.hypot(dx, dy), abs=0.03)


def test_carried_back_the_light_lies_where_it_was() -> None:
    moved = picture(3.25, -1.5, seed=5)
    assert np.abs(carried(moved, (3.25, -1.5)) - picture(seed=6))[20:80, 20:100].max() < 0.03


def test_lost_or_at_the_border() -> None:
    assert not Anchor(picture(), (3, 3)).ready
    assert Anchor(picture(), (3, 3)).find(picture()) is None
    anchor = Anchor(picture(), (60, 50))
    assert anchor.find(np.full((100, 120), 0.02)) is None

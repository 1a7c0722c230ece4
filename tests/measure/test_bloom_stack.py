"""Exposures joined: ratio, shift, what is filled, what does not go together; the camera's own light taken off."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from viewer.errors import UsageError
from viewer.measure.bloom import camera_profile, measure_bloom
from viewer.measure.bloom_stack import Exposure, join

SPEC = importlib.util.spec_from_file_location("light_scenes", Path(__file__).with_name("light_scenes.py"))
assert SPEC and SPEC.loader
scenes = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(scenes)

SHAPE = (200, 230)
CENTRE = (114.3, 99.6)
SCENE = 0.02 + scenes.lamp(*SHAPE, CENTRE, [(30.0, scenes.gauss(7.0)), (0.5, scenes.disc(26, 2.0)), (0.03, scenes.gauss(50))])


def exposure(gain: float, *, light: np.ndarray = SCENE, noise: float = 0.001, seed: int = 1) -> Exposure:
    bright = gain * light + noise * np.random.default_rng(seed).standard_normal(light.shape)
    return Exposure(np.minimum(bright, 1.0), (bright > 1.0).astype(float))


def test_a_burnt_halo_comes_back() -> None:
    """Alone the clip refuses the edge; with shorter exposures it is there."""
    first = exposure(2.5)
    alone = measure_bloom(first.light, [CENTRE], clipped=first.clipped)[0].reading("halo_radius")
    assert alone.state == "refused" and "shorter exposure" in (alone.reason or "")
    whole, joints = join(first, [exposure(2.5 / 8, seed=2), exposure(2.5 / 64, seed=3)], CENTRE)
    assert [j.ratio for j in joints] == pytest.approx([1 / 8, 1 / 64], rel=0.02)
    assert all(abs(j.ratio - true) < 3 * j.ratio_sigma for j, true in zip(joints, (1 / 8, 1 / 64), strict=True))
    assert joints[1].pixels > joints[0].pixels > 500
    bloom = measure_bloom(whole.light, [CENTRE], clipped=whole.clipped, burnt=(first.light, first.clipped))[0]
    assert bloom.reading("halo_radius").value == pytest.approx(26, abs=0.1)
    core = bloom.reading("core_radius").value
    assert core is not None and core > 15  # the first clip's own
    # each pixel is the scene's light where any exposure held it
    good = whole.clipped == 0
    assert good.mean() > 0.99
    assert whole.light[good] == pytest.approx(2.5 * SCENE[good], rel=0.08, abs=0.02)  # noise of the shortest is 1 % here


def test_a_moved_exposure_is_laid_over() -> None:
    moved = 0.02 + scenes.lamp(
        *SHAPE,
        (CENTRE[0] + 1.4, CENTRE[1] - 0.8),
        [(30.0, scenes.gauss(7.0)), (0.5, scenes.disc(26, 2.0)), (0.03, scenes.gauss(50))],
    )
    _, joints = join(exposure(1.0), [exposure(1 / 8, light=moved, seed=2)], CENTRE)
    assert joints[0].shift_px == pytest.approx((1.4, -0.8), abs=0.08)
    assert joints[0].ratio == pytest.approx(1 / 8, rel=0.02)


def test_what_does_not_go_together() -> None:
    first = exposure(1.0)
    with pytest.raises(UsageError, match="230 x 200"):
        join(first, [Exposure(first.light[:-2], first.clipped[:-2])], CENTRE)
    other = 0.02 + scenes.lamp(*SHAPE, (60.0, 60.0), [(0.8, scenes.gauss(12.0))])
    with pytest.raises(UsageError):
        join(first, [exposure(1.0, light=other, seed=2)], CENTRE)
    bent = exposure(0.3, light=SCENE**0.35, seed=2)
    with pytest.raises(UsageError, match="proportional"):
        join(first, [bent], CENTRE)
    with pytest.raises(UsageError, match="unclipped"):
        join(first, [Exposure(np.ones(SHAPE), np.ones(SHAPE))], CENTRE)


def test_the_camera_is_taken_off() -> None:
    """A camera whose glow lies over halo and veil: with its own profile known, the device's veil and tenth come back."""
    glow = scenes.wing(5.0, 2.2)
    own = [(4.0, scenes.gauss(2.0)), (0.1, scenes.disc(40, 2.0)), (0.02, scenes.gauss(45))]
    shape, rng = (260, 300), np.random.default_rng(5)
    device = 0.02 + scenes.lamp(260, 300, (150.3, 130.2), [*own, (1.0, glow)])
    alone = 0.001 + scenes.lamp(260, 300, (140.1, 120.4), [(4.0, scenes.gauss(1.4)), (1.0, glow)])
    pictures = [np.minimum(p, 1) + 0.0008 * rng.standard_normal(shape) for p in (device, alone)]
    camera = camera_profile(measure_bloom(pictures[1], [(140, 120)], clipped=alone > 1)[0])
    assert camera is not None
    ratio = np.interp([8.0, 30.0], *camera)
    assert ratio[0] / ratio[1] == pytest.approx(glow(np.array(8.0)) / glow(np.array(30.0)), rel=0.05)
    plain, freed = (
        measure_bloom(pictures[0], [(150, 130)], clipped=device > 1, camera=c)[0].reading("bloom_radius")
        for c in (None, camera)
    )
    r = np.arange(1.0, 200.0, 0.01)
    true = float(r[np.flatnonzero(sum(a * p(r) for a, p in own) >= 0.002)[-1]])
    assert plain.value is not None and freed.value is not None
    assert abs(freed.value - true) < 0.5 * abs(plain.value - true)
    assert freed.low is not None and freed.high is not None and freed.low < true < freed.high

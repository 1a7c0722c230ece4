"""Whole takes: expected light against noisy frames, shutter against gate, the same bytes twice."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from viewer.lab.camera import Camera
from viewer.lab.canvas import Canvas
from viewer.lab.clips import scene_of
from viewer.lab.devices import BITTERN, HERON
from viewer.lab.render import Clock, Renderer, Take
from viewer.lab.scene import Layer, Scene
from viewer.lab.view import View
from viewer.lab.waves import Steps

SMALL = View(width=320, height=240, px_per_degree=5.4, centre=(158.3, 121.7))
CALM = Camera(rate=Fraction(25), exposure_s=1 / 50, readout_s=0.015)


def flat_scene(level: Steps | None = None) -> Scene:
    canvas = Canvas(per_degree=12)
    canvas.light[...] = 0.5
    return Scene(
        name="flat",
        title="Flat",
        kind="other",
        layers=(Layer(name="flat", canvas=canvas),),
        unit_cd_m2=0.003,
        level=level or Steps(),
    )


def take(scene: Scene, **more: object) -> Take:
    base = Take(scene, HERON, CALM, SMALL, 40, 5, Clock(), 1.5)
    return replace(base, **more)  # type: ignore[arg-type]


def test_mean_of_noisy_frames_is_the_expected_light() -> None:
    renderer = Renderer(take(flat_scene()))
    expected = renderer.recorded(0)
    window = [renderer.origin[1] + 100, renderer.origin[0] + 100]
    total = np.zeros((20, 20))
    for number in range(40):
        renderer.frame(number)
        total += renderer.light[window[0] : window[0] + 20, window[1] : window[1] + 20]
    want = float(expected[100:120, 100:120].mean()) + CALM.black
    electrons = float(renderer.electrons_per_unit * 0.5)
    # 400 px x 40 frames of variance noise_factor x electrons, spread by the spot: 4 sigma
    bound = 4 * np.sqrt(HERON.noise_factor / electrons / (400 * 40)) * want * 2
    assert total.mean() / 40 == pytest.approx(want, abs=bound)


def test_recorded_gate_is_the_wave_after_the_shutter() -> None:
    fast = replace(CALM, rate=Fraction(50), exposure_s=1 / 1000)
    renderer = Renderer(take(flat_scene(), tube=BITTERN, camera=fast))
    still = renderer.expected(0, pulsing=False)
    assert BITTERN.gate is not None
    column = int(renderer.centre[0])
    rows = slice(20, renderer.shape[0] - 20)
    ratio = np.stack([(renderer.expected(n) / np.maximum(still, 1e-9))[rows, column] for n in range(8)])
    starts = np.stack([fast.row_starts(n, 240)[renderer.origin[1] :][rows] for n in range(8)])
    turn = np.exp(-2j * np.pi * BITTERN.gate.rate_hz * (starts + 0.0005))
    basis = np.stack([np.ones(ratio.size), turn.real.ravel(), turn.imag.ravel()], 1)
    fit = np.linalg.lstsq(basis, ratio.ravel(), rcond=None)[0]
    # the phosphor's spot blurs rows a little: a few per mille
    assert np.hypot(fit[1], fit[2]) == pytest.approx(BITTERN.gate.fundamental(0.001), rel=0.01)


def test_light_step_falls_on_the_right_row() -> None:
    step_s = 0.2 + 0.010
    scene = flat_scene(Steps((0.0, step_s), (1.0, 0.25)))
    camera = replace(CALM, exposure_s=0.002)
    renderer = Renderer(take(scene, camera=camera, tube=replace(HERON, knee_lx=1e6)))
    level, _, _, _ = renderer.rows(5)
    starts = camera.row_starts(5, 240)[renderer.origin[1] : renderer.origin[1] + renderer.shape[0]]
    assert np.all(level[starts + 0.002 <= step_s - 1e-3] == pytest.approx(1.0))
    assert np.all(level[starts >= step_s + 1e-3] == pytest.approx(0.25))
    assert level[np.argmin(abs(starts - step_s + 0.001))] == pytest.approx(0.625, abs=0.03)


def test_gain_rises_after_the_light_falls() -> None:
    renderer = Renderer(take(flat_scene(Steps((0.0, 0.5), (1.0, 0.05)))))
    at_once, later = renderer.gain_at(0.52), renderer.gain_at(1.5)
    assert at_once < later
    assert renderer.gain_at(0.4) < at_once + 0.2 * (later - at_once)


def test_same_seed_same_frames_other_seed_other_noise() -> None:
    frames = [Renderer(take(flat_scene(), seed=seed)).frame(0) for seed in (5, 5, 6)]
    assert np.array_equal(frames[0], frames[1])
    assert not np.array_equal(frames[0], frames[2])


def test_clock_moves_the_events() -> None:
    scene = flat_scene(Steps((0.0, 0.5), (1.0, 0.3)))
    late = Renderer(take(scene, clock=Clock(0.2, 0.0)))
    level = [float(late.rows(n)[0].mean()) for n in range(20)]
    changed = int(np.argmax(np.array(level) < 0.99))
    assert changed / 25 == pytest.approx(0.3, abs=0.05)


def test_outside_the_field_is_black() -> None:
    renderer = Renderer(take(flat_scene()))
    renderer.frame(0)
    corner = renderer.light[:20, :20]
    assert corner.mean() == pytest.approx(CALM.black, abs=1e-4)


def test_capped_device_shows_only_its_own_glow() -> None:
    renderer = Renderer(take(scene_of("cap"), capped=True))
    expected = renderer.expected(0)
    # EBI: the lx that would give this glow, through the same gain and scale
    units = HERON.ebi_lx / float(HERON.cathode_lx(0.001))
    middle = expected[110:130, 110:130].mean()
    assert middle == pytest.approx(units / 1.5, rel=0.1)

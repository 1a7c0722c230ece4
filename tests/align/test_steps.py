"""Light steps row by row: rolling shutters of known readout and exposure, other rates, refusals."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from viewer.align.clock import fit_clock
from viewer.align.motion import motion_energy, motion_witness
from viewer.align.steps import LightSeries, find_steps, match_levels, steps_witness

BANDS = 40


def film(
    rng: np.random.Generator,
    events: list[tuple[float, float]],
    *,
    fps: float = 25.0,
    readout_s: float = 0.015,
    exposure_s: float = 0.02,
    start_s: float = 0.0,
    length_s: float = 9.0,
    noise: float = 0.01,
    size: tuple[int, int] = (960, 540),
) -> LightSeries:
    """Rows of a rolling shutter under light that is set to `level` at scene time `time`: 60 samples an exposure."""
    t = np.arange(int(length_s * fps)) / fps
    y = (np.arange(BANDS) + 0.5) / BANDS - (1.0 if readout_s < 0 else 0.0)
    inside = (np.arange(60) + 0.5) / 60 * exposure_s
    scene = start_s + t[:, None, None] + y[None, :, None] * readout_s + inside
    light = np.ones_like(scene)
    for moment, level in events:
        light = np.where(scene >= moment, level, light)
    rows = light.mean(axis=2) * (1 + 0.2 * np.cos(3 * y))
    rows = rows * (1 + noise * rng.normal(size=rows.shape))
    columns = np.repeat(rows.mean(axis=1)[:, None], BANDS, 1) * (1 + noise * rng.normal(size=rows.shape))
    return LightSeries(time_s=t, rows=rows, columns=columns, size=size)


def ladder(rng: np.random.Generator, count: int) -> list[tuple[float, float]]:
    """Levels that fall by a third to a half at known moments."""
    moments = 1.9 + np.arange(count) * 6.0 / count + rng.uniform(0, 0.6, count)
    return list(zip(moments.tolist(), np.cumprod(rng.uniform(0.4, 0.65, count)).tolist(), strict=True))


@pytest.mark.parametrize(
    ("modes", "offset_s"),
    # Frames a second, readout and exposure in frame intervals, of both cameras.
    [(((24.0, 0.884, 0.673), (60.0, 0.608, 0.177)), 0.313), (((24.0, 0.94, 0.475), (60.0, 0.401, 0.661)), -0.12)],
)
def test_the_side_without_edges_is_not_read(modes: tuple[tuple[float, ...], ...], offset_s: float) -> None:
    # Columns average the rows, so they have less noise and no edges: nothing of the moment within the frame is left in them.
    rng = np.random.default_rng(11)
    events = ladder(rng, 4)
    pair = []
    for (fps, readout, exposure), start in zip(modes, (0.0, offset_s), strict=True):
        made = film(
            rng,
            events,
            fps=fps,
            readout_s=readout / fps,
            exposure_s=exposure / fps,
            start_s=start,
            noise=0.001,
            size=(int(10 * fps), 180),
        )
        pair.append(replace(made, columns=np.repeat(made.rows.mean(axis=1)[:, None], BANDS, 1)))
    fit = fit_clock(steps_witness(*pair))
    assert fit is not None and abs(fit.clock.offset_s - offset_s) < 0.003


@pytest.mark.parametrize("seed", range(4))
def test_steps_between_pictures_are_known_to_the_gap_only(seed: int) -> None:
    # A shutter of no length at all: each clip says only between which two pictures the light changed.
    rng = np.random.default_rng(seed)
    events = [(1.013, 0.6), (1.9 + 0.01 * seed, 0.96), (2.631, 0.48)]
    pair = [
        film(rng, events, fps=fps, readout_s=0.0, exposure_s=1e-6, start_s=start, noise=0.002, size=size)
        for fps, start, size in ((24.0, 0.0, (640, 360)), (60.0, 0.31, (1280, 720)))
    ]
    fit = fit_clock(steps_witness(*pair))
    assert fit is not None
    low, high = fit.clock.offset_low_s, fit.clock.offset_high_s
    assert low is not None and high is not None and low <= 0.31 <= high
    # No narrower than a part of the shorter gap between pictures, no wider than both gaps together.
    assert 0.2 / 60 < 0.5 * (high - low) < 1 / 24 + 1 / 60


@pytest.mark.parametrize(
    ("readout_s", "exposure_s", "allowed_s"),
    # What the shutter covers of the 40 ms between frames decides: all of it, most of it, or next to nothing.
    [(0.015, 0.04, 0.002), (-0.03, 0.04, 0.002), (-0.03, 0.02, 0.002), (0.015, 0.02, 0.008), (0.0, 0.004, 0.02)],
)
@pytest.mark.parametrize("seed", range(2))
def test_steps_as_sharp_as_the_shutter_allows(readout_s: float, exposure_s: float, allowed_s: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    events = ladder(rng, 4)
    clips = [film(rng, events, readout_s=readout_s, exposure_s=exposure_s, start_s=start) for start in (0.0, 0.7371)]
    fit = fit_clock(steps_witness(*clips))
    assert fit is not None
    assert fit.clock.scene_time(fit.middle_s) - fit.middle_s == pytest.approx(0.7371, abs=allowed_s)
    assert not fit.rate_known


def test_other_rates_and_modes_to_eight_milliseconds() -> None:
    rng = np.random.default_rng(3)
    events = ladder(rng, 5)
    a = film(rng, events, fps=24, readout_s=0.02, exposure_s=0.02)
    b = film(rng, events, fps=60, readout_s=0.012, exposure_s=0.01, start_s=0.41)
    fit = fit_clock(steps_witness(a, b))
    assert fit is not None
    assert fit.clock.scene_time(fit.middle_s) - fit.middle_s == pytest.approx(0.41, abs=0.008)


def test_columns_serve_a_turned_camera() -> None:
    rng = np.random.default_rng(4)
    events = ladder(rng, 4)
    turned = []
    for start in (0.0, 0.3):
        made = film(rng, events, start_s=start, readout_s=0.03)
        turned.append(LightSeries(time_s=made.time_s, rows=made.columns, columns=made.rows, size=(540, 960)))
    fit = fit_clock(steps_witness(*turned))
    assert fit is not None
    assert fit.clock.scene_time(fit.middle_s) - fit.middle_s == pytest.approx(0.3, abs=0.002)


def test_steps_are_found_with_their_ratio() -> None:
    rng = np.random.default_rng(5)
    steps = find_steps(film(rng, [(3.0, 0.5), (6.0, 0.1)]))
    assert [step.frame for step in steps] == pytest.approx([75, 150], abs=1)
    assert [step.log_ratio for step in steps] == pytest.approx([np.log(0.5), np.log(0.2)], abs=0.05)


def test_static_scene_says_so() -> None:
    rng = np.random.default_rng(6)
    witness = steps_witness(film(rng, []), film(rng, []))
    assert not witness.answered and witness.reason.startswith("static, no common time")


def test_takes_of_their_own_are_lined_up_by_level_only() -> None:
    rng = np.random.default_rng(7)
    a = film(rng, [(2.0, 0.5), (4.0, 0.2), (7.0, 0.1)])
    b = film(rng, [(1.0, 0.5), (4.5, 0.2), (6.0, 0.1)])
    witness = steps_witness(a, b)
    assert not witness.answered and "by level" in witness.reason
    assert match_levels(a, b) == [(0, 0), (1, 1), (2, 2), (3, 3)]


def walk(
    rng: np.random.Generator, path: np.ndarray, speed_of: np.ndarray, fps: float, start_s: float, length_s: float, gain: float
):
    """Small pictures of a figure that walks and rests; the picture's level and bands change too."""
    t = np.arange(int(length_s * fps)) / fps
    x = np.interp(t + start_s, path, speed_of)
    columns = np.arange(48)[None, None, :]
    scene = 0.3 * np.random.default_rng(1).normal(size=(1, 27, 48))
    figure = np.exp(-0.5 * ((columns - x[:, None, None]) / 2.0) ** 2) * (np.abs(np.arange(27) - 15) < 6)[None, :, None]
    bands = 0.1 * np.sin(2 * np.pi * (np.arange(27)[None, :, None] / 9 + 3.3 * t[:, None, None]))
    return t, scene + gain * figure + bands + 0.02 * rng.normal(size=(len(t), 27, 48))


def test_movement_lines_up_within_a_frame() -> None:
    rng = np.random.default_rng(8)
    moments = np.cumsum(np.random.default_rng(8).uniform(0.3, 1.1, 24))
    place = 24 + np.cumsum(rng.choice([-6.0, 0.0, 0.0, 6.0], len(moments)))
    a = walk(rng, moments, place, 30, 0.0, 10, 0.5)
    b = walk(rng, moments, place, 50, 1.234, 8, 0.3)
    witness = motion_witness(*a, *b)
    fit = fit_clock(witness)
    assert fit is not None, witness.reason
    assert fit.clock.offset_s == pytest.approx(1.234, abs=0.033)


@pytest.mark.parametrize("seed", range(4))
def test_other_movement_and_noise_are_refused(seed: int) -> None:
    rng = np.random.default_rng(20 + seed)
    moments = [np.cumsum(rng.uniform(0.3, 1.1, 20)) for _ in range(2)]
    clips = [walk(rng, times, 24 + np.cumsum(rng.choice([-6.0, 0.0, 0.0, 6.0], 20)), 30, 0.0, 9, 0.5) for times in moments]
    assert not motion_witness(*clips[0], *clips[1]).answered
    noise = [0.1 * rng.normal(size=(200, 27, 48)) for _ in range(2)]
    t = np.arange(200) / 25
    assert not motion_witness(t, noise[0], t, noise[1]).answered


def test_bands_and_level_are_not_movement() -> None:
    # Closed form: rows that only change their mean give no energy at all.
    rows = np.random.default_rng(9).normal(size=(30, 27, 1))
    assert motion_energy(np.broadcast_to(rows, (30, 27, 48))) == pytest.approx(0.0, abs=1e-12)

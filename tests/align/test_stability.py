"""The shift track against known shifts, under deep bands, and against a picture that stands still."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from viewer.align.stability import Follower, shift_track
from viewer.errors import UsageError

_spec = importlib.util.spec_from_file_location("align_pictures", Path(__file__).with_name("pictures.py"))
assert _spec and _spec.loader
pictures = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(pictures)

SHAPE = (120, 160)


def film(shifts: np.ndarray, rng: np.random.Generator, *, depth: float, noise: float = 0.03) -> np.ndarray:
    """Small pictures of a scene at exact shifts, under bands of gating that roll upwards."""
    scene = pictures.Scene(2, size=140, blobs=300, finest=2.0)
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]].astype(float)
    out = []
    for k, (dx, dy) in enumerate(shifts):
        light = np.log(scene.light(x - 80 - dx, y - 60 - dy))
        bands = depth * np.sin(2 * np.pi * (y / 31.0 + 0.37 * k))
        out.append(light + bands + noise * rng.normal(size=SHAPE))
    return np.array(out, np.float32)


@pytest.mark.parametrize("depth", [0.0, 0.6])
def test_known_shifts(depth: float) -> None:
    rng = np.random.default_rng(3)
    shifts = np.cumsum(rng.normal(0, 0.7, (12, 2)), axis=0)
    shifts -= np.median(shifts, axis=0)
    track = shift_track(np.arange(12) / 25, film(shifts, rng, depth=depth), scale=2.0)
    assert track.moving
    assert track.shift_px == pytest.approx(2.0 * shifts, abs=0.2)
    assert np.sqrt(np.mean((track.shift_px - 2.0 * shifts) ** 2)) < 0.08
    assert track.at(4 / 25) == pytest.approx(tuple(track.shift_px[4]))


def test_a_still_camera_under_bands_does_not_move() -> None:
    rng = np.random.default_rng(4)
    track = shift_track(np.arange(10) / 25, film(np.zeros((10, 2)), rng, depth=0.6))
    assert not track.moving
    assert track.rms_px < 0.1


def test_a_still_stop_does_not_hold_a_moving_scene() -> None:
    rng = np.random.default_rng(5)
    shifts = np.cumsum(rng.normal(0, 0.6, (8, 2)), axis=0)
    shifts -= np.median(shifts, axis=0)
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    field = np.hypot(x - 80, y - 60) < 54
    frames = np.where(field, film(shifts, rng, depth=0.2), -3.0)
    track = shift_track(np.arange(8) / 25, frames, field)
    assert np.sqrt(np.mean((track.shift_px - shifts) ** 2)) < 0.08


def test_one_frame_is_no_track() -> None:
    with pytest.raises(UsageError):
        shift_track(np.zeros(1), np.zeros((1, 20, 20)))


def test_follower_tells_movement_from_a_pulsing_screen() -> None:
    # Bands that roll over a bright screen alone, in a dark room: they move, the camera does not.
    rng = np.random.default_rng(6)
    still = film(np.zeros((10, 2)), rng, depth=0.0, noise=0.02)
    y = np.arange(SHAPE[0])[:, None]
    screen = np.zeros(SHAPE, bool)
    screen[30:90, 40:120] = True
    for k in range(10):
        still[k] += np.where(screen, 1.5 + 0.5 * np.sin(2 * np.pi * (y / 24.0 + 0.21 * k)), 0.0)
    follower = Follower(still[0])
    found = [follower.shift(frame) for frame in still[1:]]
    assert not any(shift.agreed and np.hypot(*shift.px) > 0.25 for shift in found)


def test_follower_agrees_on_a_moved_camera_and_not_on_noise() -> None:
    rng = np.random.default_rng(7)
    shifts = np.array([[0.0, 0.0], [2.5, -1.25], [-4.0, 3.5]])
    frames = film(shifts, rng, depth=0.3)
    follower = Follower(frames[0], scale=3.0)
    for frame, shift in zip(frames[1:], shifts[1:], strict=True):
        found = follower.shift(frame)
        assert found.agreed
        assert found.px == pytest.approx(3.0 * shift, abs=0.3)
    noise = rng.normal(size=(6, *SHAPE)).astype(np.float32)
    blind = Follower(noise[0])
    assert not any(blind.shift(frame).agreed for frame in noise[1:])

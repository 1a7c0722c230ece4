"""Corners as a witness of the pose, and barrel or cushion read from what a pose leaves."""

from __future__ import annotations

import importlib.util
import math
from pathlib import Path

import numpy as np
import pytest

from viewer.align.corners import corner_fit
from viewer.align.picture import Picture
from viewer.align.pose import fit_pose
from viewer.align.radial import Radial, radial_of
from viewer.align.refine import warp_distance
from viewer.align.transform import Pose
from viewer.cv import cv2

_spec = importlib.util.spec_from_file_location("align_pictures", Path(__file__).with_name("pictures.py"))
assert _spec and _spec.loader
pictures = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(pictures)


def chequers(pose: Pose, rng: np.random.Generator, *, noise: float = 0.01) -> Picture:
    """A chequer board of uneven squares as a clip of this pose sees it, exact but for 4 x 4 samples a pixel."""
    edges = np.cumsum(np.random.default_rng(1).uniform(22, 40, 24)) - 120.0
    m = pose.matrix
    total = np.zeros((300, 400))
    for dy in (np.arange(4) - 1.5) / 4:
        for dx in (np.arange(4) - 1.5) / 4:
            y, x = np.mgrid[0:300, 0:400].astype(float)
            y, x = y + dy, x + dx
            px, py = m[0, 0] * x + m[0, 1] * y + m[0, 2], m[1, 0] * x + m[1, 1] * y + m[1, 2]
            total += (np.searchsorted(edges, px) + np.searchsorted(edges, py)) % 2
    light = cv2.GaussianBlur((0.1 + 0.8 * total / 16).astype(np.float32), (0, 0), 0.9)
    halves = tuple((light + noise * rng.normal(size=light.shape)).astype(np.float32) for _ in range(2))
    return Picture(light=(halves[0] + halves[1]) / 2, halves=halves)


@pytest.mark.parametrize("mirrored", [False, True])
def test_corners_of_a_board_give_the_pose_by_themselves(mirrored: bool) -> None:
    rng = np.random.default_rng(2)
    true = Pose(scale=1.05, rotation_deg=4.0, shift_x=395.0 if mirrored else -8.3, shift_y=-12.6, mirrored=mirrored)
    a, b = chequers(Pose(), rng), chequers(true, rng)
    warp = np.linalg.inv(np.vstack([true.matrix, [0, 0, 1]]))
    astray = np.array([[1, 0, 1.1], [0, 1, -0.8], [0, 0, 1.0]]) @ warp
    found = corner_fit(a, b, astray)
    assert found is not None and found.corners >= 20
    assert warp_distance(found.warp, warp, a) < 0.1  # a tenth of a pixel: the check it is meant for


def test_noise_has_no_common_corners() -> None:
    rng = np.random.default_rng(3)
    a, b = (Picture(light=rng.uniform(0.1, 1, (240, 320)).astype(np.float32)) for _ in range(2))
    found = corner_fit(a, b, np.eye(3))
    assert found is None or found.scatter_px > 0.5


def bent_view(scene, edge_px: float, rng: np.random.Generator) -> Picture:
    """The scene through a lens that bends: what stands at p in the clip is `Radial.bent(p)` in the reference."""
    lens = Radial(cx=239.5, cy=179.5, radius=math.hypot(360, 480) / 2, edge_px=edge_px, sigma_px=0.0, residual_px=0.0)
    y, x = np.mgrid[0:360, 0:480].astype(float)
    place = lens.bent(np.stack([x.ravel(), y.ravel()], axis=1)).reshape(360, 480, 2)
    light = cv2.GaussianBlur(scene.light(place[..., 0] - 240, place[..., 1] - 180).astype(np.float32), (0, 0), 1.0)
    halves = tuple((light * (1 + 0.01 * rng.normal(size=light.shape))).astype(np.float32) for _ in range(2))
    return Picture(light=(halves[0] + halves[1]) / 2, halves=halves)


@pytest.mark.parametrize("edge_px", [6.0, -5.0])
def test_barrel_and_cushion_are_named_with_their_size(edge_px: float) -> None:
    rng = np.random.default_rng(4)
    scene = pictures.Scene(4, size=420, blobs=700, finest=2.0)
    fit = fit_pose(bent_view(scene, 0.0, rng), bent_view(scene, edge_px, rng))
    assert fit.pose is not None and fit.radial is not None
    assert fit.radial.edge_px == pytest.approx(edge_px, rel=0.12)
    assert fit.radial.residual_px < 0.6 * (fit.pose.residual_px or 0.0)
    assert any("barrel" in text for text in fit.warnings)


def test_no_bend_is_named_where_there_is_none() -> None:
    rng = np.random.default_rng(5)
    scene = pictures.Scene(5, size=420, blobs=700, finest=2.0)
    fit = fit_pose(bent_view(scene, 0.0, rng), bent_view(scene, 0.0, rng))
    assert fit.pose is not None and fit.radial is None and fit.homography is None
    assert fit.corners_px is None or fit.corners_px < 0.2


def test_radial_term_closed_form() -> None:
    rng = np.random.default_rng(6)
    place = rng.uniform(-1, 1, (40, 2))
    share = (place**2).sum(axis=1, keepdims=True)
    shift = -2.5 * share * place + np.array([0.1, -0.2])
    tiles = np.concatenate([100 * place + 200, shift, np.full((40, 1), 0.02), np.ones((40, 1))], axis=1)
    found = radial_of(tiles, (200.0, 200.0), 100.0)
    assert found is not None
    assert found.edge_px == pytest.approx(2.5, abs=1e-6)
    assert radial_of(tiles[:5], (200.0, 200.0), 100.0) is None

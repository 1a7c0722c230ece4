"""Pose against scenes whose geometry is exact (evaluated, not resampled), real boards, and second opinions."""

from __future__ import annotations

import importlib.util
import math
from pathlib import Path

import numpy as np
import pytest

from viewer.align.hand import pose_from_points, pose_residual
from viewer.align.picture import Picture, layer
from viewer.align.pose import fit_pose
from viewer.align.refine import refine
from viewer.align.transform import FieldCircle, Pose
from viewer.cv import cv2
from viewer.errors import UsageError

_spec = importlib.util.spec_from_file_location("align_pictures", Path(__file__).with_name("pictures.py"))
assert _spec and _spec.loader
pictures = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(pictures)

SHAPE = (400, 640)
REFERENCE_CIRCLE = FieldCircle(cx=322.2, cy=199.3, radius=180.0)
CLIP_CIRCLE = FieldCircle(cx=318.0, cy=202.0, radius=184.0)


def truth(scale: float, turn_deg: float, shift: tuple[float, float], mirrored: bool) -> Pose:
    """A pose that turns and scales about the middle of the picture."""
    middle = np.array([320.0, 200.0])
    linear = Pose(scale=scale, rotation_deg=turn_deg, mirrored=mirrored).matrix[:, :2]
    place = middle + shift - linear @ middle
    return Pose(scale=scale, rotation_deg=turn_deg, mirrored=mirrored, shift_x=place[0], shift_y=place[1])


def view(scene, pose: Pose, circle: FieldCircle, rng, *, noise: float, gain: float = 1.0) -> Picture:
    """What a clip of this pose shows: vignetted field, blur, pedestal, shot noise; the mean of two halves."""
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]].astype(float)
    m = pose.matrix
    place_x, place_y = m[0, 0] * x + m[0, 1] * y + m[0, 2], m[1, 0] * x + m[1, 1] * y + m[1, 2]
    light = scene.light(place_x - 320, place_y - 200)
    fall = 1 - 0.4 * np.clip(np.hypot(x - circle.cx, y - circle.cy) / circle.radius, 0, 1) ** 2
    light = light * fall * pictures.disc(SHAPE, circle.cx, circle.cy, circle.radius, 0.0)
    light = cv2.GaussianBlur(light.astype(np.float32), (0, 0), 1.0) * gain + 0.02
    halves = tuple((light + rng.normal(size=SHAPE) * noise * np.sqrt(light * gain)).astype(np.float32) for _ in range(2))
    return Picture(light=(halves[0] + halves[1]) / 2, halves=halves, circle=circle)


def error_px(found: Pose, true: Pose, circle: FieldCircle = CLIP_CIRCLE) -> float:
    """Rms distance over the clip's field between where both poses carry it."""
    y, x = np.mgrid[0 : SHAPE[0] : 8, 0 : SHAPE[1] : 8]
    p = np.stack([x.ravel(), y.ravel()], axis=1).astype(float)
    p = p[np.hypot(p[:, 0] - circle.cx, p[:, 1] - circle.cy) < circle.radius]
    return float(np.sqrt(((found.to_reference(p) - true.to_reference(p)) ** 2).sum(axis=1).mean()))


@pytest.mark.parametrize(
    ("scale", "turn_deg", "shift", "mirrored", "allowed_px"),
    [
        (1.0, 7.0, (0.0, 0.0), False, 0.03),
        (1.0, 0.0, (12.3, -7.7), False, 0.03),
        (1.0, 0.0, (0.0, 0.0), True, 0.035),
        (1.12, -3.0, (6.0, 4.0), True, 0.06),
        (1.0, 90.0, (3.0, 2.0), False, 0.06),
        (1.5, 1.0, (70.0, 40.0), False, 0.4),
    ],
)
def test_known_poses(scale: float, turn_deg: float, shift: tuple[float, float], mirrored: bool, allowed_px: float) -> None:
    rng = np.random.default_rng(3)
    scene = pictures.Scene(3, size=600, blobs=900, finest=1.5)
    true = truth(scale, turn_deg, shift, mirrored)
    still = view(scene, Pose(), REFERENCE_CIRCLE, rng, noise=0.02)
    fit = fit_pose(still, view(scene, true, CLIP_CIRCLE, rng, noise=0.02, gain=0.6))
    assert fit.pose is not None, fit.reason
    assert fit.pose.mirrored is mirrored
    assert error_px(fit.pose, true) < allowed_px
    assert abs(fit.pose.scale - scale) < 4 * fit.scale_sigma
    assert abs(fit.pose.rotation_deg - turn_deg) < 4 * fit.rotation_sigma_deg
    assert fit.pose.residual_px is not None and fit.pose.residual_px < 0.3


@pytest.mark.parametrize("kind", ["other scene", "noise"])
@pytest.mark.parametrize("seed", range(3))
def test_unrelated_pictures_and_noise_are_refused(kind: str, seed: int) -> None:
    rng = np.random.default_rng(20 + seed)
    noise = 0.05 if kind == "other scene" else 30.0
    pair = [
        view(pictures.Scene(30 + 2 * seed + k, size=600), Pose(), circle, rng, noise=noise)
        for k, circle in enumerate((REFERENCE_CIRCLE, CLIP_CIRCLE))
    ]
    fit = fit_pose(*pair)
    assert fit.pose is None
    assert "Film a chart" in fit.reason


class Pattern:
    """A scene that repeats or is symmetrical: many poses are right, so none may be given."""

    def __init__(self, kind: str) -> None:
        self.kind = kind

    def light(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Linear light at the places."""
        if self.kind == "fence":
            return 0.3 + 0.25 * (np.sin(2 * np.pi * x / 22) > 0)
        if self.kind == "squares":
            return 0.2 + 0.3 * ((np.floor(x / 30) + np.floor(y / 30)) % 2)
        if self.kind == "one lamp's glow":
            return 0.1 + 0.5 * np.exp(-(x * x + y * y) / (2 * 60.0**2))
        return 0.3 + 0.0004 * x + 0.0003 * y  # a bare wall


@pytest.mark.parametrize("kind", ["fence", "squares", "one lamp's glow", "bare wall"])
@pytest.mark.parametrize("mirrored", [False, True])
def test_repeating_and_empty_scenes_are_refused(kind: str, mirrored: bool) -> None:
    rng = np.random.default_rng(41)
    true = truth(1.02, 4.0, (9.0, -6.0), mirrored)
    gain = 0.05 if mirrored else 1.0
    still = view(Pattern(kind), Pose(), REFERENCE_CIRCLE, rng, noise=0.02)
    fit = fit_pose(still, view(Pattern(kind), true, CLIP_CIRCLE, rng, noise=0.02, gain=gain))
    assert fit.pose is None and fit.reason


def test_noisy_pictures_are_right_or_refused() -> None:
    rng = np.random.default_rng(4)
    scene = pictures.Scene(4, size=600, blobs=900, finest=1.5)
    true = truth(1.0, 5.0, (4.0, 3.0), False)
    for noise in (0.3, 1.0, 3.0):
        still = view(scene, Pose(), REFERENCE_CIRCLE, rng, noise=noise)
        fit = fit_pose(still, view(scene, true, CLIP_CIRCLE, rng, noise=noise))
        if fit.pose is not None:
            assert error_px(fit.pose, true) < 1.0


def test_the_stop_does_not_hold_a_turning_scene() -> None:
    # The same circle in both clips; only the scene turns inside it.
    rng = np.random.default_rng(5)
    scene = pictures.Scene(5, size=600, blobs=900, finest=1.5)
    true = truth(1.0, 4.0, (2.0, 0.0), False)
    fit = fit_pose(view(scene, Pose(), REFERENCE_CIRCLE, rng, noise=0.05), view(scene, true, REFERENCE_CIRCLE, rng, noise=0.05))
    assert fit.pose is not None
    assert error_px(fit.pose, true) < 0.05


def test_second_opinions_agree() -> None:
    # OpenCV's ECC and the upsampled cross-correlation of Guizar-Sicairos et al. 2008, on the same small shift.
    rng = np.random.default_rng(6)
    scene = pictures.Scene(6, size=600, blobs=900, finest=1.5)
    true = truth(1.0, 0.0, (1.37, -0.82), False)
    a, b = (view(scene, pose, REFERENCE_CIRCLE, rng, noise=0.02) for pose in (Pose(), true))
    found = refine(a, b, np.eye(3), factors=(2.0, 1.0))
    assert found is not None
    shift = -found.warp[:2, 2]
    assert shift == pytest.approx((1.37, -0.82), abs=0.05)
    window = (slice(100, 300), slice(220, 420))
    pa, pb = (layer(p).banded(1.4, 16.0).values[window] for p in (a, b))
    warp = np.eye(2, 3, dtype=np.float32)
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 200, 1e-7)
    _, warp = cv2.findTransformECC(pa, pb, warp, cv2.MOTION_TRANSLATION, criteria, None, 5)
    assert -warp[:, 2] == pytest.approx(shift, abs=0.1)
    taper = np.outer(np.hanning(200), np.hanning(200))
    cross = np.fft.fft2(pa * taper) * np.conj(np.fft.fft2(pb * taper))
    steps, hertz = np.arange(-300, 301) / 100.0, np.fft.fftfreq(200)
    fine = np.exp(2j * np.pi * np.outer(steps, hertz))
    peak = np.unravel_index(np.argmax((fine @ cross @ fine.T).real), (601, 601))
    assert (steps[peak[1]], steps[peak[0]]) == pytest.approx(tuple(shift), abs=0.1)


def test_errors_stated_cover_the_errors_made() -> None:
    scene = pictures.Scene(7, size=600, blobs=900, finest=1.5)
    pulls = []
    clean = [view(scene, Pose(), circle, np.random.default_rng(0), noise=0.0) for circle in (REFERENCE_CIRCLE, CLIP_CIRCLE)]
    for seed in range(30):
        rng = np.random.default_rng(seed)
        a, b = (
            Picture(light=p.light + 0.05 * rng.normal(size=SHAPE).astype(np.float32) * np.sqrt(p.light), circle=p.circle)
            for p in clean
        )
        found = refine(a, b, np.eye(3), factors=(1.0,))
        assert found is not None
        middle = np.array([found.centre])
        moved = found.warp @ np.array([*found.centre, 1.0])
        pulls.append(np.hypot(*(moved[:2] - found.centre)) / np.hypot(*found.errors_at(middle)[0]))
    # The error of both axes together is Rayleigh: its rms over the stated one should be 1; 30 trials tell it to 13 % (1 sigma).
    assert 0.65 < math.sqrt(np.mean(np.square(pulls))) < 1.35


def test_pose_from_points_closed_form() -> None:
    true = truth(1.3, 25.0, (10.0, -4.0), True)
    clip = np.array([(10.0, 20.0), (500.0, 60.0), (300.0, 350.0), (80.0, 310.0)])
    pose = pose_from_points(clip.tolist(), true.to_reference(clip).tolist())
    assert pose.mirrored and pose.scale == pytest.approx(1.3) and pose.rotation_deg == pytest.approx(25.0)
    assert pose.residual_px == pytest.approx(0.0, abs=1e-9)
    three = pose_from_points(clip[:3].tolist(), (true.to_reference(clip[:3]) + np.eye(3, 2, -1) * 0.5).tolist())
    assert three.residual_px is not None and 0.1 < three.residual_px < 1.0
    with pytest.raises(UsageError):
        pose_from_points([(1, 1)], [(2, 2)])
    with pytest.raises(UsageError):
        pose_from_points([(1, 1), (1, 1)], [(2, 2), (3, 3)])


def test_residual_of_a_nudged_pose_grows() -> None:
    rng = np.random.default_rng(8)
    scene = pictures.Scene(8, size=600, blobs=900, finest=1.5)
    a, b = (view(scene, Pose(), circle, rng, noise=0.02) for circle in (REFERENCE_CIRCLE, CLIP_CIRCLE))
    there, off = pose_residual(a, b, Pose()), pose_residual(a, b, Pose(shift_x=3.0))
    assert there is not None and off is not None
    assert there[0] > off[0] and there[1] < 0.2 < 1.0 < off[1]


def test_board_seen_by_two_cameras(corpus: Path) -> None:
    # OpenCV's stereo pair: another viewpoint, so a similarity is right only to the board's perspective.  The corners that
    # OpenCV itself finds on the chessboard (9 x 6) must land within a square's fifth, or the pose be refused.
    pair, corners = [], []
    for name in ("still-stereo-board-left.jpg", "still-stereo-board-right.jpg"):
        code = cv2.imdecode(np.fromfile(corpus / name, np.uint8), cv2.IMREAD_GRAYSCALE)
        found, points = cv2.findChessboardCorners(code, (9, 6))
        assert found
        corners.append(points.reshape(-1, 2))
        pair.append(Picture(light=((code / 255.0) ** 2.2).astype(np.float32)))
    fit = fit_pose(*pair)
    if fit.pose is not None:
        gap = np.hypot(*(fit.pose.to_reference(corners[1]) - corners[0]).T)
        square = float(np.hypot(*(corners[0][1] - corners[0][0])))
        assert np.median(gap) < square
    by_hand = pose_from_points(corners[1].tolist(), corners[0].tolist())
    assert not by_hand.mirrored and by_hand.residual_px is not None and by_hand.residual_px < 8.0

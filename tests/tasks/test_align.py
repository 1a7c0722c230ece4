"""Lining clips up from files: codecs, rotation flag, variable rate, sound, light steps, refusals."""

from __future__ import annotations

import importlib.util
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from viewer.align.transform import ClockMap, FieldCircle, Pose
from viewer.cv import cv2
from viewer.errors import Cancelled
from viewer.media import open_clip
from viewer.media.light import from_linear
from viewer.media.writer import VideoWriter
from viewer.tasks.align import align_clips, align_pair, series

_spec = importlib.util.spec_from_file_location("align_pictures", Path(__file__).parents[1] / "align" / "pictures.py")
assert _spec and _spec.loader
pictures = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(pictures)

WIDTH, HEIGHT, SOUND_RATE = 480, 360, 48000
FIRST = FieldCircle(cx=238.3, cy=181.2, radius=160.0)
SECOND = FieldCircle(cx=244.6, cy=177.9, radius=157.0)
OFFSET_S = 0.7312


def still(pose: Pose, circle: FieldCircle, *, seed: int = 3) -> np.ndarray:
    """Light of the scene as a clip of this pose shows it."""
    scene = pictures.Scene(seed, size=450, blobs=700, finest=1.5)
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH].astype(float)
    m = pose.matrix
    light = scene.light(m[0, 0] * x + m[0, 1] * y + m[0, 2] - 240, m[1, 0] * x + m[1, 1] * y + m[1, 2] - 180)
    fall = 1 - 0.3 * (np.hypot(x - circle.cx, y - circle.cy) / circle.radius).clip(0, 1) ** 2
    made = light * fall * pictures.disc((HEIGHT, WIDTH), circle.cx, circle.cy, circle.radius, 0.0)
    return 0.08 * cv2.GaussianBlur(made.astype(np.float32), (0, 0), 1.0) + 0.001


def shaken(light: np.ndarray, rng: np.random.Generator, transfer: str) -> np.ndarray:
    """One frame: shot noise, green phosphor, the camera's curve."""
    noisy = light + 0.01 * rng.normal(size=light.shape) * np.sqrt(np.maximum(light, 0))
    return from_linear(transfer, np.clip(noisy[..., None] * (0.55, 1.2, 0.7), 0, 1)).astype(np.float32)


def murmur(seconds: float) -> np.ndarray:
    """Coloured noise whose loudness changes eight times a second."""
    rng = np.random.default_rng(1)
    n = int(seconds * SOUND_RATE)
    knots = np.arange(0, seconds + 1, 0.12)
    loud = np.interp(np.arange(n) / SOUND_RATE, knots, np.exp(rng.normal(size=len(knots))))
    return 0.02 * loud * rng.normal(size=n)


@pytest.fixture(scope="module")
def clips(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, Pose]:
    """A 30 fps H.264 clip, and a turned, smaller-scaled, variable-rate HEVC 10-bit HLG clip with a rotation flag."""
    folder = tmp_path_factory.mktemp("align")
    middle = np.array([240.0, 180.0])
    linear = Pose(scale=1.04, rotation_deg=3.0).matrix[:, :2]
    shift = middle + np.array([4.0, -3.0]) - linear @ middle
    true = Pose(scale=1.04, rotation_deg=3.0, shift_x=shift[0], shift_y=shift[1])
    sound = murmur(5.0)
    rng = np.random.default_rng(2)
    first, second = folder / "first.mp4", folder / "second.mp4"
    light = still(Pose(), FIRST)
    with VideoWriter(
        first, width=WIDTH, height=HEIGHT, rate=Fraction(30), codec="h264", bit_depth=8, transfer="bt709", range="narrow",
        matrix="bt709", crf=12, sound_rate=SOUND_RATE, options={"preset": "ultrafast"},
    ) as writer:  # fmt: skip
        writer.write_sound(sound[: int(4.0 * SOUND_RATE)])
        for _ in range(30):
            writer.write(shaken(light, rng, "bt709"))
    light = still(true, SECOND)
    stored = np.rot90(light, 1)  # players turn it back clockwise by a quarter
    ticks = np.cumsum(rng.choice([1001, 1001, 2002, 1100], 30)) - 1001
    with VideoWriter(
        second, width=HEIGHT, height=WIDTH, rate=Fraction(30), codec="hevc", bit_depth=10, transfer="hlg", range="narrow",
        matrix="bt2020", crf=12, rotation=90, sound_rate=SOUND_RATE, time_base=Fraction(1, 30000),
        options={"preset": "ultrafast"},
    ) as writer:  # fmt: skip
        writer.write_sound(sound[round(OFFSET_S * SOUND_RATE) : round((OFFSET_S + 3.2) * SOUND_RATE)])
        for pts in ticks:
            writer.write(np.ascontiguousarray(shaken(stored, rng, "hlg")), pts=int(pts))
    return first, second, true


def test_clock_pose_and_circle_through_codecs(clips: tuple[Path, Path, Pose]) -> None:
    first, second, true = clips
    with open_clip(first) as a, open_clip(second) as b:
        assert b.info.rotation != 0
        result = align_clips(a, [b])
    assert result.command == "align" and len(result.inputs) == 2
    offset = result.reading("offset", "second.mp4")
    assert offset.value == pytest.approx(OFFSET_S, abs=2e-5)
    assert "variable rate" in offset.to_json()["flags"]
    entry = result.extras["clips"]["second.mp4"]
    y, x = np.mgrid[0:HEIGHT:10, 0:WIDTH:10]
    points = np.stack([x.ravel(), y.ravel()], axis=1).astype(float)
    points = points[np.hypot(points[:, 0] - SECOND.cx, points[:, 1] - SECOND.cy) < SECOND.radius]
    matrix = np.array(entry["matrix"])
    gap = points @ matrix[:, :2].T + matrix[:, 2] - true.to_reference(points)
    assert np.sqrt((gap**2).sum(axis=1).mean()) < 0.1
    assert entry["mirrored"] is False and entry["sync_by"] == "sound" and entry["pose_by"].startswith("intensity+")
    assert result.reading("scale", "second.mp4").value == pytest.approx(true.scale, abs=5e-4)
    assert result.reading("rotation", "second.mp4").value == pytest.approx(true.rotation_deg, abs=0.03)
    for name, circle in (("first.mp4", FIRST), ("second.mp4", SECOND)):
        assert result.extras["clips"][name]["field_circle"] == pytest.approx([circle.cx, circle.cy, circle.radius], abs=0.2)
    kinds = [row["kind"] for row in entry["witnesses"]]
    assert kinds[:3] == ["sound", "light steps", "motion"]
    assert "NaN" not in result.dumps()


def test_pair_against_itself_and_reference(clips: tuple[Path, Path, Pose]) -> None:
    with open_clip(clips[0]) as a, open_clip(clips[0]) as again:
        own = align_pair(a, again, same=True)
        pair = align_pair(a, again)
    assert own.pose is not None and own.pose.pose_by == "reference" and own.circle is not None
    assert pair.clock is not None and pair.clock.offset_s == pytest.approx(0.0, abs=1e-5)
    assert pair.pose is not None and abs(pair.pose.scale - 1) < 1e-4
    moved = ClockMap(offset_s=0.04)
    residual = pair.residual(moved)
    assert residual is not None and residual == pytest.approx(0.04, abs=1e-4)


def test_marks_points_and_degrees(clips: tuple[Path, Path, Pose]) -> None:
    first, second, true = clips
    spots = [(200.0, 150.0), (300.0, 160.0), (230.0, 240.0)]
    there = true.to_reference(np.array(spots))
    off = [(spot, (float(x) + 9.0, float(y))) for spot, (x, y) in zip(spots, there, strict=True)]
    with open_clip(first) as a, open_clip(second) as b:
        result = align_clips(a, [b], marks=[(1.0, 1.0 + OFFSET_S + 0.4)], points=off, field_deg=40.0)
    entry = result.extras["clips"]["second.mp4"]
    # Marks and points that lie off are named, and what the clips themselves say is used.
    assert result.reading("offset").value == pytest.approx(OFFSET_S, abs=2e-5)
    assert any("marks and sound disagree by +400" in text for text in result.warnings)
    assert any("marked points lie 9.0 px (rms) off" in text for text in result.warnings)
    assert entry["pose_by"].startswith("intensity+")
    # A field of 40 degrees over the circle of 2 x 160 px: 8 px a degree.
    assert entry["residual_deg"] == pytest.approx(entry["residual_px"] / 8.0, rel=2e-3)


def test_lane_series(clips: tuple[Path, Path, Pose]) -> None:
    with open_clip(clips[0]) as a:
        lane = series(a)
    assert len(lane.time_s) == len(lane.light) == 30
    assert lane.light.max() == pytest.approx(1.0)
    assert len(lane.sound_level) == pytest.approx(400, abs=4)  # 4 s at 100 a second
    assert lane.steps_s == ()


def test_unlike_clips_are_refused(clips: tuple[Path, Path, Pose], tmp_path: Path) -> None:
    other = tmp_path / "other.mp4"
    rng = np.random.default_rng(9)
    light = still(Pose(), SECOND, seed=77)
    with VideoWriter(
        other, width=WIDTH, height=HEIGHT, rate=Fraction(25), codec="h264", bit_depth=8, transfer="bt709", range="narrow",
        matrix="bt709", crf=16, options={"preset": "ultrafast"},
    ) as writer:  # fmt: skip
        for _ in range(20):
            writer.write(shaken(light, rng, "bt709"))
    with open_clip(clips[0]) as a, open_clip(other) as b:
        result = align_clips(a, [b])
    for reading in result.readings:
        assert reading.state == "refused" and reading.reason, reading.name
    assert "static, no common time" in (result.reading("offset").reason or "")
    assert result.extras["clips"]["other.mp4"]["field_circle"] is not None


def test_stop_on_request(tmp_path: Path) -> None:
    path = tmp_path / "short.mp4"
    with VideoWriter(
        path, width=64, height=64, rate=Fraction(25), codec="h264", bit_depth=8, transfer="bt709", range="narrow",
        matrix="bt709",
    ) as writer:  # fmt: skip
        for n in range(10):
            writer.write(np.full((64, 64, 3), n / 20, np.float32))
    with open_clip(path) as a, open_clip(path) as b, pytest.raises(Cancelled):
        align_clips(a, [b], cancelled=lambda: True)


def test_cameras_in_near_darkness_are_right_or_refused(corpus: Path) -> None:
    # Four synchronised cameras without sound, each from its own side: no similarity is right, none may be claimed with
    # confidence; if movement gives a time, it must be the common one.
    names = ["multicam-ir-back.mp4", "multicam-ir-mid.mp4"]
    with open_clip(corpus / names[0]) as a, open_clip(corpus / names[1]) as b:
        found = align_pair(a, b)
    if found.clock is not None:
        assert abs(found.clock.offset_s) < 0.05
    assert found.pose is None or found.warnings


def test_charuco_boards_filmed_by_two_cameras(corpus: Path) -> None:
    with open_clip(corpus / "multicam-ir-board-back.MOV") as a, open_clip(corpus / "multicam-ir-board-mid.MOV") as b:
        found = align_pair(a, b)
    assert found.pose is None or (found.pose.residual_px is not None and found.warnings)
    assert found.clock is None or abs(found.clock.offset_s) < 0.05

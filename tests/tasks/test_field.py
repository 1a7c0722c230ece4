"""The field of rendered eyepiece pictures of known geometry, through codecs and from the command line."""

from __future__ import annotations

import json
import math
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from viewer.align.transform import FieldCircle
from viewer.cli.main import run
from viewer.errors import UsageError
from viewer.media import open_clip
from viewer.tasks.document import Result
from viewer.tasks.field import TwoMarks, circle_sigmas, measure_field

night = SimpleNamespace(**run_path(str(Path(__file__).with_name("night_clips.py"))))
CENTRE, RADIUS = (160.4, 118.7), 100.0


def even_field(fall: float = 0.3, tilt: float = 0.0, cut: int = 0) -> np.ndarray:
    """A round field whose light falls by `fall` at the edge as the square of the radius; `cut` columns lie off the picture."""
    y, x = np.mgrid[:240, : 320 - cut].astype(float)
    u, v = (x + cut - CENTRE[0]) / RADIUS, (y - CENTRE[1]) / RADIUS
    r = np.hypot(u, v)
    inside = 1.0 / (1.0 + np.exp((r - 1.0) * RADIUS / 0.8))
    return 0.3 * np.maximum(0.0, 1.0 - fall * r**2 + tilt * u) * inside


@pytest.fixture(scope="module")
def clip_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return night.write_clip(tmp_path_factory.mktemp("field") / "even.mp4", even_field(tilt=0.05), frames=8, noise=0.01, crf=14)


def measured(path: Path, **options: Any) -> Result:
    with open_clip(path) as clip:
        return measure_field(clip, **options)


def test_circle_scale_and_fall_of_light(clip_path: Path) -> None:
    found = measured(clip_path, field_deg=40.0, even=True)
    for name, truth in (("centre_x", CENTRE[0]), ("centre_y", CENTRE[1]), ("radius", RADIUS)):
        reading = found.reading(name)
        assert reading.value == pytest.approx(truth, abs=0.4), name
    scale = found.reading("px_per_degree", "stated field")
    assert scale.value == pytest.approx(5.0, rel=0.005) and scale.low < 5.0 < scale.high
    assert "nominal scale" in scale.to_json()["flags"]
    edge, tilt = found.reading("edge_light"), found.reading("light_tilt")
    assert edge.value == pytest.approx(100 * (1 - 0.3 * 0.81), abs=1.0) and edge.low < 75.7 < edge.high
    assert tilt.value == pytest.approx(100 * 2 * 0.9 * 0.05, abs=1.0)
    assert found.plots["vignetting"]["map"].shape == (240, 320)
    found.dumps()


def test_two_marks_and_a_chart(clip_path: Path) -> None:
    marks = measured(clip_path, marked=TwoMarks((100.0, 100.0), (220.0, 100.0), 24.0)).reading("px_per_degree")
    assert marks.value == pytest.approx(5.0) and marks.of == "two marked points"
    chart = TwoMarks.of_chart((100.0, 100.0), (220.0, 100.0), 2.0 * math.tan(math.radians(12.0)), 1.0)
    reading = measured(clip_path, marked=chart).reading("px_per_degree")
    assert reading.value == pytest.approx(5.0) and reading.of == "a chart of known size"
    with pytest.raises(UsageError, match="above 0"):
        TwoMarks.of_chart((0.0, 0.0), (9.0, 0.0), 0.0, 1.0)


def test_a_field_that_is_not_as_stated_is_said(clip_path: Path) -> None:
    found = measured(clip_path, field_deg=50.0, marked=TwoMarks((100.0, 100.0), (220.0, 100.0), 24.0))
    assert any("fewer px per degree" in text and "distorted or not as stated" in text for text in found.warnings)
    fine = measured(clip_path, field_deg=40.0, marked=TwoMarks((100.0, 100.0), (220.0, 100.0), 24.0))
    assert not any("px per degree" in text for text in fine.warnings)


def test_distortion_of_known_points(clip_path: Path) -> None:
    """Points at radius = 5 a (1 + 0.06 (r / 100)^2), the cubic term of classical distortion."""
    marks = []
    for angle in (2.0, 6.0, 10.0, 14.0, 17.0):
        radius = 5.0 * angle
        for _ in range(40):
            radius = 5.0 * angle * (1 + 0.06 * (radius / RADIUS) ** 2)
        marks.append(((CENTRE[0] + radius, CENTRE[1]), angle))
    found = measured(clip_path, off_axis=marks)
    assert found.reading("distortion").value == pytest.approx(6.0, abs=0.5)
    assert any("from middle to edge" in text for text in found.warnings)


def test_part_of_a_dim_circle(tmp_path: Path) -> None:
    path = night.write_clip(tmp_path / "part.mp4", 0.05 * even_field(cut=110), frames=8, noise=0.005, crf=14)
    found = measured(path)
    assert found.reading("centre_x").value == pytest.approx(CENTRE[0] - 110, abs=1.5)
    assert found.reading("radius").value == pytest.approx(RADIUS, abs=1.5)
    assert found.reading("radius").low < RADIUS < found.reading("radius").high
    assert "cut by the border" in found.reading("radius").to_json()["flags"]


def test_short_arcs_are_less_certain() -> None:
    whole, part = (
        circle_sigmas(FieldCircle(cx=0.0, cy=0.0, radius=100.0, residual_px=0.3, arc_deg=arc)) for arc in (360.0, 70.0)
    )
    assert part[0] > 5 * whole[0] and part[1] > 5 * whole[1]


def test_refusals(tmp_path: Path, clip_path: Path) -> None:
    plain = night.write_clip(tmp_path / "plain.mp4", night.patches(120, 160, 0.2), frames=4, noise=0.01)
    found = measured(plain, field_deg=40.0, even=True, off_axis=[((80.0, 60.0), 0.0)])
    for name in ("centre_x", "radius", "px_per_degree", "edge_light", "light_tilt", "distortion"):
        reading = found.reading(name)
        assert reading.state == "refused" and "film" in reading.reason.lower(), name
    rng = np.random.default_rng(4)
    leaves = even_field() * np.kron(0.3 + rng.random((20, 20)), np.ones((12, 16)))
    scene = measured(night.write_clip(tmp_path / "scene.mp4", leaves, frames=4, noise=0.01), even=True)
    assert scene.reading("edge_light").state == "refused" and "this is a scene" in scene.reading("edge_light").reason
    few = measured(clip_path, off_axis=[((170.0, 120.0), 2.0)])
    assert "Three or more" in few.reading("distortion").reason
    near = measured(clip_path, off_axis=[((162.0 + k, 120.0), 0.4 + 0.2 * k) for k in range(3)])
    assert "too close together" in near.reading("distortion").reason
    with pytest.raises(UsageError, match="not possible"):
        measured(clip_path, field_deg=400.0)


def test_command(clip_path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    marks = ["--point", "100,100", "--point", "220,100", "--angle-deg", "24"]
    out = tmp_path / "fall.png"
    arguments = ["field", str(clip_path), "--field-deg", "40", "--even", "--map", str(out), *marks, "--json", "-"]
    assert run(arguments) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["command"] == "field" and len(document["field_circle"]) == 3
    assert [r["of"] for r in document["readings"] if r["name"] == "px_per_degree"] == ["stated field", "two marked points"]
    assert out.read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    for wrong in (
        marks[:2],
        marks[:4],
        [*marks, "--size-m", "1", "--distance-m", "2"],
        ["--map", str(out)],
        ["--off-axis", "3"],
    ):
        assert run(["field", str(clip_path), *wrong]) == 2
    assert run(["field", str(clip_path), "--even", "--map", str(tmp_path / "no" / "fall.png")]) == 3

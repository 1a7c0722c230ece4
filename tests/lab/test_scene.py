"""Geometry of sheets, scenes and views."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from viewer.lab.canvas import Canvas
from viewer.lab.chart import DISTANCE_M, make_chart
from viewer.lab.clips import scene_of
from viewer.lab.scene import tri_bar_lpmm
from viewer.lab.slipway import box_at
from viewer.lab.view import View


def test_rectangles_weigh_what_they_cover() -> None:
    canvas = Canvas(half_deg=2, per_degree=48)
    canvas.rect(-0.813, -1.127, 1.3717, 0.7331, 0.8)
    assert canvas.light.sum() / 48**2 == pytest.approx(0.8 * 1.3717 * 0.7331, rel=1e-5)


def test_polygons_weigh_what_they_cover() -> None:
    canvas = Canvas(half_deg=3, per_degree=48)
    canvas.polygon(np.array([[-1.0, -1.0], [1.5, -0.6], [0.4, 1.3]]), 1.0)
    area = 0.5 * abs(2.5 * 2.3 - 1.4 * 0.4)
    assert canvas.light.sum() / 48**2 == pytest.approx(area, rel=0.01)


def test_tri_bar_series_meets_the_table() -> None:
    # MIL-STD-150A 5.1.1.7, table as printed: group 0 element 2 = 1.122, group 2 element 6 = 7.127
    assert tri_bar_lpmm(0, 1) == 1.0
    assert tri_bar_lpmm(0, 2) == pytest.approx(1.122, abs=5e-4)
    assert tri_bar_lpmm(2, 6) == pytest.approx(7.127, abs=5e-4)
    assert tri_bar_lpmm(-2, 4) == pytest.approx(0.3536, abs=5e-5)


def test_chart_targets_have_the_standard_shape() -> None:
    chart = make_chart()
    light = chart.layers[0].canvas.light
    canvas = chart.layers[0].canvas
    targets = [mark for mark in chart.marks.values() if mark.kind == "bars"]
    assert len(targets) == 3 * 6 * 2
    for mark in targets:
        # each bar 0.5/R wide, 2.5/R long, spaces as wide: the target is a square of 2.5/R
        length_deg = np.degrees(2.5 / mark.lpmm / 1000 / DISTANCE_M)
        assert mark.place[2:] == pytest.approx((length_deg, length_deg), rel=1e-9)
    x, y, size, _ = chart.marks["0.03125/v"].place
    row = round(float(canvas.to_samples(y + size / 2)))
    columns = [round(float(canvas.to_samples(x + (n + 0.5) * size / 5))) for n in range(5)]
    dark = light[row, columns] < 0.2
    assert dark.tolist() == [True, False, True, False, True]


@pytest.mark.parametrize("name", ["chart", "lamps", "reeds", "figure"])
def test_scenes_are_the_same_every_time(name: str) -> None:
    from viewer.lab import clips

    first = scene_of(name)
    clips.scene_of.cache_clear()
    second = scene_of(name)
    assert first is not second
    assert all(np.array_equal(a.canvas.light, b.canvas.light) for a, b in zip(first.layers, second.layers, strict=True))


def test_figure_walks_where_its_box_says() -> None:
    scene = scene_of("figure")
    assert scene.moving is not None
    canvas = scene.layers[0].canvas
    for time_s in (0.4, 1.6, 2.9):
        patch = scene.moving(time_s)
        rows, cols = patch.light.shape
        still = canvas.light[patch.row : patch.row + rows, patch.col : patch.col + cols]
        changed = np.abs(patch.light - still) > 1e-3
        x, y, w, h = box_at(time_s)
        left, top = float(canvas.to_samples(x)) - patch.col, float(canvas.to_samples(y)) - patch.row
        box = changed[round(top) : round(top + h * 48), round(left) : round(left + w * 48)]
        assert box.mean() > 0.95
        assert abs(np.flatnonzero(changed.any(0)).mean() - (left + w * 24)) < 30


VIEWS = [
    View(width=200, height=160, px_per_degree=13, centre=(101.3, 77.9)),
    View(width=200, height=160, px_per_degree=12.6, centre=(96, 82), rotation_deg=2.3, axis_deg=(0.2, -0.1)),
    View(width=200, height=160, px_per_degree=13.4, centre=(99, 80), rotation_deg=-1.7, mirrored=True),
]


@pytest.mark.parametrize("view", VIEWS)
def test_light_lands_where_the_matrix_says(view: View) -> None:
    canvas = Canvas(half_deg=8, per_degree=48)
    x, y = canvas.axes()
    canvas.light[...] = np.exp(-((x - 2.1) ** 2 + (y + 1.7) ** 2) / (2 * 0.2**2))
    seen = view.picture(canvas).astype(float)
    rows, cols = np.indices(seen.shape)
    centre = (seen * cols).sum() / seen.sum(), (seen * rows).sum() / seen.sum()
    assert centre == pytest.approx(view.to_px(np.array([[2.1, -1.7]]))[0], abs=0.01)
    assert seen.sum() == pytest.approx(2 * np.pi * (0.2 * view.px_per_degree) ** 2, rel=2e-3)


def test_matrix_between_views_carries_points() -> None:
    points = np.array([[1.0, 2.0], [-3.0, 0.5], [4.0, -2.0]])
    for mine in VIEWS:
        for theirs in VIEWS:
            m = mine.to_view(theirs)
            assert mine.to_px(points) @ m[:, :2].T + m[:, 2] == pytest.approx(theirs.to_px(points), abs=1e-9)


def test_halo_angle_is_that_of_the_check_values(check_values: list[dict[str, Any]]) -> None:
    # D = 2 f tan(angle / 2): 0.7 mm at 27 mm -> 1.48536 degrees
    from dataclasses import replace

    from viewer.lab.devices import HERON

    case = next(c for c in check_values if c["quantity"] == "halo_full_angle_from_mm")
    tube = replace(HERON, gap_mm=case["inputs"]["mm"] / 4, objective_mm=case["inputs"]["f_mm"])
    assert 2 * tube.halo_radius_deg == pytest.approx(case["expected"], abs=1e-4)

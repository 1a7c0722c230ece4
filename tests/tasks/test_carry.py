"""Regions carried by poses: closed forms of scale, turn, mirror and shift."""

from __future__ import annotations

import math

import pytest

from viewer.align.transform import Pose
from viewer.errors import RegionError
from viewer.measure.regions import Rect
from viewer.session.model import Clip, Region
from viewer.tasks.carry import carried, carried_point, carried_rect


def clip_with(**pose: float | bool) -> Clip:
    """A clip with a pose."""
    return Clip(id="c", scene="s", device=None, pose=Pose(**pose))  # type: ignore[arg-type]


def rect(*geometry: float, **more: object) -> Region:
    """A rectangular region."""
    return Region(id="r", scene="s", kind="rect", name="patch", geometry=geometry, **more)  # type: ignore[arg-type]


def test_without_pose_it_stays() -> None:
    clip = Clip(id="c", scene="s", device=None)
    assert carried(rect(10, 20, 30, 40), clip) == (10, 20, 30, 40)
    assert carried_rect(rect(10, 20, 30, 40), clip, (640, 480)) == Rect(10, 20, 30, 40)


def test_scale_keeps_the_centre() -> None:
    # p_ref = 2 p: a 40 px square at (100, 60) in the reference is 20 px at (49.75 ...) in the clip.
    x, y, w, h = carried(rect(100, 60, 40, 40), clip_with(scale=2.0))
    assert (w, h) == (20, 20)
    assert x + 9.5 == pytest.approx(119.5 / 2)
    assert y + 9.5 == pytest.approx(79.5 / 2)


def test_quarter_turn_swaps_sides() -> None:
    _, _, w, h = carried(rect(0, 0, 30, 10), clip_with(rotation_deg=90.0))
    assert (w, h) == (10, 30)


def test_mirror_and_shift_of_a_point() -> None:
    light = Region(id="r", scene="s", kind="light", name="lamp", geometry=(100.0, 50.0))
    # p_ref = (-x + 300, y + 5) -> x = 200, y = 45.
    assert carried_point(light, clip_with(mirrored=True, shift_x=300.0, shift_y=5.0)) == pytest.approx((200.0, 45.0))


def test_patch_of_a_turned_clip_stays_within_the_patch() -> None:
    clip = clip_with(rotation_deg=7.0)
    patch = carried_rect(rect(100, 100, 60, 30), clip, (640, 480), inside=True)
    corners = [(patch.x, patch.y), (patch.x + patch.w - 1, patch.y + patch.h - 1), (patch.x, patch.y + patch.h - 1)]
    assert clip.pose is not None
    for x, y in clip.pose.to_reference(corners):  # type: ignore[arg-type]
        assert 99.0 <= x <= 160.0
        assert 99.0 <= y <= 130.0
    whole = carried_rect(rect(100, 100, 60, 30), clip, (640, 480))
    assert whole.area > patch.area


def test_override_wins_and_cut_regions_stay_inside() -> None:
    region = rect(10, 10, 20, 20, overrides={"c": (1.0, 2.0, 3.0, 4.0)})
    assert carried(region, clip_with(scale=3.0)) == (1.0, 2.0, 3.0, 4.0)
    assert carried_rect(rect(-10, -10, 30, 30), Clip(id="c", scene="s", device=None), (640, 480)) == Rect(0, 0, 20, 20)


def test_region_outside_is_one_line() -> None:
    with pytest.raises(RegionError, match="'patch' lies outside"):
        carried_rect(rect(900, 0, 10, 10), Clip(id="c", scene="s", device=None), (640, 480))


def test_line_is_carried_by_its_ends() -> None:
    line = Region(id="r", scene="s", kind="line", name="cut", geometry=(0.0, 0.0, 10.0, 0.0))
    x0, y0, x1, y1 = carried(line, clip_with(rotation_deg=30.0, scale=2.0))
    assert math.hypot(x1 - x0, y1 - y0) == pytest.approx(5.0)

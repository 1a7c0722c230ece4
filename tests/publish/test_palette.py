"""Colours and markers against the published set and the WCAG contrast formula."""

from __future__ import annotations

import pytest

from viewer.publish import palette


def test_device_colours_are_the_published_ones_in_order() -> None:
    # Okabe & Ito (2008), Color Universal Design: RGB of the set, here as 8-bit triples.
    published = [(86, 180, 233), (230, 159, 0), (0, 158, 115), (204, 121, 167), (240, 228, 66)]
    assert [palette.rgb(palette.device_style(n).colour) for n in range(5)] == published


def test_control_is_hollow_and_does_not_use_up_a_colour() -> None:
    styles = palette.device_styles([("a", True), ("b", False), ("c", False)])
    assert styles["a"].hollow and styles["a"].colour == "#ffffff"
    assert styles["b"].colour == "#56B4E9" and styles["c"].colour == "#E69F00"
    assert palette.device_styles([("a", True)], ground="light")["a"].colour == "#000000"


def test_no_two_devices_share_marker_or_dash() -> None:
    styles = [palette.device_style(0, control=True), *(palette.device_style(n) for n in range(6))]
    assert len({s.marker for s in styles}) == 7
    assert len({s.dash for s in styles}) == 7


def test_contrast_formula() -> None:
    # WCAG 2.x: black on white is 21:1; #767676 on white is the well-known 4.54:1.
    assert palette.contrast_ratio("#000000", "#ffffff") == pytest.approx(21.0)
    assert palette.contrast_ratio("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize("greys", [palette.DARK, palette.LIGHT])
def test_text_reads_on_every_ground(greys: palette.Greys) -> None:
    for ground in (greys.window, greys.panel, greys.raised):
        assert palette.contrast_ratio(greys.text, ground) >= 7
        assert palette.contrast_ratio(greys.quiet, ground) >= 4.5
    for name in greys.__slots__:
        r, g, b = palette.rgb(getattr(greys, name))
        assert r == g == b, name


def test_device_lines_stand_out() -> None:
    for n in range(6):
        assert palette.contrast_ratio(palette.device_style(n, ground="light").colour, "#ffffff") >= 3
        assert palette.contrast_ratio(palette.device_style(n).colour, palette.DARK.surround) >= 3


@pytest.mark.parametrize("marker", ["ring", "circle", "triangle", "square", "diamond", "cross", "star"])
def test_markers_have_like_areas(marker: palette.Marker) -> None:
    points = palette.marker_points(marker)
    assert all(abs(x) <= 1 and abs(y) <= 1 for x, y in points)
    pairs = list(zip(points, points[1:] + points[:1], strict=True))
    area = 0.5 * abs(sum(x0 * y1 - x1 * y0 for (x0, y0), (x1, y1) in pairs))
    assert 1.3 < area < 2.6

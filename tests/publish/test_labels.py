"""Letters stand beside what they name, clear of lines and words, inside the picture."""

from __future__ import annotations

import numpy as np
import pytest

from viewer.publish.labels import NOTHING, free_place, joined, outline, ring

BOUNDS = (0.0, 0.0, 400.0, 300.0)
SIZE = (12.0, 16.0)


def meets(at: tuple[float, float], points: np.ndarray) -> bool:
    x, y = at
    inside = (points[:, 0] >= x) & (points[:, 0] <= x + SIZE[0]) & (points[:, 1] >= y) & (points[:, 1] <= y + SIZE[1])
    return bool(inside.any())


def test_on_an_empty_picture_a_letter_stands_at_the_upper_right() -> None:
    assert free_place((100, 100, 40, 30), SIZE, BOUNDS, 5, 20, NOTHING) == (145, 100)


def test_a_letter_keeps_off_the_ellipse_about_its_region() -> None:
    about = ring(180, 60, 40, 120)
    plain = free_place((193, 90, 14, 40), SIZE, BOUNDS, 5, 20, NOTHING)
    assert meets(plain, about)
    assert not meets(free_place((193, 90, 14, 40), SIZE, BOUNDS, 5, 20, joined([about])), about)


def test_a_letter_keeps_off_words() -> None:
    taken = joined([], [(140.0, 95.0, 80.0, 22.0)])
    x, y = free_place((100, 100, 40, 30), SIZE, BOUNDS, 5, 20, taken)
    assert x + SIZE[0] <= 140 or y >= 117


@pytest.mark.parametrize("rect", [(380, 280, 30, 30), (-20, -20, 30, 30), (0, 0, 400, 300)])
def test_a_letter_stays_inside_the_picture(rect: tuple[float, float, float, float]) -> None:
    x, y = free_place(rect, SIZE, BOUNDS, 5, 20, NOTHING)
    assert 0 <= x <= 400 - SIZE[0] and 0 <= y <= 300 - SIZE[1]


def test_where_lines_are_everywhere_the_least_crossed_place_is_taken() -> None:
    grid = [outline([(0, y), (400, y)]) for y in range(0, 300, 6)]
    rect = (100, 100, 40, 30)
    x, y = free_place(rect, SIZE, BOUNDS, 5, 20, joined(grid))
    assert meets((x, y), np.concatenate(grid))
    assert np.hypot(x - 120, y - 115) < 90


def test_outlines_leave_no_gap_that_a_letter_fits_in() -> None:
    points = outline([(0, 0), (100, 0), (100, 50)], closed=True)
    assert np.hypot(*np.diff(points, axis=0).T).max() <= 3.0
    assert np.allclose(points[0], points[-1])


def test_a_letter_does_not_stand_in_the_area_of_another() -> None:
    other = (130.0, 90.0, 60.0, 50.0)
    at = free_place((110, 100, 25, 25), SIZE, BOUNDS, 5, 20, joined([], areas=[other]))
    assert at[0] + SIZE[0] <= 130 or at[0] >= 190


def test_a_letter_may_stand_in_the_area_that_holds_what_it_names() -> None:
    whole = (0.0, 0.0, 400.0, 300.0)
    assert free_place((110, 100, 25, 25), SIZE, BOUNDS, 5, 20, joined([], areas=[whole])) == (140, 100)

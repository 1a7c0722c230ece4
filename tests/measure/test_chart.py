"""Chart layouts, and the real 1951 chart photographed through a microscope."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from viewer.errors import UsageError
from viewer.measure.bars import Target, TargetLight, read_target
from viewer.measure.bars_place import find_places, noise_of, polarity_of
from viewer.measure.chart import find_layout, learn_layout, nearest_element, place_layout
from viewer.measure.regions import Rect
from viewer.measure.units import chart_cycles_per_mrad, chart_tube_lpmm, usaf_bar_width_mm, usaf_lpmm

# Boxes around the bars, marked by hand on the photograph: group, element, way.
BOXES = {
    (4, 1, "v"): (202, 184, 46, 44), (4, 1, "h"): (262, 184, 45, 44), (4, 3, "v"): (114, 47, 37, 36),
    (4, 3, "h"): (66, 46, 37, 36), (4, 4, "v"): (109, 105, 33, 32), (4, 4, "h"): (65, 105, 34, 32),
    (4, 5, "v"): (104, 157, 30, 28), (4, 5, "h"): (65, 156, 31, 29), (4, 6, "v"): (99, 203, 27, 25),
    (4, 6, "h"): (65, 203, 28, 25), (5, 2, "v"): (260, 20, 21, 20), (5, 2, "h"): (287, 20, 20, 20),
    (5, 3, "v"): (265, 52, 19, 19), (5, 3, "h"): (289, 52, 18, 19), (5, 4, "v"): (269, 81, 18, 17),
    (5, 4, "h"): (291, 81, 16, 17), (5, 5, "h"): (293, 107, 14, 15), (5, 6, "h"): (294, 130, 13, 13),
}  # fmt: skip


@pytest.fixture(scope="module")
def photograph(corpus: Path) -> np.ndarray:
    path = corpus / "still-usaf1951-microscope.npy"
    if not path.exists():
        pytest.skip(f"{path.name} is not in the collection")
    return np.load(path, allow_pickle=False).astype(float)


def light_of(picture: np.ndarray, target: Target) -> TargetLight:
    image = picture if target.way == "v" else picture.T
    box = target.rect if target.way == "v" else Rect(target.rect.y, target.rect.x, target.rect.h, target.rect.w)
    margin = max(2, round(0.9 * box.w / 5) + 1)
    low, high, cut = max(0, box.x - margin), min(image.shape[1], box.x + box.w + margin), round(box.h / 5)
    part = image[box.y + cut : box.y + box.h - cut, low:high]
    return TargetLight(target, part.mean(axis=0)[None], part, float(box.x - low), float(box.w))


def marked() -> list[Target]:
    return [Target(f"{usaf_lpmm(g, e):.4f}", Rect(*box), way) for (g, e, way), box in BOXES.items()]


def test_the_table_of_the_standard(check_values: list[dict[str, Any]]) -> None:
    formulas = {
        "usaf1951_lpmm": lambda i: usaf_lpmm(i["group"], i["element"]),
        "usaf1951_bar_width_mm": lambda i: usaf_bar_width_mm(i["group"], i["element"]),
        "chart_cy_per_mrad": lambda i: chart_cycles_per_mrad(usaf_lpmm(i["group"], i["element"]), i["distance_m"]),
        "chart_tube_lpmm": lambda i: chart_tube_lpmm(usaf_lpmm(i["group"], i["element"]), i["distance_m"], i["f_mm"]),
    }
    done = 0
    for entry in check_values:
        if entry["quantity"] in formulas:
            assert formulas[entry["quantity"]](entry["inputs"]) == pytest.approx(entry["expected"], abs=entry["tolerance"]), (
                entry["id"]
            )
            done += 1
        if entry["quantity"] == "usaf1951_lpmm":
            assert nearest_element(entry["expected"]) == (entry["inputs"]["group"], entry["inputs"]["element"])
    assert done >= 16


@pytest.mark.corpus
def test_real_bars_have_the_widths_of_the_standard(photograph: np.ndarray) -> None:
    """Bars are found of width c / R with one c for two groups: the sixth root of two from element to element."""
    lights = [light_of(photograph, target) for target in marked()]
    places = find_places(lights)
    scale = np.array([place.width * light.target.lpmm for place, light in zip(places, lights)])
    assert np.abs(scale / np.median(scale) - 1).max() < 0.04
    assert np.std(scale / np.median(scale)) < 0.02
    assert polarity_of(lights, places) == -1.0


@pytest.mark.corpus
def test_real_modulation_falls_with_frequency(photograph: np.ndarray) -> None:
    lights = [light_of(photograph, target) for target in marked()]
    places = find_places(lights)
    noise = noise_of(lights, places)
    results = [read_target(light, place, -1.0, noise=noise) for light, place in zip(lights, places)]
    assert all(result.resolved for result in results)
    for way in "vh":
        for group in (4, 5):
            course = [r.modulation for key, r in zip(BOXES, results) if key[0] == group and key[2] == way and key[1] > 1]
            assert all(a > b for a, b in pairwise(course)), (way, group)


@pytest.mark.corpus
def test_groups_repeat_at_a_quarter(photograph: np.ndarray) -> None:
    """The layout learnt on groups 4 and 5 places group 6 by its own square, as the chart is drawn."""
    # Squares at half level; the small one's edges are blurred wider by a fifth of its side.
    large, small = Rect(186, -18, 40, 39), Rect(210, 72, 12, 11)
    layout = learn_layout(large, marked(), usaf_lpmm(4, 2))
    found = find_layout(photograph, layout, small, usaf_lpmm(6, 2))
    # Read off the photograph: group 6 element 1, bars from x = 214.5 to 227.5, y = 123 to 134; element 3, y = 90 to 97.5.
    first = next(t for t in found if t.of == "64/v")
    third = next(t for t in found if t.of == "80.63/v")
    assert first.rect.centre == pytest.approx((221.0, 128.5), abs=1.5)
    assert third.rect.centre == pytest.approx((197.7, 93.5), abs=1.5)
    light = light_of(photograph, first)
    place = find_places([light])[0]
    assert read_target(light, place, -1.0).resolved


def test_layouts_scale_and_shift() -> None:
    targets = [Target("2", Rect(100, 40, 30, 30), "v"), Target("4", Rect(100, 90, 16, 16), "h")]
    layout = learn_layout(Rect(50, 40, 20, 20), targets, 2.0)
    again = place_layout(layout, Rect(50, 40, 20, 20), 2.0)
    assert again == targets
    moved = place_layout(layout, Rect(10, 10, 10, 10), 8.0)
    assert moved[0].rect == Rect(35, 10, 15, 15) and moved[0].of == "8/v"
    assert len(place_layout(layout, Rect(10, 10, 10, 10), 8.0, least_bar_px=2.0)) == 1
    assert len(place_layout(layout, Rect(50, 40, 20, 20), 2.0, inside=(120, 200))) == 1
    with pytest.raises(UsageError):
        learn_layout(Rect(0, 0, 5, 5), [], 1.0)

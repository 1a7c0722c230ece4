"""Visibility of a figure on arrays: closed forms, Rose, Johnson, refusals."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from viewer.errors import RegionError
from viewer.measure import figure
from viewer.measure.contrast import contrast_to_noise
from viewer.measure.figure import Mark, View, follow, look, place_at, summarise, window_of
from viewer.measure.noise import Evidence
from viewer.measure.readings import Flag
from viewer.measure.regions import Rect

FORMULAS = {
    "rose_k": lambda i: figure.rose_k(i["contrast"], i["photons_per_area"] * i["area"]),
    "rose_min_contrast": lambda i: figure.rose_least_contrast(i["photons"], i["k"]),
    "johnson_range_km": lambda i: figure.johnson_range_km(i["task"], i["critical_dimension_m"], i["cy_per_mrad"]),
    "ttpf": lambda i: figure.task_probability(i["N_over_N50"], 1.0),
}


def test_published_and_derived_values(check_values: list[dict[str, Any]]) -> None:
    done = 0
    for entry in check_values:
        if entry["section"] == "C" and entry["quantity"] in FORMULAS:
            found = FORMULAS[entry["quantity"]](entry["inputs"])
            assert found == pytest.approx(entry["expected"], abs=entry["tolerance"]), entry["id"]
            done += 1
    assert done == 9


def views(count: int = 30, *, light: float = 0.03, ground: float = 0.02, noise: float = 0.01, seed: int = 1) -> list[View]:
    rng = np.random.default_rng(seed)
    _, parts = window_of(Rect(30, 30, 12, 30), 12, 2, 100, 100)
    clean = np.where(parts == 1, light, ground)
    return [look(clean + noise * rng.standard_normal(parts.shape), parts) for _ in range(count)]


def summary(found: list[View], **options: Any) -> dict[str, Any]:
    result = summarise(found, of="figure-1", noise_sigma=0.01, noise_relative_error=0.01, area_px=1.0, **options)
    return {r.name: r for r in result.readings}


def test_contrast_is_signed() -> None:
    assert summary(views())["contrast"].value == pytest.approx(0.5, abs=0.03)
    assert summary(views(light=0.01))["contrast"].value == pytest.approx(-0.5, abs=0.03)


def test_cnr_is_that_of_the_patches() -> None:
    assert summary(views())["cnr"].value == pytest.approx(contrast_to_noise(0.03, 0.02, 0.01, 0.01), rel=0.05)


def test_detectability_of_independent_pixels(check_values: list[dict[str, Any]]) -> None:
    """CNR times the root of the pixels, for a ground so large that its mean is known (C-CNR-2)."""
    entry = next(e for e in check_values if e["id"] == "C-CNR-2")
    view = View(0.02 + 0.005, 0.02, 0.01, 0.01, entry["inputs"]["n_pixels"], 10**9)
    assert figure.detectability_of(view, 0.01, 1.0) == pytest.approx(entry["expected"], rel=1e-3)
    assert figure.detectability_of(view, 0.01, 4.0) == pytest.approx(entry["expected"] / 2, rel=1e-3)


def test_nothing_to_see_is_not_seen() -> None:
    found = summary(views(light=0.02))
    assert found["contrast"].low < 0.0 < found["contrast"].high
    assert found["detectability"].value < 1.0


def test_black_level_is_taken_off() -> None:
    found = summary(views(light=0.04, ground=0.03, noise=0.001), black=0.01)
    assert found["contrast"].value == pytest.approx(0.5, abs=0.01)


@pytest.mark.parametrize("name", ["contrast", "cnr", "detectability"])
def test_intervals_cover_the_truth(name: str) -> None:
    """95 % of 300 trials, within three standard errors of that count; true values in closed form."""
    _, parts = window_of(Rect(30, 30, 12, 30), 12, 2, 100, 100)
    n_f, n_g = np.count_nonzero(parts == 1), np.count_nonzero(parts == 2)
    truth = {"contrast": 0.5, "cnr": 1.0, "detectability": 1.0 / math.sqrt(1 / n_f + 1 / n_g)}[name]
    hits = sum(r.low <= truth <= r.high for r in (summary(views(count=12, seed=s))[name] for s in range(300)))
    assert 0.915 <= hits / 300 <= 0.99


def test_what_the_encoder_did_is_in_the_intervals() -> None:
    plain = summary(views())
    moved = summary(views(), code_errors=(0.0005, 0.0005))
    assert moved["contrast"].half_width > 1.5 * plain["contrast"].half_width
    assert moved["cnr"].half_width > plain["cnr"].half_width
    spread = summary(views(), noise_range=(0.008, 0.012))["detectability"]
    assert spread.low < plain["detectability"].value / 1.2 and spread.high > plain["detectability"].value / 0.8
    little = Evidence(kept=0.4, identical=0.0, pulsing=0.0, rhythm=None, lag=0.0, codes=4.0)
    bound = summary(views(), evidence=little, noise_range=(0.004, 0.02))["detectability"]
    assert bound.state == "limit" and bound.low is None and "at most this" in bound.reason


def test_what_an_encoder_smears_over_the_rim_is_in_the_interval() -> None:
    """By closed form: 0.8 px of the rim's share of what was not kept, against none for a file that kept all."""
    own = Evidence(kept=0.6, identical=0.0, pulsing=0.0, rhythm=None, lag=0.0, codes=9.0, repeats=0.0)
    whole = replace(own, kept=1.0)
    halves = [
        summary(views(), evidence=evidence, rim=2 * (12 + 30) / (12 * 30))["contrast"].half_width for evidence in (own, whole)
    ]
    contrast = float(summary(views())["contrast"].value)
    assert math.sqrt(halves[0] ** 2 - halves[1] ** 2) == pytest.approx(1.96 * 0.8 * 84 / 360 * 0.4 * contrast, rel=1e-6)


def test_window_and_ground() -> None:
    window, parts = window_of(Rect(10, 12, 8, 20), 6, 2, 200, 200)
    assert window == Rect(2, 4, 24, 36)
    assert np.count_nonzero(parts == 1) == 160
    assert np.count_nonzero(parts == 0) == 12 * 24 - 160
    window, parts = window_of(Rect(0, 0, 8, 20), 6, 2, 200, 200)
    assert window == Rect(0, 0, 16, 28) and np.count_nonzero(parts == 1) == 160
    with pytest.raises(RegionError):
        window_of(Rect(0, 0, 200, 200), 6, 2, 200, 200)
    with pytest.raises(RegionError):
        window_of(Rect(190, 0, 20, 20), 6, 2, 200, 200)


def test_place_between_marks() -> None:
    marks = [Mark(10, 20, 8, 20, 1.0), Mark(30, 24, 12, 30, 3.0)]
    middle = place_at(marks, 2.0)
    assert (middle.x, middle.y, middle.w, middle.h) == (20.0, 22.0, 10, 25)
    # beyond the marks it walks on: 10 px a second, of unchanged size
    before, after = place_at(marks, 0.8), place_at(marks, 3.2)
    assert (before.x, before.y, before.w) == (pytest.approx(8.0), pytest.approx(19.6), 8)
    assert (after.x, after.h) == (pytest.approx(32.0), 30)
    assert place_at([Mark(5, 6, 7, 8)], 4.0).rect == Rect(5, 6, 7, 8)


def test_following_a_template() -> None:
    rng = np.random.default_rng(2)
    picture = 0.02 + 0.001 * rng.standard_normal((80, 120))
    picture[30:50, 61:69] += 0.02
    template = picture[26:54, 57:73].copy()
    x, y, score = follow(template, np.roll(picture, (2, -3), (0, 1)), (57, 26), 6)
    assert (x, y) == (54.0, 28.0) and score > 0.9
    assert follow(template, picture[:10, :10], (0, 0), 3)[2] == -1.0


def test_refusals() -> None:
    clipped = [View(0.5, 0.2, 0.01, 0.01, 100, 400, 0.3)] * 9
    black = [View(0.01, 0.0, 0.001, 0.001, 100, 400)] * 9
    gone = [View(math.nan, 0.1, 0.001, 0.001, 100, 400)] * 9
    for found, words in ((clipped, "clipped"), (black, "no light"), (gone, "leaves the picture")):
        readings = summary(found)
        assert all(r.state == "refused" and words in r.reason and "film" in r.reason.lower() for r in readings.values())
    assert Flag.CLIPPED in summary(clipped)["contrast"].flags
    starved = summary(views(), noise_reason="The encoder froze them. Film at a higher data rate.")
    assert starved["contrast"].state == "measured" and starved["detectability"].state == "refused"

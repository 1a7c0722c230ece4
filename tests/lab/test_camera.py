"""Curves, colours and shutter of the camera."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from typing import Any

import numpy as np
import pytest

from viewer.lab.camera import Camera, encode, rgb_matrix, tint_of, uv_prime
from viewer.lab.waves import Pulse

CAMERA = Camera(rate=Fraction(60000, 1001), exposure_s=1 / 1000, readout_s=1080 * 14.8e-6)


@pytest.mark.parametrize(("quantity", "curve", "key"), [("hlg_oetf", "hlg", "E"), ("bt709_oetf", "bt709", "L")])
def test_curves_meet_check_values(check_values: list[dict[str, Any]], quantity: str, curve: str, key: str) -> None:
    # ITU-R BT.2100-2 table 5, BT.709-6 item 1.2
    cases = [c for c in check_values if c["quantity"] == quantity]
    assert cases
    for case in cases:
        got = float(encode(curve, np.array([case["inputs"][key]], np.float64))[0])
        assert got == pytest.approx(case["expected"], abs=max(case["tolerance"], 1e-6)), case["id"]


def test_bands_have_the_spacing_of_the_check_values(check_values: list[dict[str, Any]]) -> None:
    # check_values D-BAND: P = 1 / (f t_line) rows
    for case in (c for c in check_values if c["quantity"] == "band_period_rows"):
        f, line = case["inputs"]["f"], case["inputs"]["t_line"]
        camera = replace(CAMERA, readout_s=1080 * line)
        rows = Pulse(rate_hz=f, duty=0.5, decay_s=0.01).exposed(camera.row_starts(0, 1080), 1e-4)
        up = np.flatnonzero((rows[1:] >= 1) & (rows[:-1] < 1))
        crossings = up + (1 - rows[up]) / (rows[up + 1] - rows[up])
        period = np.diff(crossings).mean() if len(crossings) > 1 else 2 * abs(_first_down(rows) - crossings[0])
        assert period == pytest.approx(case["expected"], rel=0.01), case["id"]


def _first_down(rows: np.ndarray) -> float:
    down = np.flatnonzero((rows[1:] < 1) & (rows[:-1] >= 1))
    return float(down[0] + (1 - rows[down[0]]) / (rows[down[0] + 1] - rows[down[0]]))


def test_bands_drift_as_the_check_values_say(check_values: list[dict[str, Any]]) -> None:
    # check_values D-DRIFT: -P wrap(f / fs) rows a frame, positive downwards
    for case in (c for c in check_values if c["quantity"] == "band_drift_rows_per_frame"):
        f, fs, line = (case["inputs"][key] for key in ("f", "fs", "t_line"))
        camera = replace(CAMERA, rate=Fraction(fs).limit_denominator(1001), readout_s=1080 * line)
        turns = [f * camera.row_starts(n, 1080)[0] for n in (0, 1)]
        wrapped = (turns[1] - turns[0] + 0.5) % 1 - 0.5
        assert -wrapped / (f * line) == pytest.approx(case["expected"], abs=0.01), case["id"]


def test_upward_readout_starts_at_the_bottom() -> None:
    down = CAMERA.row_starts(3, 100)
    up = replace(CAMERA, direction="up").row_starts(3, 100)
    assert np.array_equal(up, down[::-1])
    assert down[0] == pytest.approx(3 * 1001 / 60000)


def test_camera_noise_is_shot_and_read_noise() -> None:
    camera = replace(CAMERA, lens_sigma_px=0.0, full_well=10_000, read_noise=2e-3, black=0.01)
    seen = camera.expose(np.full((400, 400), 0.25, np.float32), np.random.default_rng(1))
    assert seen.mean() == pytest.approx(0.26, abs=1e-4)
    assert seen.var() == pytest.approx(0.25 / 10_000 + 4e-6, rel=0.03)


def test_rgb_matrix_gives_the_luma_weights() -> None:
    # ITU-R BT.709-6 and BT.2020-2 print the weights that the primaries imply, rounded to four digits
    assert rgb_matrix("bt709")[1] == pytest.approx([0.2126, 0.7152, 0.0722], abs=1e-4)
    assert rgb_matrix("bt2020")[1] == pytest.approx([0.2627, 0.6780, 0.0593], abs=1e-4)


def test_colours_of_the_primaries() -> None:
    # reference H.1 (colour-science): red (0.450704, 0.522887), green (0.125, 0.5625), white (0.197840, 0.468336)
    assert uv_prime(np.array([1.0, 0, 0]), "bt709") == pytest.approx((0.450704, 0.522887), abs=1e-5)
    assert uv_prime(np.array([0, 1.0, 0]), "bt709") == pytest.approx((0.125, 0.5625), abs=1e-5)
    # that white comes from the four-digit sRGB matrix
    assert uv_prime(np.ones(3), "bt709") == pytest.approx((0.197840, 0.468336), abs=2e-5)


@pytest.mark.parametrize("primaries", ["bt709", "bt2020"])
def test_tint_keeps_luminance_and_chromaticity(primaries: str) -> None:
    x, y = 0.33, 0.555
    rgb = tint_of((x, y), primaries)
    assert rgb_matrix(primaries)[1] @ rgb == pytest.approx(1.0)
    # CIE 1976: u' = 4x / (-2x + 12y + 3), v' = 9y / (-2x + 12y + 3)
    scale = -2 * x + 12 * y + 3
    assert uv_prime(rgb, primaries) == pytest.approx((4 * x / scale, 9 * y / scale), abs=2e-4)

"""Tint against published matrices and white points."""

from __future__ import annotations

import numpy as np
import pytest

from viewer.measure import tint
from viewer.measure.readings import Flag


def test_white_is_d65() -> None:
    """u' = 0.1978, v' = 0.4683 for D65 (CIE 15)."""
    for primaries in tint.PRIMARIES:
        assert tint.chromaticity(np.ones(3), primaries) == pytest.approx((0.1978, 0.4683), abs=2e-4)


def test_matrix_of_bt709() -> None:
    """IEC 61966-2-1, from linear sRGB to XYZ."""
    expected = [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    assert tint.xyz_matrix("bt709") == pytest.approx(np.array(expected), abs=2e-4)
    assert tint.xyz_matrix("bt2020")[1] == pytest.approx([0.2627, 0.6780, 0.0593], abs=1e-4)


def test_a_primary_has_its_own_place() -> None:
    """u' = 4x / (-2x + 12y + 3), v' = 9y / (-2x + 12y + 3)."""
    x, y = tint.PRIMARIES["bt2020"][1]
    below = -2 * x + 12 * y + 3
    assert tint.chromaticity(np.array([0.0, 1.0, 0.0]), "bt2020") == pytest.approx((4 * x / below, 9 * y / below))


def test_shares_add_to_one() -> None:
    shares = tint.luminance_shares(np.array([0.2, 0.9, 0.3]), "bt709")
    assert sum(shares) == pytest.approx(1.0) and shares[1] == max(shares)


def frames_of(rgb: tuple[float, float, float], noise: float = 0.001) -> np.ndarray:
    return np.array(rgb) + noise * np.random.default_rng(1).standard_normal((20, 3))


def test_brightness_does_not_matter() -> None:
    one = tint.measure(frames_of((0.1, 0.4, 0.15), 0), primaries="bt709", clipped=0, black=0)
    half = tint.measure(frames_of((0.05, 0.2, 0.075), 0), primaries="bt709", clipped=0, black=0)
    assert [r.value for r in one.readings] == pytest.approx([r.value for r in half.readings])


def test_interval_covers() -> None:
    rng = np.random.default_rng(2)
    rgb = np.array([0.1, 0.4, 0.15])
    truth = tint.chromaticity(rgb, "bt709")
    hits = 0
    for _ in range(150):
        found = tint.measure(rgb + 0.004 * rng.standard_normal((15, 3)), primaries="bt709", clipped=0, black=0).readings
        hits += found[0].low <= truth[0] <= found[0].high
    assert 0.89 <= hits / 150 <= 1.0


def test_refusals() -> None:
    lit = frames_of((0.1, 0.4, 0.15))
    for means, options, words in (
        (lit, {"clipped": 0.2, "black": 0.0}, "clipped"),
        (lit, {"clipped": 0.0, "black": 0.9}, "black of the recording"),
        (np.zeros((5, 3)), {"clipped": 0.0, "black": 0.0}, "black of the recording"),
        (frames_of((-0.4, 0.5, -0.4)), {"clipped": 0.0, "black": 0.0}, "no possible colour"),
    ):
        found = tint.measure(means, primaries="bt709", **options)
        assert found.shares is None
        assert all(r.state == "refused" and words in r.reason and "film" in r.reason.lower() for r in found.readings)
    assert Flag.CLIPPED in tint.measure(lit, primaries="bt709", clipped=0.004, black=0).readings[0].flags

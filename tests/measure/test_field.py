"""Scale, vignetting and distortion of the field."""

from __future__ import annotations

import numpy as np
import pytest

from viewer.errors import UsageError
from viewer.measure.field import angle_of_size, distortion, scale_of_points, vignetting


def test_scale_of_two_points() -> None:
    scale = scale_of_points((100.0, 50.0), (400.0, 450.0), 20.0)
    assert scale.px_per_degree == pytest.approx(25.0)
    assert scale.sigma == pytest.approx(25.0 * 0.5 * 2**0.5 / 500.0)
    wide = scale_of_points((100.0, 50.0), (400.0, 450.0), 20.0, angle_sigma_deg=0.2)
    assert wide.sigma == pytest.approx(25.0 * 0.01, rel=0.05)
    for points, angle in ((((1, 1), (1, 1)), 5.0), (((1, 1), (90, 1)), 0.0)):
        with pytest.raises(UsageError):
            scale_of_points(*points, angle)


def test_angle_of_a_chart() -> None:
    """A metre at a metre: 2 atan(1/2) = 53.13 degrees."""
    assert angle_of_size(1.0, 1.0) == pytest.approx(53.1301, abs=1e-4)


def make_field(*, fall: float, tilt: float = 0.0, noise: float = 0.0) -> np.ndarray:
    y, x = np.mgrid[:200, :240]
    u, v = (x - 121.0) / 90.0, (y - 98.0) / 90.0
    r2 = u * u + v * v
    light = 0.3 * (1 - fall * r2 + tilt * u)
    light += noise * np.random.default_rng(1).standard_normal(light.shape)
    return np.where(r2 < 1, light, 0.0)


def test_vignetting_of_a_parabola() -> None:
    found = vignetting(make_field(fall=0.3, noise=0.01), 121.0, 98.0, 90.0)
    assert found.edge == pytest.approx(1 - 0.3 * 0.81, abs=0.005)
    assert found.tilt < 0.01
    assert np.nanmax(np.abs(found.relative - (1 - 0.3 * found.radius**2))) < 0.02
    assert found.map[98, 121] == pytest.approx(1.0, abs=0.005) and np.isnan(found.map[0, 0])


def test_tilt_is_told_apart() -> None:
    found = vignetting(make_field(fall=0.2, tilt=0.05, noise=0.005), 121.0, 98.0, 90.0)
    assert found.tilt == pytest.approx(2 * 0.9 * 0.05, rel=0.05)
    assert found.edge == pytest.approx(1 - 0.2 * 0.81, abs=0.005)


def test_vignetting_needs_light() -> None:
    with pytest.raises(UsageError):
        vignetting(np.zeros((100, 100)), 50, 50, 40)
    with pytest.raises(UsageError):
        vignetting(np.ones((100, 100)), 50, 50, 5)


def test_distortion_of_known_points() -> None:
    angle = np.array([2.0, 6.0, 10.0, 14.0, 18.0])
    radius = 20.0 * angle
    for _ in range(50):
        radius = 20.0 * angle * (1 + 0.05 * (radius / 400.0) ** 2)
    found = distortion(radius, angle, 400.0)
    assert found.percent == pytest.approx(5.0, abs=0.01) and found.matters
    assert not distortion(20.0 * angle + np.array([0.2, -0.1, 0.1, 0.0, -0.2]), angle, 400.0).matters
    with pytest.raises(UsageError):
        distortion([1, 2], [1, 2], 400.0)

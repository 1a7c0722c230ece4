"""The field circle against discs of known centre and radius."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from viewer.align.circle import fit_field_circle

_spec = importlib.util.spec_from_file_location("align_pictures", Path(__file__).with_name("pictures.py"))
assert _spec and _spec.loader
pictures = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(pictures)

SHAPE = (360, 640)


def eyepiece(seed: int, *, cx: float, cy: float, radius: float, blur: float = 1.5, vignette: float = 0.3, level: float = 0.1):
    """A rough scene through a field stop: blurred edge, vignetting, glare outside, shot and read noise."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]].astype(np.float32)
    fall = 1.0 - vignette * np.clip(np.hypot(x - cx, y - cy) / radius, 0, 1) ** 2
    light = level * pictures.rough(SHAPE, rng, strength=0.7) * fall * pictures.disc(SHAPE, cx, cy, radius, blur) + 0.02 * level
    return (light + rng.normal(size=SHAPE) * 0.05 * np.sqrt(level * light)).astype(np.float32)


@pytest.mark.parametrize(
    ("cx", "cy", "radius", "blur"),
    [(322.37, 176.81, 150.43, 1.2), (301.2, 183.7, 160.9, 2.5), (330.0, 180.0, 90.25, 1.5)],
)
def test_flat_disc_is_exact(cx: float, cy: float, radius: float, blur: float) -> None:
    # A disc of even light: closed form; the half-level point lies blur**2 / (2 radius) inside (see Notes there).
    circle = fit_field_circle(pictures.disc(SHAPE, cx, cy, radius, blur) + 0.01)
    assert circle is not None
    assert np.hypot(circle.cx - cx, circle.cy - cy) < 0.02
    assert circle.radius == pytest.approx(radius - blur**2 / (2 * radius), abs=0.03)
    assert circle.arc_deg > 320


def test_rough_scene_mean_error_under_a_tenth() -> None:
    errors = []
    for seed in range(5):
        rng = np.random.default_rng(100 + seed)
        cx, cy, radius = 320 + rng.uniform(-12, 12), 180 + rng.uniform(-5, 5), rng.uniform(140, 165)
        circle = fit_field_circle(eyepiece(seed, cx=cx, cy=cy, radius=radius))
        assert circle is not None
        errors.append((np.hypot(circle.cx - cx, circle.cy - cy), abs(circle.radius - radius)))
    assert np.max(errors) < 0.25
    assert np.mean(errors) < 0.1


def test_partly_outside_the_frame() -> None:
    circle = fit_field_circle(eyepiece(3, cx=400.0, cy=70.0, radius=200.0))
    assert circle is not None
    assert np.hypot(circle.cx - 400.0, circle.cy - 70.0) < 0.3
    assert circle.radius == pytest.approx(200.0, abs=0.25)
    assert circle.arc_deg < 260


def test_dim_and_vignetted() -> None:
    circle = fit_field_circle(eyepiece(4, cx=318.0, cy=182.0, radius=155.0, vignette=0.7, level=1e-4))
    assert circle is not None
    assert np.hypot(circle.cx - 318.0, circle.cy - 182.0) < 0.3
    assert circle.radius == pytest.approx(155.0, abs=0.25)


@pytest.mark.parametrize("kind", ["noise", "scene", "flat", "ramp", "square"])
def test_no_circle_is_none(kind: str) -> None:
    rng = np.random.default_rng(5)
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]].astype(np.float32)
    picture = {
        "noise": np.abs(rng.normal(size=SHAPE)),
        "scene": pictures.rough(SHAPE, rng, strength=2.0),
        "flat": np.ones(SHAPE),
        "ramp": x + 0.3 * y + rng.normal(size=SHAPE),
        "square": ((abs(x - 320) < 120) & (abs(y - 180) < 120)) + 0.01 * rng.normal(size=SHAPE),
    }[kind]
    assert fit_field_circle(picture.astype(np.float32)) is None


def test_values_that_are_not_finite_do_no_harm() -> None:
    light = eyepiece(6, cx=320.0, cy=180.0, radius=150.0)
    light[100:104, 200:204] = np.nan
    circle = fit_field_circle(light)
    assert circle is not None and circle.radius == pytest.approx(150.0, abs=0.3)


def test_against_photograph_through_an_eyepiece(corpus: Path) -> None:
    # A dark room through a round field (public photograph, 2352 x 1568): the circle found must part bright from dark.
    from viewer.cv import cv2

    code = cv2.imdecode(np.fromfile(corpus / "still-dark-circular-field-2352x1568.jpg", np.uint8), cv2.IMREAD_GRAYSCALE)
    light = (code.astype(np.float32) / 255) ** 2.2
    circle = fit_field_circle(light)
    assert circle is not None
    y, x = np.mgrid[0 : light.shape[0], 0 : light.shape[1]]
    distance = np.hypot(x - circle.cx, y - circle.cy) - circle.radius
    inside = light[(distance < -15) & (distance > -45)]
    outside = light[(distance > 15) & (distance < 45)]
    assert np.median(inside) > 1.5 * np.median(outside)


@pytest.mark.parametrize("seed", range(6))
def test_a_scene_without_a_stop_has_no_circle(seed: int) -> None:
    light = pictures.rough((270, 480), np.random.default_rng(seed), strength=0.8)
    # A round lamp in it is not a field: light and dark go on around it.
    light += 2.0 * pictures.disc(light.shape, 150.0 + 30 * seed, 130.0, 45.0, 1.5)
    assert fit_field_circle(light) is None

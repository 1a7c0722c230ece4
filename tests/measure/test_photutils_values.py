"""Profiles, encircled light and centres beside those of photutils, stored in tests/data (made by make_photutils_values.py)."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from viewer.measure.bloom import measure_bloom
from viewer.measure.bloom_profile import radial_profile
from viewer.measure.bloom_tenth import encircled_radii
from viewer.measure.lights import find_lights

VALUES = json.loads((Path(__file__).parent.parent / "data" / "photutils_values.json").read_text(encoding="utf-8"))


def drawn() -> np.ndarray:
    """The light that was drawn for photutils: Moffat, core and ground, in closed form."""
    y, x = np.mgrid[:80, :84]
    r2 = (x - 40.3) ** 2 + (y - 36.7) ** 2
    return np.asarray(0.02 + 0.5 * (1 + r2 / 16.0) ** -2.5 + 0.3 * np.exp(-r2 / (2 * 1.6**2)))


def read_fits(path: Path) -> np.ndarray:
    """One 16-bit picture (FITS standard 4.0: cards of 80 bytes, blocks of 2880, value = BZERO + BSCALE x stored)."""
    raw = path.read_bytes()
    cards: dict[str, str] = {}
    at = 0
    while not raw[at : at + 80].startswith(b"END "):
        cards[raw[at : at + 8].decode("ascii").strip()] = raw[at + 10 : at + 30].decode("ascii", "replace").strip()
        at += 80
    start = -(-(at + 80) // 2880) * 2880
    shape = int(cards["NAXIS2"]), int(cards["NAXIS1"])
    stored = np.frombuffer(raw, ">i2", shape[0] * shape[1], start).reshape(shape)
    return np.asarray(float(cards["BZERO"]) + float(cards["BSCALE"]) * stored)


@pytest.fixture
def sky(corpus: Path) -> np.ndarray:
    path = corpus / "still-starfield-eso-emmi-256.fits"
    if not path.exists():
        pytest.skip("the star field is not in the collection")
    return read_fits(path)


def growth_of(values: dict[str, Any], ground: float) -> np.ndarray:
    """photutils' curve of growth above a ground."""
    return np.array(values["growth"]) - ground * np.array(values["area_px2"])


def close_to(values: dict[str, Any], image: np.ndarray, ground: float) -> None:
    """The profile is photutils' within 1 % of the light's height from 5 px on, within 0.2 % from 6 px on.

    photutils splits pixels at a ring's borders, here whole pixels count: alike where light bends little within a ring.
    """
    profile = radial_profile(image, tuple(values["centre"]), 14.0)
    radius, height = np.array(values["radius_px"]), values["profile"][0] - ground
    off = np.abs(np.interp(radius, profile.radius_px, profile.light) - values["profile"]) / height
    assert off[radius >= 5].max() < 0.01
    assert off[radius >= 6].max() < 0.002


def test_profile_of_a_drawn_light() -> None:
    close_to(VALUES["drawn"], drawn(), 0.02)


def test_encircled_light_of_a_drawn_light() -> None:
    """Radii that hold 50 and 80 % of the light, against photutils' exact apertures, both of the light within 12.5 px."""
    values = VALUES["drawn"]
    image = drawn() + 0.002 * np.random.default_rng(4).standard_normal(drawn().shape)
    around = measure_bloom(image, [(40, 37)])[0].around
    assert around is not None and around.level == pytest.approx(0.02, rel=0.005)
    growth, outer = growth_of(values, 0.02), np.array(values["growth_radius_px"])
    ours = encircled_radii(replace(around, reach_px=float(outer[-1])))
    for share, name in ((0.5, "r50_px"), (0.8, "r80_px")):
        assert ours[name] == pytest.approx(float(np.interp(share * growth[-1], growth, outer)), rel=0.02)


def test_centres_of_a_drawn_light_and_of_stars(sky: np.ndarray) -> None:
    place = tuple(VALUES["drawn"]["centre"])
    assert measure_bloom(drawn(), [(40, 37)])[0].centre == pytest.approx(place, abs=0.002)
    others, _ = find_lights(sky, most=60)
    assert float(np.median(sky)) == pytest.approx(VALUES["starfield"]["median"], rel=1e-6)
    for star in VALUES["starfield"]["lights"][:3]:
        x, y = star["centre"]
        bloom = measure_bloom(sky, [(round(x), round(y))], others=others)[0]
        # undersampled stars: the Gaussian that photutils fits and ours weigh the wings differently
        assert bloom.centre == pytest.approx((x, y), abs=0.1)


def test_profiles_of_stars(sky: np.ndarray) -> None:
    for star in VALUES["starfield"]["lights"][:2]:  # the third has a neighbour, which ours leaves out
        close_to(star, sky, VALUES["starfield"]["median"])


def test_stars_are_found_where_photutils_finds_them(sky: np.ndarray) -> None:
    found, total = find_lights(sky, most=200)
    assert total >= 5
    for star in VALUES["starfield"]["lights"][:3]:
        assert min(np.hypot(p.x - star["centre"][0], p.y - star["centre"][1]) for p in found) < 0.5

"""Point lights found at any size, edges and halos not taken for lights; star fields against photutils."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from viewer.measure.lights import find_lights, refine_centre

SPEC = importlib.util.spec_from_file_location("light_scenes", Path(__file__).with_name("light_scenes.py"))
assert SPEC and SPEC.loader
scenes = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(scenes)

SHAPE = (240, 320)


def scene(
    lamps: list[tuple[tuple[float, float], list[tuple[float, object]]]], *, noise: float = 0.003, seed: int = 1
) -> np.ndarray:
    light = np.full(SHAPE, 0.02)
    for centre, parts in lamps:
        light = light + scenes.lamp(*SHAPE, centre, parts)
    return np.minimum(light, 1.0) + noise * np.random.default_rng(seed).standard_normal(SHAPE)


def halo(radius: float, core: float = 5.0) -> list[tuple[float, object]]:
    return [(core, scenes.gauss(2)), (0.08, scenes.disc(radius, 2))]


@pytest.mark.parametrize(
    "lamps",
    [
        [((160.3, 120.2), halo(60))],
        [((140, 120), halo(30)), ((176, 120), halo(30, 2))],
        [((80, 100), [(0.5, scenes.gauss(20))]), ((240, 150), [(1.8, scenes.gauss(12))])],
        [((100.4, 80.1), [(0.3, scenes.gauss(1.2))]), ((200, 160), [(0.05, scenes.gauss(3))])],
        [((160, 120), [(0.3, scenes.disc(30, 2))])],
    ],
)
def test_each_light_once_and_no_other(lamps: list) -> None:
    found, total = find_lights(scene(lamps))
    assert total == len(found) == len(lamps)
    for x, y in (centre for centre, _ in lamps):
        nearest = min(found, key=lambda spot: np.hypot(spot.x - x, spot.y - y))
        assert np.hypot(nearest.x - x, nearest.y - y) < max(0.5, 0.1 * nearest.size)


def test_edges_poles_and_noise_are_no_lights() -> None:
    light = 0.02 + scenes.edge(*SHAPE, angle_deg=20, sigma=1.5, dark=0.0, bright=0.5)
    light[:, 100:106] += 0.4
    light += 0.003 * np.random.default_rng(2).standard_normal(SHAPE)
    found, _ = find_lights(light)
    assert all(spot.significance < 60 or min(spot.x, spot.y, SHAPE[1] - spot.x, SHAPE[0] - spot.y) < 12 for spot in found)
    assert find_lights(0.02 + 0.003 * np.random.default_rng(3).standard_normal(SHAPE))[1] == 0
    assert find_lights(np.full(SHAPE, 0.1)) == ((), 0)


def test_list_is_bounded_and_ranked() -> None:
    rng = np.random.default_rng(4)
    lamps = [((24 + 34 * (k % 9), 24 + 34 * (k // 9)), [(float(rng.uniform(0.1, 0.9)), scenes.gauss(1.8))]) for k in range(54)]
    found, total = find_lights(scene(lamps), most=10)
    assert total == 54 and len(found) == 10
    heights = [spot.height for spot in found]
    assert heights == sorted(heights, reverse=True)
    strongest = sorted(lamps, key=lambda lamp: -lamp[1][0][0])[:5]
    for (x, y), _ in strongest:
        assert any(np.hypot(spot.x - x, spot.y - y) < 1 for spot in found)
    assert all(spot.isolation > 20 for spot in found)


def test_lights_outside_the_field_do_not_count() -> None:
    light = scene([((60, 60), halo(15)), ((250, 180), halo(15))])
    valid = np.zeros(SHAPE, bool)
    valid[:, :160] = True
    found, total = find_lights(light, valid=valid)
    assert total == 1 and found[0].x == pytest.approx(60, abs=0.5)


def test_centre_of_a_burnt_core_is_that_of_its_outline() -> None:
    light = scene([((140.4, 90.7), [(60.0, scenes.gauss(2.5)), (0.1, scenes.disc(30, 2))])])
    x, y = refine_centre(light, (136.0, 94.0))
    assert np.hypot(x - 140.4, y - 90.7) < 0.15
    assert refine_centre(light, (0.5, 0.5), reach=1.0) is not None


def star_field(corpus: Path) -> np.ndarray:
    """A FITS image read by hand: 2880-byte blocks, big-endian 16-bit pixels, rows from the bottom (FITS standard 4.0)."""
    path = corpus / "still-starfield-eso-emmi-256.fits"
    if not path.exists():
        pytest.skip("the star field is not in the collection")
    data = path.read_bytes()
    cards: dict[str, str] = {}
    for start in range(0, len(data), 80):
        card = data[start : start + 80].decode("ascii", "replace")
        if card.startswith("END"):
            break
        if card[8:10] == "= ":
            cards[card[:8].strip()] = card[10:].split("/")[0].strip()
    offset = (start // 2880 + 1) * 2880
    kind = {"16": ">i2", "32": ">i4", "-32": ">f4", "-64": ">f8", "8": "u1"}[cards["BITPIX"]]
    rows, cols = int(cards["NAXIS2"]), int(cards["NAXIS1"])
    pixels = np.frombuffer(data, kind, rows * cols, offset).reshape(rows, cols).astype(float)
    return pixels * float(cards.get("BSCALE", 1)) + float(cards.get("BZERO", 0))


def test_star_field_against_photutils(corpus: Path) -> None:
    """Stars that photutils' DAOStarFinder finds well above noise are found here, at the same place."""
    detection = pytest.importorskip("photutils.detection")
    light = star_field(corpus)
    level = np.median(light)
    spread = 1.4826 * np.median(np.abs(light - level))
    theirs = detection.DAOStarFinder(threshold=25 * spread, fwhm=3.0, exclude_border=True)(light - level)
    assert theirs is not None and len(theirs) >= 5
    names = theirs.colnames
    x_name, y_name = ("xcentroid", "ycentroid") if "xcentroid" in names else ("x_centroid", "y_centroid")
    ours, _ = find_lights(light, least=6.0, most=400)
    hits = 0
    for row in theirs:
        near = [spot for spot in ours if np.hypot(spot.x - row[x_name], spot.y - row[y_name]) < 1.5]
        hits += bool(near)
    assert hits >= 0.8 * len(theirs)


def test_star_centroids_against_photutils(corpus: Path) -> None:
    """Centroids of the ten brightest unblended stars agree with photutils' two-dimensional Gaussian fit within 0.15 px."""
    centroids = pytest.importorskip("photutils.centroids")
    light = star_field(corpus)
    ours, _ = find_lights(light, least=10.0, most=60)
    alone = [
        s
        for s in ours
        if s.size < 4 and all(o is s or np.hypot(o.x - s.x, o.y - s.y) > 14 for o in ours) and 12 < s.x < 243 and 12 < s.y < 243
    ]
    assert len(alone) >= 3
    differences = []
    for spot in alone[:10]:
        x0, y0 = round(spot.x) - 6, round(spot.y) - 6
        cut = light[y0 : y0 + 13, x0 : x0 + 13]
        theirs = centroids.centroid_2dg(cut - np.median(cut))
        x, y = refine_centre(light, spot.centre, reach=5.0)
        differences.append(np.hypot(x - x0 - theirs[0], y - y0 - theirs[1]))
    assert np.median(differences) < 0.15

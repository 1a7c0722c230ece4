"""Fast sums and sums in whole numbers give what the plain formulas give."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from scipy import ndimage

from viewer.media import open_clip
from viewer.media.analyse import collect
from viewer.media.clipping import FEW_SEEDS, grown
from viewer.media.light import chroma_scale, luma_scale, rgb_from_ycbcr
from viewer.media.linearise import LOW, SCALE, Linearise
from viewer.media.planes import SITING, upsample_all
from viewer.media.tags import LightSpec
from viewer.media.tint import Tint
from viewer.media.writer import VideoWriter


@pytest.mark.parametrize("siting", ["left", "center", "topleft", "bottom"])
@pytest.mark.parametrize("bits", [8, 10, 12, 16])
def test_signals_equal_the_matrix_in_double_precision(bits: int, siting: str) -> None:
    # Outside sources: the matrix and scales of ITU-R BT.709-6 (check values in test_light); chroma by SciPy's linear spline.
    rng = np.random.default_rng(bits)
    top, kind = (1 << bits) - 1, np.uint8 if bits == 8 else np.uint16
    luma = rng.integers(0, top, (36, 50), endpoint=True).astype(kind)
    small = [rng.integers(top // 5, top * 4 // 5, (18, 25)).astype(kind) for _ in range(2)]
    box = (3, 5, 41, 27)
    x, y, w, h = box
    across, down = SITING[siting]
    at = np.meshgrid((np.arange(y, y + h) - down) / 2, (np.arange(x, x + w) - across) / 2, indexing="ij")
    chroma = [ndimage.map_coordinates(plane.astype(float), at, order=1, mode="nearest") for plane in small]
    offset, span = luma_scale(bits, "narrow")
    middle, chroma_span = chroma_scale(bits, "narrow")
    ycc = np.stack([(luma[y : y + h, x : x + w] - offset) / span, *((plane - middle) / chroma_span for plane in chroma)], -1)
    want = np.clip(ycc @ rgb_from_ycbcr("bt709").T, LOW, LOW + 65_535 / SCALE)
    convert = Linearise(LightSpec("bt709", "narrow", "bt709", "bt709", bits))
    both = upsample_all(small, box, 2, 2, siting, convert.chroma)
    got = convert.signal(convert.of_ycc(luma[y : y + h, x : x + w], *both))
    # Rounded to a step once, G' twice; at 12 bits sixteenths of a chroma code do not all fit.
    assert np.abs(got - want).max() <= (1.05 if bits != 12 else 1.6) / SCALE
    assert abs(float((got - want).mean())) < 0.05 / SCALE


def test_looking_up_pairs_of_codes_changes_nothing() -> None:
    table = np.random.default_rng(1).normal(0, 1, 256).astype(np.float32)
    tint = Tint((1.0, 1.0, 1.0), table, 256, 0.0, 0.0)
    every = np.arange(65_536, dtype=np.uint16).view(np.uint8).reshape(256, 512)
    for codes in (every, every[:, 1:], every[:, 1:-1], every[3:7, 2:40], every[:, ::2]):
        assert np.array_equal(tint.of_codes(codes), table[codes])


@pytest.mark.parametrize("share", [0.001, 0.02, 0.3])
def test_growth_equals_propagation(share: float) -> None:
    # Against SciPy's binary propagation; a long winding way needs more rings than are walked one by one.
    rng = np.random.default_rng(3)
    shape = (150, 400)
    winding = np.zeros(shape, dtype=bool)
    winding[::4] = True
    winding[2::8, -1] = winding[6::8, 0] = True
    for maybe in (rng.random(shape) < 0.35, winding, np.zeros(shape, dtype=bool)):
        sure = rng.random(shape) < share
        if maybe is winding:
            sure[:] = False
            sure[0, 0] = True
        want = ndimage.binary_propagation(sure, structure=np.ones((3, 3)), mask=sure | maybe)
        assert np.array_equal(grown(sure, maybe), want)
    assert share < 0.3 or np.count_nonzero(sure) > FEW_SEEDS


def test_sums_of_large_regions_hold_double_precision(tmp_path: Path) -> None:
    # A nearly even picture: its spread is a thousandth of its mean, and must not drown in the rounding of sums.
    rng = np.random.default_rng(5)
    path = tmp_path / "even.mkv"
    with VideoWriter(path, width=1500, height=130, rate=Fraction(25), codec="ffv1", chroma="420") as writer:
        for _ in range(2):
            luma = np.where(rng.random((130, 1500)) < 0.004, 141, 140).astype(np.uint8)
            luma[40:44, 700:705] = 240
            flat = np.full((65, 750), 128, np.uint8)
            writer.write((luma, flat, flat))
    regions = {"all": None, "odd": (1, 1, 1497, 127), "even": (0, 60, 1500, 60)}
    with open_clip(path) as clip:
        tint = clip.tint((0, 60, 400, 60))
        for model in (None, tint):
            found = collect(clip, regions, rows=True, columns=("odd",), tint=model)
            for name, rect in regions.items():
                light = clip.frame(1).luminance(rect, tint=model)
                exact = light.light.astype(np.float64)
                assert found.mean[name][1] == pytest.approx(exact.mean(), rel=1e-9)
                assert found.spread[name][1] == pytest.approx(exact.std(), rel=1e-5)
                assert found.clipped[name][1] == light.clipped.mean()
                assert found.rows[name][1] == pytest.approx(exact.mean(axis=1), rel=1e-9)
            assert found.columns["odd"][1] == pytest.approx(
                clip.frame(1).luminance((1, 1, 1497, 127), tint=model).light.mean(axis=0), rel=1e-5
            )
        assert found.clipped["all"][1] > 0
        assert found.clipped["even"][1] == 0
        assert found.spread["even"][1] < 2e-3 * found.mean["even"][1]

"""Transfer functions, ranges, matrices against the published values; tags and assumptions."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from viewer.errors import UsageError
from viewer.media import light, open_clip
from viewer.media.linearise import Linearise
from viewer.media.tags import ColourTags, LightChoice, LightSpec, resolve
from viewer.media.writer import VideoWriter

FUNCTIONS = {
    "hlg_oetf": ("E", light.hlg_oetf),
    "hlg_inverse_oetf": ("Ep", light.hlg_inverse_oetf),
    "pq_eotf": ("Ep", light.pq_eotf),
    "pq_inverse_eotf": ("L", light.pq_inverse_eotf),
    "pq_inverse_oetf_scene": ("Ep", light.pq_inverse_oetf),
    "bt709_oetf": ("L", light.bt709_oetf),
    "bt709_inverse_oetf": ("Ep", light.bt709_inverse_oetf),
    "srgb_eotf": ("V", light.srgb_to_linear),
    "srgb_inverse_eotf": ("L", light.linear_to_srgb),
}


def test_curves_meet_published_values(check_values: list[dict[str, Any]]) -> None:
    done = set()
    for item in check_values:
        entry = FUNCTIONS.get(item["quantity"])
        if entry is None:
            continue
        name, function = entry
        if name not in item["inputs"]:
            name = next(iter(item["inputs"]))
        got = float(function(item["inputs"][name]))
        assert got == pytest.approx(item["expected"], abs=max(item["tolerance"], 1e-12)), item["id"]
        done.add(item["quantity"])
    assert {"hlg_oetf", "hlg_inverse_oetf", "srgb_inverse_eotf"} <= done
    assert len(done) >= 6


def test_bt1886(check_values: list[dict[str, Any]]) -> None:
    items = [item for item in check_values if item["quantity"] == "bt1886_eotf"]
    assert items
    for item in items:
        given = item["inputs"]
        got = float(light.bt1886_eotf(given["V"], white_cd_m2=given["LW"], black_cd_m2=given["LB"]))
        assert got == pytest.approx(item["expected"], abs=item["tolerance"]), item["id"]


def test_code_values(check_values: list[dict[str, Any]]) -> None:
    count = 0
    for item in check_values:
        given, want = item["inputs"], item["expected"]
        if item["quantity"] == "narrow_luma_code":
            assert int(light.signal_to_code(given["Ep"], given["bits"], "narrow")) == want, item["id"]
        elif item["quantity"] == "narrow_chroma_code":
            assert int(light.signal_to_code(given["Cp"], given["bits"], "narrow", chroma=True)) == want, item["id"]
        elif item["quantity"] == "narrow_luma_value":
            assert float(light.code_to_signal(given["code"], given["bits"], "narrow")) == pytest.approx(want, abs=1e-8)
        elif item["quantity"] == "full_luma_code":
            assert int(light.signal_to_code(given["Ep"], given["bits"], "full")) == want, item["id"]
        else:
            continue
        count += 1
    assert count > 20


def test_matrices(check_values: list[dict[str, Any]]) -> None:
    for item in check_values:
        if item["quantity"] == "ycbcr_to_rgb_coefficients":
            m = light.rgb_from_ycbcr("bt" + item["inputs"]["standard"])
            assert [m[0, 2], m[1, 1], m[1, 2], m[2, 1]] == pytest.approx(item["expected"], abs=item["tolerance"])
        if item["quantity"] == "rgb_to_ycbcr_narrow":
            given = item["inputs"]
            ycc = light.rgb_to_ycbcr(given["rgb_prime"], "bt" + given["standard"])
            codes = [int(light.signal_to_code(ycc[0], given["bits"], "narrow"))]
            codes += [int(light.signal_to_code(ycc[n], given["bits"], "narrow", chroma=True)) for n in (1, 2)]
            assert codes == item["expected"], item["id"]


@pytest.mark.parametrize("name", list(light.TRANSFER_FUNCTIONS))
def test_round_trip_below_black_and_above_white(name: str) -> None:
    # Below black: 10-bit narrow code 4 is -0.0685 (ITU-R BT.709-6); above: code 1019 is 1.0902.
    signal = np.linspace(-0.0685, 1.0902, 400)
    again = light.from_linear(name, light.to_linear(name, signal))
    # The published constants of BT.709 leave a step of 2.5e-4 of light at the join.
    assert np.max(np.abs(again - signal)) < 2e-3
    assert np.all(np.diff(light.to_linear(name, signal)) > 0)


def test_table_equals_closed_form() -> None:
    signal = np.linspace(-0.06, 1.089, 5000).astype(np.float32)
    for transfer in ("hlg", "bt709", "srgb", "pq"):
        table = Linearise(LightSpec(transfer, "narrow", "bt2020", "bt2020", 10))
        exact = light.to_linear(transfer, signal)
        # One step of the table is 1/30 of a 10-bit code; light may differ by that share of a code's light.
        slope = np.gradient(exact, signal.astype(float))
        assert np.all(np.abs(table(signal) - exact) <= 2.5e-5 * np.abs(slope) + 3e-7)


def test_luma_is_not_luminance(check_values: list[dict[str, Any]]) -> None:
    items = [item for item in check_values if item["quantity"] == "linear_luminance_709"]
    assert items
    for item in items:
        linear = light.to_linear("bt709", item["inputs"]["rgb_prime"])
        assert float(linear @ np.array(light.LUMINANCE_WEIGHTS["bt709"])) == pytest.approx(item["expected"], abs=1e-6)


def test_luminance_weights_follow_from_chromaticities() -> None:
    # Chromaticities: ITU-R BT.709-6 item 1.3, BT.2020-2 table 3, BT.601-7 table 1 (625 and 525 lines), white D65.
    sets = {
        "bt709": [(0.640, 0.330), (0.300, 0.600), (0.150, 0.060)],
        "bt2020": [(0.708, 0.292), (0.170, 0.797), (0.131, 0.046)],
        "bt601-625": [(0.640, 0.330), (0.290, 0.600), (0.150, 0.060)],
        "bt601-525": [(0.630, 0.340), (0.310, 0.595), (0.155, 0.070)],
    }
    white = np.array([0.3127 / 0.3290, 1.0, (1 - 0.3127 - 0.3290) / 0.3290])
    for name, points in sets.items():
        xyz = np.array([[x / y, 1.0, (1 - x - y) / y] for x, y in points]).T
        assert np.linalg.solve(xyz, white) == pytest.approx(light.LUMINANCE_WEIGHTS[name], abs=6e-4)


def test_unknown_names_are_refused() -> None:
    with pytest.raises(UsageError, match="unknown transfer"):
        light.to_linear("film-log", 0.5)
    with pytest.raises(UsageError, match="unknown matrix"):
        light.rgb_from_ycbcr("nothing")


def spec(tags: ColourTags, *, height: int = 1080, choice: LightChoice | None = None) -> LightSpec:
    return resolve(tags, width=height * 16 // 9, height=height, bits=8, rgb=False, jpeg=False, choice=choice)


def test_missing_tags_are_assumed_and_said() -> None:
    large, small = spec(ColourTags()), spec(ColourTags(), height=480)
    assert (large.matrix, large.range, large.transfer) == ("bt709", "narrow", "bt709")
    assert small.matrix == "bt601"
    assert len(large.assumed) == 4
    assert any("matrix bt709" in text for text in large.assumed)


def test_tags_are_followed_and_choices_win() -> None:
    # A phone's full-range 601 matrix at 4K is followed, not corrected.
    tags = ColourTags(transfer=6, range=2, matrix=5, primaries=5)
    got = spec(tags, height=2160)
    assert (got.matrix, got.range, got.transfer, got.primaries) == ("bt601", "full", "bt601", "bt601-625")
    assert not got.assumed
    chosen = spec(tags, choice=LightChoice(matrix="bt709", range="narrow", transfer="hlg"))
    assert (chosen.matrix, chosen.range, chosen.transfer) == ("bt709", "narrow", "hlg")
    assert sum("chosen by the user" in text for text in chosen.assumed) == 3


@pytest.mark.parametrize(
    ("number", "name"),
    [(1, "bt709"), (4, "gamma2.2"), (11, "bt709"), (14, "bt2020"), (15, "bt2020"), (16, "pq"), (18, "hlg"), (13, "srgb")],
)
def test_transfer_numbers(number: int, name: str) -> None:
    # ITU-T H.273, table 3.
    assert spec(ColourTags(transfer=number)).transfer == name


def test_unsupported_transfer_is_assumed_with_a_warning() -> None:
    got = spec(ColourTags(transfer=9))
    assert got.transfer == "bt709"
    assert any("not supported" in text for text in got.warnings)


@pytest.mark.parametrize("transfer", ["hlg", "pq"])
def test_display_of_hdr_follows_its_recipe(transfer: str, tmp_path: Path) -> None:
    # Closed forms: BT.2100-2 tables 4 and 5 (OOTF at 1000 cd/m2: exponent 1.2), BT.2408 white at 203 cd/m2, BT.2087 matrix,
    # IEC 61966-2-1 encoding; the shoulder is this program's own and written down in the recipe.
    rng = np.random.default_rng(4)
    patches = np.concatenate([np.repeat(np.linspace(0, 1, 24)[:, None], 3, axis=1), rng.uniform(0, 1, (40, 3))])
    picture = np.repeat(np.repeat(patches.reshape(8, 8, 3), 12, axis=0), 12, axis=1)
    path = tmp_path / "hdr.mkv"
    how = {"bit_depth": 10, "transfer": transfer, "matrix": "bt2020", "chroma": "444"}
    with VideoWriter(path, width=96, height=96, rate=Fraction(25), codec="ffv1", **how) as writer:  # type: ignore[arg-type]
        writer.write(picture)
    with open_clip(path) as clip:
        frame = clip.frame(0)
        shown = frame.display()[6::12, 6::12, 2::-1].reshape(-1, 3).astype(float)
        signal = np.clip(frame.signal()[6::12, 6::12].reshape(-1, 3).astype(float), 0, 1)
        small = frame.display(48, 48)[3::6, 3::6, 2::-1].reshape(-1, 3).astype(float)
    if transfer == "hlg":
        scene = light.to_linear("hlg", signal)
        nits = 1000 * (scene @ [0.2627, 0.6780, 0.0593])[:, None] ** 0.2 * scene
    else:
        power = signal ** (1 / 78.84375)
        rest = np.maximum(power - 0.8359375, 0) / (18.8515625 - 18.6875 * power)
        nits = np.minimum(10_000 * rest ** (1 / 0.1593017578125), 1000)
    linear = nits / 203 @ np.array([[1.6605, -0.5876, -0.0728], [-0.1246, 1.1329, -0.0083], [-0.0182, -0.1006, 1.1187]]).T
    top = np.maximum(linear.max(axis=1), 1e-9)
    bent = np.where(top <= 0.7, top, 0.7 + 0.3 * (1 - np.exp(-(top - 0.7) / 0.3)))
    linear = np.clip(linear * (bent / top)[:, None], 0, 1)
    want = 255 * np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    assert np.abs(shown - want).max() < 1.6
    assert np.abs(shown - want).mean() < 0.4
    assert np.abs(small - shown).max() <= 1


@pytest.mark.parametrize(("bits", "chroma", "matrix"), [(8, "420", "bt709"), (10, "420", "bt2020"), (8, "444", "bt601")])
def test_quick_display_of_small_panes_equals_the_exact_one(bits: int, chroma: str, matrix: str, tmp_path: Path) -> None:
    # Closed form: R'G'B' of the codes times 255, as IEC 61966-2-1 has 8-bit codes; noise averages out over areas.
    rng = np.random.default_rng(4)
    patches = rng.uniform(0.1, 0.9, (6, 8, 3))
    picture = np.repeat(np.repeat(patches, 32, axis=0), 32, axis=1) + rng.normal(0, 0.02, (192, 256, 3))
    path = tmp_path / "sdr.mkv"
    how = {"bit_depth": bits, "matrix": matrix, "chroma": chroma}
    with VideoWriter(path, width=256, height=192, rate=Fraction(25), codec="ffv1", **how) as writer:  # type: ignore[arg-type]
        writer.write(picture)
    with open_clip(path) as clip:
        frame = clip.frame(0)
        signal = 255 * frame.signal().astype(float)
        for wide, high in ((128, 96), (61, 46), (64, 48)):
            quick, exact = (frame.display(wide, high, fast=fast).astype(float) for fast in (True, False))
            assert quick.shape == (high, wide, 4)
            assert np.all(quick[..., 3] == 255)
            # Patches meet at edges, where chroma lies a quarter of a px elsewhere.
            assert np.abs(quick - exact).mean() < 1.0
        small = frame.display(64, 48, fast=True)[..., 2::-1].astype(float)
        inner = small.reshape(6, 8, 8, 8, 3)[:, 2:6, :, 2:6].mean(axis=(1, 3))
        want = signal.reshape(6, 32, 8, 32, 3)[:, 8:24, :, 8:24].mean(axis=(1, 3))
        # Means of 2 x 2 codes are rounded up at half, twice over; blue takes 1.8 to 2.1 times what Cb' is off.
        assert np.abs(inner - want).max() < 1.5
        assert np.abs(inner - want).mean() < 0.6

"""Flash rules against the published thresholds and the worked square-wave cases (check_values section H)."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from viewer.errors import UsageError
from viewer.measure import flash

SHAPE = (36, 64)


def _values(check_values: list[dict[str, Any]], prefix: str) -> list[dict[str, Any]]:
    found = [value for value in check_values if value["id"].startswith(prefix)]
    assert found, prefix
    return found


def _srgb(code: np.ndarray) -> np.ndarray:
    v = code / 255.0
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def test_relative_luminance(check_values: list[dict[str, Any]]) -> None:
    for value in _values(check_values, "H-RL-"):
        got = flash.luminance(_srgb(np.array(value["inputs"]["rgb8"], float)))
        assert got == pytest.approx(value["expected"], abs=value["tolerance"]), value["id"]


def test_general_transitions(check_values: list[dict[str, Any]]) -> None:
    for value in _values(check_values, "H-GF-"):
        low, high = np.array(value["inputs"]["L1"]), np.array(value["inputs"]["L2"])
        assert bool(flash.general_change(low, high)) is value["expected"], value["id"]
    assert bool(flash.general_change(np.array(0.5), np.array(0.6)))


def test_hdr_transitions(check_values: list[dict[str, Any]]) -> None:
    cases = [value for value in _values(check_values, "H-1702-") if value["quantity"] == "bt1702_hdr_flash_transition"]
    assert len(cases) == 7
    for value in cases:
        low, high = np.array(value["inputs"]["low"], float), np.array(value["inputs"]["high"], float)
        assert bool(flash.hdr_change(low, high)) is value["expected"], value["id"]


def test_red_quantities(check_values: list[dict[str, Any]]) -> None:
    for value in _values(check_values, "H-RED-"):
        got = flash.red_ratio(np.array(value["inputs"]["rgb_linear"], float))
        assert got == pytest.approx(value["expected"], abs=value["tolerance"])
    for value in _values(check_values, "H-UV-"):
        got = flash.chromaticity(np.array(value["inputs"]["rgb_linear"], float))
        assert np.allclose(got, value["expected"], atol=value["tolerance"])
    for value in _values(check_values, "H-DUV-"):
        first, second = (np.array(flash.chromaticity(np.array(value["inputs"][k], float))) for k in ("rgb1", "rgb2"))
        assert np.hypot(*(first - second)) == pytest.approx(value["expected"], abs=value["tolerance"])


def test_field_is_a_third_of_the_picture(check_values: list[dict[str, Any]]) -> None:
    (value,) = _values(check_values, "H-AREA-4")
    cols, rows = flash.cell_grid(value["inputs"]["video_w"], value["inputs"]["video_h"])
    assert (cols, rows) == (256, 144)
    _, _, w, h = flash.Fields(cols, rows).place(0)
    # The cell grid rounds the field to whole cells of 7.5 px.
    assert w * 1920 == pytest.approx(value["expected"][0], abs=3.75)
    assert h * 1080 == pytest.approx(value["expected"][1], abs=3.75)


def test_square_waves_count_as_worked(check_values: list[dict[str, Any]]) -> None:
    for value in _values(check_values, "H-COUNT-"):
        given = value["inputs"]
        number = np.arange(round(given["seconds"] * given["fps"]))
        level = np.where((number // given["half_period_frames"]) % 2 == 0, given["low"], given["high"])
        turns, times = flash.Turns(flash.general_change), number / given["fps"]
        found = [
            (t, bool(up[0, 0]), bool(down[0, 0]))
            for t, (up, down) in ((t, turns.add(np.full((1, 1), v))) for t, v in zip(times, level, strict=True))
        ]
        most = max(sum(u or d for t, u, d in found if a - 1e-9 <= t < a + 1 - 1e-9) for a in times)
        report = flash.scan_series(times, np.broadcast_to(level[:, None, None], (len(level), *SHAPE)))
        assert [most, report.general.rate, report.passes] == value["expected"], value["id"]
        if report.general.rate:
            assert report.general.area == pytest.approx(1.0)


def _clip(fps: float, seconds: float, painter: Any) -> flash.FlashReport:
    count = round(fps * seconds)
    frames = np.stack([painter(n) for n in range(count)])
    return flash.scan_series(np.arange(count) / fps, frames)


def test_local_flash_with_a_constant_mean_fails() -> None:
    # Two areas of 15 % of the picture flash in opposite phase at 5 Hz: the mean of the frame never moves.
    def paint(n: int) -> np.ndarray:
        frame = np.full(SHAPE, 0.3)
        state = (n // 5) % 2
        frame[4:32, 2:14] = 0.2 + 0.4 * state
        frame[4:32, 50:62] = 0.6 - 0.4 * state
        return frame

    means = [paint(n).mean() for n in (0, 5)]
    assert means[0] == pytest.approx(means[1])
    report = _clip(50, 3, paint)
    assert not report.passes and report.general.rate == 5
    assert report.verdict.word == "above limit"


def test_small_fast_flash_passes_and_is_told() -> None:
    def paint(n: int) -> np.ndarray:
        frame = np.full(SHAPE, 0.2)
        frame[10:15, 20:26] = 0.2 + 0.5 * (n % 2)
        return frame

    report = _clip(25, 2, paint)
    assert report.passes and report.general.rate == 0
    assert report.general_small.rate == 13 and 0.05 < report.general_small.area < 0.25
    readings = {r.name: r.value for r in report.readings()}
    assert readings["flashes_per_second"] == 13 and readings["area"] < 25


def test_areas_that_take_turns_fail() -> None:
    # Each third of the picture flashes below the limit; together the field sees six a second.
    def paint(n: int) -> np.ndarray:
        frame = np.full(SHAPE, 0.2)
        phase = (n // 4) % 6
        if phase % 2 == 0:
            cols = np.arange(SHAPE[1]) % 3 == phase // 2
            frame[:, cols] = 0.6
        return frame

    report = _clip(48, 3, paint)
    assert report.general.turns and report.general.rate > 3 and not report.passes


def test_fine_balanced_pattern_passes() -> None:
    # WCAG excepts fine balanced patterns (squares under 0.1 degree): a reversing checkerboard of single pixels in 4 px cells.
    board = (np.indices((144 * 4, 256 * 4)).sum(axis=0) % 2).astype(np.float32)
    cells = [flash.to_cells(np.repeat((board if n % 2 else 1 - board)[..., None], 3, axis=2)) for n in range(4)]
    assert flash.scan_series(np.arange(4) / 25, np.stack(cells)).passes


@pytest.mark.parametrize(("other", "counted"), [((0.25, 0.25, 0.25), True), ((0.0, 0.0, 0.0), True), ((0.9, 0.45, 0.0), False)])
def test_red_flashes(other: tuple[float, float, float], counted: bool) -> None:
    # Luminance of the red is that of grey 0.19; the general rule sees at most a small change with grey 0.25.
    def paint(n: int) -> np.ndarray:
        return np.broadcast_to(np.array((0.9, 0.0, 0.0) if (n // 3) % 2 else other), (*SHAPE, 3))

    report = _clip(30, 2, paint)
    if counted:
        assert report.red.rate == 5 and not report.passes
    else:
        # u'v' distance of red and (1, 0.5, 0) is 0.200085 (H-DUV-3): only just a red flash, and it must be found.
        assert report.red.rate == 5


def test_dim_chroma_noise_is_no_red_flash() -> None:
    rng = np.random.default_rng(4)
    frames = np.clip(rng.normal(0.002, 0.002, (60, *SHAPE, 3)), 0, None)
    assert flash.scan_series(np.arange(60) / 30, frames).red_small.rate == 0


def test_slow_drift_and_noise_pass() -> None:
    rng = np.random.default_rng(3)
    frames = np.linspace(0.1, 0.9, 120)[:, None, None] + rng.normal(0, 0.01, (120, *SHAPE))
    report = flash.scan_series(np.arange(120) / 30, frames)
    assert report.passes and report.general.rate <= 1


def test_hdr_rule_in_candela() -> None:
    # 100 -> 119 cd/m2 is no flash, 100 -> 120 is (BT.1702 form).
    for high, passes in ((119.0, True), (120.0, False)):
        level = np.where((np.arange(50) // 2) % 2, high, 100.0)
        report = flash.scan_series(np.arange(50) / 25, np.broadcast_to(level[:, None, None], (50, *SHAPE)), hdr=True)
        assert report.passes is passes


def test_gating_at_143_hz_filmed_at_59_94_fails(check_values: list[dict[str, Any]]) -> None:
    (value,) = _values(check_values, "H-ALIAS-1")
    fps = value["inputs"]["fs"]
    times = np.arange(180) / fps
    level = 0.4 + 0.2 * np.sin(2 * np.pi * value["inputs"]["f"] * times)
    report = flash.scan_series(times, np.broadcast_to(level[:, None, None], (180, *SHAPE)))
    assert abs(report.general.rate - value["expected"]) < 1.5


def test_misuse_is_told() -> None:
    with pytest.raises(UsageError):
        flash.FlashScan().finish()
    scan = flash.FlashScan()
    scan.add(0.0, np.zeros((4, 4, 3)))
    with pytest.raises(UsageError):
        scan.add(0.0, np.zeros((4, 4, 3)))

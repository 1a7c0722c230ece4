"""Closed forms of sampling, depth and planning against the table of published and derived values."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from scipy.signal import lfilter

from viewer.measure import flicker_planner as planner
from viewer.measure import flicker_sampling as sampling
from viewer.measure import flicker_waveform as waveform
from viewer.measure.flicker_compare import Rate, compare_rates


def _rectangle(hi: float, lo: float, duty: float) -> np.ndarray:
    phase = (np.arange(100_000) + 0.5) / 100_000
    return np.where(phase < duty, hi, lo)


def _sine(m: float) -> np.ndarray:
    return 1.0 + m * np.sin(2 * np.pi * (np.arange(100_000) + 0.5) / 100_000)


def _triangle(m: float) -> np.ndarray:
    return 1.0 + m * (4 * np.abs((np.arange(100_000) + 0.5) / 100_000 - 0.5) - 1.0)


def _even_times(count: int, rate: float) -> np.ndarray:
    return np.arange(count) / rate


def _common(f_true: float, fs1: float, fs2: float, tol_hz: float, fmax: float) -> np.ndarray:
    lists = [sampling.alias_candidates(sampling.alias_frequency(f_true, fs), fs, fmax) for fs in (fs1, fs2)]
    return sampling.common_candidates(*lists, tol_hz)


QUANTITIES: dict[str, Callable[..., Any]] = {
    "percent_flicker": lambda max, min: waveform.percent_flicker(max, min),
    "flicker_index_sine": lambda m: waveform.flicker_index(_sine(m)),
    "flicker_index_triangle": lambda m: waveform.flicker_index(_triangle(m)),
    "flicker_index_square": lambda hi, lo, duty: waveform.flicker_index(_rectangle(hi, lo, duty)),
    "flicker_index_rectified_sine": lambda: waveform.flicker_index(
        np.abs(np.sin(np.pi * (np.arange(100_000) + 0.5) / 100_000))
    ),
    "ieee1789_limits_percent": lambda f: waveform.room_lighting_limits(f),
    "svm_threshold": lambda f: waveform.stroboscopic_threshold(f),
    "svm_single_sine": lambda f, modulation: waveform.stroboscopic_measure([f], [modulation]),
    "svm_two_sines": lambda f, modulation: waveform.stroboscopic_measure(f, modulation),
    "alias_frequency": lambda f, fs: sampling.alias_frequency(f, fs),
    "alias_candidates": lambda fa, fs, fmax: sampling.alias_candidates(fa, fs, fmax),
    "candidate_intersection": _common,
    "exposure_attenuation": lambda f, Te: sampling.exposure_attenuation(f, Te),
    "band_period_rows": lambda f, t_line: sampling.band_period_rows(f, t_line),
    "line_time_us": lambda band_rows, lamp_hz: 1e6 * sampling.row_time_from_bands(band_rows, lamp_hz),
    "frequency_from_band_ratio": lambda lamp_hz, lamp_rows, dut_rows: sampling.frequency_from_band_ratio(
        lamp_hz, lamp_rows, dut_rows
    ),
    "band_drift_rows_per_frame": lambda f, fs, t_line: sampling.band_drift_rows(f, fs, t_line),
    "bands_per_frame": lambda f, rows, t_line: sampling.bands_per_frame(f, rows, t_line),
    "rolling_shutter_alias_sidelobe": lambda readout_duty, k: sampling.readout_sidelobe(readout_duty, k),
    "frame_mean_attenuation": lambda f, rows, t_line, Te: sampling.frame_mean_attenuation(f, rows, t_line, Te),
    "baluev_fap": lambda z, N, fs, fmax: waveform.false_alarm(z, _even_times(N, fs), fmax),
    "single_frequency_fap": lambda z, N: waveform.single_false_alarm(z, N),
    "frequency_crlb_hz": lambda amp_over_sigma, N, T: sampling.frequency_floor(amp_over_sigma, N, T),
}


def test_every_value_of_the_table(check_values: list[dict[str, Any]]) -> None:
    rows = [row for row in check_values if row["id"].startswith("D-")]
    assert len(rows) > 80
    wrong = []
    for row in rows:
        got = np.asarray(QUANTITIES[row["quantity"]](**row["inputs"]), float)
        want = np.asarray(row["expected"], float)
        if got.shape != want.shape or not np.allclose(got, want, rtol=0, atol=row["tolerance"]):
            wrong.append((row["id"], got, want))
    assert not wrong


def test_baluev_against_a_library() -> None:
    """astropy 6's `LombScargle.false_alarm_probability(method="baluev")`; its values stand in the table (D-FAP)."""
    times = _even_times(120, 59.9400599401)
    assert waveform.false_alarm(0.1, times, 29.97) == pytest.approx(0.282702535, rel=1e-4)


def test_false_alarm_of_uneven_times() -> None:
    """astropy 8.0.2's `fap_baluev` at times i / 50 + 0.004 sin(2.4 i) s, i < 160, up to 25 Hz, floating mean."""
    number = np.arange(160)
    times = number / 50 + 0.004 * np.sin(2.4 * number)
    for power, want in ((0.08, 0.26596117124888924), (0.1, 0.06032202087880319), (0.2, 8.993662822632694e-06)):
        assert waveform.false_alarm(power, times, 25.0) == pytest.approx(want, rel=1e-9)


def test_clock_of_even_and_uneven_frames() -> None:
    even = sampling.read_clock(np.arange(240) * 1001 / 60000)
    assert even.regular and even.rate == pytest.approx(60000 / 1001, rel=1e-9) and even.comb_hz == pytest.approx(even.rate)
    # Matroska rounds to milliseconds: the rounding is not in the light
    rounded = sampling.read_clock(np.round(np.arange(240) * 1001 / 60000, 3), tick_s=1e-3)
    assert rounded.regular and rounded.rate == pytest.approx(60000 / 1001, rel=2e-5)
    gap = sampling.read_clock(np.delete(np.arange(100) / 50, [20, 21, 60]))
    assert not gap.regular and gap.comb_hz == pytest.approx(50)
    mixed = sampling.read_clock(np.concatenate((np.arange(60) / 30, 2 + np.arange(48) / 24)))
    assert not mixed.regular and mixed.comb_hz == pytest.approx(120, rel=1e-9)
    jitter = sampling.read_clock(np.arange(200) / 60 + np.random.default_rng(1).uniform(-4e-4, 4e-4, 200))
    assert jitter.comb_hz is None


@pytest.mark.parametrize(("exposure_s", "f", "blind"), [(1 / 50, 100.0, True), (1 / 250, 100.0, False), (1 / 250, 500.0, True)])
def test_blind_zones_hold_the_nulls(exposure_s: float, f: float, blind: bool) -> None:
    zones = planner.blind_zones(59.94, exposure_s, 4.0)
    assert any(low <= f <= high for low, high in zones) is blind


def test_zones_end_where_a_tenth_passes() -> None:
    (low, high), *_ = planner.shutter_zones(1 / 250)
    for edge in (low, high):
        assert abs(np.sinc(edge / 250)) == pytest.approx(0.1, abs=2e-3)


def test_standing_zone_at_multiples_of_the_rate() -> None:
    zones = planner.blind_zones(50.0, None, 4.0)
    assert any(low < 500 < high for low, high in zones)
    assert not any(low < 487 < high for low, high in zones)


def test_rates_that_belong_together() -> None:
    assert planner.related(59.94005994, 119.88011988)
    assert planner.related(60, 50)
    assert not planner.related(59.94005994, 50)


def test_plan_warns_of_what_mains_hide() -> None:
    plan = planner.plan([25, 59.94005994], [1 / 50, 1 / 250], mains_hz=50)
    assert len(plan.settings) == 4
    assert any("25 fps" in note and "100 Hz" in note for note in plan.notes)
    assert any("1/50 s removes mains" in note for note in plan.notes)
    alone = {(round(s.frame_rate), round(1 / s.exposure_s)): s.share_blind for s in plan.settings}
    assert alone[(25, 50)] > alone[(25, 250)]
    total = planner.blind_share(plan.blind_in_all_hz)
    assert total <= min(alone.values()) + 1e-9


def test_waveform_undoes_the_exposure() -> None:
    f, exposure = 143.0, 1 / 250
    true = 0.3
    wave = waveform.fold([true * np.sinc(f * exposure), *[0.0] * 7], f, exposure)
    assert wave.depth_percent == pytest.approx(100 * true, rel=0.01)
    assert wave.index == pytest.approx(true / math.pi, rel=0.01)
    assert wave.depth_range[0] <= 100 * true <= wave.depth_range[1]
    alone = waveform.fold([true * np.sinc(f * exposure)], f, exposure)
    assert alone.depth_range[0] < 24.0 and alone.depth_range[1] > 60.0, "one harmonic does not tell a sine from a pulse"
    assert waveform.fold([0.01], 500.0, 1 / 250).lower_bound
    assert waveform.fold([0.01], 500.0, None).lower_bound


def _glowing(duty: float, floor: float, glow: float, points: int = 200_000) -> np.ndarray:
    """Light that follows a rectangular drive with a first-order glow, made by stepping through time until it repeats."""
    drive = np.where((np.arange(points) + 0.5) / points < duty, 1.0, floor)
    keep = np.exp(-1.0 / points / glow)
    # lfilter of y[n] = keep y[n-1] + (1 - keep) x[n], twice round so that the start is forgotten
    made, _ = lfilter([1.0 - keep], [1.0, -keep], np.tile(drive, 12), zi=[keep * drive.mean()])
    period = made[-points:]
    return period / period.mean()


@pytest.mark.parametrize(
    ("duty", "floor", "glow"), [(0.72, 0.45, 0.05), (0.4, 0.25, 0.15), (0.5, 0.0, 0.01), (0.15, 0.0, 0.02), (0.85, 0.9, 0.1)]
)
def test_depth_and_index_of_pulses_with_a_glow(duty: float, floor: float, glow: float) -> None:
    """From eight harmonics of light that was made in time; the sums of those harmonics miss the depth by up to a fifth."""
    light = _glowing(duty, floor, glow)
    spectrum = 2.0 * np.fft.rfft(light)[1:9] / light.size
    wave = waveform.fold(spectrum, 1.0, 1e-6)
    depth, index = waveform.percent_flicker(light.max(), light.min()), waveform.flicker_index(light)
    assert wave.depth_percent == pytest.approx(depth, rel=0.03)
    assert wave.index == pytest.approx(index, rel=0.03)
    low, high = wave.depth_range
    assert 0.99 * low <= depth <= 1.01 * high
    # the drawn waveform is that light
    turned = np.interp(np.arange(720) / 720, np.arange(light.size) / light.size, light)
    assert np.sqrt(np.mean(np.square(wave.light - turned))) < 0.15 * light.std()


def test_rates_of_two_devices_in_words() -> None:
    plover, bittern = Rate("Plover", 486.99, 0.001), Rate("Bittern", 147.57, 0.001)
    faster = compare_rates(plover, bittern)
    # by hand: 486.99 / 147.57 = 3.300061; relative half widths 2.05e-6 and 6.78e-6 give 7.08e-6 together, 2.34e-5 of it
    assert faster.ratio == pytest.approx(3.300061, abs=1e-6)
    assert faster.high - faster.low == pytest.approx(4.67e-5, rel=0.01)
    assert faster.sentence == (
        "Plover gates about 3.3 times as fast as Bittern (486.99 Hz against 147.57 Hz; 95 %: 3.300038 to 3.300084 times)."
    )
    back = compare_rates(bittern, plover)
    assert back.sentence == faster.sentence and back.ratio == pytest.approx(1 / faster.ratio)
    alike = compare_rates(Rate("Plover", 160.0, 0.5), Rate("Bittern", 160.3, 0.5))
    assert "gate at the same rate within the error" in alike.sentence
    close = compare_rates(Rate("Plover", 161.6, 0.001), Rate("Bittern", 160.0, 0.001))
    assert "Plover gates 1 % faster" in close.sentence

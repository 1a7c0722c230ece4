"""Gating through real codecs: the task from file to result document."""

from __future__ import annotations

import json
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace

import numpy as np
import pytest

from viewer.errors import Cancelled, RegionError, UsageError
from viewer.measure.readings import Flag
from viewer.measure.regions import Rect
from viewer.media import open_clip
from viewer.media.quantiser import typical_step
from viewer.tasks.document import Result
from viewer.tasks.flicker import measure_flicker
from viewer.tasks.flicker_encoder import codec_limit, light_per_code
from viewer.tasks.flicker_gather import field_mask, fresh, gather
from viewer.tasks.readout import measure_readout

clips = SimpleNamespace(**run_path(str(Path(__file__).with_name("flicker_clips.py"))))
Gate = clips.Gate
Make = Callable[..., Path]


@pytest.fixture(scope="module")
def make(tmp_path_factory: pytest.TempPathFactory) -> Make:
    folder = tmp_path_factory.mktemp("flicker")

    def once(name: str, **how: object) -> Path:
        path = folder / f"{name}.mp4"
        return path if path.exists() else clips.write_flicker(path, **how)

    return once


def measured(path: Path, **options: object) -> Result:
    known = {"readout_ms": 14.0, "readout_direction": "down", "shutter_s": 1 / 1000, **options}
    with open_clip(path, threads=1) as clip:
        return measure_flicker(clip, **known)  # type: ignore[arg-type]


@pytest.mark.parametrize("codec", ["h264", "hevc"])
def test_gate_through_a_codec(make: Make, codec: str) -> None:
    gate = Gate(487.3, 0.4)
    result = measured(make(f"gate_{codec}", tube=gate, codec=codec))
    assert result.verdict is not None and result.verdict.word == "modulated"
    frequency = result.reading("modulation_frequency", "field")
    assert frequency.value == pytest.approx(487.3, abs=2e-3) and frequency.low is not None and frequency.high is not None
    assert frequency.low < frequency.value < frequency.high
    # encoders shave some of it: 2 % at crf 12, 6 % at crf 20 in this scene
    assert result.extras["fundamental_recorded"] == pytest.approx(gate.fundamental(1 / 1000), rel=0.08)
    assert result.reading("modulation_depth").value == pytest.approx(25.0, rel=0.08)
    assert result.extras["origin"] == "tube"
    assert result.reading("alias_frequency").value == pytest.approx(7.7795, abs=2e-3)
    document = json.loads(result.dumps())
    assert {"candidates_hz", "blind_hz", "fundamental_recorded", "lines", "origin"} <= set(document)
    assert document["lines"][0].keys() >= {"frequency_hz", "depth_percent", "origin"}
    assert {"spectrum_hz", "spectrum", "rows_by_time", "waveform", "depth_map", "blind_hz"} <= set(result.plots)
    peak = result.plots["spectrum_hz"][int(np.argmax(result.plots["spectrum"]))]
    assert peak == pytest.approx(487.3, abs=0.3)


def test_screen_that_pulses_is_not_the_tube(make: Make) -> None:
    result = measured(make("screen", source=Gate(240.37, 0.5)))
    assert result.reading("modulation_frequency").value == pytest.approx(240.37, abs=3e-3)
    assert result.extras["origin"] == "source"
    assert result.verdict is not None and "No gating" in result.verdict.sentence


def test_gate_beside_a_screen_that_clips(make: Make) -> None:
    """What clips is left out: the gate is right, and the answer says that the screen was not looked at."""
    result = measured(make("clips", tube=Gate(377.7, 0.4), source=Gate(240.2, 0.5), bright=6.0))
    reading = result.reading("modulation_frequency")
    assert reading.value == pytest.approx(377.7, abs=5e-3) and Flag.CLIPPED in reading.flags
    assert any("clips and was left out" in text for text in result.warnings)


def test_map_of_places_stands_upright(make: Make) -> None:
    """A screen that pulses in the upper left, filmed with the readout running left: the map shows it there."""
    path = make("corner", source=Gate(240.37, 0.5), direction="left", seconds=1.5, shift=(-60, -50))
    result = measured(path, readout_direction="left")
    found = result.plots["depth_map"]
    percent = np.nan_to_num(found["percent"])
    down, across = np.unravel_index(int(np.argmax(percent)), percent.shape)
    x, y, w, h = found["rect"]
    assert (x, y, w, h) == (0, 0, 320, 240)
    centre = ((across + 0.5) * w / percent.shape[1], (down + 0.5) * h / percent.shape[0])
    assert abs(centre[0] - 100) < 60 and abs(centre[1] - 70) < 50
    assert percent.max() == pytest.approx(found["depth_percent"], rel=0.4) and np.median(percent) < 0.3 * percent.max()
    assert result.plots["lines"][0]["origin"] == "source"


def test_region_off_the_middle_knows_where_it_pulses(make: Make) -> None:
    result = measured(make("gate_h264", tube=Gate(487.3, 0.4), codec="h264"), region=Rect(110, 84, 90, 40))
    share = result.plots["depth_map"]["share"]
    assert np.nanmedian(share) > 0.7, "the whole field pulses in step, seen from any region"
    assert result.extras["origin"] == "tube"


def test_steady_clip_says_what_it_could_not_show(make: Make) -> None:
    result = measured(make("steady"))
    assert result.verdict is not None and result.verdict.word == "steady"
    assert result.reading("modulation_frequency").state == "refused"
    assert 0 < result.reading("detection_limit").value < 10
    zones = result.extras["blind_hz"]
    assert any(low < 1000 < high for low, high in zones), "the null of 1/1000 s"
    assert any(low < 60000 / 1001 < high for low, high in zones), "bands that stand still"


def test_long_shutter_cannot_tell(make: Make) -> None:
    null = make("null", tube=Gate(250.0, 0.5), exposure_s=1 / 125, rate=Fraction(60))
    result = measured(null, shutter_s=1 / 125)
    assert result.verdict is not None and result.verdict.word == "cannot tell"
    assert any(low <= 250 <= high for low, high in result.extras["blind_hz"])


def test_bands_that_stand_still_cannot_tell(make: Make) -> None:
    result = measured(make("standing", tube=Gate(480.0, 0.4), rate=Fraction(60), flat=True))
    assert result.verdict is not None and result.verdict.word == "cannot tell"
    assert "stand still" in result.verdict.sentence


@pytest.mark.parametrize(("rotation", "want"), [(90, "left"), (180, "up"), (270, "right")])
def test_turned_clip_is_read_across_or_upwards(make: Make, rotation: int, want: str) -> None:
    path = make(f"turned{rotation}", tube=Gate(333.7, 0.4), rotation=rotation, seconds=1.5)
    result = measured(path, readout_direction=None)
    assert result.extras["readout_direction"] == want
    assert result.reading("modulation_frequency").value == pytest.approx(333.7, abs=4e-3)
    assert any("assumed" in text for text in result.warnings)


def test_sideways_readout(make: Make) -> None:
    path = make("sideways", tube=Gate(271.3, 0.4), direction="left", seconds=1.5)
    assert measured(path, readout_direction="left").reading("modulation_frequency").value == pytest.approx(271.3, abs=4e-3)


def test_without_readout_all_candidates_then_two_rates_leave_one(make: Make) -> None:
    first = make("gate_h264", tube=Gate(487.3, 0.4), codec="h264")
    alone = measured(first, readout_ms=None)
    candidates = alone.extras["candidates_hz"]
    assert 2 <= len(candidates) <= 60
    assert min(abs(f - 487.3) for f in candidates) < 0.02
    assert alone.reading("modulation_frequency").state == "refused"
    second = make("gate_50", tube=Gate(487.3, 0.4, 0.5, 0.6), rate=Fraction(50), readout_s=0.0152)
    with open_clip(first, threads=1) as one, open_clip(second, threads=1) as two:
        both = measure_flicker(one, shutter_s=1 / 1000, readout_direction="down", also=[two])
    assert both.reading("modulation_frequency").value == pytest.approx(487.3, abs=3e-3)
    assert len(both.extras["candidates_hz"]) == 1 and len(both.inputs) == 2


def test_source_clip_tells_lamp_from_tube(make: Make) -> None:
    both = make("both", tube=Gate(487.3, 0.5), source=Gate(240.37, 0.5))
    bare = make("screen", source=Gate(240.37, 0.5))
    with open_clip(both, threads=1) as clip, open_clip(bare, threads=1) as source:
        result = measure_flicker(clip, readout_ms=14.0, readout_direction="down", shutter_s=1 / 1000, source=source)
    found = {round(line["frequency_hz"]): line["origin"] for line in result.extras["lines"]}
    assert found[487] == "tube" and found[240] == "source"
    assert result.reading("modulation_frequency", "field").value == pytest.approx(487.3, abs=8e-3)


def test_slow_motion_counts_in_the_time_of_the_camera(make: Make) -> None:
    path = make("slow", tube=Gate(333.7, 0.4), rate=Fraction(120), readout_s=0.007, file_rate=Fraction(30), seconds=1.0)
    result = measured(path, readout_ms=7.0, capture_rate=120.0)
    assert result.reading("modulation_frequency").value == pytest.approx(333.7, abs=0.02)


def test_times_that_mean_nothing_are_refused(make: Make) -> None:
    gate = Gate(487.3, 0.4)
    path = make("nonsense_times", tube=gate, seconds=0.3, file_rate=Fraction(80_000))
    with pytest.raises(UsageError, match="timestamps put"):
        measured(path)


def test_region_and_errors(make: Make) -> None:
    path = make("gate_h264", tube=Gate(487.3, 0.4), codec="h264")
    result = measured(path, region=Rect(110, 84, 90, 72))
    assert result.reading("modulation_frequency", "110,84,90,72").value == pytest.approx(487.3, abs=5e-3)
    with pytest.raises(RegionError, match="outside"):
        measured(path, region=Rect(300, 0, 90, 72))
    with pytest.raises(RegionError, match="rows along"):
        measured(path, region=Rect(0, 100, 300, 8))
    with pytest.raises(UsageError, match="no direction"):
        measured(path, readout_direction="sideways")
    with pytest.raises(Cancelled):
        measured(path, cancelled=lambda: True)


def test_only_the_asked_frames_count(make: Make) -> None:
    result = measured(make("gate_h264", tube=Gate(487.3, 0.4), codec="h264"), frames=(0, 100))
    assert result.reading("modulation_frequency").frames == 100
    assert result.reading("modulation_frequency").value == pytest.approx(487.3, abs=4e-3)


def test_exact_repeats_are_left_out() -> None:
    """A camera that drops frames repeats the one before: the row light of those is no new sample."""
    frames = [np.full((4, 2), float(i), np.float32) for i in range(10)]
    keep, repeated = fresh([*frames[:5], frames[4], *frames[5:]])
    assert repeated == 1 and not keep[5] and keep.sum() == 10
    # a repeat that was encoded again differs a little
    again, count = fresh([*frames[:5], frames[4] + np.float32(0.03), *frames[5:]])
    assert count == 1 and not again[5]
    still, none = fresh([frames[0]] * 6)
    assert none == 0 and still.all()


def test_readout_from_a_lamp(make: Make) -> None:
    lamp = make("lamp", tube=Gate(100.03, 0.5, None), flat=True, readout_s=0.01437, noise=0.03)
    with open_clip(lamp, threads=1) as clip:
        result = measure_readout(clip, 100.0)
        upside = measure_readout(clip, 100.0, readout_direction="up")
    assert result.reading("readout_time").value == pytest.approx(14.37, rel=1e-3)
    assert result.reading("row_time").value == pytest.approx(14.37e3 / 240, rel=1e-3)
    assert result.extras["lamp_hz"] == pytest.approx(100.03, abs=5e-3)
    assert result.extras["readout_direction"] == "down" and upside.extras["readout_direction"] == "down"
    assert any("not up" in text for text in upside.warnings)


def test_readout_from_two_clips(make: Make) -> None:
    lamp = make("lamp", tube=Gate(100.03, 0.5, None), flat=True, readout_s=0.01437, noise=0.03)
    again = make("lamp2", tube=Gate(100.05, 0.4, None, 0.6), flat=True, readout_s=0.01437, noise=0.03, seconds=1.5)
    other = make("lamp3", tube=Gate(100.05, 0.4, None), flat=True, rate=Fraction(30), seconds=0.5)
    with open_clip(lamp, threads=1) as one, open_clip(again, threads=1) as two, open_clip(other, threads=1) as wrong:
        alone = measure_readout(one, 100.0).reading("readout_time")
        both = measure_readout(one, 100.0, also=[two])
        with pytest.raises(UsageError, match="frame rate changed"):
            measure_readout(one, 100.0, also=[wrong])
    reading = both.reading("readout_time")
    assert reading.value == pytest.approx(14.37, rel=1e-3) and reading.frames > alone.frames
    assert len(both.inputs) == 2 and both.extras["direction_sure"]


def test_one_lamp_clip_of_several_is_enough(make: Make) -> None:
    lamp = make("lamp", tube=Gate(100.03, 0.5, None), flat=True, readout_s=0.01437, noise=0.03)
    with open_clip(make("steady"), threads=1) as off, open_clip(lamp, threads=1) as on:
        result = measure_readout(off, 100.0, also=[on])
        neither = measure_readout(off, 100.0, also=[off])
    assert result.reading("readout_time").value == pytest.approx(14.37, rel=1e-3)
    assert result.extras["lamp_hz"] == pytest.approx(100.03, abs=5e-3) and result.extras["readout_direction"] == "down"
    assert any("steady" in text for text in result.warnings)
    assert neither.reading("readout_time").state == "refused"


def test_readout_refuses_what_is_no_lamp(make: Make) -> None:
    with open_clip(make("steady"), threads=1) as clip:
        result = measure_readout(clip, 100.0)
    reading = result.reading("readout_time")
    assert reading.state == "refused" and reading.reason is not None and "film" in reading.reason


def test_field_mask_finds_edge_and_black() -> None:
    y, x = np.mgrid[:240, :320]
    mean = np.where(np.hypot(y - 120, x - 160) < 105, 0.2, 0.004).astype(np.float32)
    mask = field_mask(mean)
    assert mask.inside is not None and mask.black == pytest.approx(0.004, abs=1e-4)
    assert mask.inside[120, 160] and not mask.inside[5, 5]
    assert field_mask(np.full((240, 320), 0.3, np.float32)).black == 0.0


def test_codec_limit_follows_bits_and_rounding(make: Make) -> None:
    assert 0.1 >= codec_limit(0.03, 8) > codec_limit(0.3, 8) > codec_limit(0.3, 10)
    assert codec_limit(0.0, 8) == 0.0
    # the step of a quantiser doubles with every 6 of its number (ITU-T H.264, 8.5.9)
    assert codec_limit(0.02, 8, step=16.0, per_code=0.02) == pytest.approx(2 * codec_limit(0.02, 8, step=8.0, per_code=0.02))
    fine, coarse = make("steady"), make("coarse", crf=32)
    steps = [typical_step(path) for path in (fine, coarse)]
    assert steps[0] is not None and steps[1] is not None
    assert steps[1] / steps[0] == pytest.approx(2.0 ** (12 / 6), rel=0.35)
    assert typical_step(make("gate_hevc", tube=Gate(487.3, 0.4), codec="hevc")) is None
    with open_clip(fine, threads=1) as clip:
        rows = gather(clip, Rect(110, 84, 90, 72), direction="down").rows
        level = float(np.square(rows.light.mean(axis=0)).sum() / rows.light.mean(axis=0).sum())
        # BT.709-6, item 1.2: signal 1.099 L^0.45 - 0.099 over 219 codes
        assert light_per_code(clip, rows) == pytest.approx(1.0 / (219 * 1.099 * 0.45 * level**0.45), rel=0.01)

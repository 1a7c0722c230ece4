"""Readout time from a lamp of known frequency, on row light with known truth."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace

import numpy as np
import pytest

from viewer.measure.flicker_readout import calibrate, still_bands
from viewer.measure.readout_modes import ReadoutMode, join_readouts, parse_mode, still_holds

made = SimpleNamespace(**run_path(str(Path(__file__).with_name("flicker_rows_made.py"))))
Gate, Scene, make_rows = made.Gate, made.Scene, made.make_rows


@pytest.mark.parametrize(
    ("hz", "fps", "readout_s"), [(100.0, 60000 / 1001, 0.01437), (120.0, 25.0, 0.0221), (1000.0, 30000 / 1001, 0.0152)]
)
@pytest.mark.parametrize("backwards", [False, True])
def test_readout_and_direction(hz: float, fps: float, readout_s: float, backwards: bool) -> None:
    scene = Scene(
        fps=fps, readout_s=readout_s, tube=Gate(hz, 0.5), exposure_s=0.2 / hz, noise=0.02, codec=0.002, seconds=3.0, rows=120
    )
    found, reason = calibrate(make_rows(scene, backwards=backwards), hz)
    assert found is not None, reason
    assert found.readout_s == pytest.approx(readout_s, rel=1e-3)
    assert found.row_time_s == pytest.approx(readout_s / 120, rel=1e-3)
    assert found.backwards is backwards
    assert abs(found.readout_s - readout_s) < 5.0 * found.sigma_s + 1e-4 * readout_s


@pytest.mark.parametrize(("hz", "fps"), [(100.05, 50.0), (125.1, 50.0), (119.93, 60.0)])
def test_direction_that_no_band_can_tell(hz: float, fps: float) -> None:
    """At 50 fps, bands of 100.05 Hz read up run as those of 99.95 Hz read down, and mains may be either."""
    scene = Scene(fps=fps, tube=Gate(hz, 0.4, None), readout_s=0.0143, noise=0.02, seconds=3.0, rows=120, exposure_s=2e-4)
    for backwards in (False, True):
        found, reason = calibrate(make_rows(scene, backwards=backwards), round(hz))
        assert found is not None, reason
        assert found.symmetric and not found.backwards
        assert abs(found.readout_s - 0.0143) < 2.0 * found.sigma_s + 5e-6
        # said by the user, the direction leaves the frequency; its own error is smaller
        known, _ = calibrate(make_rows(scene, backwards=backwards), round(hz), direction_known=True)
        assert known is not None and known.sigma_s < found.sigma_s


def test_mains_that_are_off_do_not_matter() -> None:
    """The grid wanders by tenths of a per cent; the lamp's frequency by the clip's own clock is used."""
    scene = Scene(tube=Gate(100.31, 0.4, None), readout_s=0.0143, noise=0.02, seconds=3.0, rows=120)
    found, _ = calibrate(make_rows(scene), 100.0)
    assert found is not None and found.lamp_hz == pytest.approx(100.31, abs=2e-3)
    assert found.readout_s == pytest.approx(0.0143, rel=1e-3)


@pytest.mark.parametrize(
    ("scene", "lamp_hz", "words"),
    [
        (Scene(fps=50.0, tube=Gate(100.0, 0.4, None), rows=120, seconds=2.0), 100.0, "stands still"),
        (Scene(fps=50.0, tube=Gate(125.0, 0.4, None), rows=120, seconds=2.0), 125.0, "neither way"),
        (Scene(rows=120, seconds=2.0), 120.0, "No bands"),
        (Scene(tube=Gate(333.0, 0.4), rows=120, seconds=2.0), 100.0, "not at 100 Hz"),
    ],
)
def test_refusals_say_what_to_film(scene: object, lamp_hz: float, words: str) -> None:
    found, reason = calibrate(make_rows(scene), lamp_hz)
    assert found is None and words in reason


def test_spacing_in_one_picture() -> None:
    rows = np.arange(540)
    for period in (68.6, 41.3, 120.7):
        light = (1.0 + 0.2 * rows / 540) * np.where((rows / period + 0.2) % 1.0 < 0.5, 1.0, 0.02)
        spacing, _ = still_bands(light)
        # rows are whole pixels: an edge is placed to a fraction of one only by many edges together
        assert spacing == pytest.approx(period, rel=3e-3)


def test_modes_of_a_camera_expire() -> None:
    stored = ReadoutMode(1920, 1080, 60000 / 1001, "hevc", 90, crop="1.5 x", stabilisation="off")
    assert parse_mode(stored.text) == replace(stored, rate=59.94)
    assert still_holds(stored.text, stored) == (True, "")
    assert still_holds("", stored)[0], "a typed readout has no mode"
    for change, words in (
        ({"width": 3840, "height": 2160}, "size"),
        ({"rate": 50.0}, "59.94 to 50 fps"),
        ({"rotation": 0}, "size"),
        ({"codec": "h264"}, "codec"),
        ({"stabilisation": "on"}, "stabilisation changed from off to on"),
        ({"crop": "2 x"}, "crop"),
    ):
        holds, why = still_holds(stored.text, replace(stored, **change))
        assert not holds and words in why
    # held another way up, the sensor is read as before; a phone's average rate is never quite the same
    assert still_holds(stored.text, replace(stored, width=1080, height=1920, rotation=0))[0]
    assert still_holds(stored.text, replace(stored, rotation=270, rate=60.0))[0]
    # what is not known cannot speak against it
    assert still_holds(stored.text, replace(stored, crop="", codec=""))[0]
    assert not still_holds("scribble", stored)[0]


def test_readouts_of_several_clips_are_joined() -> None:
    joined = join_readouts([(0.0150, 2e-5, "down"), (0.01502, 1e-5, "down")])
    assert 0.0150 < joined.readout_s < 0.01502 and joined.sigma_s < 1e-5 and joined.agree and joined.direction == "down"
    apart = join_readouts([(0.0150, 1e-6, None), (0.0160, 1e-6, None)])
    assert not apart.agree and "different modes" in apart.note and apart.sigma_s > 1e-4 and apart.direction is None
    against = join_readouts([(0.015, 1e-5, "down"), (0.015, 1e-5, "up")])
    assert not against.agree and "direction" in against.note
    with pytest.raises(ValueError, match="no readouts"):
        join_readouts([])

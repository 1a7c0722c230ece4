"""The data-sheet desk: what is typed, what it means, what contradicts."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from viewer.cli.main import run
from viewer.errors import UsageError
from viewer.measure.lightlevel import level_in_units
from viewer.measure.sheet import QUANTITIES, compare_units, next_step, parse_figure, parse_number, read_sheet


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("27.5", 27.5),
        ("27,5", 27.5),
        ("0,003", 0.003),
        ("0,25", 0.25),
        ("30,000", 30000.0),
        ("1,234.5", 1234.5),
        ("1.234,5", 1234.5),
        ("2.5e-11", 2.5e-11),
        ("2,5E-11", 2.5e-11),
        ("> 25", 25.0),
        ("1 000", 1000.0),
    ],
)
def test_numbers_as_people_type_them(text: str, value: float) -> None:
    assert parse_number(text) == pytest.approx(value)


@pytest.mark.parametrize("text", ["", "abc", "1e400", "--3", "1..2..3e"])
def test_what_is_not_a_number(text: str) -> None:
    with pytest.raises(UsageError):
        parse_number(text)


def test_resolution_is_an_interval_up_to_the_next_step() -> None:
    figure = parse_figure("resolution", "64")
    assert (figure.low, figure.high) == (64.0, 72.0)
    assert next_step(57.0) == 64.0
    assert next_step(67.0) is None
    assert parse_figure("resolution", "64-72 lp/mm").high == 72.0
    assert "interpolated" in parse_figure("resolution", "67 lp/mm").remarks[0]


def test_figure_of_merit_is_an_interval() -> None:
    # 64 to under 72 lp/mm at SNR 30: 1920 to 2160 (arithmetic).
    derived = {name: (low, high) for name, _, low, high, _, _ in read_sheet({"snr": "30", "resolution": "64"}).derived}
    assert derived["figure_of_merit"] == (1920.0, 2160.0)


def test_contradictions_are_said() -> None:
    doubts = read_sheet({"snr": "30", "resolution": "64", "fom": "2400"}).doubts
    assert any("2400" in doubt and "1920 to 2160" in doubt for doubt in doubts)
    assert not read_sheet({"snr": "30", "resolution": "64", "fom": "2000"}).doubts
    assert any("ceiling" in doubt for doubt in read_sheet({"snr": "30", "sensitivity": "600"}).doubts)
    assert not read_sheet({"snr": "30", "sensitivity": "1000 uA/lm"}).doubts
    assert any("field" in doubt for doubt in read_sheet({"field": "40", "focal": "27", "diameter": "18"}).doubts)
    assert any("outside" in doubt for doubt in read_sheet({"gain": "3 fL/fc"}).doubts)


def test_units_of_gain_and_dark_glow() -> None:
    assert parse_figure("gain", "10000 cd/m2/lx").low == pytest.approx(31415.93, abs=0.05)
    assert parse_figure("gain", "30,000 fL/fc").low == 30000.0
    assert parse_figure("ebi", "2.5e-11 phot").low == pytest.approx(0.25)
    assert parse_figure("ebi", "0.25 µlx").low == pytest.approx(0.25)
    assumed = parse_figure("ebi", "2.5")
    assert assumed.low == pytest.approx(0.25)
    assert "no unit typed" in assumed.remarks[0]


def test_wrong_unit_between_devices_is_suspected() -> None:
    first, second = parse_figure("gain", "10000 fL/fc"), parse_figure("gain", "31000 fL/fc")
    assert "3.14" in (compare_units("gain", first, second) or "")
    assert compare_units("gain", first, parse_figure("gain", "20000")) is None
    assert "factor of ten" in (compare_units("ebi", parse_figure("ebi", "0.25 ulx"), parse_figure("ebi", "2.5 ulx")) or "")


@pytest.mark.parametrize(
    ("quantity", "text"), [("gain", "5 bananas"), ("snr", "none"), ("halo", "-1 mm"), ("resolution", "72-64")]
)
def test_bad_entries_are_one_line(quantity: str, text: str) -> None:
    with pytest.raises(UsageError) as caught:
        parse_figure(quantity, text)
    assert quantity in str(caught.value) or "not a number" in str(caught.value)


def test_typed_text_is_kept() -> None:
    assert parse_figure("snr", " 27,5 ").typed == " 27,5 "
    assert all(quantity.unit for quantity in QUANTITIES.values())


def test_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    target = tmp_path / "sheet.json"
    assert run(["sheet", "--snr", "27,3", "--resolution", "64", "--gain", "10000 cd/m2/lx", "--json", str(target)]) == 0
    document = json.loads(target.read_text())
    values = {reading["name"]: reading for reading in document["readings"]}
    assert values["figure_of_merit"]["low"] == pytest.approx(1747.2)
    assert values["gain"]["value"] == pytest.approx(31415.93, abs=0.05)
    assert run(["sheet"]) == 2
    assert run(["sheet", "--gain", "x"]) == 2
    assert "not start with a number" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("quantity", "text", "value"),
    [
        ("gain", "30.000 fL/fc", 30000.0),
        ("gain", "30,000 fL/fc", 30000.0),
        ("snr", "27,500", 27.5),
        ("snr", "27.500", 27.5),
        ("resolution", "64.000-72.000 lp/mm", 64.0),
        ("fom", "1.900", 1900.0),
        ("halo", "0,750 mm", 0.75),
    ],
)
def test_thousands_or_decimals_by_what_is_usual(quantity: str, text: str, value: float) -> None:
    figure = parse_figure(quantity, text)
    assert figure.low == pytest.approx(value)
    assert not any("outside" in remark for remark in figure.remarks)


def test_a_number_read_otherwise_is_said() -> None:
    assert "30.000 is read as 30000" in parse_figure("gain", "30.000").remarks
    assert any("outside" in remark for remark in parse_figure("gain", "3.000 fL/fc").remarks) is False
    assert any("outside" in remark for remark in parse_figure("snr", "3.500").remarks)  # neither 3.5 nor 3500 is usual


def test_two_devices_by_command(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["sheet", "--gain", "30000", "--gain", "9500 fL/fc", "--snr", "-", "--snr", "27.5"]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert "sheets 1 and 2, gain" in shown and "3.14" in shown
    assert "sheet 1, gain: no unit typed: taken as fL/fc" in shown
    assert "95 %" not in shown  # what a sheet states is no confidence interval


def test_light_levels_in_all_units() -> None:
    """1 fL = 3.4262591 cd/m2 and 1 fc = 10.7639104 lx (NIST SP 811, from memory); 1 phot = 1 lm/cm2 = 10^4 lx (SI)."""
    text = level_in_units("2 fL")
    assert "6.85252 cd/m2" in text and "2000 mfL" in text and "21.5278 lx" in text and "2 fc" in text
    assert "0.092903 fc" in level_in_units("1 lx") and "0.0001 phot" in level_in_units("1 lx")
    assert "0.31831 cd/m2" in level_in_units("1 lx")  # 1 / pi
    assert level_in_units("0,5 cd/m²").startswith("0.5 cd/m2")


@pytest.mark.parametrize("text", ["5", "mfL", "3 zz", "-1 lx", "0 lx"])
def test_light_levels_that_cannot_be_read(text: str) -> None:
    with pytest.raises(UsageError, match="light"):
        level_in_units(text)
    assert run(["sheet", "--light", text]) == 2

"""Units and data-sheet quantities against `check_values` section B (astropy units and closed forms; sources stand there)."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest

from viewer.errors import UsageError
from viewer.measure import units as u

FUNCTIONS: dict[str, Callable[..., float]] = {
    "fl_to_cdm2": lambda fL: u.convert_luminance(fL, "fL"),
    "cdm2_to_fl": lambda cdm2: u.convert_luminance(cdm2, "cd/m2", "fL"),
    "fc_to_lx": lambda fc: u.convert_illuminance(fc, "fc"),
    "phot_to_lx": lambda phot: u.convert_illuminance(phot, "phot"),
    "ebi_1e-11phot_to_microlux": lambda ebi: u.ebi_microlux(ebi),
    "ebi_microlux_to_1e-11phot": lambda microlux: u.ebi_1e11_phot(microlux),
    "gain_cdm2lx_to_flfc": lambda gain: u.gain_from_cdm2lx(gain),
    "gain_flfc_to_cdm2lx": lambda gain: u.gain_to_cdm2lx(gain),
    "figure_of_merit": lambda snr, lpmm: u.figure_of_merit(snr, lpmm),
    "lpmm_to_cy_per_mrad": lambda lpmm, f_mm: u.cycles_per_mrad(lpmm, f_mm),
    "lpmm_to_cy_per_deg": lambda lpmm, f_mm: u.cycles_per_degree(lpmm, f_mm),
    "snellen_denominator": lambda cy_per_deg: u.snellen_denominator(cy_per_deg),
    "focal_length_for_field_rectilinear": lambda format_mm, field_deg: u.focal_for_field(format_mm, field_deg),
    "field_rectilinear": lambda format_mm, f_mm: u.field_rectilinear(format_mm, f_mm),
    "field_ftheta": lambda format_mm, f_mm: u.field_ftheta(format_mm, f_mm),
    "usaf1951_lpmm": lambda group, element: u.usaf_lpmm(group, element),
    "usaf1951_bar_width_mm": lambda group, element: u.usaf_bar_width_mm(group, element),
    "chart_cy_per_mrad": lambda group, element, distance_m: u.chart_cycles_per_mrad(u.usaf_lpmm(group, element), distance_m),
    "chart_tube_lpmm": lambda group, element, distance_m, f_mm: u.chart_tube_lpmm(
        u.usaf_lpmm(group, element), distance_m, f_mm
    ),
    "usaf_step_ratio": lambda: u.USAF_STEP,
    "magnitude_to_lux": lambda m: u.magnitude_to_lux(m),
    "lambert_luminance": lambda E_lx, rho: u.lambert_luminance(E_lx, rho),
    "photocathode_illuminance": lambda E_lx, rho, T, N: u.cathode_illuminance(E_lx, rho, T, N),
    "ebi_contrast_factor": lambda E_pc, ebi_microlux: u.ebi_contrast_factor(E_pc, ebi_microlux),
    "photoelectron_rate_per_mm2": lambda E_lx, uA_per_lm: u.photoelectron_rate(E_lx, uA_per_lm),
    "tube_snr_shot_bound": lambda E_lx, uA_per_lm, spot_mm, bandwidth_hz: u.snr_ceiling(
        uA_per_lm, illuminance_lx=E_lx, spot_mm=spot_mm, bandwidth_hz=bandwidth_hz
    ),
    "michelson_from_density_difference": lambda dD: u.michelson_of_density(dD),
    "nd_illuminance": lambda E_lx, density: u.nd_illuminance(E_lx, density),
}


def test_section_b(check_values: list[dict[str, Any]]) -> None:
    rows = [row for row in check_values if row["section"] == "B"]
    assert len(rows) >= 65
    for row in rows:
        got = FUNCTIONS[row["quantity"]](**row["inputs"])
        assert got == pytest.approx(row["expected"], abs=row["tolerance"], rel=0), row["id"]


def test_halo_angle(check_values: list[dict[str, Any]]) -> None:
    rows = [row for row in check_values if row["id"].startswith("E-ANG")]
    assert rows
    for row in rows:
        inputs = row["inputs"]
        if "mm" in inputs:
            got = u.angle_of_tube_mm(inputs["mm"], inputs["f_mm"])
        else:
            got = u.tube_mm_of_angle(inputs["full_angle_deg"], inputs["f_mm"])
        assert got == pytest.approx(row["expected"], abs=row["tolerance"]), row["id"]


def test_light_levels_of_a_box() -> None:
    # 1.5 and 0.003 mfL, the ends of a light box: 500:1, 8.97 stops (arithmetic).
    top, bottom = u.level_luminance(1.5, "mfL"), u.level_luminance(0.003, "mfL")
    assert top == pytest.approx(5.139e-3, rel=1e-3)
    assert bottom == pytest.approx(1.028e-5, rel=1e-3)
    assert math.log2(top / bottom) == pytest.approx(8.966, abs=1e-3)
    assert u.level_luminance(1.0, "lx", reflectance=0.5) == pytest.approx(0.5 / math.pi)


def test_unknown_unit_is_named() -> None:
    with pytest.raises(UsageError, match="'furlong' is not one of"):
        u.convert_luminance(1.0, "furlong")

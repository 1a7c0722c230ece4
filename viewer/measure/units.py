"""Photometric units, tube data-sheet quantities, angles on the tube: the formulas behind the data-sheet desk.

Sources are named beside each function; what is trade habit is marked as practice.
"""

from __future__ import annotations

import math

from viewer.errors import UsageError

FOOT_M = 0.3048
CDM2_PER_FL = 1.0 / (math.pi * FOOT_M**2)
LX_PER_FC = 1.0 / FOOT_M**2
LX_PER_PHOT = 1.0e4
ELEMENTARY_CHARGE_C = 1.602176634e-19
USAF_STEP = 2.0 ** (1.0 / 6.0)

# unit -> (kind, factor to the first unit of its kind)
LUMINANCE = {"cd/m2": 1.0, "fL": CDM2_PER_FL, "mfL": 1e-3 * CDM2_PER_FL, "mcd/m2": 1e-3}
ILLUMINANCE = {"lx": 1.0, "mlx": 1e-3, "ulx": 1e-6, "fc": LX_PER_FC, "mfc": 1e-3 * LX_PER_FC, "phot": LX_PER_PHOT}
LEVEL_UNITS = ("mfL", "fL", "cd/m2", "mcd/m2", "lx", "mlx", "ulx", "fc", "mfc")


def convert_luminance(value: float, unit: str, to: str = "cd/m2") -> float:
    """Convert a luminance; 1 fL = (1/pi) cd/ft2 = 3.4262591 cd/m2."""
    return value * _factor(LUMINANCE, unit) / _factor(LUMINANCE, to)


def convert_illuminance(value: float, unit: str, to: str = "lx") -> float:
    """Convert an illuminance; 1 fc = 1 lm/ft2 = 10.7639104 lx, 1 phot = 1 lm/cm2 = 10^4 lx."""
    return value * _factor(ILLUMINANCE, unit) / _factor(ILLUMINANCE, to)


def _factor(table: dict[str, float], unit: str) -> float:
    try:
        return table[unit]
    except KeyError:
        raise UsageError(f"unit {unit!r} is not one of {', '.join(table)}.") from None


def level_luminance(value: float, unit: str, *, reflectance: float = 1.0) -> float:
    """Return the luminance (cd/m2) of a light level typed as luminance, or as illuminance on a matt surface.

    Lambert: ``L = reflectance * E / pi``.
    """
    if unit in LUMINANCE:
        return convert_luminance(value, unit)
    return lambert_luminance(convert_illuminance(value, unit), reflectance)


def lambert_luminance(illuminance_lx: float, reflectance: float) -> float:
    """Luminance (cd/m2) of a perfectly matt surface (Lambert)."""
    return reflectance * illuminance_lx / math.pi


def gain_from_cdm2lx(gain: float) -> float:
    """Luminance gain in fL/fc from cd/m2/lx: a factor of pi, since fL carries 1/pi."""
    return gain * LX_PER_FC / CDM2_PER_FL


def gain_to_cdm2lx(gain: float) -> float:
    """Luminance gain in cd/m2/lx from fL/fc."""
    return gain * CDM2_PER_FL / LX_PER_FC


def ebi_microlux(ebi_1e11_phot: float) -> float:
    """EBI in microlux from 1e-11 lm/cm2 (phot)."""
    return ebi_1e11_phot * 1e-11 * LX_PER_PHOT * 1e6


def ebi_1e11_phot(microlux: float) -> float:
    """EBI in 1e-11 lm/cm2 (phot) from microlux."""
    return microlux * 1e-6 / LX_PER_PHOT * 1e11


def ebi_contrast_factor(cathode_lx: float, ebi_ulx: float) -> float:
    """Share of the contrast that is left over the dark glow: ``E / (E + EBI)``."""
    return cathode_lx / (cathode_lx + 1e-6 * ebi_ulx)


def cathode_illuminance(scene_lx: float, reflectance: float, transmission: float, f_number: float) -> float:
    """Illuminance (lx) at the photocathode: ``rho E T / (4 N^2)``, far object."""
    return reflectance * scene_lx * transmission / (4.0 * f_number**2)


def figure_of_merit(snr: float, resolution_lpmm: float) -> float:
    """SNR times limiting resolution (practice); its dimension is lp/mm."""
    return snr * resolution_lpmm


def cycles_per_mrad(lpmm: float, focal_mm: float) -> float:
    """Angular frequency in front of the objective from lp/mm at the tube."""
    return lpmm * focal_mm / 1000.0


def cycles_per_degree(lpmm: float, focal_mm: float) -> float:
    """The same per degree."""
    return cycles_per_mrad(lpmm, focal_mm) * math.radians(1.0) * 1000.0


def snellen_denominator(cycles_per_deg: float) -> float:
    """x of 20/x (practice): 30 cycles/degree is 20/20."""
    return 600.0 / cycles_per_deg


def field_rectilinear(format_mm: float, focal_mm: float) -> float:
    """Field of view (degrees) of a distortion-free objective: ``2 atan(D / 2f)``."""
    return math.degrees(2.0 * math.atan(format_mm / (2.0 * focal_mm)))


def field_ftheta(format_mm: float, focal_mm: float) -> float:
    """Field of view (degrees) of an f-theta objective: ``D / f``."""
    return math.degrees(format_mm / focal_mm)


def focal_for_field(format_mm: float, field_deg: float) -> float:
    """Focal length (mm) that gives a field, rectilinear."""
    return format_mm / (2.0 * math.tan(math.radians(field_deg) / 2.0))


def angle_of_tube_mm(size_mm: float, focal_mm: float) -> float:
    """Angle (degrees) of a size at the tube: ``2 atan(d / 2f)``."""
    return field_rectilinear(size_mm, focal_mm)


def tube_mm_of_angle(angle_deg: float, focal_mm: float) -> float:
    """Size (mm) at the tube of an angle: ``2 f tan(angle / 2)``."""
    return 2.0 * focal_mm * math.tan(math.radians(angle_deg) / 2.0)


def usaf_lpmm(group: int, element: int) -> float:
    """Line pairs per mm of an element of the 1951 chart (MIL-STD-150A): ``2^(group + (element - 1) / 6)``."""
    if not 1 <= element <= 6:
        raise UsageError(f"element {element} is not 1 to 6.")
    return float(2.0 ** (group + (element - 1) / 6.0))


def usaf_bar_width_mm(group: int, element: int) -> float:
    """Width of one bar, half a line pair; its length is five widths."""
    return 0.5 / usaf_lpmm(group, element)


def chart_cycles_per_mrad(lpmm: float, distance_m: float) -> float:
    """Angular frequency of a printed element seen from a distance."""
    return lpmm * distance_m


def chart_tube_lpmm(lpmm: float, distance_m: float, focal_mm: float) -> float:
    """Where a printed element falls on the tube, lp/mm."""
    return 1000.0 * chart_cycles_per_mrad(lpmm, distance_m) / focal_mm


def magnitude_to_lux(magnitude: float) -> float:
    """Illuminance (lx) from a star of a visual magnitude: ``2.54e-6 * 10^(-0.4 m)``."""
    return 2.54e-6 * math.pow(10.0, -0.4 * magnitude)


def nd_illuminance(illuminance_lx: float, density: float) -> float:
    """Illuminance behind a neutral density."""
    return illuminance_lx * math.pow(10.0, -density)


def michelson_of_density(density_difference: float) -> float:
    """Michelson contrast of a chart whose fields differ by a density."""
    ratio = math.pow(10.0, density_difference)
    return (ratio - 1.0) / (ratio + 1.0)


def photoelectron_rate(illuminance_lx: float, sensitivity_ua_lm: float) -> float:
    """Photoelectrons per second and mm2 of cathode."""
    return illuminance_lx * 1e-6 * sensitivity_ua_lm * 1e-6 / ELEMENTARY_CHARGE_C


def snr_ceiling(
    sensitivity_ua_lm: float, *, illuminance_lx: float = 1.0764e-4, spot_mm: float = 0.2, bandwidth_hz: float = 10.0
) -> float:
    """Shot-noise ceiling of the customary SNR test: ``sqrt(S E A / (2 q B))``.

    The test (spot of 0.2 mm at 1.08e-4 lx of 2856 K light, 10 Hz) is from memory; laboratories differ.
    """
    area_m2 = math.pi * (0.5e-3 * spot_mm) ** 2
    return math.sqrt(sensitivity_ua_lm * 1e-6 * illuminance_lx * area_m2 / (2.0 * ELEMENTARY_CHARGE_C * bandwidth_hz))


__all__ = [
    "ILLUMINANCE",
    "LEVEL_UNITS",
    "LUMINANCE",
    "USAF_STEP",
    "angle_of_tube_mm",
    "cathode_illuminance",
    "chart_cycles_per_mrad",
    "chart_tube_lpmm",
    "convert_illuminance",
    "convert_luminance",
    "cycles_per_degree",
    "cycles_per_mrad",
    "ebi_1e11_phot",
    "ebi_contrast_factor",
    "ebi_microlux",
    "field_ftheta",
    "field_rectilinear",
    "figure_of_merit",
    "focal_for_field",
    "gain_from_cdm2lx",
    "gain_to_cdm2lx",
    "lambert_luminance",
    "level_luminance",
    "magnitude_to_lux",
    "michelson_of_density",
    "nd_illuminance",
    "photoelectron_rate",
    "snellen_denominator",
    "snr_ceiling",
    "tube_mm_of_angle",
    "usaf_bar_width_mm",
    "usaf_lpmm",
]

"""Readings, settings and moments in words: one place, so that still, card, report and window say the same."""

from __future__ import annotations

import math
from dataclasses import dataclass

from viewer.measure.names import base_of, label_of
from viewer.measure.readings import FLAG_WORDS, Flag, bound_words
from viewer.session.model import Clip, Device, StoredReading

CAUTION = "Filmed footage of these units and takes. Not for driving, flying or aiming. May flicker."
CAUTIONS = (
    "Flicker: clips and stills of gated devices can flash. The scan follows WCAG 2.x and BT.1702; passing it is no medical "
    "clearance. Keep a flash warning beside clips that flicker.",
    "Bright light can damage an intensifier for good, powered or not: cap on, no sun, lamps or lasers, short exposures in "
    "point-light tests.",
    "High voltage: inside are thousands of volts, also after switch-off. Nothing here asks anyone to open a device.",
    "Infrared lasers: no blink reflex protects against an invisible beam. Do not aim at people, vehicles, aircraft or "
    "reflective surfaces.",
    "These results describe filmed footage. Do not drive, fly, aim or judge safety by them.",
    "Device data and performance figures may be controlled in some countries: check local law before publishing them.",
)


@dataclass(frozen=True, slots=True)
class Quantity:
    """What a reading means, and a short name for where room is scarce."""

    meaning: str = ""
    short: str = ""


QUANTITIES: dict[str, Quantity] = {
    "michelson": Quantity("(bright - dark) / (bright + dark) of the regions' mean light", "Michelson"),
    "weber": Quantity("(bright - dark) / dark"),
    "rms": Quantity("spread of light over its mean", "RMS"),
    "cnr": Quantity("difference of the regions over the noise of single pixels"),
    "local_contrast": Quantity("RMS contrast of one octave of spatial frequency"),
    "core_radius": Quantity("how far recording is at its limit; follows the exposure", "Core radius"),
    "halo_radius": Quantity("where the disc of light around a lamp falls most steeply"),
    "half_radius": Quantity("where the light has fallen to half of its unclipped level", "Half radius"),
    "bloom_radius": Quantity("where the added light falls under 10 % of the local background"),
    "veil_at_edge": Quantity("smooth glow at the halo's edge as a share of the halo's own height", "Veil"),
    "centre_x": Quantity("centre of the light, from unclipped pixels"),
    "centre_y": Quantity("centre of the light, from unclipped pixels"),
    "modulation_frequency": Quantity("frequency of the light's pulsing", "Modulation"),
    "modulation_depth": Quantity("percent flicker, corrected for the shutter", "Mod. depth"),
    "flicker_index": Quantity("area above the mean over the whole area of one cycle"),
    "alias_frequency": Quantity("the rate at which the modulation shows in this clip's frames", "Beat"),
    "detection_limit": Quantity("a weaker modulation would have gone unseen", "Smallest seen"),
    "readout_time": Quantity("from the first row to the last"),
    "row_time": Quantity("from one row to the next"),
    "rise_10_90": Quantity("distance over which an edge rises", "Rise 10-90 %"),
    "mtf50": Quantity("spatial frequency at which half of the contrast is left"),
    "mtf_at_0.05": Quantity("share of the contrast left at this spatial frequency"),
    "mtf_at_0.1": Quantity("share of the contrast left at this spatial frequency"),
    "overshoot": Quantity("bright rim at the edge, as camera sharpening makes it"),
    "undershoot": Quantity("dark rim at the edge"),
    "edge_angle": Quantity("direction of the edge's normal"),
    "glow_radius": Quantity("how far bright spills into dark"),
    "contrast": Quantity("(figure - surroundings) / surroundings", "Contrast"),
    "detectability": Quantity("template signal to noise; 5 is the Rose criterion"),
    "u_prime": Quantity("CIE 1976 chromaticity"),
    "v_prime": Quantity("CIE 1976 chromaticity"),
    "mean": Quantity("relative light; comparable at locked settings only"),
    "temporal_sigma": Quantity("spread of a pixel from frame to frame", "Noise"),
    "fixed_pattern_sigma": Quantity("spread between pixels that stays"),
    "snr": Quantity("of this recording; not the tube's data-sheet SNR", "SNR"),
    "snr_disc": Quantity("of this recording, in a disc of stated angle; not the tube's data-sheet SNR", "SNR in a disc"),
    "modulation": Quantity("(gap - bar) / (gap + bar)", "Bars"),
    "limiting_resolution": Quantity("finest bars resolved by statistics", "Resolution"),
    "limiting_resolution_single_frame": Quantity("finest bars that one frame resolves", "Resolution, 1 frame"),
    "settling_time": Quantity("from the change of light until the picture stays within half a percent"),
    "level_lost": Quantity("light level at which contrast or modulation falls under its threshold", "Lost at"),
    "radius": Quantity("of the round edge of the eyepiece image in the clip"),
    "px_per_degree": Quantity("scale of the clip, from the stated field or from marks a known angle apart"),
    "edge_light": Quantity("light at nine tenths of the field's radius against the middle"),
    "light_tilt": Quantity("largest difference of light between opposite sides of the field"),
    "distortion": Quantity("change of scale from the middle of the field to its edge"),
    "matching_factor": Quantity("light of a patch in this clip over that in the other"),
}


def label(name: str) -> str:
    """Return the plain name of a reading."""
    return label_of(name)


def short_label(name: str) -> str:
    """Return the name of a reading where room is scarce."""
    known = QUANTITIES.get(base_of(name))
    return (known.short if known else "") or label(name)


# Flags that tell what a reading is; the others say that it needs care.
INFORMING = frozenset(FLAG_WORDS[flag][0] for flag in (Flag.ONE_TAKE, Flag.OF_TUBE, Flag.OF_SOURCE))
_UNITS = {"1": "", "deg": "°", "um": "µm", "us": "µs", "cycles/px": "c/px", "cycles/reference px": "c/reference px"}


def unit_words(unit: str) -> str:
    """Return a unit as it is printed."""
    return _UNITS.get(unit, unit)


def decimals(value: float, half: float | None) -> int:
    """Return how many decimals a value deserves: two figures of half the interval."""
    like = half if half else abs(value) * 0.01
    if not like or not math.isfinite(like):
        return 2
    return max(0, min(6, 1 - math.floor(math.log10(like) + 1e-9)))


def number(value: float, places: int) -> str:
    """Return a number with a true minus sign."""
    return f"{value:.{places}f}".replace("-", "−")


def value_words(reading: StoredReading) -> tuple[str, str]:
    """Return value and, apart from it, the interval with the unit: ``("12.4", "±0.3 px")``."""
    if reading.value is None:
        return "refused", ""
    unit = unit_words(reading.unit)
    gap = "" if unit in ("", "°") else " "
    low, high = reading.low, reading.high
    half = 0.5 * (high - low) if low is not None and high is not None else None
    places = decimals(reading.value, half or (0.1 * abs(reading.value) if reading.state == "limit" else None))
    bound = f"{bound_words(reading.value, low, high)} " if reading.state == "limit" else ""
    head = bound + number(reading.value, places)
    if low is None or high is None or half is None:
        return head, f"{gap}{unit}".strip()
    left, right = reading.value - low, high - reading.value
    if left >= 0 and right >= 0 and max(left, right) <= 1.35 * max(min(left, right), 1e-12):
        return head, f"±{number(half, places)}{gap}{unit}"
    return head, f"({number(low, places)} to {number(high, places)}){gap}{unit}"


def device_name(device: Device | None) -> str:
    """Return the name of a device, with the word "control" where it is one."""
    if device is None:
        return "no device"
    return f"{device.name} (control)" if device.control else device.name


def sheet_words(device: Device) -> list[str]:
    """Return the data-sheet lines of a device: what was typed, as it was typed."""
    return [f"{sheet_label(entry.quantity)} {entry.typed}".strip() for entry in device.sheet]


_SHORT = {"snr": "SNR", "ebi": "EBI", "fom": "FOM", "figure of merit": "FOM", "field of view": "field"}


def sheet_label(quantity: str) -> str:
    """Return the name of a data-sheet figure as it is printed."""
    plain = quantity.replace("_", " ")
    return _SHORT.get(plain.lower(), plain)


def take_words(clip: Clip) -> str:
    """Return which mounting a clip shows."""
    return f"take {clip.take}"


def percentile_words(percent: float | None) -> str:
    """Return a percentile: ``48th percentile``."""
    if percent is None:
        return "not known"
    whole = round(percent)
    ending = "th" if 10 <= whole % 100 <= 20 else {1: "st", 2: "nd", 3: "rd"}.get(whole % 10, "th")
    return f"{whole}{ending} percentile"


__all__ = [
    "CAUTION",
    "CAUTIONS",
    "INFORMING",
    "QUANTITIES",
    "Quantity",
    "decimals",
    "device_name",
    "label",
    "number",
    "percentile_words",
    "sheet_label",
    "sheet_words",
    "short_label",
    "take_words",
    "unit_words",
    "value_words",
]

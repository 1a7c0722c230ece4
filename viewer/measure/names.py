"""The plain name of every reading: one table, so that verdicts, window, stills, card and report say the same words."""

from __future__ import annotations

LABELS: dict[str, str] = {
    # contrast
    "michelson": "Michelson contrast",
    "weber": "Weber contrast",
    "rms": "RMS contrast",
    "cnr": "Contrast-to-noise",
    "local_contrast": "Local contrast",
    # bloom
    "centre_x": "Centre x",
    "centre_y": "Centre y",
    "core_radius": "Clipped core radius",
    "halo_radius": "Halo radius",
    "half_radius": "Half-level radius",
    "bloom_radius": "Bloom radius",
    "veil_at_edge": "Veil at the halo's edge",
    # flicker, and the camera's readout
    "modulation_frequency": "Modulation frequency",
    "modulation_depth": "Modulation depth",
    "flicker_index": "Flicker index",
    "alias_frequency": "Beat in the clip",
    "detection_limit": "Smallest depth seen",
    "readout_time": "Readout time",
    "row_time": "Row time",
    # edge
    "rise_10_90": "Edge rise 10-90 %",
    "mtf50": "MTF50",
    "mtf_at_0.05": "MTF at 0.05 cycles/px",
    "mtf_at_0.1": "MTF at 0.1 cycles/px",
    "overshoot": "Overshoot",
    "undershoot": "Undershoot",
    "edge_angle": "Edge angle",
    "glow_radius": "Glow radius",
    # bars
    "modulation": "Bar modulation",
    "limiting_resolution": "Limiting resolution",
    "limiting_resolution_single_frame": "Limiting resolution, single frame",
    # noise
    "mean": "Mean level",
    "temporal_sigma": "Temporal noise",
    "fixed_pattern_sigma": "Fixed pattern",
    "snr": "Signal-to-noise",
    "snr_disc": "Signal-to-noise in a disc",
    # figure
    "contrast": "Figure contrast",
    "detectability": "Detectability",
    # tint
    "u_prime": "u′",
    "v_prime": "v′",
    # light steps
    "settling_time": "Settling time",
    "level_lost": "Level at which it is lost",
    # field
    "radius": "Field radius",
    "px_per_degree": "Pixels per degree",
    "edge_light": "Light near the edge",
    "light_tilt": "Light from side to side",
    "distortion": "Distortion",
    # lining up, matching
    "offset": "Offset in time",
    "rate": "Rate of the clock",
    "scale": "Scale",
    "rotation": "Rotation",
    "shift_x": "Shift x",
    "shift_y": "Shift y",
    "matching_factor": "Matching factor",
    # flash scan
    "flashes_per_second": "Flashes in a second",
    "red_flashes_per_second": "Red flashes in a second",
    "area": "Area that flashes",
}
# The same reading in another unit: the unit stands beside its value.
UNIT_ENDINGS = ("_deg", "_mrad", "_mm")


def base_of(name: str) -> str:
    """Return the name of a reading without the unit that it was converted to: ``halo_radius`` for ``halo_radius_mrad``."""
    for ending in UNIT_ENDINGS:
        if name.endswith(ending) and name.removesuffix(ending) in LABELS:
            return name.removesuffix(ending)
    return name


def label_of(name: str) -> str:
    """Return the plain name of a reading; one that is not known is spelt out."""
    base = base_of(name)
    if base in LABELS:
        return LABELS[base]
    if base.startswith("mtf_at_"):
        return f"MTF at {base.removeprefix('mtf_at_')} cycles/px"
    return base.replace("_", " ").capitalize()


__all__ = ["LABELS", "UNIT_ENDINGS", "base_of", "label_of"]

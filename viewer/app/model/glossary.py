"""Names of readings in words, with what each means and where it ends: for tables and tooltips."""

# ruff: noqa: E501 - a table reads better in long lines

from __future__ import annotations

from viewer.app.i18n import mark, tr

# name -> (title, formula and limits, whether it stands among the main readings)
READINGS: dict[str, tuple[str, str, bool]] = {
    "michelson": (mark("Michelson contrast"), mark("(Lb − Ld) / (Lb + Ld) of the mean linear light of the bright and the dark region. Needs a known dark level where light is scarce."), True),
    "weber": (mark("Weber contrast"), mark("(Lb − Ld) / Ld in linear light. Grows without bound as the dark region nears black."), False),
    "rms": (mark("RMS contrast"), mark("Standard deviation over mean of both regions together, in linear light."), False),
    "cnr": (mark("Contrast to noise"), mark("(Lb − Ld) over the noise of single pixels. Re-encoding smooths noise and flatters it."), True),
    "centre_x": (mark("Centre x"), mark("From the light around the clipped core, not from the brightest pixel."), False),
    "centre_y": (mark("Centre y"), mark("From the light around the clipped core, not from the brightest pixel."), False),
    "core_radius": (mark("Clipped core radius"), mark("Where the recording is at its limit. Depends on the exposure."), False),
    "halo_radius": (mark("Halo radius"), mark("Where the disc around a light falls most steeply. Refused when the clipped core reaches it: film two stops darker."), True),
    "half_radius": (mark("Half-level radius"), mark("Where the added light falls to half of its plateau."), False),
    "bloom_radius": (mark("Bloom radius"), mark("Where the added light falls under a tenth of the local background. Depends on how bright light and background are."), True),
    "modulation_frequency": (mark("Modulation frequency"), mark("Frequency of the light's modulation. One answer only when readout time or other frame rates leave one candidate."), True),
    "modulation_depth": (mark("Modulation depth"), mark("Percent flicker, (max − min) / (max + min), corrected for the shutter."), True),
    "flicker_index": (mark("Flicker index"), mark("Area above the mean over the whole area of one period."), False),
    "alias_frequency": (mark("Alias frequency"), mark("Where the modulation appears at this frame rate."), False),
    "detection_limit": (mark("Detection limit"), mark("The smallest depth that would have been seen in this clip."), True),
    "rise_10_90": (mark("Edge width 10-90 %"), mark("Distance over which the edge rises from 10 to 90 %, along its normal, in linear light."), True),
    "mtf50": (mark("MTF50"), mark("Spatial frequency at which the modulation transfer falls to one half. The camera has a share in it."), True),
    "mtf_at_0.05": (mark("MTF at 0.05 cycles/px"), "", False),
    "mtf_at_0.1": (mark("MTF at 0.1 cycles/px"), "", False),
    "overshoot": (mark("Overshoot"), mark("Beyond the bright level: a sign of sharpening in the camera."), False),
    "undershoot": (mark("Undershoot"), mark("Below the dark level: a sign of sharpening in the camera."), False),
    "edge_angle": (mark("Edge angle"), mark("Direction of the edge's normal. Needs a few degrees of slant."), False),
    "glow_radius": (mark("Glow radius"), mark("How far bright spills into dark."), True),
    "contrast": (mark("Contrast of the figure"), mark("Figure against its surroundings, signed, in linear light."), True),
    "detectability": (mark("Detectability"), mark("Signal to noise of the whole figure; about 3 to 5 is the edge of being seen (Rose)."), True),
    "u_prime": (mark("u′"), mark("CIE 1976 chromaticity of the phosphor as filmed."), True),
    "v_prime": (mark("v′"), mark("CIE 1976 chromaticity of the phosphor as filmed."), True),
    "mean": (mark("Mean level"), "", False),
    "temporal_sigma": (mark("Temporal noise"), mark("Standard deviation of a pixel over time, linear light. Refused on re-encoded clips."), True),
    "fixed_pattern_sigma": (mark("Fixed pattern"), mark("What stays in the mean of many frames, linear light."), False),
    "snr": (mark("Signal to noise in a disc"), mark("Mean over temporal noise in a disc of stated angle. Not the tube's data-sheet SNR."), True),
    "modulation": (mark("Bar modulation"), mark("(gap − bar) / (gap + bar) in linear light. Negative when contrast is reversed."), True),
    "limiting_resolution": (mark("Limiting resolution"), mark("The finest target that statistics call resolved; targets come in steps."), True),
    "limiting_resolution_single_frame": (mark("Limiting resolution, single frame"), mark("What one frame resolves; averaging frames shows more than the eye saw."), False),
    "level_lost": (mark("Level at which it is lost"), mark("Light level at which contrast or modulation falls under its threshold."), True),
    "settling_time": (mark("Settling time"), mark("From the change of level until the picture stays within half a percent."), False),
    "readout_time": (mark("Readout time"), "", True),
    "row_time": (mark("Row time"), "", False),
    "figure_of_merit": (mark("Figure of merit"), mark("Resolution times SNR: an interval when the resolution is a step."), True),
}  # fmt: skip

MEASURES: dict[str, tuple[str, str]] = {
    "contrast": (mark("Contrast"), mark("A bright and a dark area: Michelson, Weber, RMS, contrast to noise.")),
    "bloom": (mark("Bloom of lights"), mark("Halo and bloom of marked point lights, or of all that are found.")),
    "flicker": (mark("Flicker and gating"), mark("Which modulation the tube or the source shows, and what could not have been seen.")),
    "edge": (mark("Edge"), mark("10-90 % width, MTF and glow of a straight, slightly slanted edge.")),
    "bars": (mark("Bars"), mark("Modulation of tri-bar targets and limiting resolution.")),
    "noise": (mark("Noise"), mark("Temporal noise and fixed pattern of an even area.")),
    "figure": (mark("Figure"), mark("How visible a person is against the surroundings.")),
    "tint": (mark("Tint"), mark("u′v′ of the phosphor as filmed.")),
    "ramp": (mark("Light steps"), mark("Steps of the light level in a chart clip.")),
}  # fmt: skip


def title_of(name: str) -> str:
    """Return the name of a reading in words; readings in degrees or mm say so."""
    for ending, unit in (("_deg", "°"), ("_mm", "mm")):
        if name.endswith(ending) and name.removesuffix(ending) in READINGS:
            return f"{tr(READINGS[name.removesuffix(ending)][0])} ({unit})"
    if name in READINGS:
        return tr(READINGS[name][0])
    return name.replace("_", " ")


def tip_of(name: str) -> str:
    """Return the formula and limits of a reading."""
    for ending in ("_deg", "_mm"):
        name = name.removesuffix(ending) if name.removesuffix(ending) in READINGS else name
    return tr(READINGS[name][1]) if name in READINGS else ""


def is_main(name: str) -> bool:
    """Whether a reading is shown before the rest is asked for."""
    return READINGS[name][2] if name in READINGS else name.endswith("_deg") and READINGS.get(name[:-4], ("", "", False))[2]


__all__ = ["MEASURES", "READINGS", "is_main", "tip_of", "title_of"]

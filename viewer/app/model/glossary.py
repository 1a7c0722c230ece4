"""Names of readings in words, with what each means and where it ends: for tables and tooltips."""

# ruff: noqa: E501 - a table reads better in long lines

from __future__ import annotations

from viewer.app.i18n import mark, tr
from viewer.measure.names import base_of, label_of

_ENDINGS = {"_deg": "°", "_mrad": "mrad", "_mm": "mm"}

# name -> (formula and limits, whether it stands among the main readings); the names in words are in measure/names.py
READINGS: dict[str, tuple[str, bool]] = {
    "michelson": (mark("(Lb − Ld) / (Lb + Ld) of the mean linear light of the bright and the dark region. Needs a known dark level where light is scarce."), True),
    "weber": (mark("(Lb − Ld) / Ld in linear light. Grows without bound as the dark region nears black."), False),
    "rms": (mark("Standard deviation over mean of both regions together, in linear light."), False),
    "cnr": (mark("(Lb − Ld) over the noise of single pixels. Re-encoding smooths noise and flatters it."), True),
    "local_contrast": (mark("RMS contrast of one octave of spatial frequency within the region. Refused where noise hides the octave."), False),
    "centre_x": (mark("From the light around the clipped core, not from the brightest pixel."), False),
    "centre_y": (mark("From the light around the clipped core, not from the brightest pixel."), False),
    "core_radius": (mark("Where the recording is at its limit. Depends on the exposure."), False),
    "halo_radius": (mark("Where the disc around a light falls most steeply. Refused when the clipped core reaches it: film two stops darker."), True),
    "half_radius": (mark("Where the added light falls to half of its plateau."), False),
    "bloom_radius": (mark("Where the added light falls under a tenth of the local background. Depends on how bright light and background are."), True),
    "veil_at_edge": (mark("Smooth glow at the halo's edge over the halo's own height. Where it is high, lamp and camera share in the halo."), False),
    "modulation_frequency": (mark("Frequency of the light's modulation. One answer only when readout time or other frame rates leave one candidate."), True),
    "modulation_depth": (mark("Percent flicker, (max − min) / (max + min), corrected for the shutter."), True),
    "flicker_index": (mark("Area above the mean over the whole area of one period."), False),
    "alias_frequency": (mark("Where the modulation appears at this frame rate."), False),
    "detection_limit": (mark("The smallest depth that would have been seen in this clip."), True),
    "readout_time": (mark("From the first row to the last of the delivered picture, from bands of a lamp of known frequency. Holds for one camera mode only."), True),
    "row_time": (mark("Readout time over the number of delivered rows."), False),
    "rise_10_90": (mark("Distance over which the edge rises from 10 to 90 %, along its normal, in linear light."), True),
    "mtf50": (mark("Spatial frequency at which the modulation transfer falls to one half. The camera has a share in it."), True),
    "mtf_at_0.05": (mark("|Fourier transform of the line spread| at 0.05 cycles per pixel, 1 at 0. The camera has a share in it."), False),
    "mtf_at_0.1": (mark("|Fourier transform of the line spread| at 0.1 cycles per pixel, 1 at 0. Noise and sharpening in the camera change it more than at 0.05."), False),
    "overshoot": (mark("Beyond the bright level: a sign of sharpening in the camera."), False),
    "undershoot": (mark("Below the dark level: a sign of sharpening in the camera."), False),
    "edge_angle": (mark("Direction of the edge's normal. Needs a few degrees of slant."), False),
    "glow_radius": (mark("How far bright spills into dark."), True),
    "modulation": (mark("(gap − bar) / (gap + bar) in linear light. Negative when contrast is reversed."), True),
    "limiting_resolution": (mark("The finest target that statistics call resolved; targets come in steps."), True),
    "limiting_resolution_single_frame": (mark("What one frame resolves; averaging frames shows more than the eye saw."), False),
    "mean": (mark("Mean linear light of the region, white of the transfer at 1. Comparable between clips at locked camera settings only."), False),
    "temporal_sigma": (mark("Standard deviation of a pixel over time, linear light. Refused on re-encoded clips."), True),
    "fixed_pattern_sigma": (mark("What stays in the mean of many frames, linear light."), False),
    "snr": (mark("Mean over temporal noise of single pixels. Of this recording; not the tube's data-sheet SNR."), True),
    "snr_disc": (mark("Mean over temporal noise in a disc of stated angle. Needs a known scale; not the tube's data-sheet SNR."), True),
    "contrast": (mark("Figure against its surroundings, signed, in linear light."), True),
    "detectability": (mark("Signal to noise of the whole figure; about 3 to 5 is the edge of being seen (Rose)."), True),
    "u_prime": (mark("CIE 1976 chromaticity of the phosphor as filmed."), True),
    "v_prime": (mark("CIE 1976 chromaticity of the phosphor as filmed."), True),
    "settling_time": (mark("From the change of level until the picture stays within half a percent."), False),
    "level_lost": (mark("Light level at which contrast or modulation falls under its threshold, interpolated in the logarithm of light. A limit when it holds at every level."), True),
    "radius": (mark("Circle through the half-level points of the round edge. Wide where only a short arc of the edge is in the picture."), True),
    "px_per_degree": (mark("Diameter of the field over its stated angle, or distance of marks over theirs. A stated field is nominal, and distortion changes it over the field."), True),
    "edge_light": (mark("Smooth fit to the mean light: at nine tenths of the field's radius over the middle. Needs an evenly lit field; a scene is refused."), True),
    "light_tilt": (mark("Largest difference of opposite sides of the field, over the middle. Uneven lighting looks the same as an uneven device."), True),
    "distortion": (mark("d in radius = k angle (1 + d (radius / edge)²): change of scale from middle to edge. Needs three or more marks of known angle."), True),
    "offset": (mark("Scene time minus clip time, from sound, light steps or motion."), False),
    "rate": (mark("How much faster the clip's clock runs than the reference's, in millionths. Needs evidence at both ends of the clip."), False),
    "scale": (mark("Size of the clip's picture against the reference's."), False),
    "rotation": (mark("Turn of the clip's picture against the reference's."), False),
    "shift_x": (mark("Shift of the clip's picture against the reference's."), False),
    "shift_y": (mark("Shift of the clip's picture against the reference's."), False),
    "matching_factor": (mark("Light of a patch in this clip over that in the other. For looking only: readings are never scaled by it."), False),
    "flashes_per_second": (mark("Most flashes in any second, pairs of opposing changes of 10 % or more in a quarter of a 10-degree field. No medical clearance."), False),
    "red_flashes_per_second": (mark("Most flashes of saturated red in any second. No medical clearance."), False),
    "area": (mark("Largest share of a 10-degree field that flashes together."), False),
}  # fmt: skip

MEASURES: dict[str, tuple[str, str]] = {
    "contrast": (mark("Contrast"), mark("A bright and a dark area: Michelson, Weber, RMS, contrast-to-noise.")),
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
    """Return the name of a reading in words; readings in degrees, mrad or mm say so."""
    base = base_of(name)
    title = tr(label_of(base))
    return title if base == name else f"{title} ({_ENDINGS[name.removeprefix(base)]})"


def tip_of(name: str) -> str:
    """Return the formula and limits of a reading; '' for one that no measure makes."""
    base = base_of(name)
    return tr(READINGS[base][0]) if base in READINGS else ""


def is_main(name: str) -> bool:
    """Whether a reading is shown before the rest is asked for: of radii those in px and in degrees."""
    base = base_of(name)
    return name in (base, f"{base}_deg") and READINGS.get(base, ("", False))[1]


__all__ = ["MEASURES", "READINGS", "is_main", "tip_of", "title_of"]

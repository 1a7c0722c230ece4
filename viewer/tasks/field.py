"""The field of an eyepiece image as a result document: its circle, its scale, its fall of light, its distortion."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from viewer.align.circle import fit_field_circle
from viewer.align.transform import FieldCircle
from viewer.errors import UsageError
from viewer.measure.field import Scale, Vignetting, angle_of_size, distortion, evenness, scale_of_points, vignetting
from viewer.measure.patches import Common
from viewer.measure.readings import Flag, Reading
from viewer.media import ClipReader
from viewer.tasks.document import Result
from viewer.tasks.mean_picture import mean_picture
from viewer.tasks.patches import Progress, Span, Stop, clip_flags

FRAMES = 60
UNEVEN = 0.12
NO_CIRCLE = (
    "No round edge of the eyepiece image was found: film with its edge in the picture, an eighth of it at least, "
    "against a lit scene."
)


@dataclass(frozen=True, slots=True)
class TwoMarks:
    """Two marked points and the angle between them: typed, or of a flat size at a distance."""

    first: tuple[float, float]
    second: tuple[float, float]
    angle_deg: float
    source: str = "two marked points"

    @classmethod
    def of_chart(cls, first: tuple[float, float], second: tuple[float, float], size_m: float, distance_m: float) -> TwoMarks:
        """From marks on a chart: their distance on it, and its distance from the objective.

        Raises
        ------
        UsageError
            If a length is not above 0.
        """
        if not (size_m > 0 and distance_m > 0):
            raise UsageError("size and distance must be above 0.", hint="Give both in metres, measured.")
        return cls(first, second, angle_of_size(size_m, distance_m), "a chart of known size")


def measure_field(
    clip: ClipReader,
    *,
    field_deg: float | None = None,
    marked: TwoMarks | None = None,
    off_axis: Sequence[tuple[tuple[float, float], float]] = (),
    even: bool = False,
    frames: Span = (0, None),
    progress: Progress = None,
    cancelled: Stop = None,
) -> Result:
    """Measure the field of a clip.

    Parameters
    ----------
    clip : ClipReader
    field_deg : float, optional
        Field of the device as stated, degrees across.
    marked : TwoMarks, optional
        Two points a known angle apart.
    off_axis : sequence of ((x, y), degrees)
        Points of known angle from the middle of the field, three or more, for distortion.
    even : bool
        Whether the clip shows an evenly lit field, so that the fall of light can be told.
    frames : (first, stop)

    Returns
    -------
    Result
        Readings ``centre_x``, ``centre_y``, ``radius`` (px) of ``field``; ``px_per_degree`` (px/deg) of ``stated field`` and of
        what was marked; with `even`, ``edge_light`` (%, at nine tenths of the radius against the middle) and ``light_tilt`` (%,
        largest difference of opposite sides there); with `off_axis`, ``distortion`` (%, change of scale from middle to edge).
        Extras: ``field_circle`` [cx, cy, r] or null, ``arc_deg`` of the edge that was seen.  Plots: ``picture`` (mean light);
        with `even`, ``vignetting`` {"radius", "relative", "map"}.

    Raises
    ------
    UsageError
        If the field is not between 1 and 180 degrees, or marks make no sense.
    """
    if field_deg is not None and not 1.0 <= field_deg <= 180.0:
        raise UsageError(f"a field of {field_deg:g} degrees is not possible.", hint="Type the field across, such as 40.")
    picture = mean_picture(clip, frames=frames, most=FRAMES, progress=progress, cancelled=cancelled)
    circle = fit_field_circle(picture.light)
    common = Common(of="field", flags=clip_flags(clip) | Flag.ONE_TAKE, frames=picture.frames)
    readings = _circle(common, circle)
    scales = _scales(circle, field_deg, marked)
    readings += [_scale_reading(common, scale) for scale in scales]
    if field_deg is not None and circle is None:
        readings.append(Common(of="stated field", flags=common.flags).refusal("px_per_degree", NO_CIRCLE, "px/deg"))
    plots: dict[str, Any] = {"picture": picture.light}
    if even:
        clipped = picture.clipped > 0.01
        found, more = _fall(common, picture.light, clipped, circle)
        readings += more
        if found is not None:
            plots["vignetting"] = {"radius": found.radius, "relative": found.relative, "map": found.map}
    if off_axis:
        readings.append(_distortion(common, circle, off_axis))
    return Result(
        command="field",
        inputs=(clip.info.input_record(),),
        readings=tuple(readings),
        warnings=(*clip.info.warnings, *_doubts(scales, readings)),
        extras={
            "field_circle": None if circle is None else [circle.cx, circle.cy, circle.radius],
            "arc_deg": None if circle is None else circle.arc_deg,
        },
        plots=plots,
    )


def circle_sigmas(circle: FieldCircle) -> tuple[float, float]:
    """Return standard errors of centre (in its worse direction) and radius, px: short arcs tell both badly."""
    half = math.radians(0.5 * min(circle.arc_deg, 360.0))
    angle = np.linspace(-half, half, 181)
    design = np.column_stack([np.cos(angle), np.sin(angle), np.ones_like(angle)])
    # Neighbouring sectors share their noise: one independent point in five degrees.
    points = max(4.0, circle.arc_deg / 5.0)
    cov = np.linalg.inv(design.T @ design / angle.size) / points
    # A tenth of a pixel is common to all sectors: blur, curve and encoder.
    spread = circle.residual_px if circle.residual_px is not None else 0.5
    centre = math.sqrt(float(max(cov[0, 0], cov[1, 1]))) * spread
    return math.hypot(centre, 0.05), math.hypot(math.sqrt(float(cov[2, 2])) * spread, 0.1)


def _circle(common: Common, circle: FieldCircle | None) -> list[Reading]:
    method = "circle through the half-level points of the edge, sectors without an edge left out"
    names = ("centre_x", "centre_y", "radius")
    if circle is None:
        return [common.refusal(name, NO_CIRCLE, "px", method=method) for name in names]
    centre, radius = circle_sigmas(circle)
    flags = Flag.BORDER if circle.arc_deg < 300.0 else Flag.NONE
    found = []
    for name, value, sigma in zip(names, (circle.cx, circle.cy, circle.radius), (centre, centre, radius), strict=True):
        half = 1.96 * sigma
        found.append(common.reading(name, value, value - half, value + half, "px", method=method, flags=flags))
    return found


def _scales(circle: FieldCircle | None, field_deg: float | None, marked: TwoMarks | None) -> list[Scale]:
    scales = []
    if circle is not None and field_deg is not None:
        value = circle.px_per_degree(field_deg)
        # The last digit that was typed is rounded.
        rounded = (0.5 if field_deg == round(field_deg) else 0.05) / math.sqrt(3.0) / field_deg
        scales.append(Scale(value, value * math.hypot(rounded, circle_sigmas(circle)[1] / circle.radius), "stated field"))
    if marked is not None:
        found = scale_of_points(marked.first, marked.second, marked.angle_deg, angle_sigma_deg=0.003 * marked.angle_deg)
        scales.append(Scale(found.px_per_degree, found.sigma, marked.source))
    return scales


def _scale_reading(common: Common, scale: Scale) -> Reading:
    half = 1.96 * scale.sigma
    stated = scale.source == "stated field"
    method = (
        "diameter of the field over the field as stated, whose last digit is rounded"
        if stated
        else "distance of the marks (half a pixel each) over their angle (0.3 %)"
    )
    own = Common(of=scale.source, flags=common.flags | (Flag.NOMINAL_SCALE if stated else Flag.NONE), frames=common.frames)
    value = scale.px_per_degree
    return own.reading("px_per_degree", value, value - half, value + half, "px/deg", method=method)


def _fall(
    common: Common, light: np.ndarray, clipped: np.ndarray, circle: FieldCircle | None
) -> tuple[Vignetting | None, list[Reading]]:
    """Fall of light towards the edge: refused where the scene is not even."""
    names = ("edge_light", "light_tilt")
    method = "smooth field fitted to the mean light: at nine tenths of the radius against the middle"

    def refused(reason: str) -> tuple[None, list[Reading]]:
        return None, [common.refusal(name, reason, "%", method=method) for name in names]

    if circle is None:
        return refused(NO_CIRCLE)
    if float(clipped.mean()) > 0.01:
        return refused("The field is clipped: film it with a shorter exposure or less gain.")
    try:
        found = vignetting(light, circle.cx, circle.cy, circle.radius)
    except UsageError as error:
        return refused(str(error))
    spread, places = evenness(light, found)
    if spread > UNEVEN:
        return refused(
            f"The light varies by {100 * spread:.0f} % about a smooth field: this is a scene. "
            "Film an evenly lit field: overcast sky, defocused paper, an integrating sphere."
        )
    half = 196.0 * math.hypot(2.0 * spread / math.sqrt(places), 0.003)
    edge, tilt = 100.0 * found.edge, 100.0 * found.tilt
    return found, [
        common.reading("edge_light", edge, edge - half, edge + half, "%", method=method),
        common.reading(
            "light_tilt", tilt, max(0.0, tilt - half), tilt + half, "%", method="largest difference of opposite sides"
        ),
    ]


def _distortion(common: Common, circle: FieldCircle | None, marks: Sequence[tuple[tuple[float, float], float]]) -> Reading:
    method = "change of scale from the middle of the field to its edge: radius = k angle (1 + d (radius / edge)^2)"
    if circle is None:
        return common.refusal("distortion", NO_CIRCLE, "%", method=method)
    if len(marks) < 3:
        reason = "Three or more points of known angle are needed: mark more, from the middle to the edge."
        return common.refusal("distortion", reason, "%", method=method)
    radii = [math.hypot(x - circle.cx, y - circle.cy) for (x, y), _ in marks]
    if max(radii) < 0.5 * circle.radius or max(radii) - min(radii) < 0.3 * circle.radius:
        reason = "The points lie too close together: mark some near the middle and some beyond half of the radius."
        return common.refusal("distortion", reason, "%", method=method)
    found = distortion(radii, [angle for _, angle in marks], circle.radius)
    half = 1.96 * found.sigma
    return common.reading("distortion", found.percent, found.percent - half, found.percent + half, "%", method=method)


def _doubts(scales: Sequence[Scale], readings: Sequence[Reading]) -> list[str]:
    """Words for scales that do not agree, and for distortion."""
    doubts = []
    if len(scales) == 2:
        one, two = scales
        change = one.px_per_degree / two.px_per_degree - 1.0
        error = math.hypot(one.sigma / one.px_per_degree, two.sigma / two.px_per_degree)
        if abs(change) > max(0.02, 2.0 * error):
            doubts.append(
                f"the {one.source} gives {100 * abs(change):.1f} % {'more' if change > 0 else 'fewer'} px per degree than "
                f"{two.source}: the field is distorted or not as stated. Use the marks, near what is measured."
            )
    found = next((r for r in readings if r.name == "distortion" and r.value is not None), None)
    if found is not None and abs(found.value or 0.0) > 2.0 and (found.low or 0.0) * (found.high or 0.0) > 0:
        doubts.append(f"the scale changes by {found.value:.1f} % from middle to edge: compare angles at like places.")
    return doubts


__all__ = ["TwoMarks", "circle_sigmas", "measure_field"]

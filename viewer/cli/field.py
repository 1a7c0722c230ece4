"""``gloaming field``: circle, scale, fall of light and distortion of an eyepiece image."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from viewer.cli.common import CLIP, FRAMES, POINT, emit, json_option, light_options, progress_bar
from viewer.errors import UsageError


class PlaceType(click.ParamType[Any]):
    """``X,Y@DEG``."""

    name = "X,Y@DEG"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return ``((x, y), degrees)``."""
        if isinstance(value, tuple):
            return value
        place, _, angle = str(value).partition("@")
        try:
            x, y = (float(part) for part in place.split(","))
            return (x, y), float(angle)
        except ValueError:
            self.fail(f"{value!r} is not X,Y@DEG, for example 420,300@7.5.", param, ctx)


@click.command("field")
@click.argument("clip", type=CLIP)
@click.option("--field-deg", type=float, help="Field of the device as stated, degrees across.")
@click.option("--point", "points", type=POINT, multiple=True, help="One of two points a known angle apart (twice).")
@click.option("--angle-deg", type=click.FloatRange(min=0, min_open=True), help="Angle between the two points.")
@click.option("--size-m", type=click.FloatRange(min=0, min_open=True), help="Or their distance on a flat chart, m ...")
@click.option("--distance-m", type=click.FloatRange(min=0, min_open=True), help="... and how far the chart is away, m.")
@click.option("--even", is_flag=True, help="The clip shows an evenly lit field: give the fall of light too.")
@click.option("--off-axis", type=PlaceType(), multiple=True, help="A point of known angle from the middle (three or more).")
@click.option("--map", "map_to", metavar="FILE.png", help="With --even: write the fall of light as a picture.")
@click.option("--frames", type=FRAMES, default="0:", help="Use only these frames.")
@light_options
@json_option
def command(
    clip: Path,
    field_deg: float | None,
    points: tuple[Any, ...],
    angle_deg: float | None,
    size_m: float | None,
    distance_m: float | None,
    even: bool,
    off_axis: tuple[Any, ...],
    map_to: str | None,
    frames: Any,
    transfer: str | None,
    range: str | None,
    matrix: str | None,
    json_to: str | None,
) -> None:
    """Find the round edge of the eyepiece image, and how many pixels make a degree.

    The scale comes from the field as stated (nominal), from two points a known angle apart, or from a chart of known size. With
    both, a field that is distorted or not as stated is said.
    """
    from viewer.media import LightChoice, open_clip
    from viewer.tasks.field import TwoMarks, measure_field
    from viewer.tasks.maps import write_map

    marked = None
    if points or angle_deg or size_m or distance_m:
        chart = size_m is not None and distance_m is not None
        if len(points) != 2 or (angle_deg is None) == (not chart):
            raise UsageError(
                "a scale needs two --point, and --angle-deg or both --size-m and --distance-m.",
                hint="For example --point 300,240 --point 500,240 --angle-deg 8.",
            )
        if angle_deg is not None:
            marked = TwoMarks(points[0], points[1], angle_deg)
        else:
            marked = TwoMarks.of_chart(points[0], points[1], size_m or 0.0, distance_m or 0.0)
    if map_to is not None and not even:
        raise UsageError("a map needs --even.", hint="Film an evenly lit field.")
    choice = LightChoice(transfer=transfer, range=range, matrix=matrix)
    with open_clip(clip, light=choice) as opened, progress_bar("field") as progress:
        result = measure_field(
            opened, field_deg=field_deg, marked=marked, off_axis=off_axis, even=even, frames=frames, progress=progress
        )
    if map_to is not None and "vignetting" in result.plots:
        write_map(map_to, result.plots["vignetting"]["map"], middle=0.5, reach=0.5)
    emit(result, json_to)


__all__ = ["command"]

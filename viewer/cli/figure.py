"""``gloaming figure``: how visible a person in a dark scene is."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from viewer.cli.common import CLIP, FRAMES, emit, json_option, light_options, progress_bar
from viewer.errors import RegionError


class MarkType(click.ParamType[Any]):
    """``X,Y,W,H[@TIME]``."""

    name = "X,Y,W,H[@TIME]"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return ``(Rect, s or None)``."""
        from viewer.measure.regions import parse_rect

        if isinstance(value, tuple):
            return value
        place, at, time = str(value).partition("@")
        try:
            return parse_rect(place), float(time) if at else None
        except RegionError as error:
            self.fail(str(error), param, ctx)
        except ValueError:
            self.fail(f"{time!r} is not a time in seconds, for example 120,80,20,60@2.5.", param, ctx)


@click.command("figure")
@click.argument("clip", type=CLIP)
@click.option("--region", "marks", type=MarkType(), multiple=True, required=True, help="Box around the figure, at a time (s).")
@click.option("--around", type=click.FloatRange(min=1), help="Width of the ground around the box, px.")
@click.option("--frames", type=FRAMES, default="0:", help="Use only these frames.")
@click.option(
    "--limit", type=click.FloatRange(min=0, min_open=True), help="Limiting resolution, cycles/px, for Johnson's cycles."
)
@light_options
@json_option
def command(
    clip: Path,
    marks: tuple[Any, ...],
    around: float | None,
    frames: Any,
    limit: float | None,
    transfer: str | None,
    range: str | None,
    matrix: str | None,
    json_to: str | None,
) -> None:
    """Measure how visible a figure is: signed contrast, contrast-to-noise, detectability.

    Mark a walking figure at a few times; it is followed between them. What a sum over a box says is not what an observer sees:
    use it to compare devices, not to judge safety.
    """
    from viewer.media import LightChoice, open_clip
    from viewer.tasks.figure import measure_figure

    choice = LightChoice(transfer=transfer, range=range, matrix=matrix)
    with open_clip(clip, light=choice) as opened, progress_bar("figure") as progress:
        result = measure_figure(opened, marks, around_px=around, frames=frames, limit_cycles_px=limit, progress=progress)
    emit(result, json_to)


__all__ = ["command"]

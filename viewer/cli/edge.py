"""``gloaming edge``: edge spread, MTF and glow."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from typing import Any

import click

from viewer.cli.common import CLIP, FRAMES, RECT, emit, json_option, light_options, progress_bar


@click.command("edge")
@click.argument("clip", type=CLIP)
@click.option("--region", type=RECT, required=True, help="X,Y,W,H with the edge in its middle, 12 px or more to each side.")
@click.option("--camera", type=CLIP, help="A clip of the same edge without the device: the camera's share is divided out.")
@click.option("--camera-region", type=RECT, help="The region in that clip; the same as --region if left out.")
@click.option("--frames", type=FRAMES, default="0:", help="Use only these frames.")
@light_options
@json_option
def command(
    clip: Path,
    region: Any,
    camera: Path | None,
    camera_region: Any,
    frames: Any,
    transfer: str | None,
    range: str | None,
    matrix: str | None,
    json_to: str | None,
) -> None:
    """Measure the edge in a region of CLIP.

    Straight or gently curved: 10-90 % width, MTF, over- and undershoot, direction. Ragged ones, such as trees against the sky:
    how far the bright side glows into the dark. Slant the edge by 2 to 10 degrees against the pixel grid where you can.
    """
    from viewer.media import LightChoice, open_clip
    from viewer.tasks.edge import measure_edge

    choice = LightChoice(transfer=transfer, range=range, matrix=matrix)
    with ExitStack() as stack:
        reader = stack.enter_context(open_clip(clip, light=choice))
        alone = (stack.enter_context(open_clip(camera)), camera_region or region) if camera else None
        progress = stack.enter_context(progress_bar("edge"))
        result = measure_edge(reader, region, camera=alone, frames=frames, progress=progress)
    emit(result, json_to)


__all__ = ["command"]

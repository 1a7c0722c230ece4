"""``gloaming readout``: calibrate a camera's readout time."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from typing import Any

import click

from viewer.cli.common import CLIP, FRAMES, RECT, emit, json_option, light_options, progress_bar


@click.command("readout")
@click.argument("clip", type=CLIP)
@click.option(
    "--lamp-hz",
    type=click.FloatRange(min=1, max=20000),
    required=True,
    help="Frequency at which the lamp pulses: twice the mains for ordinary lamps.",
)
@click.option("--also", type=CLIP, metavar="CLIP", multiple=True, help="Further clips of the lamp in the same camera mode.")
@click.option("--region", type=RECT, help="Use only this region.")
@click.option("--readout-direction", type=click.Choice(["down", "up", "left", "right"]), help="In the upright picture.")
@click.option("--capture-rate", type=click.FloatRange(min=1), help="Frames per second of the camera, for slow motion.")
@click.option("--frames", type=FRAMES, default="0:", help="Use only these frames.")
@light_options
@json_option
def command(
    clip: Path,
    lamp_hz: float,
    also: tuple[Path, ...],
    region: Any,
    readout_direction: str | None,
    capture_rate: float | None,
    frames: Any,
    transfer: str | None,
    range: str | None,
    matrix: str | None,
    json_to: str | None,
) -> None:
    """Calibrate the readout time of a camera mode on a lamp of known frequency.

    Film the lamp without the device, out of focus, filling the picture, at a shutter of 1/1000 s or less, in the very mode of
    the clips to be measured. An LED on a function generator is better than the mains.
    """
    from viewer.media import LightChoice, open_clip
    from viewer.tasks.readout import measure_readout

    choice = LightChoice(transfer=transfer, range=range, matrix=matrix)
    with ExitStack() as stack, progress_bar("readout") as progress:
        opened = stack.enter_context(open_clip(clip, light=choice))
        others = [stack.enter_context(open_clip(path, light=choice)) for path in also]
        result = measure_readout(
            opened,
            lamp_hz,
            also=others,
            region=region,
            readout_direction=readout_direction,
            capture_rate=capture_rate,
            frames=frames,
            progress=progress,
        )
    emit(result, json_to)


__all__ = ["command"]

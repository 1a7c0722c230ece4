"""``gloaming tint``: colour of the phosphor."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from viewer.cli.common import CLIP, FRAMES, RECT, emit, json_option, light_options, progress_bar


@click.command("tint")
@click.argument("clip", type=CLIP)
@click.option("--region", type=RECT, required=True, help="A lit, unclipped region.")
@click.option("--frames", type=FRAMES, default="0:", help="Use only these frames.")
@light_options
@json_option
def command(
    clip: Path, region: Any, frames: Any, transfer: str | None, range: str | None, matrix: str | None, json_to: str | None
) -> None:
    """Measure the tint of the phosphor: CIE 1976 u' and v'.

    It includes the camera's white balance: compare only clips filmed alike. No other measure is touched by it.
    """
    from viewer.media import LightChoice, open_clip
    from viewer.tasks.tint import measure_tint

    choice = LightChoice(transfer=transfer, range=range, matrix=matrix)
    with open_clip(clip, light=choice) as opened, progress_bar("tint") as progress:
        result = measure_tint(opened, region, frames=frames, progress=progress)
    emit(result, json_to)


__all__ = ["command"]

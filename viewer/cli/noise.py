"""``gloaming noise``: temporal and fixed-pattern noise of an even region."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from viewer.cli.common import CLIP, FRAMES, RECT, emit, json_option, light_options, progress_bar


@click.command("noise")
@click.argument("clip", type=CLIP)
@click.option("--region", type=RECT, required=True, help="An evenly lit region.")
@click.option("--frames", type=FRAMES, default="0:", help="Use only these frames.")
@click.option("--px-per-degree", type=click.FloatRange(min=0, min_open=True), help="Scale of the picture.")
@click.option("--disc-deg", type=click.FloatRange(min=0, min_open=True), help="Give the SNR of a disc of this diameter too.")
@light_options
@json_option
def command(
    clip: Path,
    region: Any,
    frames: Any,
    px_per_degree: float | None,
    disc_deg: float | None,
    transfer: str | None,
    range: str | None,
    matrix: str | None,
    json_to: str | None,
) -> None:
    """Measure temporal noise, fixed pattern and SNR of an even region in linear light.

    Refused where the encoder or the camera removed the noise. This is not the tube's SNR of a data sheet.
    """
    from viewer.media import LightChoice, open_clip
    from viewer.tasks.noise import measure_noise

    choice = LightChoice(transfer=transfer, range=range, matrix=matrix)
    with open_clip(clip, light=choice) as opened, progress_bar("noise") as progress:
        result = measure_noise(opened, region, frames=frames, px_per_degree=px_per_degree, disc_deg=disc_deg, progress=progress)
    emit(result, json_to)


__all__ = ["command"]

"""``gloaming flash``: risk scan of a finished video."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from viewer.cli.common import CLIP, FRAMES, emit, json_option, light_options, progress_bar


@click.command("flash")
@click.argument("file", type=CLIP)
@click.option("--frames", type=FRAMES, default="0:", help="Scan only these frames.")
@light_options
@json_option
def command(file: Path, frames: Any, transfer: str | None, range: str | None, matrix: str | None, json_to: str | None) -> None:
    """Scan a finished video for flashes that can harm photosensitive viewers.

    Counts general and red flashes by the WCAG 2.x rules (for HLG and PQ the BT.1702 form) in every 10-degree field and on the
    whole screen. A pass is no medical clearance.
    """
    from viewer.media import LightChoice, open_clip
    from viewer.tasks.flash import scan_flash

    choice = LightChoice(transfer=transfer, range=range, matrix=matrix)
    with open_clip(file, light=choice) as clip, progress_bar("flash") as progress:
        result = scan_flash(clip, frames=frames, progress=progress)
    emit(result, json_to)


__all__ = ["command"]

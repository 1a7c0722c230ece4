"""``gloaming contrast``: contrast of a bright and a dark region."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from typing import Any

import click

from viewer.cli.common import CLIP, FRAMES, RECT, emit, json_option, light_options, progress_bar
from viewer.errors import UsageError


@click.command("contrast")
@click.argument("clip", type=CLIP)
@click.option("--bright", type=RECT, required=True, help="The bright region.")
@click.option("--dark", type=RECT, required=True, help="The dark region.")
@click.option("--frames", type=FRAMES, default="0:", help="Use only these frames.")
@click.option("--black", type=RECT, help="A region without light; its level is subtracted.")
@click.option("--dark-clip", type=CLIP, metavar="CLIP", help="Filmed with everything capped; its level is subtracted.")
@click.option("--flat", type=CLIP, metavar="CLIP", help="An even field through the same device; levels are divided by it.")
@click.option("--corner/--no-corner", default=True, help="Use the dark corners outside the field where they give a level.")
@click.option("--local", type=RECT, help="Also give the local contrast of this region, octave by octave.")
@click.option("--px-per-degree", type=click.FloatRange(min=0, min_open=True), help="Scale for those octaves.")
@click.option("--map", "map_to", metavar="FILE.png", help="With --local: write the octaves as grey maps, coarse to fine.")
@click.option("--match", type=CLIP, metavar="CLIP", help="Another device's clip: by how much to brighten it to match --bright.")
@click.option("--match-region", type=RECT, help="Where the bright patch lies in that clip; as --bright if left out.")
@light_options
@json_option
def command(
    clip: Path,
    bright: Any,
    dark: Any,
    frames: Any,
    black: Any,
    dark_clip: Path | None,
    flat: Path | None,
    corner: bool,
    local: Any,
    px_per_degree: float | None,
    map_to: str | None,
    match: Path | None,
    match_region: Any,
    transfer: str | None,
    range: str | None,
    matrix: str | None,
    json_to: str | None,
) -> None:
    """Measure Michelson, Weber and RMS contrast and contrast-to-noise in linear light.

    Contrast is taken from light, not from code values. The dark level is subtracted where a dark clip, a black region or the
    corners outside the field give one; otherwise the reading says that it is unknown.
    With --match, the brightness of two devices is compared at the bright patch: for looking only, no reading is scaled.
    """
    from viewer.media import LightChoice, open_clip
    from viewer.tasks.contrast import measure_contrast, with_match
    from viewer.tasks.maps import write_strip

    if map_to is not None and local is None:
        raise UsageError("maps need a region.", hint="Give --local X,Y,W,H.")
    if match_region is not None and match is None:
        raise UsageError("--match-region belongs to --match.", hint="Give --match CLIP, or leave both out.")
    choice = LightChoice(transfer=transfer, range=range, matrix=matrix)
    with ExitStack() as stack, progress_bar("contrast") as progress:
        opened = stack.enter_context(open_clip(clip, light=choice))
        helpers = [None if path is None else stack.enter_context(open_clip(path, light=choice)) for path in (dark_clip, flat)]
        result = measure_contrast(
            opened,
            bright,
            dark,
            frames=frames,
            black=black,
            dark_clip=helpers[0],
            flat_clip=helpers[1],
            corner=corner,
            local=local,
            px_per_degree=px_per_degree,
            progress=progress,
        )
        if match is not None:
            other = stack.enter_context(open_clip(match, light=choice))
            result = with_match(result, opened, bright, other, match_region or bright, frames=frames)
    if map_to is not None:
        octaves = list(result.plots["octaves"].values())
        write_strip(map_to, [octave["map"] for octave in octaves], reach=max(3.0 * max(o["rms"] for o in octaves), 0.01))
    emit(result, json_to)


__all__ = ["command"]

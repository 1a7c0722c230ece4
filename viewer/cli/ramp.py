"""``gloaming ramp``: steps of the light level of a clip; of a session, the level at which each device loses what it sees."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import click

from viewer.cli.bars import TargetType
from viewer.cli.common import CLIP, FRAMES, RECT, emit, json_option, light_options, progress_bar
from viewer.errors import UsageError

SUFFIX = ".gloam"


class LevelsType(click.ParamType[Any]):
    """``L,L,...``: numbers above 0."""

    name = "L,L,..."

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> list[float]:
        """Return the levels."""
        if isinstance(value, list):
            return value
        try:
            levels = [float(part) for part in str(value).split(",")]
        except ValueError:
            self.fail(f"{value!r} is not a list of numbers such as 1.5,0.5,0.15.", param, ctx)
        if min(levels) <= 0:
            self.fail(f"{value!r} holds a level that is not above 0.", param, ctx)
        return levels


def _session(path: Path, json_to: str | None, *, allow_outside: bool) -> None:
    """Print at which light level each device of a session loses contrast and bars."""
    from viewer.session import store
    from viewer.tasks.lost_levels import lost_levels

    with progress_bar("ramps") as progress:
        result = lost_levels(
            store.load(path),
            path.resolve().parent,
            allow_outside=allow_outside,
            processes=os.cpu_count() or 1,
            progress=progress,
        )
    emit(result, json_to)


@click.command("ramp")
@click.argument("clip", metavar="CLIP or SESSION", type=CLIP)
@click.option("--region", type=RECT, help="What sees the light change; the inner field if left out.")
@click.option("--levels", type=LevelsType(), help="Light levels in the order of the clip.")
@click.option(
    "--unit", default="mfL", show_default=True, help="Unit of the levels: mfL, fL, cd/m2, mcd/m2, lx, mlx, ulx, fc, mfc."
)
@click.option("--bright", type=RECT, help="With --dark: contrast at every level too, and the level at which it is lost.")
@click.option("--dark", type=RECT, help="The dark region.")
@click.option("--target", "targets", type=TargetType(), multiple=True, help="A tri-bar target at every level, as for bars.")
@click.option("--noise", type=RECT, help="An even region: its noise at every level too.")
@click.option("--edge", type=RECT, help="A slanted edge: its width and MTF at every level too.")
@click.option("--tint", type=RECT, help="A lit region: its tint at every level too.")
@click.option("--figure", type=RECT, help="A figure: how visible it is at every level too.")
@click.option("--frames", type=FRAMES, default="0:", help="Use only these frames.")
@click.option("--allow-outside", is_flag=True, help="Let a session open clips outside its own folder.")
@light_options
@json_option
def command(
    clip: Path,
    region: Any,
    levels: list[float] | None,
    unit: str,
    bright: Any,
    dark: Any,
    targets: tuple[Any, ...],
    noise: Any,
    edge: Any,
    tint: Any,
    figure: Any,
    frames: Any,
    allow_outside: bool,
    transfer: str | None,
    range: str | None,
    matrix: str | None,
    json_to: str | None,
) -> None:
    """Find the steps of the light level in a clip, and from when each has settled.

    Other commands measure one step with --frames: the result names the settled frames of each. With --bright and --dark,
    --target, --noise, --edge, --tint or --figure those are measured at every level; for contrast and bars the level at which
    they are lost is given.

    Of a SESSION (.gloam) it prints that level for all devices, with its interval; ramps not measured yet are measured first,
    and nothing is saved.
    """
    from viewer.media import LightChoice, open_clip
    from viewer.tasks.bars import with_ways
    from viewer.tasks.ramp import measure_ramp
    from viewer.tasks.ramp_curves import measure_curves

    others = {"noise": noise, "edge": edge, "tint": tint, "figure": figure}
    if clip.suffix.lower() == SUFFIX:
        if any((region, levels, bright, dark, targets, transfer, range, matrix, *others.values(), frames != (0, None))):
            raise UsageError("a session brings its own regions and levels.", hint="Give the session alone.")
        _session(clip, json_to, allow_outside=allow_outside)
        return
    if (bright is None) != (dark is None):
        raise UsageError("--bright and --dark belong together.", hint="Give both, or neither.")
    curves = bool(bright is not None or targets or any(rect is not None for rect in others.values()))
    if curves and levels is None:
        raise UsageError("curves need the light levels.", hint="Give --levels in the order of the clip.")

    choice = LightChoice(transfer=transfer, range=range, matrix=matrix)
    with open_clip(clip, light=choice) as opened, progress_bar("ramp") as progress:
        if levels is not None and curves:
            result = measure_curves(
                opened,
                region,
                levels=levels,
                unit=unit,
                contrast=None if bright is None else (bright, dark),
                targets=with_ways(opened, targets, frames),
                **others,
                frames=frames,
                progress=progress,
            )
        else:
            result = measure_ramp(opened, region, levels=levels, unit=unit, frames=frames, progress=progress)
    emit(result, json_to)


__all__ = ["command"]

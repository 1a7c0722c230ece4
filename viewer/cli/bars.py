"""``gloaming bars``: tri-bar targets and limiting resolution."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from typing import Any

import click

from viewer.cli.common import CLIP, FRAMES, RECT, emit, json_option, light_options, progress_bar
from viewer.errors import ViewerError


class TargetType(click.ParamType[Any]):
    """``LPMM=X,Y,W,H[,v or h]``."""

    name = "LPMM=X,Y,W,H[,v|h]"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the target, or two of them when no way was named: both are tried and the one with bars is kept."""
        from viewer.measure.bars import Target
        from viewer.measure.regions import parse_rect

        if isinstance(value, Target):
            return value
        typed, equals, place = str(value).partition("=")
        parts = [part.strip() for part in place.split(",")]
        way = parts.pop().lower() if len(parts) == 5 else "?"
        if not equals or way not in ("v", "h", "?"):
            self.fail(f"{value!r} is not LPMM=X,Y,W,H,v or h, for example 4.49=120,80,40,40,v.", param, ctx)
        try:
            rect = parse_rect(",".join(parts))
            return Target(typed.strip(), rect, "v" if way == "?" else way), way == "?"
        except ViewerError as error:
            self.fail(str(error), param, ctx)


@click.command("bars")
@click.argument("clip", type=CLIP, required=False)
@click.option("--target", "targets", type=TargetType(), multiple=True, help="A target: the box around its bars.")
@click.option(
    "--square", type=RECT, help="The chart's square: --layout finds the targets by it, --save-layout keeps them by it."
)
@click.option("--square-lpmm", type=float, metavar="LPMM", help="lp/mm of the element that belongs to the square.")
@click.option("--layout", type=CLIP, metavar="FILE", help="A layout kept before: its targets are found about the square.")
@click.option("--save-layout", type=CLIP, metavar="FILE", help="Keep the marked targets as a layout for other clips.")
@click.option("--frames", type=FRAMES, default="0:", help="Use only these frames.")
@click.option("--black", type=RECT, help="A region without light; its level is subtracted.")
@click.option("--dark-clip", type=CLIP, metavar="CLIP", help="Filmed with everything capped; its level is subtracted.")
@click.option("--corner/--no-corner", default=True, help="Use the dark corners outside the field where they give a level.")
@click.option("--blind", type=CLIP, metavar="DIR", help="CLIP is a session: write stills in random order for readers.")
@click.option("--key", type=CLIP, metavar="FILE", help="What the stills of --blind show; default DIR-key.json beside DIR.")
@click.option("--answers", type=CLIP, metavar="FILE", multiple=True, help="No clip: tables of readers, read with --key.")
@click.option("--scene", metavar="NAME", help="With --blind: the scene, where several have bars.")
@click.option("--time", "time_s", type=float, metavar="S", help="With --blind: scene time of the stills.")
@click.option(
    "--repeats", type=click.IntRange(1, 20), default=2, show_default=True, help="With --blind: showings of each target."
)
@click.option("--all-targets", is_flag=True, help="With --blind: not only targets about the measured limit.")
@click.option("--seed", type=click.IntRange(0), help="With --blind: the same order again.")
@light_options
@json_option
def command(
    clip: Path | None,
    targets: tuple[Any, ...],
    square: Any,
    square_lpmm: float | None,
    layout: Path | None,
    save_layout: Path | None,
    frames: Any,
    black: Any,
    dark_clip: Path | None,
    corner: bool,
    blind: Path | None,
    key: Path | None,
    answers: tuple[Path, ...],
    scene: str | None,
    time_s: float | None,
    repeats: int,
    all_targets: bool,
    seed: int | None,
    transfer: str | None,
    range: str | None,
    matrix: str | None,
    json_to: str | None,
) -> None:
    """Measure the modulation of tri-bar targets and the limiting resolution.

    Give each target as LPMM=X,Y,W,H,v (upright bars) or ,h (lying bars); without v or h the way is found. Which lp/mm an
    element has: 2^(group + (element - 1) / 6). Marked once, targets are kept with --square, --square-lpmm and --save-layout,
    and found again in other clips with --square, --square-lpmm and --layout.

    For people as readers: --blind DIR with a session in place of CLIP writes stills of its bars in random order, devices
    hidden, and a table to fill in with y or n; --answers TABLE --key FILE tells what they saw and how well they agree.
    """
    from viewer.cli import bars_blind

    if answers:
        bars_blind.compare(clip, answers, key, json_to)
        return
    if clip is None:
        raise click.UsageError("name a CLIP, or use --answers.")
    if blind is not None:
        bars_blind.write(
            clip, blind, key, json_to, scene=scene, time_s=time_s, repeats=repeats, near_limit=not all_targets, seed=seed
        )
        return
    if key is not None or scene is not None or time_s is not None or all_targets or seed is not None:
        raise click.UsageError("--key, --scene, --time, --all-targets and --seed belong to --blind.")
    from viewer.errors import UsageError
    from viewer.measure.chart import learn_layout
    from viewer.media import LightChoice, open_clip
    from viewer.tasks.bars import measure_bars, with_ways
    from viewer.tasks.chart import chart_targets, read_layout, write_layout

    if (layout or save_layout) and (square is None or square_lpmm is None):
        raise UsageError("a layout needs the chart's square.", hint="Give --square X,Y,W,H and --square-lpmm LPMM.")
    if not targets and layout is None:
        raise UsageError("no target was marked.", hint="Give --target LPMM=X,Y,W,H,v for each, or --square and --layout.")
    known = read_layout(layout) if layout else None

    choice = LightChoice(transfer=transfer, range=range, matrix=matrix)
    with ExitStack() as stack, progress_bar("bars") as progress:
        opened = stack.enter_context(open_clip(clip, light=choice))
        helper = None if dark_clip is None else stack.enter_context(open_clip(dark_clip, light=choice))
        marked = with_ways(opened, targets, frames)
        if save_layout is not None:
            write_layout(learn_layout(square, marked, square_lpmm or 0.0), save_layout)
        if known is not None and square_lpmm is not None:
            marked += chart_targets(opened, known, square, square_lpmm, frames=frames)
        result = measure_bars(opened, marked, frames=frames, black=black, dark_clip=helper, corner=corner, progress=progress)
    emit(result, json_to)


__all__ = ["command"]

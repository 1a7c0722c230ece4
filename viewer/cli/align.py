"""``gloaming align``: clock map and pose of each clip against the first."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from typing import Any

import click

from viewer.cli.common import CLIP, emit, json_option, light_options, progress_bar


class _Numbers(click.ParamType[Any]):
    """Numbers parted by commas (and equals signs), a fixed count of them."""

    def __init__(self, name: str, count: int) -> None:
        self.name, self.count = name, count

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[float, ...]:
        """Return the numbers of ``1,2=3,4``."""
        if isinstance(value, tuple):
            return value
        try:
            numbers = tuple(float(part) for part in str(value).replace("=", ",").split(","))
        except ValueError:
            numbers = ()
        if len(numbers) != self.count or not all(abs(number) < 1e9 for number in numbers):
            self.fail(f"{value!r} is not {self.name}", param, ctx)
        return numbers


@click.command("align")
@click.argument("reference", type=CLIP)
@click.argument("clips", type=CLIP, nargs=-1, required=True)
@click.option(
    "--mark",
    "marks",
    type=_Numbers("CLIP_S=REFERENCE_S", 2),
    multiple=True,
    help="The same moment in both: time in CLIP, time in REFERENCE (s). One clip only; repeat for more.",
)
@click.option(
    "--pair",
    "pairs",
    type=_Numbers("X,Y=X,Y", 4),
    multiple=True,
    help="The same detail in both: place in CLIP, place in REFERENCE (px). One clip only; two or more.",
)
@click.option(
    "--field-deg", type=click.FloatRange(1.0, 180.0), help="Stated field of the reference's device: residuals in degrees."
)
@light_options
@json_option
def command(
    reference: Path,
    clips: tuple[Path, ...],
    marks: tuple[tuple[float, ...], ...],
    pairs: tuple[tuple[float, ...], ...],
    field_deg: float | None,
    transfer: str | None,
    range: str | None,
    matrix: str | None,
    json_to: str | None,
) -> None:
    """Line CLIPS up with REFERENCE in time and in angle.

    Time: scene time = offset + (1 + rate / 1e6) x clip time, from sound, steps of the light and movement; what disagrees is
    shown. Angle: scale, rotation, shift and mirror from clip px to reference px, found by two methods. What the evidence
    cannot carry is refused, with what to film instead.
    """
    from viewer.media import LightChoice, open_clip
    from viewer.tasks.align import align_clips
    from viewer.tasks.align_document import lines_of

    choice = LightChoice(transfer=transfer, range=range, matrix=matrix)
    with ExitStack() as stack, progress_bar("align") as progress:
        opened = [stack.enter_context(open_clip(path, light=choice)) for path in (reference, *clips)]
        result = align_clips(
            opened[0],
            opened[1:],
            marks=[(mark[0], mark[1]) for mark in marks],
            points=[((pair[0], pair[1]), (pair[2], pair[3])) for pair in pairs],
            field_deg=field_deg,
            progress=progress,
        )
    emit(result, json_to)
    if not json_to:
        for name, entry in result.extras["clips"].items():
            click.echo("\n".join(lines_of(name, entry)))


__all__ = ["command"]

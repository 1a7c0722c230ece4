"""``gloaming align``: clock map and pose of each clip against the first."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path

import click

from viewer.cli.common import CLIP, emit, json_option, light_options, progress_bar


@click.command("align")
@click.argument("reference", type=CLIP)
@click.argument("clips", type=CLIP, nargs=-1, required=True)
@light_options
@json_option
def command(
    reference: Path,
    clips: tuple[Path, ...],
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

    choice = LightChoice(transfer=transfer, range=range, matrix=matrix)
    with ExitStack() as stack, progress_bar("align") as progress:
        opened = [stack.enter_context(open_clip(path, light=choice)) for path in (reference, *clips)]
        result = align_clips(opened[0], opened[1:], progress=progress)
    emit(result, json_to)


__all__ = ["command"]

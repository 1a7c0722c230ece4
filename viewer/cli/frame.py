"""``gloaming frame``: one exact picture."""

from __future__ import annotations

from pathlib import Path

import click

from viewer.cli.common import CLIP, light_options


@click.command("frame")
@click.argument("clip", type=CLIP)
@click.option("--number", type=click.IntRange(min=0), default=None, help="Number of the picture, from 0.")
@click.option(
    "--time", "time_s", type=float, default=None, metavar="S", help="Time in the clip, in s; the picture on show then."
)
@click.option("--out", type=click.Path(path_type=Path), required=True, metavar="PNG", help="Where to write.")
@light_options
def command(
    clip: Path,
    number: int | None,
    time_s: float | None,
    out: Path,
    matrix: str | None,
    range: str | None,
    transfer: str | None,
) -> None:
    """Write one exact picture of CLIP, upright, as PNG.

    Times are the clip's own presentation times (a clip may start after 0; see probe).  For looking only: numbers are measured
    on the native code values, never on this picture.
    """
    if (number is None) == (time_s is None):
        raise click.UsageError("name one picture: --number N or --time S.")
    from viewer.media import LightChoice, open_clip
    from viewer.tasks.frame import save_frame

    with open_clip(clip, light=LightChoice(transfer=transfer, range=range, matrix=matrix)) as reader:
        saved = save_frame(reader, out, number=number, time_s=time_s)
    note = "; it is damaged" if saved.damaged else ""
    click.echo(f"picture {saved.number} at {saved.time_s:.6f} s -> {saved.path}{note}", err=True)

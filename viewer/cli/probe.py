"""``gloaming probe``: what is in a file."""

from __future__ import annotations

from pathlib import Path

import click

from viewer.cli.common import CLIP, emit, json_option, light_options, progress_bar


@click.command("probe")
@click.argument("clips", type=CLIP, nargs=-1, required=True)
@click.option("--thorough", is_flag=True, help="Decode every picture to look for damage and repeats, however long it takes.")
@json_option
@light_options
def command(
    clips: tuple[Path, ...],
    thorough: bool,
    json_to: str | None,
    matrix: str | None,
    range: str | None,
    transfer: str | None,
) -> int:
    """Show what is in each CLIP: streams, tags, true picture count and timing, oddities, and what has to be assumed.

    A file that cannot be read is named in one line, the others are shown, and the exit code is 3.
    """
    from viewer.media import LightChoice
    from viewer.media.evidence import DEFAULT_BUDGET_PX
    from viewer.tasks.probe import describe_record, probe_clips

    budget = 10**15 if thorough else DEFAULT_BUDGET_PX
    choice = LightChoice(transfer=transfer, range=range, matrix=matrix)
    with progress_bar("looking into clips") as progress:
        probed = probe_clips(clips, light=choice, budget_px=budget, progress=progress)
    if json_to is not None:
        emit(probed.result, json_to)
    else:
        for record in probed.result.extras["clips"].values():
            if record["readable"]:
                click.echo("\n".join(describe_record(record)))
    for _, line in probed.failed:
        click.echo(f"gloaming: {line}", err=True)
    return 3 if probed.failed else 0

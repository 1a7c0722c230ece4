"""``gloaming measure``: line up and measure a whole session."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

import click

from viewer.cli.common import emit, json_option, progress_bar

if TYPE_CHECKING:
    from viewer.tasks.document import Result

MOST_REPEATS = 8


@click.command("measure")
@click.argument("session", type=click.Path(path_type=Path))
@click.option("--align/--no-align", default=None, help="Line clips up first (default: those that are not lined up yet).")
@click.option("--stale", is_flag=True, help="Measure only what is missing or out of date.")
@click.option("--allow-outside", is_flag=True, help="Let the session open clips outside its own folder.")
@click.option("--out", type=click.Path(path_type=Path), help="Save here instead of into SESSION.")
@json_option
def command(session: Path, align: bool | None, stale: bool, allow_outside: bool, out: Path | None, json_to: str | None) -> None:
    """Line up the clips of SESSION, measure all that it asks for, compare the devices, and save it.

    A clip that cannot be read is named and the rest goes on.
    """
    from viewer.session import store
    from viewer.tasks.session import align_session, measure_session, missing_readings
    from viewer.tasks.summary import session_result

    document = store.load(session)
    folder, workers = session.resolve().parent, os.cpu_count() or 1
    with store.locked(session):
        troubles: list[str] = []
        wanted = [s.id for s in document.scenes if align or any(clip.pose is None for clip in document.clips_of(s.id))]
        if align is not False and wanted:
            with progress_bar("lining up") as progress:
                run = align_session(document, folder, scenes=wanted, allow_outside=allow_outside, progress=progress)
            document, troubles = run.session, [trouble.what for trouble in run.troubles]
        only = missing_readings(document) if stale else None
        with progress_bar("measuring") as progress:
            run = measure_session(
                document, folder, only=only, allow_outside=allow_outside, processes=workers, progress=progress
            )
        troubles += [trouble.what for trouble in run.troubles]
        store.save(run.session, out or session)
    result = session_result(run.session, folder, troubles=tuple(troubles))
    emit(result, json_to)
    if json_to is None:
        _say(result)


def _say(result: Result) -> None:
    """Print the verdicts, how gates compare, and what further takes would buy."""
    order = {"differs": 0, "no difference beyond error": 1, "cannot tell": 2}
    verdicts = sorted(result.extras["verdicts"], key=lambda verdict: order.get(verdict["word"], 3))
    for verdict in verdicts:
        click.echo(f"{verdict['word']:27} {verdict['sentence']}")
    for ratio in result.extras["gates"]:
        click.echo(f"{'gates':27} {ratio['sentence']}")
    for sentence in result.extras["repeats"][:MOST_REPEATS]:
        click.echo(f"film again: {sentence}")
    left = len(result.extras["repeats"]) - MOST_REPEATS
    if left > 0:
        click.echo(f"and {left} more that repeats would narrow: see --json.")


__all__ = ["MOST_REPEATS", "command"]

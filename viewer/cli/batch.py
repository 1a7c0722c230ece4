"""``gloaming batch``: many sessions or clips, one machine or a running cluster."""

from __future__ import annotations

from pathlib import Path

import click

from viewer.cli.common import progress_bar


@click.command("batch")
@click.argument("paths", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--out", required=True, type=click.Path(path_type=Path), help="Folder for what is written.")
@click.option(
    "--job",
    "jobs",
    multiple=True,
    default=("probe",),
    show_default=True,
    help="What to do with clips: probe, bloom, flicker or ramp; may be given more than once.",
)
@click.option("--workers", type=click.IntRange(1, 256), default=None, help="Processes on this machine (default: one a core).")
@click.option("--cluster", metavar="ADDRESS", help="Scheduler of a running cluster, e.g. tcp://10.0.0.5:8786.")
def command(paths: tuple[Path, ...], out: Path, jobs: tuple[str, ...], workers: int | None, cluster: str | None) -> int:
    """Measure many sessions, or run jobs on many clips; folders are searched.  Writes DIR/summary.csv.

    An item that fails is named in the summary and the rest goes on; the numbers do not depend on where they were made.
    """
    from viewer.errors import FileError
    from viewer.session.store import write_whole
    from viewer.tasks.batch import gather, run_here, run_on_cluster, summary_csv

    items = gather(paths, out, jobs)
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise FileError(f"cannot be made ({error.strerror}).", where=str(out), hint="Choose another folder.") from error
    outcomes = []
    with progress_bar("working") as progress:
        for outcome in run_on_cluster(items, cluster) if cluster else run_here(items, workers=workers):
            outcomes.append(outcome)
            progress(len(outcomes), len(items))
    write_whole(out / "summary.csv", summary_csv(outcomes).encode())
    bad = [outcome for outcome in outcomes if not outcome.ok]
    for outcome in sorted(bad, key=lambda o: o.path):
        click.echo(f"gloaming: {outcome.reason}", err=True)
    click.echo(f"{len(outcomes) - len(bad)} of {len(outcomes)} done; see {out / 'summary.csv'}")
    return 3 if bad else 0


__all__ = ["command"]

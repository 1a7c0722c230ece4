"""The blind reading of ``gloaming bars``: stills for readers, and what their answers say."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from viewer.cli.common import emit, progress_bar


def write(session: Path, out: Path, key: Path | None, json_to: str | None, **how: Any) -> None:
    """Write stills, table and key, and say what to do with them."""
    from viewer.session import store
    from viewer.tasks.blind_stills import write_stills

    kept = out.with_name(f"{out.name}-key.json") if key is None else key
    with progress_bar("stills") as progress:
        result = write_stills(store.load(session), session.resolve().parent, out, kept, progress=progress, **how)
    if json_to is not None:
        emit(result, json_to)
        return
    told = result.extras["blind"]
    click.echo(f"{told['stills']} stills in {told['folder']}: every reader writes y (resolved) or n into {told['answers']}.")
    click.echo(f"Keep {told['key']} where no reader looks. Then: gloaming bars --answers TABLE --key {told['key']}")


def compare(clip: Path | None, answers: tuple[Path, ...], key: Path | None, json_to: str | None) -> None:
    """Print what readers saw and how well they agree."""
    from viewer.tasks.blind_answers import blind_result

    if clip is not None:
        raise click.UsageError("--answers takes no clip: what the stills show stands in the key.")
    if key is None:
        raise click.UsageError("--answers needs the --key that was written with the stills.")
    result = blind_result(key, answers)
    emit(result, json_to)
    if json_to is not None:
        return
    blind = result.extras["blind"]
    for name, limit in sorted(blind["machine_lpmm"].items()):
        click.echo(f"{name}: the statistics resolve {limit:.4g} lp/mm.")
    for title, rows in (
        ("between readers", blind["between_readers"]),
        ("with the statistics", blind["with_machine"]),
        ("with themselves", blind["with_oneself"]),
    ):
        for row in rows:
            click.echo(f"agreement {title}, {_who(row['who'])}: {_kappa(row)}")


def _who(names: list[str]) -> str:
    """Return whose answers are compared."""
    return " and ".join(name for name in names if name != "machine")


def _kappa(row: dict[str, Any]) -> str:
    """Return an agreement in words."""
    alike = f"{100 * row['equal']:.0f} % of {row['pairs']} alike"
    if row["low"] is None:
        return f"{alike}; kappa has no interval: one of them always says the same."
    return f"kappa {row['kappa']:.2f} ({row['low']:.2f} .. {row['high']:.2f}), {alike}."


__all__ = ["compare", "write"]

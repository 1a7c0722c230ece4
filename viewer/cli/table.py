"""Results and progress on the terminal."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table

from viewer.measure.readings import Reading, flag_words

if TYPE_CHECKING:
    from viewer.tasks.document import Result


def digits(reading: Reading) -> str:
    """Return value and interval with the digits that the interval deserves."""
    if reading.value is None:
        return "refused"
    half = reading.half_width
    if not half:
        return f"{reading.value:.6g}"
    from math import floor, log10

    places = max(0, min(9, 1 - floor(log10(half))))
    sign = {"limit": "beyond "}.get(reading.state, "")
    return f"{sign}{reading.value:.{places}f}  ({reading.low:.{places}f} .. {reading.high:.{places}f})"


def show(result: Result) -> None:
    """Print a result as a table, verdict and warnings below."""
    console = Console(highlight=False)
    if result.readings:
        table = Table(box=None, pad_edge=False, header_style="bold")
        for head in ("of", "reading", "value (95 % interval)", "unit", "remarks"):
            table.add_column(head)
        for reading in result.readings:
            remarks = "; ".join(filter(None, [reading.reason, ", ".join(flag_words(reading.flags))]))
            unit = "" if reading.unit == "1" else reading.unit
            table.add_row(reading.of, reading.name, digits(reading), unit, remarks)
        console.print(table)
    if result.verdict:
        console.print(f"{result.verdict.word}: {result.verdict.sentence}", markup=False)
    for warning in result.warnings:
        console.print(f"note: {warning}", markup=False)


@contextmanager
def progress(label: str) -> Iterator[Callable[[int, int], None]]:
    """Yield ``progress(done, total)`` that draws a bar on stderr when that is a terminal."""
    console = Console(stderr=True)
    if not console.is_terminal:
        yield lambda done, total: None
        return
    with Progress(TextColumn(label), BarColumn(), TimeRemainingColumn(), console=console, transient=True) as bar:
        task = bar.add_task(label, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)


__all__ = ["digits", "progress", "show"]

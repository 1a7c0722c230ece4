"""Results and progress on the terminal."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table

from viewer.measure.readings import Flag, Reading, bound_words, flag_words

if TYPE_CHECKING:
    from viewer.tasks.document import Result

PIPED_WIDTH = 132


def digits(reading: Reading) -> str:
    """Return value and interval with the digits that the interval deserves."""
    if reading.value is None:
        return "refused"
    half = reading.half_width
    bound = f"{bound_words(reading.value, reading.low, reading.high)} " if reading.state == "limit" else ""
    if not half:
        return f"{bound}{reading.value:.6g}"
    from math import floor, log10

    places = max(0, min(9, 1 - floor(log10(half))))
    return f"{bound}{reading.value:.{places}f}  ({reading.low:.{places}f} .. {reading.high:.{places}f})"


def console(*, stderr: bool = False) -> Console:
    """Return a console as wide as the terminal, or `PIPED_WIDTH` where there is none."""
    made = Console(highlight=False, stderr=stderr)
    return made if made.is_terminal else Console(highlight=False, stderr=stderr, width=PIPED_WIDTH)


def show(result: Result) -> None:
    """Print a result as a table, verdict and warnings below.

    What is true of every reading is said once below the table; an object, and a reason that does not change, once in it.
    """
    out = console()
    shared = _shared_flags(result.readings)
    if result.readings:
        table = Table(box=None, pad_edge=False, header_style="bold")
        table.add_column("of")
        span = "95 % interval" if any(reading.coverage < 1.0 for reading in result.readings) else "range"
        for head in ("reading", f"value ({span})", "unit"):
            table.add_column(head, no_wrap=True)
        table.add_column("remarks")
        of: str | None = None
        reason: str | None = None
        for reading in result.readings:
            why = reading.reason
            if why and reading.of == of and why == reason:
                why = "likewise"
            remarks = " ".join(filter(None, [why, _bracketed(flag_words(reading.flags & ~shared), alone=not why)]))
            unit = "" if reading.unit == "1" else reading.unit
            table.add_row("" if reading.of == of else reading.of, reading.name, digits(reading), unit, remarks)
            of, reason = reading.of, reading.reason
        out.print(table)
    if shared and len(result.readings) > 1:
        out.print(f"all of these: {', '.join(flag_words(shared))}", markup=False)
    if result.verdict:
        out.print(f"{result.verdict.word}: {result.verdict.sentence}", markup=False)
    for warning in result.warnings:
        out.print(f"note: {warning}", markup=False)


def _shared_flags(readings: Sequence[Reading]) -> Flag:
    """Return the flags that every one of several readings carries."""
    if len(readings) < 2:
        return Flag.NONE
    shared = readings[0].flags
    for reading in readings:
        shared &= reading.flags
    return shared


def _bracketed(words: list[str], *, alone: bool) -> str:
    text = ", ".join(words)
    return text if alone or not text else f"({text})"


@contextmanager
def progress(label: str) -> Iterator[Callable[[int, int], None]]:
    """Yield ``progress(done, total)`` that draws a bar on stderr when that is a terminal."""
    screen = Console(stderr=True)
    if not screen.is_terminal:
        yield lambda done, total: None
        return
    with Progress(TextColumn(label), BarColumn(), TimeRemainingColumn(), console=screen, transient=True) as bar:
        task = bar.add_task(label, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)


__all__ = ["PIPED_WIDTH", "console", "digits", "progress", "show"]

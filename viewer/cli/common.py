"""What the commands share: parameter types, output, errors as one line."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from viewer.errors import FileError, RegionError, ViewerError

if TYPE_CHECKING:
    from viewer.measure.regions import Rect
    from viewer.tasks.document import Result

F = TypeVar("F", bound=Callable[..., Any])


class RectType(click.ParamType[Any]):
    """``X,Y,W,H`` in upright clip pixels."""

    name = "X,Y,W,H"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Rect:
        """Return the `Rect`."""
        from viewer.measure.regions import Rect, parse_rect

        if isinstance(value, Rect):
            return value
        try:
            return parse_rect(str(value))
        except RegionError as error:
            self.fail(str(error), param, ctx)


class PointType(click.ParamType[Any]):
    """``X,Y`` in upright clip pixels."""

    name = "X,Y"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[float, float]:
        """Return ``(x, y)``."""
        if isinstance(value, tuple):
            return value
        try:
            x, y = (float(part) for part in str(value).split(","))
        except ValueError:
            self.fail(f"{value!r} is not a point X,Y, for example 320,240.", param, ctx)
        return x, y


class FramesType(click.ParamType[Any]):
    """``A:B``: frames A up to, not with, B; either may be left out."""

    name = "A:B"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[int, int | None]:
        """Return ``(first, stop)``; stop is None for the end."""
        if isinstance(value, tuple):
            return value
        first, colon, last = str(value).partition(":")
        try:
            start = int(first) if first.strip() else 0
            stop = (int(last) if last.strip() else None) if colon else start + 1
        except ValueError:
            self.fail(f"{value!r} is not A:B in frame numbers, for example 0:120.", param, ctx)
        if start < 0 or (stop is not None and stop <= start):
            self.fail(f"{value!r} holds no frame; count from 0, B after A.", param, ctx)
        return start, stop


class SecondsType(click.ParamType[Any]):
    """A shutter time: ``1/250`` or ``0.004``."""

    name = "S"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return seconds."""
        if isinstance(value, float):
            return value
        top, slash, bottom = str(value).replace(",", ".").partition("/")
        try:
            seconds = float(top) / float(bottom) if slash else float(top)
        except (ValueError, ZeroDivisionError):
            self.fail(f"{value!r} is not a time such as 1/250 or 0.004.", param, ctx)
        if not 0 < seconds < 3600:
            self.fail(f"{value!r} is not a possible shutter time.", param, ctx)
        return seconds


RECT = RectType()
POINT = PointType()
FRAMES = FramesType()
SECONDS = SecondsType()
CLIP = click.Path(path_type=Path)


def json_option(function: F) -> F:
    """Add ``--json FILE``."""
    return click.option("--json", "json_to", metavar="FILE", help="Write the result document to FILE, or - for the terminal.")(
        function
    )


def light_options(function: F) -> F:
    """Add the options that overrule a clip's tags (the choice is recorded with every reading)."""
    from viewer.cli import _choices

    for name, choices, text in (
        ("--matrix", _choices.MATRICES, "Overrule the matrix tag."),
        ("--range", _choices.RANGES, "Overrule the range tag."),
        ("--transfer", _choices.TRANSFERS, "Overrule the transfer tag."),
    ):
        function = click.option(name, type=click.Choice(choices), default=None, help=text)(function)
    return function


def emit(result: Result, json_to: str | None) -> None:
    """Write the result: the document to `json_to`, or a readable table to the terminal."""
    if json_to == "-":
        sys.stdout.write(result.dumps())
        return
    if json_to:
        try:
            Path(json_to).write_text(result.dumps(), encoding="utf-8")
        except OSError as error:
            raise FileError(f"cannot be written ({error.strerror}).", where=json_to, hint="Choose another place.") from error
        return
    from viewer.cli import table

    table.show(result)


def progress_bar(label: str) -> Any:
    """Return a context manager that yields ``progress(done, total)``; silent unless stderr is a terminal."""
    from viewer.cli import table

    return table.progress(label)


def fail(error: ViewerError) -> int:
    """Print one line and return the exit code."""
    click.echo(f"gloaming: {error}", err=True)
    return error.exit_code


__all__ = [
    "CLIP",
    "FRAMES",
    "POINT",
    "RECT",
    "SECONDS",
    "emit",
    "fail",
    "json_option",
    "light_options",
    "progress_bar",
]

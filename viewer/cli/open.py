"""``gloaming open``: the window."""

from __future__ import annotations

from pathlib import Path

import click

from viewer.cli.common import CLIP


@click.command()
@click.argument("paths", nargs=-1, type=CLIP, metavar="[SESSION or CLIP ...]")
def command(paths: tuple[Path, ...]) -> int:
    """Open the window, on a session (.gloam) or on clips to be added to a new one."""
    from viewer.errors import FileError

    for path in paths:
        if not path.exists():
            raise FileError("there is no such file.", where=str(path), hint="Check the name.")
    from viewer.app.main import open_window

    return open_window(list(paths))

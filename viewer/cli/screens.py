"""``gloaming screens``: every screen of the window as a picture."""

from __future__ import annotations

from pathlib import Path

import click


@click.command()
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False), metavar="DIR")
@click.option("--only", multiple=True, metavar="WORD", help="Only the screens whose name holds WORD.")
def command(folder: Path, only: tuple[str, ...]) -> int:
    """Render every screen, state and theme of the window into DIR as PNG; needs no screen."""
    import os

    os.environ["QT_QPA_PLATFORM"] = "offscreen"
    from viewer.app.screens import render_all

    for path in render_all(folder, only=only):
        click.echo(path)
    return 0

"""``gloaming screens``: every screen of the window as a picture."""

from __future__ import annotations

from pathlib import Path

import click

from viewer.cli.common import CLIP


@click.command()
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False), metavar="DIR")
@click.option("--session", type=CLIP, metavar="SESSION", help="Show this session instead of building the sample one.")
@click.option("--only", multiple=True, metavar="WORD", help="Only the screens whose name holds WORD.")
@click.option("--language", type=click.Choice(["en", "de"]), default="en", help="Language of the window.")
def command(folder: Path, session: Path | None, only: tuple[str, ...], language: str) -> int:
    """Render every screen, state and theme of the window into DIR as PNG; needs no screen.

    Without --session the sample session is built, lined up and measured first, which takes minutes.
    """
    import os

    os.environ["QT_QPA_PLATFORM"] = "offscreen"
    from viewer.app.screens import render_all

    for path in render_all(folder, only=only, session=session, language=language):
        click.echo(path)
    return 0

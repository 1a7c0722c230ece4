"""``gloaming demo``: the whole job on the sample clips, and what was found beside the truth."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from viewer.cli.common import progress_bar

if TYPE_CHECKING:
    from collections.abc import Sequence

    from viewer.tasks.demo import Check, DemoResult
    from viewer.tasks.session import Run

SCREENLESS = {"offscreen", "minimal", "vnc"}


@click.command("demo")
@click.argument("folder", metavar="[DIR]", type=click.Path(path_type=Path, file_okay=False), default=Path("demo-out"))
@click.option("--window/--no-window", default=True, help="Open the window afterwards (default: if there is a screen).")
@click.option("--only", multiple=True, metavar="SCENE", help="Just this scene: chart, monitor, lamps, reeds or figure.")
def command(folder: Path, window: bool, only: tuple[str, ...]) -> int:
    """Build the sample session in DIR (demo-out), line it up, measure it and publish it.

    The clips are rendered by the program's own lab, so what is true of them is known: the table shows both.
    """
    from viewer.tasks.demo import build_demo

    with progress_bar("demo") as progress:
        result = build_demo(folder, only=only, publish=_publish, processes=os.cpu_count() or 1, progress=progress)
    _show(result, folder)
    if not window or not _has_screen():
        return 0
    from viewer.app.main import open_window

    return open_window([result.path])


def _publish(run: Run, folder: Path) -> Sequence[Path]:
    from viewer.publish.everything import publish_session

    return publish_session(run.session, folder, folder / "published", results=run.results)


def _has_screen() -> bool:
    if os.environ.get("QT_QPA_PLATFORM", "") in SCREENLESS:
        return False
    return sys.platform in ("win32", "darwin") or bool(os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY"))


def _show(result: DemoResult, folder: Path) -> None:
    """Print found beside true, troubles, and what was written."""
    from rich.table import Table

    from viewer.cli.table import console
    from viewer.tasks.demo import summary

    out = console()
    devices = [device.name for device in result.session.devices]
    table = Table(box=None, pad_edge=False, header_style="bold", title="found (true)", title_justify="left")
    for head in ("scene", "reading", *devices):
        table.add_column(head, overflow="fold")
    last = ""
    for scene, name, cells in summary(result):
        table.add_row("" if scene == last else scene, name, *(_cell(cells.get(device)) for device in devices))
        last = scene
    out.print(table)
    inside, total = result.inside
    out.print(f"{inside} of {total} 95 % intervals hold the truth; * marks those that do not. All: found_and_true.csv")
    for trouble in result.troubles:
        out.print(f"note: {trouble}", markup=False)
    took = ", ".join(f"{name} {seconds:.0f} s" for name, seconds in result.seconds.items())
    out.print(f"took {sum(result.seconds.values()):.0f} s ({took})", markup=False)
    for path in result.files:
        out.print(str(path), markup=False, soft_wrap=True)


def _cell(check: Check | None) -> str:
    """Return one cell: value with the digits that its interval deserves, the truth in brackets."""
    if check is None:
        return ""
    if check.found is None:
        return f"refused ({check.truth:.4g})"
    half = 0.5 * (check.high - check.low) if check.low is not None and check.high is not None else None
    if not half:
        return f"{check.found:.4g} ({check.truth:.4g})"
    from math import floor, log10

    places = max(0, min(6, 1 - floor(log10(half))))
    mark = "" if check.inside else " *"
    return f"{check.found:.{places}f} ±{half:.{places}f} ({check.truth:.{places}f}){mark}"


__all__ = ["command"]

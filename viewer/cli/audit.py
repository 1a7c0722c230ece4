"""``gloaming audit``: are the camera settings the same in all clips of a scene?"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from viewer.cli.common import CLIP, emit, json_option, progress_bar

if TYPE_CHECKING:
    from collections.abc import Sequence

    from viewer.tasks.audit import SceneAudit


@click.command("audit")
@click.argument("paths", metavar="SESSION | CLIP...", type=CLIP, nargs=-1, required=True)
@click.option("--allow-outside", is_flag=True, help="Let the session reach clips outside its own folder.")
@json_option
def command(paths: tuple[Path, ...], allow_outside: bool, json_to: str | None) -> None:
    """Compare camera settings clip by clip: same, different or unknown.

    Looks at the files' own tags, camera side-car files beside them, what was typed in the session, and the pixels. What
    nobody says is unknown, never same.
    """
    from viewer.errors import UsageError
    from viewer.session.store import load
    from viewer.tasks.audit import audit_clips, audit_result, audit_session

    sessions = [path for path in paths if path.suffix == ".gloam"]
    if sessions and len(paths) > 1:
        raise UsageError("a session is audited by itself.", hint="Name one .gloam file, or clips only.")
    with progress_bar("audit") as progress:
        if sessions:
            session = load(sessions[0])
            folder = sessions[0].resolve().parent
            scenes = audit_session(session, folder, allow_outside=allow_outside, progress=progress)
        else:
            scenes = (audit_clips(paths, progress=progress),)
    if json_to is None:
        _show(scenes)
    emit(audit_result(scenes), json_to)


def _show(scenes: Sequence[SceneAudit]) -> None:
    from rich.table import Table

    from viewer.cli.table import console

    out = console()
    for scene in scenes:
        table = Table(box=None, pad_edge=False, header_style="bold", title=None)
        for head in ("setting", "state", "evidence"):
            table.add_column(head)
        for row in scene.rows:
            table.add_row(row.label, row.state, row.sentence)
        out.print(f"{scene.scene}  ({len(scene.clips)} clips)", markup=False, style="bold")
        out.print(table)


__all__ = ["command"]

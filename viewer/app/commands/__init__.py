"""What the actions do, one class for each menu.  A method ``do_<id>`` answers the action of that id."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from viewer.app.commands.drawing import DrawCommands
from viewer.app.commands.edit import EditCommands
from viewer.app.commands.help import HelpCommands
from viewer.app.commands.looking import LookCommands
from viewer.app.commands.measuring import MeasureCommands
from viewer.app.commands.publishing import PublishCommands
from viewer.app.commands.session import SessionCommands
from viewer.app.commands.timing import TimeCommands

if TYPE_CHECKING:
    from viewer.app.window import MainWindow


def gather(window: MainWindow) -> tuple[dict[str, Callable[[], None]], SessionCommands, MeasureCommands, PublishCommands]:
    """Return action id -> what it does, and the command classes that views call directly."""
    session, measure, publish = SessionCommands(window), MeasureCommands(window), PublishCommands(window)
    groups = [
        session,
        EditCommands(window),
        LookCommands(window),
        TimeCommands(window),
        DrawCommands(window),
        measure,
        publish,
        HelpCommands(window),
    ]
    found: dict[str, Callable[[], None]] = {}
    for group in groups:
        for name in dir(group):
            if name.startswith("do_"):
                found[name[3:]] = getattr(group, name)
    return found, session, measure, publish


__all__ = ["gather"]

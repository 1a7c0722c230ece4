"""Everything that the window shows in German: walked through, widget by widget, in search of English."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from PySide6.QtCore import QAbstractItemModel, QAbstractListModel, QModelIndex, Qt
from PySide6.QtGui import QAction
from PySide6.QtWidgets import (
    QAbstractButton,
    QAbstractItemView,
    QComboBox,
    QLabel,
    QLineEdit,
    QPlainTextEdit,
    QTextEdit,
    QWidget,
)

from viewer.app.actions import SPECS
from viewer.app.screens import DIALOGS, settle
from viewer.app.views.ingest import IngestDialog
from viewer.app.window import MainWindow
from viewer.session import store
from viewer.session.model import Session, StoredReading

# Words that no German text of the window holds; "in", "an", "so", "war" and the like are words of both languages.
ENGLISH = re.compile(
    r"\b(the|of|is|are|not|with|from|film|this|that|and|or|than|by|to|at|for|one|light|but|no|its|level|frames?|units?|takes?"
    r"|clips? is|device|scene|reading|value|error|error:|out|up|down|left|right|none|all|cycles|fps|degrees?|deg|true|file)\b"
)
IN_ENGLISH = ("manual", "card")  # the manual, and the card as it is published
ROLES = (Qt.ItemDataRole.DisplayRole, Qt.ItemDataRole.ToolTipRole, Qt.ItemDataRole.AccessibleTextRole)


def items(model: QAbstractItemModel, parent: QModelIndex) -> Iterator[Any]:
    across = 1 if isinstance(model, QAbstractListModel) else model.columnCount(parent)
    for row in range(model.rowCount(parent)):
        for col in range(across):
            index = model.index(row, col, parent)
            yield from (model.data(index, role) for role in ROLES)
            yield from items(model, index)
    for section in range(across):
        yield from (model.headerData(section, Qt.Orientation.Horizontal, role) for role in ROLES)


def texts(top: QWidget) -> Iterator[Any]:
    """Yield what a widget and all within it say, to eyes and to screen readers."""
    for widget in [top, *top.findChildren(QWidget)]:
        yield from (widget.windowTitle(), widget.toolTip(), widget.accessibleName(), widget.accessibleDescription())
        if isinstance(widget, QLabel | QAbstractButton):
            yield widget.text()
        if isinstance(widget, QLineEdit):
            yield widget.placeholderText()
        if isinstance(widget, QPlainTextEdit | QTextEdit):
            yield widget.toPlainText()
        if isinstance(widget, QComboBox):
            yield from items(widget.model(), QModelIndex())
        if isinstance(widget, QAbstractItemView) and widget.model() is not None:
            yield from items(widget.model(), QModelIndex())
    for action in top.findChildren(QAction):
        yield from (action.text(), action.toolTip(), action.statusTip())


def english(top: QWidget, session: Session) -> set[str]:
    """Return what is not German, names and words that the user gave aside."""
    own = [s.name for s in (*session.scenes, *session.devices, *session.regions, *session.clips)] + [session.title]
    own += [entry.typed for device in session.devices for entry in device.sheet]
    found = set()
    for text in texts(top):
        plain = str(text) if isinstance(text, str) else ""
        for name in sorted(filter(None, own), key=len, reverse=True):
            plain = plain.replace(name, "")
        plain = re.sub(r"[\w./-]+\.(mp4|gloam|png|csv)|/[\w ./-]+|--[a-z-]+", "", plain)
        if ENGLISH.search(plain):
            found.add(str(text))
    return found


REASONS = (
    "clipping reaches the halo's edge (out to 7.5 px). Film with a shorter exposure or a dimmer lamp.",
    "the data decide nothing",
)


@pytest.fixture
def full(session: Session, clip_folder: Path) -> Path:
    """The session with readings of every state."""
    readings = [
        replace(session.readings[2], reason=REASONS[0]),
        session.readings[0],
        replace(session.readings[1], state="limit", reason="the light adds less than a tenth of the background anywhere. "
                "Film a brighter lamp or a darker background.", method="region means in linear light"),
    ]  # fmt: skip
    assert all(isinstance(reading, StoredReading) for reading in readings)
    said = (
        "Halo radius of Gate lamp: Bittern 9.8 px, Heron 12.4 px; Bittern is lower by 2.6 px (95 % interval of the difference "
    )
    verdict = replace(
        session.verdicts[0], sentence=said + "-3.3 to -1.9 px; these units, these takes; 3 comparisons allowed for)."
    )
    return store.save(replace(session, readings=tuple(readings), verdicts=(verdict,)), clip_folder / "full.gloam")


def test_the_window_speaks_german(
    make_window: Callable[..., MainWindow], full: Path, wait: Callable[[MainWindow], None]
) -> None:
    window = make_window(full, language="de")
    wait(window)
    assert not english(window, window.document.session)
    assert "Die Übersteuerung reicht bis zum Lichthofrand (bis 7,5 px)" in window.readings_panel.as_text()


@pytest.mark.parametrize("ident", [name for name in DIALOGS if name not in IN_ENGLISH])
def test_dialogs_speak_german(ident: str, make_window: Callable[..., MainWindow], full: Path) -> None:
    window = make_window(full, language="de")
    assert settle(window)
    window.stage.choose("clip", "c-heron")
    window.run(ident)
    assert settle(window)
    assert window.dialogs, f"{ident} opened nothing"
    for dialog in window.dialogs:
        assert not english(dialog, window.document.session)
        dialog.close()


def test_trouble_speaks_german(make_window: Callable[..., MainWindow], full: Path, tmp_path: Path) -> None:
    (tmp_path / "broken.mp4").write_bytes(b"no recording" * 99)
    session = store.load(full)
    lost = replace(session.clips[1], files=(replace(session.clips[1].files[0], path="broken.mp4"),))
    kept = replace(session, clips=(session.clips[0], lost, session.clips[2]))
    window = make_window(store.save(kept, tmp_path / "trouble.gloam"), language="de")
    assert settle(window)
    assert not english(window, window.document.session)
    told = " ".join(window.stage.trouble.values())
    assert "lässt sich nicht lesen" in told and "Die Datei fehlt." in told


def test_adding_clips_speaks_german(make_window: Callable[..., MainWindow], full: Path) -> None:
    from viewer.app.model import ingest

    window = make_window(full, language="de")
    empty = Session(id="s")
    dialog = IngestDialog(window, empty, ingest.guess(ingest.find_clips([full.parent]), empty))
    assert not english(dialog, window.document.session)
    dialog.close()


def test_every_action_speaks_german(make_window: Callable[..., MainWindow]) -> None:
    window = make_window(language="de")
    assert not english(window.welcome, Session(id="s"))
    said = {spec.id: window.actions_[spec.id].text() for spec in SPECS}
    assert len(said) > 60 and not any(ENGLISH.search(text) for text in said.values())

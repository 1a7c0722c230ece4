"""Short questions: a text, a choice, yes or no.  One place, so that tests can answer."""

from __future__ import annotations

from pathlib import Path

from PySide6.QtWidgets import QFileDialog, QInputDialog, QMessageBox, QWidget

from viewer.app.i18n import tr


def ask_text(parent: QWidget, title: str, what: str, start: str) -> str | None:
    """Return the text that was typed, or None."""
    text, fine = QInputDialog.getText(parent, title, what, text=start)
    return text.strip() if fine else None


def ask_choice(parent: QWidget, title: str, what: str, choices: list[str]) -> int | None:
    """Return the place of the choice, or None."""
    text, fine = QInputDialog.getItem(parent, title, what, choices, 0, False)
    return choices.index(text) if fine and text in choices else None


def ask_save(parent: QWidget, name: str) -> str:
    """Ask about unsaved edits: ``save``, ``discard`` or ``cancel``."""
    box = QMessageBox(parent)
    box.setWindowTitle(tr("Unsaved edits"))
    box.setText(tr("“{name}” has edits that are not in its file.", name=name))
    keep = box.addButton(tr("Save"), QMessageBox.ButtonRole.AcceptRole)
    drop = box.addButton(tr("Discard the edits"), QMessageBox.ButtonRole.DestructiveRole)
    box.addButton(tr("Cancel"), QMessageBox.ButtonRole.RejectRole)
    box.setDefaultButton(keep)
    box.exec()
    return "save" if box.clickedButton() is keep else "discard" if box.clickedButton() is drop else "cancel"


def tell(parent: QWidget, title: str, text: str) -> None:
    """Tell something that needs an answer of "I see"."""
    box = QMessageBox(parent)
    box.setWindowTitle(title)
    box.setText(text)
    box.addButton(tr("Close"), QMessageBox.ButtonRole.AcceptRole)
    box.exec()


def open_file(parent: QWidget, title: str, folder: Path, kinds: str) -> Path | None:
    """Return the file that was chosen to open."""
    name, _ = QFileDialog.getOpenFileName(parent, title, str(folder), kinds)
    return Path(name) if name else None


def open_files(parent: QWidget, title: str, folder: Path, kinds: str) -> list[Path]:
    """Return the files that were chosen to open."""
    names, _ = QFileDialog.getOpenFileNames(parent, title, str(folder), kinds)
    return [Path(name) for name in names]


def save_file(parent: QWidget, title: str, path: Path, kinds: str) -> Path | None:
    """Return the place that was chosen to save to."""
    name, _ = QFileDialog.getSaveFileName(parent, title, str(path), kinds)
    return Path(name) if name else None


def choose_folder(parent: QWidget, title: str, folder: Path) -> Path | None:
    """Return the folder that was chosen."""
    name = QFileDialog.getExistingDirectory(parent, title, str(folder))
    return Path(name) if name else None


__all__ = ["ask_choice", "ask_save", "ask_text", "choose_folder", "open_file", "open_files", "save_file", "tell"]

"""Light levels of a series, as typed; a decimal comma will do."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from PySide6.QtWidgets import QComboBox, QFormLayout, QPlainTextEdit, QWidget

from viewer.app.i18n import number, parse_number, tr
from viewer.app.said import error_said
from viewer.app.views.dialog import Dialog, quiet
from viewer.errors import UsageError
from viewer.session.model import LightLevel

if TYPE_CHECKING:
    from viewer.app.window import MainWindow

UNITS = ("mfL", "cd/m2", "lx")


def parse_levels(text: str, unit: str) -> tuple[LightLevel, ...]:
    """Return the levels of ``0.3 1.18-2.4`` lines: a value, and if known the scene seconds of its step.

    Raises
    ------
    UsageError
        If a line is not understood, with the line.
    """
    levels = []
    for line in text.splitlines():
        parts = line.replace("–", "-").split()
        if not parts:
            continue
        value = parse_number(parts[0])
        if value < 0:
            raise UsageError(tr("A light level cannot be negative: {line}", line=line))
        start = end = None
        if len(parts) > 1:
            first, dash, last = "".join(parts[1:]).partition("-")
            start = parse_number(first)
            end = parse_number(last) if dash and last else None
        levels.append(LightLevel(value=value, unit=unit, start_s=start, end_s=end))
    return tuple(levels)


class LevelsDialog(Dialog):
    """One level a line."""

    manual_page = "ramp"

    def __init__(self, window: MainWindow) -> None:
        super().__init__(window, tr("Light levels of the scene"), size=(480, 420))
        self.scene = window.stage.scene
        levels = self.scene.levels if self.scene else ()
        self.unit = QComboBox()
        self.unit.addItems(list(UNITS))
        if levels and levels[0].unit in UNITS:
            self.unit.setCurrentText(levels[0].unit)
        self.text = QPlainTextEdit("\n".join(_line(level) for level in levels))
        self.text.setTabChangesFocus(True)
        form = QFormLayout()
        for words, field in ((tr("Unit"), self.unit), (tr("Levels"), self.text)):
            field.setAccessibleName(words)
            form.addRow(words, field)
        body = QWidget()
        body.setLayout(form)
        self.note = quiet(tr("One level a line; behind it, if known, the seconds of its step in scene time: 0.3 1.2-2.4"))
        self.fill(body, self.note)
        self.add_button(tr("Cancel"), self.reject)
        self.add_button(tr("Keep"), self.keep, main=True)

    def keep(self) -> None:
        """Write the levels into the session."""
        if self.scene is None:
            return
        try:
            levels = parse_levels(self.text.toPlainText(), self.unit.currentText())
        except UsageError as error:
            self.note.setText(error_said(error))  # type: ignore[attr-defined]
            return
        document = self.window_.document
        document.edit(document.session.put(replace(self.scene, levels=levels)), tr("Set the light levels"))
        self.accept()


def _line(level: LightLevel) -> str:
    text = number(level.value)
    if level.start_s is not None:
        text += f" {number(level.start_s, 3)}"
        text += f"-{number(level.end_s, 3)}" if level.end_s is not None else ""
    return text


__all__ = ["LevelsDialog", "parse_levels"]

"""Preferences: theme, text size, language, reduced flicker, what the lanes show."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from PySide6.QtWidgets import QCheckBox, QComboBox, QFormLayout, QLabel, QLineEdit, QWidget

from viewer.app.i18n import LANGUAGES, number, parse_number, tr
from viewer.app.theme import THEMES
from viewer.app.views.dialog import Dialog, quiet
from viewer.errors import UsageError

if TYPE_CHECKING:
    from viewer.app.window import MainWindow

SIZES = (90, 100, 115, 130, 150, 175)


class PreferencesDialog(Dialog):
    """Every choice takes effect at once, but for the language: that comes with the next window."""

    def __init__(self, window: MainWindow) -> None:
        super().__init__(window, tr("Preferences"), size=(480, 420))
        settings = window.settings
        self.theme = QComboBox()
        for name, look in THEMES.items():
            self.theme.addItem(tr(look.title), name)
        self.theme.setCurrentIndex(max(0, self.theme.findData(settings["theme"])))
        self.text = QComboBox()
        for percent in SIZES:
            self.text.addItem(f"{percent} %", percent)
        self.text.setCurrentIndex(max(0, self.text.findData(settings["text_percent"])))
        self.language = QComboBox()
        for code, name in LANGUAGES.items():
            self.language.addItem(name, code)
        self.language.setCurrentIndex(max(0, self.language.findData(settings["language"])))
        self.calm = QCheckBox(tr("No motion, and blink only by key"))
        self.calm.setChecked(settings["reduced_flicker"])
        self.lanes = QComboBox()
        for key, name in (("light", tr("Light level")), ("sound", tr("Sound"))):
            self.lanes.addItem(name, key)
        self.lanes.setCurrentIndex(max(0, self.lanes.findData(window.lanes.content)))
        self.mains = QLineEdit(number(window.document.session.preferences.mains_hz))
        form = QFormLayout()
        form.setSpacing(8)
        fields: tuple[tuple[str, QWidget], ...] = (
            (tr("Theme"), self.theme),
            (tr("Text size"), self.text),
            (tr("Language"), self.language),
            (tr("Reduced flicker"), self.calm),
            (tr("Lanes show"), self.lanes),
            (tr("Mains frequency (Hz)"), self.mains),
        )
        for words, field in fields:
            field.setAccessibleName(words)
            form.addRow(QLabel(words), field)
        body = QWidget()
        body.setLayout(form)
        self.note = quiet(tr("Another language shows in the next window that is opened."))
        self.fill(body, self.note, None)
        self.add_closing().setDefault(True)
        for combo in (self.theme, self.text, self.language, self.lanes):
            combo.activated.connect(lambda _n: self.apply())
        self.calm.toggled.connect(lambda _on: self.apply())
        self.mains.editingFinished.connect(self.apply)

    def apply(self) -> None:
        """Take the choices over."""
        settings = self.window_.settings
        settings["theme"] = self.theme.currentData()
        settings["text_percent"] = self.text.currentData()
        settings["language"] = self.language.currentData()
        settings["reduced_flicker"] = self.calm.isChecked()
        settings["lane_content"] = self.lanes.currentData()
        self.window_.lanes.set_content(self.lanes.currentData())
        try:
            hertz = parse_number(self.mains.text())
        except UsageError:
            hertz = 0.0
        session = self.window_.document.session
        if 40 <= hertz <= 70:
            changed = replace(session, preferences=replace(session.preferences, mains_hz=hertz))
            self.window_.document.edit(changed, tr("Set the mains frequency"))
        self.window_.apply_settings()


__all__ = ["PreferencesDialog"]

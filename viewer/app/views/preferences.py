"""Preferences: theme, text size, language, reduced flicker, what the lanes show."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Any

from PySide6.QtWidgets import QCheckBox, QComboBox, QFormLayout, QLabel, QLineEdit, QWidget

from viewer.app.i18n import LANGUAGES, number, parse_number, tr
from viewer.app.theme import THEMES
from viewer.app.views.dialog import Dialog, quiet
from viewer.errors import UsageError

if TYPE_CHECKING:
    from viewer.app.window import MainWindow

USUAL = ("h264", "hevc")  # what cameras write, where no clip is open
SIZES = (90, 100, 115, 130, 150, 175)


class PreferencesDialog(Dialog):
    """Every choice takes effect at once, but for the language: that comes with the next window."""

    def __init__(self, window: MainWindow) -> None:
        super().__init__(window, tr("Preferences"), size=(560, 460))
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
        self.hardware = QCheckBox(tr("Play by the graphics hardware where it can, for looking only"))
        self.hardware.setChecked(settings["hardware_decoding"])
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
            (tr("Hardware decoding"), self.hardware),
            (tr("Mains frequency (Hz)"), self.mains),
        )
        for words, field in fields:
            field.setAccessibleName(words)
            form.addRow(QLabel(words), field)
        body = QWidget()
        body.setLayout(form)
        self.note = quiet(tr("Another language shows in the next window that is opened."))
        self.decoders = quiet("")
        self.fill(body, self.decoders, self.note, None)
        self.add_closing().setDefault(True)
        for combo in (self.theme, self.text, self.language, self.lanes):
            combo.activated.connect(lambda _n: self.apply())
        for box in (self.calm, self.hardware):
            box.toggled.connect(lambda _on: self.apply())
        self.hardware.toggled.connect(lambda _on: self._look_for_decoders())
        self._look_for_decoders()
        self.mains.editingFinished.connect(self.apply)

    def _look_for_decoders(self) -> None:
        """Say which hardware decodes, or that there is none; asking drivers takes a moment."""
        self.decoders.setText("")  # type: ignore[attr-defined]
        if not self.hardware.isChecked():
            return
        codecs = {entry.info.codec for entry in self.window_.engine.clips.values() if entry.info is not None}
        work = partial(_devices, tuple(sorted(codecs)) or USUAL)
        self.window_.small_jobs.start(tr("Looking for decoders"), work, done=self._tell_decoders, quiet=True)

    def _tell_decoders(self, found: dict[str, str]) -> None:
        none = tr("This machine has no hardware decoder that answers: software goes on decoding.")
        told = [tr("{codec} is played by {name}.", codec=codec, name=name) for codec, name in found.items()]
        self.decoders.setText("\n".join(told) or none)  # type: ignore[attr-defined]

    def apply(self) -> None:
        """Take the choices over."""
        settings = self.window_.settings
        settings["theme"] = self.theme.currentData()
        settings["text_percent"] = self.text.currentData()
        settings["language"] = self.language.currentData()
        settings["reduced_flicker"] = self.calm.isChecked()
        settings["hardware_decoding"] = self.hardware.isChecked()
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


def _devices(codecs: tuple[str, ...], *, progress: Any = None, cancelled: Any = None) -> dict[str, str]:
    """Return codec -> hardware decoder that answers for it here."""
    from viewer.media.hardware import display_device

    return {codec: device for codec in codecs if (device := display_device(codec)) is not None}


__all__ = ["PreferencesDialog"]

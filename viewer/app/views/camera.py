"""How the camera ran, and what the file does not say about its light: typed for one clip, or for all of its scene."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from PySide6.QtWidgets import QCheckBox, QComboBox, QFormLayout, QLineEdit, QWidget

from viewer.app.i18n import number, parse_number, tr
from viewer.app.said import error_said, said
from viewer.app.views.dialog import Dialog, quiet
from viewer.errors import UsageError
from viewer.session.model import CameraMode, Clip, LightOverride

if TYPE_CHECKING:
    from viewer.app.window import MainWindow

TRANSFERS = ("", "hlg", "pq", "bt709", "bt601", "bt2020", "srgb", "gamma2.2", "gamma2.4", "gamma2.6", "gamma2.8", "linear")
CHOICES = {"transfer": TRANSFERS, "range": ("", "narrow", "full"), "matrix": ("", "bt601", "bt709", "bt2020", "rgb")}
DIRECTIONS = ("", "down", "up", "left", "right")


def parse_shutter(text: str) -> float:
    """Return seconds of ``1/250`` or ``0.004``.

    Raises
    ------
    UsageError
        If it is no possible time.
    """
    top, slash, bottom = text.partition("/")
    value = parse_number(top)
    if slash:
        below = parse_number(bottom)
        if below == 0:
            raise UsageError(tr("“{text}” is not a shutter time.", text=text))
        value /= below
    if not 0 < value < 3600:
        raise UsageError(tr("“{text}” is not a shutter time.", text=text))
    return value


def shutter_words(seconds: float | None) -> str:
    """Return a shutter time as it is written on cameras."""
    if seconds is None:
        return ""
    return f"1/{number(1 / seconds, 0)}" if seconds < 0.3 else number(seconds)


class CameraDialog(Dialog):
    """Fields left empty mean: as the file says, else unknown."""

    manual_page = "clips"

    def __init__(self, window: MainWindow, clip: Clip) -> None:
        super().__init__(window, tr("Camera and light: {name}", name=clip.name), size=(520, 640))
        self.clip = clip
        camera = clip.camera
        texts = {
            "shutter_s": (tr("Shutter (s)"), shutter_words(camera.shutter_s)),
            "iso": ("ISO", _text(camera.iso)),
            "aperture": (tr("Aperture"), _text(camera.aperture)),
            "white_balance": (tr("White balance"), camera.white_balance or ""),
            "profile": (tr("Profile"), camera.profile or ""),
            "focal_length_mm": (tr("Focal length (mm)"), _text(camera.focal_length_mm)),
            "capture_rate": (tr("Capture rate (1/s)"), _text(camera.capture_rate)),
            "readout_ms": (tr("Readout time (ms)"), _text(camera.readout_ms)),
        }
        self.fields = {key: QLineEdit(value) for key, (_, value) in texts.items()}
        form = QFormLayout()
        form.setSpacing(8)
        for key, (words, _) in texts.items():
            self.fields[key].setAccessibleName(words)
            form.addRow(words, self.fields[key])
        self.direction = self._box(DIRECTIONS, camera.readout_direction or "", tr("Readout runs"))
        form.addRow(tr("Readout runs"), self.direction)
        names = {"transfer": tr("Light curve"), "range": tr("Range"), "matrix": tr("Matrix")}
        self.light = {key: self._box(CHOICES[key], getattr(clip.light, key) or "", names[key]) for key in CHOICES}
        for key, box in self.light.items():
            form.addRow(names[key], box)
        body = QWidget()
        body.setLayout(form)
        self.everywhere = QCheckBox(tr("For every clip of this scene"))
        entry = window.engine.clips.get(clip.id)
        info = entry.info if entry is not None else None
        told = (
            tr(
                "The file does not say: {what}. An assumption is recorded with every reading.",
                what=", ".join(map(said, info.assumed)),
            )
            if info and info.assumed
            else ""
        )
        self.note = quiet(told or tr("Empty means: as the file says, else unknown."))
        self.decoder = quiet(decoder_words(info, entry.decoder if entry is not None else "", wished=window.engine.hardware))
        self.fill(body, self.everywhere, self.note, self.decoder, None)
        self.add_button(tr("Cancel"), self.reject)
        self.add_button(tr("Keep"), self.keep, main=True)

    def _box(self, choices: tuple[str, ...], chosen: str, words: str) -> QComboBox:
        box = QComboBox()
        for choice in choices:
            box.addItem(said(choice) or tr("as the file says"), choice)
        box.setCurrentIndex(max(0, box.findData(chosen)))
        box.setAccessibleName(words)
        return box

    def camera(self) -> CameraMode:
        """Return what was typed.

        Raises
        ------
        UsageError
            If a field holds no number.
        """
        values: dict[str, object] = {}
        for key, field in self.fields.items():
            text = field.text().strip()
            if key in ("white_balance", "profile"):
                values[key] = text or None
            elif key == "shutter_s":
                values[key] = parse_shutter(text) if text else None
            else:
                values[key] = parse_number(text) if text else None
                if values[key] is not None and float(values[key]) <= 0:  # type: ignore[arg-type]
                    raise UsageError(tr("“{text}” must be above zero.", text=text))
        values["readout_direction"] = self.direction.currentData() or None
        if values["readout_ms"] != self.clip.camera.readout_ms:
            values["readout_by"], values["readout_error_ms"] = "typed", None
        return replace(self.clip.camera, **values)  # type: ignore[arg-type]

    def keep(self) -> None:
        """Write it into the session."""
        try:
            camera = self.camera()
        except UsageError as error:
            self.note.setText(error_said(error))  # type: ignore[attr-defined]
            return
        light = LightOverride(
            transfer=self.light["transfer"].currentData() or None,
            range=self.light["range"].currentData() or None,
            matrix=self.light["matrix"].currentData() or None,
            primaries=self.clip.light.primaries,
        )
        document = self.window_.document
        session = document.session
        clips = [
            c for c in session.clips if c.id == self.clip.id or (self.everywhere.isChecked() and c.scene == self.clip.scene)
        ]
        document.edit(session.put(*(replace(c, camera=camera, light=light) for c in clips)), tr("Set camera and light"))
        self.accept()


def _text(value: float | None) -> str:
    return "" if value is None else number(value)


def decoder_words(info: Any, device: str, *, wished: bool) -> str:
    """Return what decodes a clip, '' before it is open."""
    if info is None:
        return ""
    if device:
        return tr(
            "Played by the hardware decoder {name}; paused and stepped pictures and all measuring by software.", name=device
        )
    if wished:
        return tr("No hardware decoder answers here for {codec}: software decodes.", codec=info.codec)
    return tr("Decoded by software ({codec}).", codec=info.codec)


__all__ = ["CameraDialog", "parse_shutter", "shutter_words"]

"""Sound of the leading clip.  That part of Qt is loaded late; without it there is silence and a hint."""

from __future__ import annotations

from typing import Any

from PySide6.QtCore import QObject, QUrl

from viewer.app.i18n import tr
from viewer.app.model.document import Document
from viewer.app.model.player import Player
from viewer.app.said import error_said
from viewer.errors import ViewerError
from viewer.session.model import Clip

SLIP_S = 0.06  # how far sound may stray from the picture before it is set right


class SoundOut(QObject):
    """Plays the sound of one clip with the scene's clock."""

    def __init__(self, player: Player, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._player = player
        self._out: Any = None
        self._media: Any = None
        self._clip: Clip | None = None
        self.on = False
        player.state_changed.connect(self._follow)
        player.time_changed.connect(lambda _t: self._keep_in_step())

    def toggle(self, clip: Clip | None, document: Document) -> str:
        """Switch sound on or off; return a hint when there can be none."""
        if self.on:
            self.stop()
            return ""
        if clip is None:
            return tr("Choose a clip first.")
        entry = self._player.engine.clips.get(clip.id)
        if entry is not None and entry.info is not None and not entry.info.has_sound:
            return tr("{name} has no sound.", name=clip.name)
        try:
            from PySide6.QtMultimedia import QAudioOutput, QMediaDevices, QMediaPlayer
        except ImportError:
            return tr("This system lacks what is needed for sound.")
        if QMediaDevices.defaultAudioOutput().isNull():
            return tr("There is no sound output on this system.")
        try:
            path = document.files_of(clip)[0]
        except ViewerError as error:
            return error_said(error)
        self._out, self._media = QAudioOutput(self), QMediaPlayer(self)
        self._media.setAudioOutput(self._out)
        self._media.setSource(QUrl.fromLocalFile(str(path)))
        self._clip, self.on = clip, True
        self._follow()
        return ""

    def stop(self) -> None:
        """Be silent and let go of the device."""
        self.on = False
        if self._media is not None:
            self._media.stop()
            self._media.deleteLater()
            self._out.deleteLater()
            self._media = self._out = None

    def _wanted_s(self) -> float:
        entry = self._player.engine.clips.get(self._clip.id) if self._clip else None
        start = float(entry.info.start_s) if entry is not None and entry.info is not None else 0.0
        return self._player.clip_time(self._clip, self._player.time_s) - start if self._clip else 0.0

    def _follow(self) -> None:
        if self._media is None:
            return
        if self._player.playing and abs(self._player.speed - 1.0) < 1e-6:
            self._media.setPosition(max(0, round(1000 * self._wanted_s())))
            self._media.play()
        else:
            self._media.pause()

    def _keep_in_step(self) -> None:
        if self._media is None or not self._player.playing:
            return
        wanted = self._wanted_s()
        if abs(self._media.position() / 1000.0 - wanted) > 4 * SLIP_S and wanted >= 0:
            self._media.setPosition(round(1000 * wanted))


__all__ = ["SoundOut"]

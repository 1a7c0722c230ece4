"""Windows that are opened to be photographed, and closed in order."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from PySide6.QtCore import QPoint, QSize
from PySide6.QtGui import QImage, QPainter
from PySide6.QtWidgets import QApplication, QWidget

from viewer.app import i18n
from viewer.app.main import application
from viewer.app.model.settings import Settings
from viewer.app.window import MainWindow

SMALL, USUAL = (1366, 768), (1920, 1080)
README = ("window", "still")


def settle(window: MainWindow, seconds: float = 30.0) -> bool:
    """Wait until every picture asked for is there and no job runs; return whether that was so in time."""
    app = QApplication.instance()
    assert app is not None
    end = time.monotonic() + seconds
    quiet_since = time.monotonic()
    while time.monotonic() < end:
        app.processEvents()
        busy = not window.engine.settled or window.jobs.running or window.small_jobs.running
        if busy:
            quiet_since = time.monotonic()
        elif time.monotonic() - quiet_since > 0.15:
            return True
        time.sleep(0.005)
    return False


def picture(widget: QWidget, scale: float = 1.0) -> QImage:
    """Return a widget as a picture, `scale` pixels for each of its own."""
    size = widget.size()
    found = QImage(QSize(round(size.width() * scale), round(size.height() * scale)), QImage.Format.Format_RGB32)
    found.setDevicePixelRatio(scale)
    painter = QPainter(found)
    widget.render(painter, QPoint(0, 0))
    painter.end()
    return found


class Studio:
    """Opens windows on a session and takes their pictures."""

    def __init__(self, folder: Path, only: tuple[str, ...], language: str = "en") -> None:
        self.folder, self.only, self.language = folder, only, language
        self.count = 0
        self.written: list[Path] = []

    def wanted(self, name: str) -> bool:
        group = "readme" if name in README else ""
        return not self.only or any(word in name or word == group for word in self.only)

    def shoot(self, name: str, widget: QWidget, scale: float = 1.0) -> None:
        """Write one picture."""
        if not self.wanted(name):
            return
        path = self.folder / f"{name}.png"
        picture(widget, scale).save(str(path), "PNG", 0)  # type: ignore[call-overload]  # 0: smallest file
        self.written.append(path)

    @contextmanager
    def window(
        self, session: Path | None, *, size: tuple[int, int] = SMALL, theme: str = "dark", text: int = 100, language: str = ""
    ) -> Iterator[MainWindow]:
        """A window that is closed in order afterwards."""
        settings = Settings()
        for key, value in (
            ("theme", theme),
            ("text_percent", text),
            ("language", language or self.language),
            ("parts", {}),
            ("folded", []),
        ):
            settings[key] = value
        settings["window"] = list(size)
        application(settings)
        window = MainWindow(settings)
        window.resize(*size)
        window.start([session] if session else [])
        window.show()
        try:
            settle(window)
            yield window
        finally:
            window.frame.closing = False
            window.document.history.mark_saved()
            window.force_close()
            window.deleteLater()
            i18n.set_language("en")


__all__ = ["README", "SMALL", "USUAL", "Studio", "picture", "settle"]

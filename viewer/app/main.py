"""Start the window."""

from __future__ import annotations

import logging
import os
import sys
from pathlib import Path

from PySide6.QtCore import QLibraryInfo, QMessageLogContext, QtMsgType, QTranslator, qInstallMessageHandler
from PySide6.QtWidgets import QApplication

from viewer import __version__
from viewer.app import i18n, theme
from viewer.app.model.settings import Settings

log = logging.getLogger("viewer.qt")


def application(settings: Settings | None = None) -> QApplication:
    """Return the application, dressed by the user's settings."""
    app = QApplication.instance()
    if not isinstance(app, QApplication):
        qInstallMessageHandler(_to_log)
        app = QApplication(["gloaming"])
        app.setApplicationName("gloaming")
        app.setApplicationDisplayName("Gloaming")
        app.setApplicationVersion(__version__)
        app.setDesktopFileName("gloaming")
    settings = settings or Settings()
    i18n.set_language(settings["language"])
    _speak(app)
    theme.set_reduced_flicker(settings["reduced_flicker"])
    theme.apply_theme(app, settings["theme"], text_percent=settings["text_percent"])
    return app


def _speak(app: QApplication) -> None:
    """Let the library's own menus and buttons (copy, paste, OK ...) speak the language in use; without its file, English."""
    for old in app.findChildren(QTranslator):
        app.removeTranslator(old)
        old.deleteLater()
    translator = QTranslator(app)
    folder = QLibraryInfo.path(QLibraryInfo.LibraryPath.TranslationsPath)
    if i18n.language() != "en" and translator.load(f"qtbase_{i18n.language()}", folder):
        app.installTranslator(translator)
    else:
        translator.deleteLater()


def _to_log(kind: QtMsgType, context: QMessageLogContext, text: str) -> None:
    level = {
        QtMsgType.QtDebugMsg: logging.DEBUG,
        QtMsgType.QtInfoMsg: logging.INFO,
        QtMsgType.QtWarningMsg: logging.WARNING,
    }.get(kind, logging.ERROR)
    # The offscreen platform says this on every window; it is no news.
    if "does not support" in text or "propagateSizeHints" in text:
        level = logging.DEBUG
    log.log(level, "%s", text)


def open_window(paths: list[Path]) -> int:
    """Open the window on a session, or on clips that are to be added; return the exit code.

    Raises
    ------
    SessionError
        If the session that was named cannot be read.
    """
    from viewer.app.window import MainWindow

    settings = Settings()
    app = application(settings)
    window = MainWindow(settings)
    window.start(paths)
    window.show()
    if os.environ.get("GLOAMING_QUIT_AT_ONCE") == "1":  # a smoke test that there is a window at all
        app.processEvents()
        window.force_close()
        return 0
    sys.excepthook = window.on_bug
    code = app.exec()
    sys.excepthook = sys.__excepthook__
    return int(code)


__all__ = ["application", "open_window"]

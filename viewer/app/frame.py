"""The frame of the window: its five parts, their sizes, what is folded away, the wall in a window of its own."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QByteArray, Qt
from PySide6.QtGui import QCloseEvent, QGuiApplication, QKeyEvent
from PySide6.QtWidgets import QSplitter, QStackedWidget, QWidget

from viewer.app.i18n import tr
from viewer.app.theme import px
from viewer.app.views.coverage import CoverageView
from viewer.app.views.lanes import Lanes
from viewer.app.views.next_strip import NextStrip
from viewer.app.views.parts import column
from viewer.app.views.readings import ReadingsPanel
from viewer.app.views.toast import Toast
from viewer.app.views.toolbar import WallBar
from viewer.app.views.transport import Transport
from viewer.app.views.wall import Legend, Wall
from viewer.app.views.welcome import Welcome, coverage_empty, wall_empty

if TYPE_CHECKING:
    from viewer.app.window import MainWindow

PARTS = ("coverage", "lanes", "readings")


def build_parts(window: MainWindow) -> None:
    """Make the parts of the window and lay them out."""
    window.actions_.fill(window.menuBar())
    window.strip = NextStrip(window.places.go_to_step, window.jobs)
    window.coverage = CoverageView(window.stage, window.thumbs)
    window.coverage.out_of_date = window.standing.out_of_date
    window.wall = Wall(window.stage, window.engine, window.player)
    window.bar = WallBar(window.stage, window.actions_)
    window.legend = Legend(window.wall)
    window.transport = Transport(window.stage, window.player, window.actions_)
    window.lanes = Lanes(window.stage, window.player, window.small_jobs, lambda: window.document.folder)
    window.lanes.set_content(window.settings["lane_content"])
    window.readings_panel = ReadingsPanel(window, window.stage)
    window.coverage_stack = QStackedWidget()
    window.coverage_stack.setObjectName("panel")
    window.coverage_stack.addWidget(window.coverage)
    window.coverage_stack.addWidget(coverage_empty(window.run))
    window.wall_stack = QStackedWidget()
    window.wall_stack.addWidget(window.wall)
    window.wall_stack.addWidget(wall_empty(window.run))
    window.wall_part = QWidget()
    window.wall_part.setLayout(column(window.bar, window.wall_stack, window.legend, window.transport, spacing=0))
    window.wall_part.layout().setStretch(1, 1)  # type: ignore[union-attr]
    window.wall_home = QWidget()
    window.wall_home.setLayout(column(window.wall_part, spacing=0))
    window.across = QSplitter(Qt.Orientation.Horizontal)
    window.down = QSplitter(Qt.Orientation.Vertical)
    for part in (window.coverage_stack, window.wall_home, window.readings_panel):
        window.across.addWidget(part)
    window.down.addWidget(window.across)
    window.down.addWidget(window.lanes)
    for splitter in (window.across, window.down):
        splitter.setHandleWidth(1)
        splitter.setChildrenCollapsible(False)
    window.across.setStretchFactor(1, 1)
    window.down.setStretchFactor(0, 1)
    window.coverage_stack.setMinimumWidth(180)
    window.readings_panel.setMinimumWidth(220)
    window.wall_home.setMinimumWidth(320)
    body = QWidget()
    body.setLayout(column(window.strip, window.down, spacing=0))
    body.layout().setStretch(1, 1)  # type: ignore[union-attr]
    window.welcome = Welcome(window.run, window.open_recent, window.recover)
    window.pages = QStackedWidget()
    window.pages.addWidget(body)
    window.pages.addWidget(window.welcome)
    window.setCentralWidget(window.pages)
    window.toast = Toast(window)
    window.setTabOrder(window.strip, window.coverage)


class Frame:
    """Sizes and places of the parts of one window."""

    def __init__(self, window: MainWindow) -> None:
        self.window = window
        self.wall_window: QWidget | None = None
        self.closing = False

    def restore_sizes(self) -> None:
        """Give the parts the sizes they had; sensible ones the first time."""
        parts = self.window.settings["parts"]
        for name, splitter in (("across", self.window.across), ("down", self.window.down)):
            state = parts.get(name)
            if isinstance(state, str) and splitter.restoreState(QByteArray.fromBase64(state.encode())):
                continue
            width, height = self.window.settings["window"][:2]
            side = min(480, max(340, width // 4, min(px(340), width * 3 // 10)))
            left = min(px(264), width * 24 // 100)
            splitter.setSizes(
                [left, max(400, width - left - side), side] if name == "across" else [max(300, height - 220), 128]
            )
        for name in self.window.settings["folded"]:
            if name in PARTS:
                self.part(name).hide()

    def store_sizes(self) -> None:
        """Keep the sizes in the settings."""
        self.window.settings["window"] = [self.window.width(), self.window.height()]
        self.window.settings["parts"] = {
            "across": bytes(self.window.across.saveState().toBase64().data()).decode(),
            "down": bytes(self.window.down.saveState().toBase64().data()).decode(),
        }
        self.window.settings["folded"] = [name for name in PARTS if self.part(name).isHidden()]
        self.window.settings["lane_content"] = self.window.lanes.content

    def part(self, name: str) -> QWidget:
        """Return one of `PARTS`."""
        window = self.window
        return {"coverage": window.coverage_stack, "lanes": window.lanes, "readings": window.readings_panel}[name]

    def fold(self, name: str) -> None:
        """Fold a part away, or bring it back."""
        part = self.part(name)
        part.setVisible(part.isHidden())
        self.window.refresh_actions()

    def toggle_full_screen(self) -> None:
        """Show only the wall on the whole screen, or everything again; a wall in its own window fills the screen it is on."""
        window = self.window
        if self.wall_window is not None:
            other = self.wall_window
            other.showNormal() if other.isFullScreen() else other.showFullScreen()
            window.refresh_actions()
            return
        full = not window.isFullScreen()
        for part in (window.strip, window.coverage_stack, window.readings_panel, window.lanes, window.menuBar()):
            if full:
                part.setProperty("was", part.isHidden())
                part.hide()
            else:
                part.setHidden(bool(part.property("was")))
        window.showFullScreen() if full else window.showNormal()
        window.refresh_actions()

    @property
    def full(self) -> bool:
        """Whether the wall fills a screen."""
        return (self.wall_window or self.window).isFullScreen()

    def toggle_second_window(self) -> None:
        """Move the wall into a window of its own, or back."""
        if self.window.isFullScreen():
            self.toggle_full_screen()
        if self.wall_window is None:
            other = WallWindow(self)
            other.setWindowTitle(f"{tr('Wall')} – Gloaming")
            other.setLayout(column(self.window.wall_part, spacing=0))
            _place(other, self.window)
            for action in self.window.actions():
                other.addAction(action)
            self.wall_window = other
            self.window.wall_home.hide()
            other.show()
        else:
            other, self.wall_window = self.wall_window, None  # type: ignore[assignment]
            layout = self.window.wall_home.layout()
            assert layout is not None
            layout.addWidget(self.window.wall_part)
            self.window.wall_home.show()
            other.hide()
            other.deleteLater()
        self.window.refresh_actions()


def _place(other: QWidget, window: QWidget) -> None:
    """Put a window on another screen than `window`'s, as large as that is; on the same one, with room around it."""
    own = window.screen()
    screen = next((s for s in QGuiApplication.screens() if s is not own), None)
    if screen is not None:
        other.setGeometry(screen.availableGeometry())
        return
    room = own.availableGeometry()
    other.resize(min(1280, room.width() * 9 // 10), min(800, room.height() * 8 // 10))
    other.move(room.center() - other.rect().center())


class WallWindow(QWidget):
    """The wall's own window; closing it brings the wall back."""

    def __init__(self, frame: Frame) -> None:
        super().__init__(None)
        self._frame = frame

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.key() == Qt.Key.Key_Escape and self.isFullScreen():
            self._frame.toggle_full_screen()
        else:
            super().keyPressEvent(event)

    def closeEvent(self, event: QCloseEvent) -> None:
        if not self._frame.closing and self._frame.wall_window is self:
            self._frame.toggle_second_window()
        event.accept()


__all__ = ["PARTS", "Frame", "build_parts"]

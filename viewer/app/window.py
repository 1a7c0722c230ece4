"""The main window: five parts, and what ties them together."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from pathlib import Path
from types import TracebackType
from typing import Any

from PySide6.QtCore import QEvent, QSize, Qt, QTimer
from PySide6.QtGui import QCloseEvent, QDragEnterEvent, QDropEvent, QGuiApplication, QKeyEvent
from PySide6.QtWidgets import QApplication, QDialog, QMainWindow, QSplitter, QStackedWidget, QWidget

from viewer.app import theme
from viewer.app.actions import Actions
from viewer.app.collector import Collector
from viewer.app.commands import gather
from viewer.app.frame import PARTS, Frame, build_parts
from viewer.app.i18n import tr
from viewer.app.jobs import Job, Jobs, error_words
from viewer.app.model import ingest
from viewer.app.model.document import Document
from viewer.app.model.engine import Engine
from viewer.app.model.next_steps import NextStep, compute
from viewer.app.model.player import Player
from viewer.app.model.settings import Settings
from viewer.app.model.sound import SoundOut
from viewer.app.model.stage import Stage
from viewer.app.model.thumbs import Thumbs
from viewer.app.places import Places
from viewer.app.standing import Standing
from viewer.app.views.coverage import CoverageView, local_paths
from viewer.app.views.lanes import Lanes
from viewer.app.views.next_strip import NextStrip
from viewer.app.views.readings import ReadingsPanel
from viewer.app.views.toast import Toast
from viewer.app.views.toolbar import WallBar
from viewer.app.views.transport import Transport
from viewer.app.views.wall import Legend, Wall, pixel_words
from viewer.app.views.welcome import Welcome
from viewer.errors import ViewerError
from viewer.session import store
from viewer.session.model import Clip

log = logging.getLogger(__name__)

LOOKS = {
    "side": "look_side",
    "split": "look_split",
    "blink": "look_blink",
    "over": "look_over",
    "difference": "look_difference",
}


class MainWindow(QMainWindow):
    """One window for the whole job."""

    strip: NextStrip
    coverage: CoverageView
    coverage_stack: QStackedWidget
    wall: Wall
    wall_stack: QStackedWidget
    wall_part: QWidget
    wall_home: QWidget
    bar: WallBar
    legend: Legend
    transport: Transport
    lanes: Lanes
    readings_panel: ReadingsPanel
    across: QSplitter
    down: QSplitter
    pages: QStackedWidget
    welcome: Welcome
    toast: Toast

    def __init__(self, settings: Settings | None = None) -> None:
        super().__init__()
        self.settings = settings or Settings()
        self.document = Document(parent=self)
        self.jobs = Jobs(self)
        self.small_jobs = Jobs(self, threads=1)
        self.stage = Stage(self.document, self)
        self.engine = Engine(parent=self)
        self.engine.hardware = self.settings["hardware_decoding"]
        self.player = Player(self.stage, self.engine, self)
        self.thumbs = Thumbs(self.small_jobs, self)
        self.sound = SoundOut(self.player, self)
        self.results: dict[tuple[str, str], Any] = {}
        self.missing: set[str] = set()
        self._dialogs: list[QDialog] = []
        self.standing = Standing(self.document, self.small_jobs, self._standing_known)
        self.collector = Collector(self)
        self.collector.start()
        self.frame, self.places = Frame(self), Places(self)
        self.actions_ = Actions(self, self.run)
        build_parts(self)
        self._commands, self.session_commands, self.measure_commands, self.publish_commands = gather(self)
        self._connect()
        self.resize(self._fitting_size())
        self.frame.restore_sizes()
        self.setAcceptDrops(True)
        self._document_changed()
        self._title()
        self.setFocusPolicy(Qt.FocusPolicy.ClickFocus)
        self.setFocus()

    # --- building ---

    def _fitting_size(self) -> QSize:
        """Return the size the window had, as far as the screen has room for it."""
        width, height = (int(v) for v in self.settings["window"][:2])
        screen = QGuiApplication.primaryScreen()
        room = screen.availableSize() if screen is not None else QSize(width, height)
        return QSize(min(width, room.width()), min(height, room.height()))

    def _connect(self) -> None:
        self.document.changed.connect(lambda *_: self._document_changed())
        self.document.path_changed.connect(self._title)
        self.document.trouble.connect(lambda text: self.trouble(tr("Autosave failed: {text}", text=text)))
        for signal in (self.stage.clips_changed, self.stage.scene_changed):
            signal.connect(self._clips_changed)
        for signal in (self.stage.look_changed, self.stage.tool_changed, self.stage.chosen_changed, self.player.state_changed):
            signal.connect(self.refresh_actions)
        self.stage.trouble_changed.connect(self._refresh_next)
        self.engine.failed.connect(self._clip_failed)
        self.engine.opened.connect(lambda clip: self.stage.set_trouble(clip, None))
        self.thumbs.trouble.connect(lambda clip, words: self.stage.set_trouble(clip, words))
        self.jobs.failed.connect(self._job_failed)
        self.jobs.changed.connect(self.refresh_actions)
        self.coverage.scene_wanted.connect(self.places.scene_wanted)
        self.coverage.clip_wanted.connect(self.places.clip_wanted)
        self.coverage.dropped.connect(lambda paths, scene, device: self.session_commands.add(paths, scene, device))
        self.coverage.add_wanted.connect(self.places.add_to_cell)
        self.coverage.device_wanted.connect(lambda ident: self.stage.choose("device", ident))
        self.coverage.menu_wanted.connect(self.places.cell_menu)
        self.wall.rename_wanted.connect(lambda: self.run("rename"))
        self.wall.pixel_read.connect(self._pixel)
        self.lanes.nudged.connect(self.places.nudge)
        self.lanes.go_wanted.connect(self.player.go)
        self.lanes.loop_wanted.connect(self.places.set_loop)
        self.readings_panel.reading_wanted.connect(self.places.show_reading)

    # --- starting and ending ---

    def start(self, paths: list[Path]) -> None:
        """Open what was named; otherwise greet, with what can be recovered."""
        sessions = [path for path in paths if path.suffix == store.ENDING]
        if sessions:
            self.document.open(sessions[0])
        clips = [path for path in paths if path.suffix != store.ENDING]
        if clips:
            QTimer.singleShot(0, self, lambda: self.session_commands.add(clips))
        if not paths:
            self.greet()

    def greet(self) -> None:
        """Show the first page: open, begin, sample, recent, recover."""
        self.welcome.fill(store.recent(), store.recoveries(), first=self.settings["first_run"])
        self.pages.setCurrentWidget(self.welcome)

    def open_recent(self, path: Path) -> None:
        """Open one of the recent sessions."""
        if self.session_commands.may_leave():
            self.session_commands.open_session(path)

    def recover(self, recovery: store.Recovery, keep: bool) -> None:
        """Go on with an autosaved session, or let it go."""
        if keep:
            try:
                self.document.recover(recovery)
            except (ViewerError, OSError) as error:  # the original may be open elsewhere
                self.trouble(error_words(error))
                return
            self.pages.setCurrentIndex(0)
        else:
            store.discard(recovery.session)
            self.greet()

    def open_sample(self) -> None:
        """Copy the sample session to the user's documents and open it: nothing is lined up yet, the strip on top leads on."""
        from platformdirs import user_documents_path

        folder = user_documents_path() / "Gloaming sample"

        def work(progress: Any, cancelled: Any) -> Path:
            from viewer.tasks.sample import make_sample_session

            return make_sample_session(folder, progress=progress, cancelled=cancelled)[1]

        self.settings["first_run"] = False
        self.jobs.start(tr("Building the sample session"), work, done=lambda path: self._open_built(path))
        self.pages.setCurrentIndex(0)

    def _open_built(self, path: Path) -> None:
        self.session_commands.open_session(path)

    def closeEvent(self, event: QCloseEvent) -> None:
        if self.frame.closing:
            event.accept()
            return
        if not self.session_commands.may_leave():
            event.ignore()
            return
        self._shut()
        event.accept()

    def force_close(self) -> None:
        """Close without asking; the autosaved copy stays if there are unsaved edits."""
        self.document.flush()
        self._shut(keep_recovery=self.document.dirty)
        self.close()

    def _shut(self, *, keep_recovery: bool = False) -> None:
        """Cancel, wait, then close files."""
        self.frame.closing = True
        self.player.pause()
        self.sound.stop()
        for dialog in list(self._dialogs):
            dialog.close()
        for jobs in (self.jobs, self.small_jobs):
            jobs.cancel_all()
        for jobs in (self.jobs, self.small_jobs):
            jobs.close()
        self.engine.close()
        self.collector.stop()
        self.frame.store_sizes()
        self.settings.save()
        self.document.close(keep_recovery=keep_recovery)
        if self.frame.wall_window is not None:
            self.frame.wall_window.close()

    def on_bug(self, kind: type[BaseException], error: BaseException, trace: TracebackType | None) -> None:
        """Log what nobody foresaw, save aside, tell, go on."""
        log.critical("unforeseen error", exc_info=(kind, error, trace))
        self.document.autosave()
        if isinstance(error, Exception):
            self.trouble(error_words(error))

    # --- what changed ---

    def _document_changed(self) -> None:
        session = self.document.session
        if any(request not in {q.id for q in session.requests} for request, _ in self.results):
            self.results = {key: value for key, value in self.results.items() if key[0] in {q.id for q in session.requests}}
        begun = bool(session.clips or session.devices or session.scenes)
        if begun and self.pages.currentWidget() is self.welcome:
            self.pages.setCurrentIndex(0)
        self.coverage_stack.setCurrentIndex(0 if session.scenes else 1)
        self.thumbs.ask(self.document.folder, session.clips)
        self.missing = ingest.missing_clips(session, self.document.folder)
        self._clips_changed()
        self._refresh_next()
        self._title()
        self.refresh_actions()

    def clips_moved(self) -> None:
        """Files were found again: open and look at them anew."""
        for clip in self.document.session.clips:
            self.thumbs.forget(clip.id)
            self.stage.set_trouble(clip.id, None)
        self.engine.set_clips(self.document.folder, ())
        self._document_changed()

    def _clips_changed(self) -> None:
        self.engine.set_clips(self.document.folder, self.stage.clips)
        self.wall_stack.setCurrentIndex(0 if self.stage.clips else 1)
        self.wall.rebuild()
        self.refresh_actions()

    def _refresh_next(self) -> None:
        self.strip.set_steps(self.next_steps(), sure=self.standing.sure)

    def next_steps(self) -> list[NextStep]:
        """Return what is still missing for a fair comparison."""
        return compute(
            self.document.session,
            trouble=self.stage.trouble,
            out_of_date=self.standing.out_of_date(),
            missing=self.missing,
            worst=self.standing.worst(),
        )

    def _standing_known(self) -> None:
        self.coverage.refresh()
        self.readings_panel.refresh()
        self._refresh_next()

    def keep_results(self, results: Mapping[tuple[str, str], Any]) -> None:
        """Keep results of this sitting for the plots."""
        self.results.update(results)

    def _title(self) -> None:
        star = " •" if self.document.dirty else ""
        self.setWindowTitle(f"{self.document.title}{star} – Gloaming")

    def refresh_actions(self) -> None:
        """Enable and check the actions as things stand."""
        stage, session, acts = self.stage, self.document.session, self.actions_
        kind = stage.chosen.kind
        acts.enable(
            {
                "session": bool(session.clips),
                "can_undo": self.document.history.can_undo,
                "can_redo": self.document.history.can_redo,
                "selection": bool(kind),
                "override": stage.region is not None and bool(stage.region.overrides),
                "scene": bool(stage.clips),
                "pair": stage.pair is not None,
                "clip": kind == "clip" and bool(stage.clips),
                "clips": bool(session.clips),
                "requests": bool(session.requests),
                "tool": stage.tool != "select" and bool(stage.clips),
                "jobs": bool(self.jobs.shown),
            }
        )
        for look, ident in LOOKS.items():
            acts[ident].setChecked(stage.look == look)
        for ident in ("as_filmed", "neutral_grey", "brightness_matched", "false_luminance"):
            acts[ident].setChecked(stage.rendering == ident)
        acts["clipped_marks"].setChecked(stage.clipped_marks)
        acts["circle_dim"].setChecked(stage.circle_dim)
        acts["inset_linked"].setChecked(stage.magnifier)
        acts["loop"].setChecked(self.player.looping)
        acts["sound"].setChecked(self.sound.on)
        for name in PARTS:
            acts[f"fold_{name}"].setChecked(not self.frame.part(name).isHidden())
        acts["full_screen"].setChecked(self.frame.full)
        acts["second_window"].setChecked(self.frame.wall_window is not None)
        for ident, action in acts.by_id.items():
            if ident.startswith("tool_"):
                action.setChecked(stage.tool == ident.removeprefix("tool_"))
        undo, redo = self.document.history.undo_label, self.document.history.redo_label
        acts["undo"].setText(tr("Undo: {label}", label=undo) if undo else tr("Undo"))
        acts["redo"].setText(tr("Redo: {label}", label=redo) if redo else tr("Redo"))
        self.bar.refresh()

    # --- running actions ---

    @property
    def measuring(self) -> bool:
        """Whether a measurement runs."""
        return hasattr(self, "measure_commands") and self.measure_commands.measuring

    def run(self, ident: str) -> None:
        """Do what an action says."""
        function: Callable[[], None] | None = self._commands.get(ident)
        if function is None:
            raise KeyError(ident)
        function()
        self.refresh_actions()

    def _clip_failed(self, clip_id: str, words: str) -> None:
        entry = self.engine.clips.get(clip_id)
        if entry is not None and entry.trouble:
            self.stage.set_trouble(clip_id, words)
        else:
            self.say(words)

    def _job_failed(self, job: Job, error: Exception) -> None:
        self.trouble(f"{job.title}: {error_words(error)}")

    def _pixel(self, clip: Clip | None, reading: Any) -> None:
        name = self.wall.name_of(clip) if clip is not None else ""
        self.transport.show_pixel(pixel_words(name, reading), pixel_words(name, reading, short=True))

    def wall_scopes(self) -> None:
        """Ask for scopes only while they are looked at."""
        if not hasattr(self, "readings_panel"):
            return
        on = self.readings_panel.shows(self.readings_panel.scopes)
        lead = self.stage.lead
        self.wall.scopes_for = lead.id if on and lead is not None else None
        self.wall.ask()

    def toggle_sound(self) -> None:
        """Sound on or off; says so when the system has none."""
        words = self.sound.toggle(self.stage.lead, self.document)
        if words:
            self.say(words)

    def open_manual(self, page: str = "") -> None:
        """Open the manual at a page, or at that of what has the focus."""
        from viewer.app.views.helping import Manual

        self.show_dialog(Manual(self, page or self.places.manual_page()))

    # --- dialogs and words ---

    def show_dialog(self, dialog: QDialog) -> None:
        """Show a dialog beside the window; one of a kind at a time."""
        for other in list(self._dialogs):
            if type(other) is type(dialog):
                other.close()
        self._dialogs.append(dialog)
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.finished.connect(lambda _r: self._dialogs.remove(dialog) if dialog in self._dialogs else None)
        dialog.show()

    @property
    def dialogs(self) -> list[QDialog]:
        """The dialogs that are open."""
        return list(self._dialogs)

    def confirm_ingest(self, proposals: list[ingest.Proposal]) -> list[ingest.Proposal]:
        """Let the user confirm what was guessed; an empty list if not."""
        from viewer.app.views.ingest import IngestDialog

        dialog = IngestDialog(self, self.document.session, proposals)
        fine = dialog.exec() == QDialog.DialogCode.Accepted
        found = dialog.proposals() if fine else []
        dialog.deleteLater()
        return found

    def say(self, text: str) -> None:
        """Show a short word for a few seconds."""
        self.toast.show_words(text, 4000)

    def trouble(self, text: str) -> None:
        """Show trouble, long enough to read."""
        log.info("told: %s", text)
        self.toast.show_words(text, 12000, trouble=True)

    def apply_settings(self) -> None:
        """Dress the window by the settings as they are now; another language needs a new window."""
        app = QApplication.instance()
        assert isinstance(app, QApplication)
        theme.set_reduced_flicker(self.settings["reduced_flicker"])
        theme.apply_theme(app, self.settings["theme"], text_percent=self.settings["text_percent"])
        self.actions_.refresh_icons()
        for part in (self.wall, self.transport):
            part.theme_changed()
        self.bar.theme_changed()
        self.coverage.delegate.theme_changed()
        self.coverage.refresh()
        self.lanes.refresh()
        self.readings_panel.refresh()
        self._refresh_next()
        if self.engine.hardware != self.settings["hardware_decoding"]:
            self.engine.hardware = self.settings["hardware_decoding"]
            self._clips_changed()
        self.strip.steps = []
        self._refresh_next()
        self.settings.save()

    # --- drops anywhere ---

    def dragEnterEvent(self, event: QDragEnterEvent) -> None:
        if event.mimeData().hasUrls():
            event.acceptProposedAction()

    def dropEvent(self, event: QDropEvent) -> None:
        paths = local_paths(event.mimeData().urls())
        if paths:
            event.acceptProposedAction()
            self.session_commands.add(paths)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        if event.key() == Qt.Key.Key_Escape:
            if self.isFullScreen():
                self.frame.toggle_full_screen()
            elif self.stage.tool != "select":
                self.stage.set_tool("select")
            else:
                self.stage.choose()
            return
        super().keyPressEvent(event)

    def changeEvent(self, event: QEvent) -> None:
        super().changeEvent(event)
        if event.type() == QEvent.Type.WindowStateChange and hasattr(self, "bar"):
            self.refresh_actions()


__all__ = ["MainWindow"]

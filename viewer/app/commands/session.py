"""New, open, save, add clips, relink, plan, preferences."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from pathlib import Path

from viewer.app.commands.base import Commands
from viewer.app.i18n import tr, trn
from viewer.app.model import ingest
from viewer.app.said import error_said
from viewer.app.views import ask
from viewer.errors import ViewerError
from viewer.session import store
from viewer.session.model import Device, FileRef, Scene, Session, new_id


class SessionCommands(Commands):
    """The Session menu."""

    def do_new(self) -> None:
        """An empty session."""
        if self.may_leave():
            self.document.start_new()

    def do_open(self) -> None:
        """Ask for a session file and open it."""
        kinds = f"{tr('Gloaming sessions')} (*{store.ENDING})"
        path = ask.open_file(self.window, tr("Open session"), self.document.folder, kinds)
        if path is not None and self.may_leave():
            self.open_session(path)

    def open_session(self, path: Path) -> bool:
        """Open a session; trouble is told, and what was open stays."""
        try:
            self.document.open(path)
        except ViewerError as error:
            self.window.trouble(error_said(error))
            return False
        return True

    def do_sample(self) -> None:
        """Build the sample session and open it."""
        if self.may_leave():
            self.window.open_sample()

    def do_save(self) -> None:
        """Write the session."""
        self.save()

    def save(self) -> bool:
        """Write the session; return whether it is on disk."""
        if self.document.path is None:
            return self.save_as()
        try:
            self.document.save()
        except ViewerError as error:
            self.window.trouble(error_said(error))
            return False
        self.window.say(tr("Saved."))
        return True

    def do_save_as(self) -> None:
        """Write the session under another name."""
        self.save_as()

    def save_as(self) -> bool:
        """Ask for a place and write the session there."""
        start = self.document.path or self.document.folder / f"{self.document.session.title}{store.ENDING}"
        kinds = f"{tr('Gloaming sessions')} (*{store.ENDING})"
        path = ask.save_file(self.window, tr("Save as"), start, kinds)
        if path is None:
            return False
        try:
            self.document.save(path)
        except ViewerError as error:
            self.window.trouble(error_said(error))
            return False
        self.window.say(tr("Saved."))
        return True

    def may_leave(self) -> bool:
        """Ask about unsaved edits; return whether the session may be replaced."""
        session = self.document.session
        if not self.document.dirty or not (session.clips or session.devices or session.scenes):
            return True
        answer = ask.ask_save(self.window, self.document.title)
        if answer == "save":
            return self.save()
        return answer == "discard"

    # --- clips ---

    def do_add_clips(self) -> None:
        """Ask for recordings."""
        kinds = f"{tr('Recordings')} ({' '.join('*' + ending for ending in sorted(ingest.ENDINGS))})"
        paths = ask.open_files(self.window, tr("Add clips"), self.document.folder, kinds)
        if paths:
            self.add(paths)

    def do_add_folder(self) -> None:
        """Ask for a folder of recordings."""
        folder = ask.choose_folder(self.window, tr("Add a folder of clips"), self.document.folder)
        if folder is not None:
            self.add([folder])

    def add(self, paths: list[Path], scene: str = "", device: str = "") -> None:
        """Guess what files and folders are, let the user confirm, add them.  `scene` and `device` are ids of a cell."""
        sessions = [path for path in paths if path.suffix == store.ENDING]
        if sessions:
            if self.may_leave():
                self.open_session(sessions[0])
            return
        session = self.document.session
        clips = ingest.find_clips(paths)
        if not clips:
            self.window.trouble(tr("No recordings among what was dropped."))
            return
        scene_name = session.scene(scene).name if scene else ""
        device_name = session.device(device).name if device else ""
        proposals = ingest.guess(clips, session, scene=scene_name, device=device_name)
        confirmed = self.window.confirm_ingest(proposals)
        if confirmed:
            self.take_in(confirmed)

    def take_in(self, proposals: list[ingest.Proposal]) -> None:
        """Hash the files in the background, then add the clips."""
        folder = self.document.folder
        session_id = self.document.session.id

        def done(refs: dict[Path, FileRef]) -> None:
            if self.document.session.id != session_id:
                return
            store.trust(*refs)
            before = len(self.document.session.clips)
            changed = ingest.add_clips(self.document.session, proposals, refs)
            added = len(changed.clips) - before
            self.document.edit(changed, trn("Add {n} clip", "Add {n} clips", added))
            if added < len([p for p in proposals if p.keep]):
                self.window.say(tr("Files that are in the session already were left out."))

        self.window.jobs.start(tr("Reading files"), partial(ingest.refer_all, proposals, folder), done=done)

    def do_add_device(self) -> None:
        """Ask for a name and add a device."""
        name = ask.ask_text(self.window, tr("Add device"), tr("Name"), "")
        if name:
            first = not self.document.session.devices
            made = Device(id=new_id("device"), name=name, control=first)
            self.document.edit(self.document.session.put(made), tr("Add {name}", name=name))

    def do_add_scene(self) -> None:
        """Ask for a name and add a scene."""
        name = ask.ask_text(self.window, tr("Add scene"), tr("Name"), "")
        if name:
            made = Scene(id=new_id("scene"), name=name)
            self.document.edit(self.document.session.put(made), tr("Add {name}", name=name))
            self.stage.show_scene(made.id)

    def do_relink(self) -> None:
        """Look for missing files in a folder."""
        folder = ask.choose_folder(self.window, tr("Folder to look in"), self.document.folder)
        if folder is not None:
            self.relink(folder)

    def relink(self, look_in: Path) -> None:
        """Find missing files below a folder, by their contents."""
        session, base = self.document.session, self.document.folder

        def done(found: dict[str, FileRef]) -> None:
            if not found:
                self.window.say(tr("None of the missing files is there."))
                return
            self.document.edit(ingest.relinked(self.document.session, found), tr("Find missing files"))
            self.window.clips_moved()
            self.window.say(trn("{n} file found.", "{n} files found.", len(found)))

        self.window.jobs.start(tr("Looking for files"), partial(ingest.find_missing, session, base, look_in), done=done)

    # --- the rest ---

    def do_plan(self) -> None:
        """Plan and interest line."""
        from viewer.app.views.plan import PlanDialog

        self.window.show_dialog(PlanDialog(self.window))

    def do_preferences(self) -> None:
        """Preferences."""
        from viewer.app.views.preferences import PreferencesDialog

        self.window.show_dialog(PreferencesDialog(self.window))

    def do_quit(self) -> None:
        """Close the window."""
        self.window.close()


def with_control(session: Session, device_id: str) -> Session:
    """Return the session with this device as the one control."""
    for device in session.devices:
        if device.control != (device.id == device_id):
            session = session.put(replace(device, control=device.id == device_id))
    return session


__all__ = ["SessionCommands", "with_control"]

"""Stills, products, card, tables."""

from __future__ import annotations

from PySide6.QtWidgets import QApplication

from viewer.app.commands.base import Commands
from viewer.app.i18n import tr
from viewer.app.said import error_said
from viewer.app.views import ask
from viewer.errors import ViewerError
from viewer.session import store
from viewer.session.model import StillSpec, new_id


class PublishCommands(Commands):
    """The Publish menu."""

    def do_still(self) -> None:
        """Keep this moment as a still."""
        scene = self.stage.scene
        if scene is None:
            return
        count = sum(still.scene == scene.id for still in self.document.session.stills)
        made = StillSpec(
            id=new_id("still"),
            scene=scene.id,
            name=f"{scene.name} {count + 1}",
            time_s=round(self.player.time_s, 6),
            rendering=self.stage.rendering,
            clips=tuple(clip.id for clip in self.stage.clips),
        )
        self.document.edit(self.document.session.put(made), tr("Keep a still"))
        self.window.say(tr("Kept “{name}”. Publish makes the picture.", name=made.name))

    def do_publish(self) -> None:
        """Publish."""
        from viewer.app.views.publishing import PublishDialog

        self.window.show_dialog(PublishDialog(self.window))

    def do_card(self) -> None:
        """Look at the methods card."""
        from viewer.app.views.publishing import CardDialog

        self.window.show_dialog(CardDialog(self.window))

    def do_copy_readings(self) -> None:
        """Copy the table of the scene as text."""
        text = self.window.readings_panel.as_text()
        QApplication.clipboard().setText(text)
        self.window.say(tr("Copied.") if text else tr("There are no readings to copy."))

    def do_export_readings(self) -> None:
        """Save the readings of the scene as CSV."""
        path = ask.save_file(self.window, tr("Save readings as CSV"), self.document.folder / "readings.csv", "CSV (*.csv)")
        if path is None:
            return
        try:
            store.write_whole(path, self.window.readings_panel.as_csv().encode("utf-8"))
        except ViewerError as error:
            self.window.trouble(error_said(error))
            return
        self.window.say(tr("Saved."))


__all__ = ["PublishCommands"]

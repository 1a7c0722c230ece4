"""Find an action, keys, manual, about."""

from __future__ import annotations

from viewer.app.commands.base import Commands


class HelpCommands(Commands):
    """The Help menu."""

    def do_actions(self) -> None:
        """Find an action by a word."""
        from viewer.app.views.helping import ActionList

        self.window.show_dialog(ActionList(self.window))

    def do_shortcuts(self) -> None:
        """All keys on one sheet."""
        from viewer.app.views.helping import KeySheet

        self.window.show_dialog(KeySheet(self.window))

    def do_manual(self) -> None:
        """The manual, at the page of what has the focus."""
        self.window.open_manual()

    def do_about(self) -> None:
        """About the program."""
        from viewer.app.views.helping import AboutDialog

        self.window.show_dialog(AboutDialog(self.window))


__all__ = ["HelpCommands"]

"""Ways to look, renderings, zoom, parts of the window."""

from __future__ import annotations

from viewer.app.commands.base import Commands


class LookCommands(Commands):
    """The Look menu."""

    def do_look_side(self) -> None:
        """Side by side."""
        self.stage.set_look("side")

    def do_look_split(self) -> None:
        """Split line."""
        self.stage.set_look("split")

    def do_look_blink(self) -> None:
        """Blink; under reduced flicker each press changes sides once."""
        if self.stage.look == "blink":
            self.window.wall.turn_by_hand()
            self.window.refresh_actions()
        else:
            self.stage.set_look("blink")

    def do_look_over(self) -> None:
        """Two clips, each half transparent."""
        self.stage.set_look("over")

    def do_look_difference(self) -> None:
        """Difference in linear light."""
        self.stage.set_look("difference")

    def do_swap_pair(self) -> None:
        """Another second clip."""
        self.stage.next_second()

    def do_as_filmed(self) -> None:
        """As filmed."""
        self.stage.set_rendering("as_filmed")

    def do_neutral_grey(self) -> None:
        """Neutral grey."""
        self.stage.set_rendering("neutral_grey")

    def do_brightness_matched(self) -> None:
        """Brightness matched."""
        self.stage.set_rendering("brightness_matched")

    def do_false_luminance(self) -> None:
        """False luminance."""
        self.stage.set_rendering("false_luminance")

    def do_clipped_marks(self) -> None:
        """Mark clipped pixels, or not."""
        self.stage.set_flag("clipped_marks", not self.stage.clipped_marks)

    def do_circle_dim(self) -> None:
        """Dim outside the field, or not."""
        self.stage.set_flag("circle_dim", not self.stage.circle_dim)

    def do_inset_linked(self) -> None:
        """Linked magnifier, or not."""
        self.stage.set_flag("magnifier", not self.stage.magnifier)

    def do_zoom_in(self) -> None:
        """Zoom in."""
        self.window.wall.zoom(1.25)

    def do_zoom_out(self) -> None:
        """Zoom out."""
        self.window.wall.zoom(0.8)

    def do_fit(self) -> None:
        """Whole field."""
        self.window.wall.fit()

    def do_one_to_one(self) -> None:
        """Pixel for pixel."""
        self.window.wall.one_to_one()

    def do_fold_coverage(self) -> None:
        """Fold the coverage."""
        self.window.frame.fold("coverage")

    def do_fold_lanes(self) -> None:
        """Fold the lanes."""
        self.window.frame.fold("lanes")

    def do_fold_readings(self) -> None:
        """Fold the readings."""
        self.window.frame.fold("readings")

    def do_full_screen(self) -> None:
        """Only the wall."""
        self.window.frame.toggle_full_screen()

    def do_second_window(self) -> None:
        """The wall in a window of its own."""
        self.window.frame.toggle_second_window()


__all__ = ["LookCommands"]

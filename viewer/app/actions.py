"""Everything that can be done, in one list: menus, the searchable list, the shortcut sheet and tooltips are made from it."""

# ruff: noqa: E501 - a table reads better in long lines

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from PySide6.QtGui import QAction, QKeySequence
from PySide6.QtWidgets import QMenu, QMenuBar, QWidget

from viewer.app.i18n import mark, tr
from viewer.app.icons import icon


@dataclass(frozen=True)
class Spec:
    """One action.  `needs` names the rule that enables it; `group` starts a new block in its menu when it changes."""

    id: str
    menu: str
    text: str
    keys: str = ""
    tip: str = ""
    icon: str = ""
    needs: str = ""
    check: bool = False
    group: int = 0


M_SESSION, M_EDIT, M_LOOK, M_TIME = mark("Session"), mark("Edit"), mark("Look"), mark("Time")
M_DRAW, M_MEASURE, M_PUBLISH, M_HELP = mark("Draw"), mark("Measure"), mark("Publish"), mark("Help")
MENUS = (M_SESSION, M_EDIT, M_LOOK, M_TIME, M_DRAW, M_MEASURE, M_PUBLISH, M_HELP)

SPECS: tuple[Spec, ...] = (
    Spec("new", M_SESSION, mark("New session"), "Ctrl+N", mark("Start an empty session."), "plus"),
    Spec("open", M_SESSION, mark("Open session…"), "Ctrl+O", mark("Open a .gloam file."), "folder-open"),
    Spec("sample", M_SESSION, mark("Open the sample session"), "", mark("Three devices filmed at a harbour, with known truth."), "film"),
    Spec("save", M_SESSION, mark("Save"), "Ctrl+S", mark("Write the session file."), "save", group=1),
    Spec("save_as", M_SESSION, mark("Save as…"), "Ctrl+Shift+S", mark("Write the session under another name.")),
    Spec("add_clips", M_SESSION, mark("Add clips…"), "Ctrl+I", mark("Add recordings; device, scene and take are guessed from their names."), "film", group=2),
    Spec("add_folder", M_SESSION, mark("Add a folder of clips…"), "Ctrl+Shift+I", mark("Every recording in a folder and the folders in it."), "folder-open"),
    Spec("add_device", M_SESSION, mark("Add device…"), "Ctrl+Shift+D", mark("A device becomes a column of the coverage."), "plus"),
    Spec("add_scene", M_SESSION, mark("Add scene…"), "Ctrl+Shift+N", mark("A scene becomes a row of the coverage."), "plus"),
    Spec("relink", M_SESSION, mark("Find missing files…"), "", mark("Look for moved clips in a folder; they are known by their contents."), "link", "session"),
    Spec("plan", M_SESSION, mark("Plan and interest line…"), "", mark("What is to be tested, written down before measuring."), "file-text", group=3),
    Spec("preferences", M_SESSION, mark("Preferences…"), "Ctrl+,", mark("Theme, text size, language, reduced flicker."), "settings"),
    Spec("quit", M_SESSION, mark("Quit"), "Ctrl+Q", mark("Close the window."), "x", group=4),
    Spec("undo", M_EDIT, mark("Undo"), "Ctrl+Z", mark("Take the last edit back."), "undo-2", "can_undo"),
    Spec("redo", M_EDIT, mark("Redo"), "Ctrl+Shift+Z", mark("Make the edit again."), "redo-2", "can_redo"),
    Spec("delete", M_EDIT, mark("Remove what is selected"), "Del", mark("Remove the selected region, note or clip; files on disk are never touched."), "trash-2", "selection", group=1),
    Spec("rename", M_EDIT, mark("Rename…"), "F2", mark("Give the selected region, note, scene or device another name."), "pencil", "selection"),
    Spec("copy_region", M_EDIT, mark("Copy to scene…"), "Ctrl+D", mark("Put the selected region or note into another scene as well."), "copy", "selection"),
    Spec("scene_kind", M_EDIT, mark("Kind of the scene…"), "", mark("Chart, screen, lamps, edge, figure or other: decides what is usually measured."), "list", "scene"),
    Spec("clip_place", M_EDIT, mark("Device, scene and take of the clip…"), "", mark("Move a clip to another cell of the coverage, or say what it shows."), "table-2", "clip"),
    Spec("clear_override", M_EDIT, mark("Follow the pose again"), "", mark("Remove the place that was set by hand in one clip."), "link", "override"),
    Spec("look_side", M_LOOK, mark("Side by side"), "1", mark("One pane for each clip, all at the same angle per pixel."), "columns-2", "scene", check=True),
    Spec("look_split", M_LOOK, mark("Split line"), "2", mark("Two clips in one pane, a line between them that can be dragged."), "square-split-horizontal", "pair", check=True),
    Spec("look_blink", M_LOOK, mark("Blink"), "3", mark("Two clips in turn, never more than three changes a second."), "eye", "pair", check=True),
    Spec("look_over", M_LOOK, mark("Laid over"), "5", mark("Two clips in one pane, each half transparent: what is not lined up shows twice, and nothing flickers."), "layers", "pair", check=True),
    Spec("look_difference", M_LOOK, mark("Difference"), "4", mark("First minus second in linear light: mid grey is no difference."), "diff", "pair", check=True),
    Spec("swap_pair", M_LOOK, mark("Change the second clip"), "Tab", mark("Take the next clip as the second one of split, blink and difference."), "refresh-cw", "pair"),
    Spec("as_filmed", M_LOOK, mark("As filmed"), "Shift+1", mark("The recording with its own tint and brightness."), "image", "scene", check=True, group=1),
    Spec("neutral_grey", M_LOOK, mark("Neutral grey"), "Shift+2", mark("The tint removed: luminance only."), "contrast", "scene", check=True),
    Spec("brightness_matched", M_LOOK, mark("Brightness matched"), "Shift+3", mark("Each clip multiplied in linear light so that its mean over the field equals the reference's; the factor stands under every pane."), "sun", "scene", check=True),
    Spec("false_luminance", M_LOOK, mark("False luminance"), "Shift+4", mark("Linear luminance on a uniform scale with a legend."), "blend", "scene", check=True),
    Spec("clipped_marks", M_LOOK, mark("Mark clipped pixels"), "K", mark("Hatch the pixels at the limit of the recording."), "layers", "scene", check=True, group=2),
    Spec("circle_dim", M_LOOK, mark("Dim outside the field"), "", mark("Darken what lies outside the eyepiece circle; nothing is cropped."), "circle", "scene", check=True),
    Spec("inset_linked", M_LOOK, mark("Linked magnifier"), "M", mark("A magnified patch beside the pointer, at the same place in every pane."), "zoom-in", "scene", check=True),
    Spec("zoom_in", M_LOOK, mark("Zoom in"), "Ctrl++", mark("All panes together."), "zoom-in", "scene", group=3),
    Spec("zoom_out", M_LOOK, mark("Zoom out"), "Ctrl+-", mark("All panes together."), "zoom-out", "scene"),
    Spec("fit", M_LOOK, mark("Whole field"), "0", mark("Show the whole eyepiece image."), "scan", "scene"),
    Spec("one_to_one", M_LOOK, mark("Pixel for pixel"), "9", mark("One pixel of the reference clip on one pixel of the screen."), "maximize", "scene"),
    Spec("fold_coverage", M_LOOK, mark("Coverage"), "F5", mark("Show or fold away the coverage."), "panel-left", check=True, group=4),
    Spec("fold_lanes", M_LOOK, mark("Lanes"), "F6", mark("Show or fold away the lanes."), "panel-bottom", check=True),
    Spec("fold_readings", M_LOOK, mark("Readings"), "F7", mark("Show or fold away the readings."), "panel-right", check=True),
    Spec("full_screen", M_LOOK, mark("Wall on the full screen"), "F11", mark("Only the wall; F11 or Escape to return."), "maximize", check=True, group=5),
    Spec("second_window", M_LOOK, mark("Wall in its own window"), "Ctrl+F11", mark("Move the wall to a window of its own, for a second screen."), "external-link", check=True),
    Spec("play", M_TIME, mark("Play or pause"), "Space", mark("All clips on the scene's clock."), "play", "scene"),
    Spec("step_on", M_TIME, mark("One frame on"), "Right", mark("Exactly one frame of the leading clip."), "step-forward", "scene", group=1),
    Spec("step_back", M_TIME, mark("One frame back"), "Left", mark("Exactly one frame of the leading clip."), "step-back", "scene"),
    Spec("step_on_10", M_TIME, mark("Ten frames on"), "Shift+Right", "", "", "scene"),
    Spec("step_back_10", M_TIME, mark("Ten frames back"), "Shift+Left", "", "", "scene"),
    Spec("to_start", M_TIME, mark("To the start"), "Home", mark("First moment that any clip shows."), "skip-back", "scene"),
    Spec("to_end", M_TIME, mark("To the end"), "End", mark("Last moment that any clip shows."), "skip-forward", "scene"),
    Spec("next_step", M_TIME, mark("Next light step"), "PgDown", mark("Jump to the next step of the light level, or the next marker."), "", "scene", group=2),
    Spec("previous_step", M_TIME, mark("Previous light step"), "PgUp", mark("Jump to the step or marker before."), "", "scene"),
    Spec("go_to_time", M_TIME, mark("Go to time…"), "Ctrl+G", mark("Type a scene time."), "clock", "scene"),
    Spec("marker", M_TIME, mark("Set a marker"), "B", mark("Name this moment."), "flag", "scene"),
    Spec("loop_in", M_TIME, mark("Loop starts here"), "I", "", "", "scene", group=3),
    Spec("loop_out", M_TIME, mark("Loop ends here"), "O", "", "", "scene"),
    Spec("loop", M_TIME, mark("Loop"), "L", mark("Play the loop again and again."), "repeat", "scene", check=True),
    Spec("clear_loop", M_TIME, mark("Clear the loop"), "Shift+L", "", "", "scene"),
    Spec("faster", M_TIME, mark("Faster"), "]", mark("Up to 4 times."), "", "scene", group=4),
    Spec("slower", M_TIME, mark("Slower"), "[", mark("Down to 0.05 times."), "", "scene"),
    Spec("sound", M_TIME, mark("Sound"), "S", mark("Sound of the leading clip, at normal speed."), "volume-2", "scene", check=True),
    Spec("nudge_back", M_TIME, mark("Nudge the clip one frame earlier"), "Alt+Left", mark("Moves the selected lane."), "", "clip", group=5),
    Spec("nudge_on", M_TIME, mark("Nudge the clip one frame later"), "Alt+Right", mark("Moves the selected lane."), "", "clip"),
    Spec("tool_select", M_DRAW, mark("Select and move"), "V", mark("Click a region or note; arrows move it, Shift+arrows by ten."), "mouse-pointer-2", "scene", check=True),
    Spec("tool_rect", M_DRAW, mark("Rectangle"), "R", mark("A region for contrast, noise, tint, flicker, ramp or a figure."), "square", "scene", check=True, group=1),
    Spec("tool_ellipse", M_DRAW, mark("Ellipse"), "E", mark("A round region."), "circle", "scene", check=True),
    Spec("tool_light", M_DRAW, mark("Light"), "P", mark("A point light: click on its centre. Measured as bloom."), "lightbulb", "scene", check=True),
    Spec("tool_edge", M_DRAW, mark("Edge"), "G", mark("A box over one straight, slightly slanted edge. 10-90 % width and MTF."), "spline", "scene", check=True),
    Spec("tool_bars", M_DRAW, mark("Bars"), "T", mark("A box over one tri-bar target; its lp/mm is asked for."), "rows-3", "scene", check=True),
    Spec("tool_line", M_DRAW, mark("Line"), "N", mark("A line whose profile is shown under Scopes."), "minus", "scene", check=True),
    Spec("tool_pair", M_DRAW, mark("Matching points"), "Shift+P", mark("Click a detail in the reference, then the same detail in the other panes. From the second pair on the clip is lined up by hand, and the residual is told."), "crosshair", "pair", check=True),
    Spec("presets", M_DRAW, mark("Lay out the usual regions"), "Ctrl+R", mark("Puts the regions that this kind of scene usually needs on the wall, to be dragged into place, and asks for their measures."), "layers", "scene"),
    Spec("tool_arrow", M_DRAW, mark("Arrow"), "Shift+A", mark("Points at something; the tip is where the drag ends."), "arrow-up-right", "scene", check=True, group=2),
    Spec("tool_box", M_DRAW, mark("Box"), "Shift+B", mark("A box to be seen, not measured."), "square", "scene", check=True),
    Spec("tool_oval", M_DRAW, mark("Oval"), "Shift+O", mark("An ellipse to be seen, not measured."), "circle", "scene", check=True),
    Spec("tool_text", M_DRAW, mark("Text"), "Shift+T", mark("Words at a place."), "type", "scene", check=True),
    Spec("tool_inset", M_DRAW, mark("Magnified inset"), "Shift+M", mark("A patch magnified by whole pixels, in every pane."), "zoom-in", "scene", check=True),
    Spec("tool_scale", M_DRAW, mark("Scale bar"), "Shift+S", mark("A bar of whole degrees."), "ruler", "scene", check=True),
    Spec("draw_centre", M_DRAW, mark("Place in the middle"), "Return", mark("Put what the tool draws into the middle of the view; arrows then move it, Ctrl+arrows size it."), "crosshair", "tool", group=3),
    Spec("align", M_MEASURE, mark("Line up clips"), "Ctrl+L", mark("Find clock and pose of every clip against the reference of its scene."), "clock", "clips"),
    Spec("set_reference", M_MEASURE, mark("Make the clip the reference"), "", mark("The scene's regions live in the reference clip."), "crosshair", "clip"),
    Spec("add_measure", M_MEASURE, mark("Measure in this scene…"), "Ctrl+E", mark("Choose a measure and its regions."), "plus", "scene", group=1),
    Spec("measure", M_MEASURE, mark("Measure what is out of date"), "Ctrl+M", mark("Only what is missing or out of date is measured."), "gauge", "requests"),
    Spec("measure_all", M_MEASURE, mark("Measure everything again"), "Ctrl+Shift+M", "", "", "requests"),
    Spec("field", M_MEASURE, mark("Field of the clips…"), "", mark("Circle, pixels per degree, fall of light and distortion of every clip of the scene."), "circle", "scene"),
    Spec("repeats", M_MEASURE, mark("Which takes to film again…"), "", mark("What each further take would buy: comparisons that cannot be told yet, device by device."), "repeat", "requests"),
    Spec("blind", M_MEASURE, mark("Read bars blind…"), "", mark("Judge bar targets without knowing the device; several readers in turn."), "eye", "scene"),
    Spec("levels", M_MEASURE, mark("Light levels of the scene…"), "", mark("The levels of a series, in mfL, cd/m2 or lx."), "list", "scene"),
    Spec("audit", M_MEASURE, mark("Compare camera settings…"), "", mark("Same, different or unknown, from the files and from the pixels."), "table-2", "clips", group=2),
    Spec("planner", M_MEASURE, mark("Plan shutter and frame rate…"), "", mark("Before filming: which flicker a setting can show, and which it cannot."), "clock"),
    Spec("camera", M_MEASURE, mark("Camera and light of the clip…"), "", mark("Shutter, readout time, and what the file does not say about its light curve."), "settings", "clip"),
    Spec("desk", M_MEASURE, mark("Devices and data sheets…"), "Ctrl+B", mark("Enter, convert and check data-sheet figures."), "table-2"),
    Spec("cancel_jobs", M_MEASURE, mark("Stop the work that runs"), "Ctrl+.", "", "x", "jobs", group=3),
    Spec("still", M_PUBLISH, mark("Keep this moment as a still"), "Ctrl+K", mark("Adds a still of all devices at this scene time."), "image", "scene"),
    Spec("publish", M_PUBLISH, mark("Publish…"), "Ctrl+P", mark("Stills, footage, card, report and the manifest."), "external-link", "clips"),
    Spec("card", M_PUBLISH, mark("Look at the methods card"), "", mark("What the card will say, blanks included."), "file-text", "clips"),
    Spec("copy_readings", M_PUBLISH, mark("Copy readings"), "Ctrl+Shift+C", mark("The table of this scene as text."), "copy", "scene", group=1),
    Spec("export_readings", M_PUBLISH, mark("Save readings as CSV…"), "", mark("Decimal points, one row for each reading."), "table-2", "scene"),
    Spec("actions", M_HELP, mark("Find an action…"), "Ctrl+Space", mark("Type a word of what is wanted."), "search"),
    Spec("shortcuts", M_HELP, mark("Keys"), "Ctrl+F1", mark("All keys on one sheet."), "keyboard"),
    Spec("manual", M_HELP, mark("Manual"), "F1", mark("Opens at the page of what has the focus."), "circle-question-mark"),
    Spec("about", M_HELP, mark("About Gloaming"), "", "", "info"),
)  # fmt: skip

BY_ID = {spec.id: spec for spec in SPECS}


class Actions:
    """The Qt actions of one window, made from `SPECS`."""

    def __init__(self, owner: QWidget, run: Callable[[str], None]) -> None:
        self.by_id: dict[str, QAction] = {}
        for spec in SPECS:
            action = QAction(tr(spec.text), owner)
            action.setObjectName(spec.id)
            if spec.icon:
                action.setIcon(icon(spec.icon))
            if spec.keys:
                action.setShortcut(QKeySequence(spec.keys))
            action.setCheckable(spec.check)
            action.setToolTip(tooltip(spec))
            action.setStatusTip(tr(spec.tip))
            action.triggered.connect(lambda _checked=False, ident=spec.id: run(ident))
            owner.addAction(action)
            self.by_id[spec.id] = action

    def __getitem__(self, ident: str) -> QAction:
        return self.by_id[ident]

    def refresh_icons(self) -> None:
        """Draw the icons in the colours of the theme in use."""
        for spec in SPECS:
            if spec.icon:
                self.by_id[spec.id].setIcon(icon(spec.icon))

    def enable(self, rules: dict[str, bool]) -> None:
        """Enable what the rules allow."""
        for spec in SPECS:
            if spec.needs:
                self.by_id[spec.id].setEnabled(rules.get(spec.needs, False))

    def fill(self, bar: QMenuBar) -> dict[str, QMenu]:
        """Make the menus."""
        menus: dict[str, QMenu] = {}
        for name in MENUS:
            menu = QMenu(tr(name), bar)
            bar.addMenu(menu)
            menus[name] = menu
            group = 0
            for spec in SPECS:
                if spec.menu != name:
                    continue
                if spec.group != group:
                    menu.addSeparator()
                    group = spec.group
                menu.addAction(self.by_id[spec.id])
        return menus


def keys_words(spec: Spec) -> str:
    """Return the keys as the system writes them."""
    return QKeySequence(spec.keys).toString(QKeySequence.SequenceFormat.NativeText) if spec.keys else ""


def tooltip(spec: Spec) -> str:
    """Return the tooltip: what it does, and its keys."""
    head = tr(spec.text).rstrip("…")
    if spec.keys:
        head = f"{head}  ({keys_words(spec)})"
    return f"{head}\n{tr(spec.tip)}" if spec.tip else head


__all__ = ["BY_ID", "MENUS", "SPECS", "Actions", "Spec", "keys_words", "tooltip"]

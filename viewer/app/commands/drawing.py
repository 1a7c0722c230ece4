"""Tools, and what they draw."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

from viewer.app.commands.base import Commands
from viewer.app.i18n import mark, number, parse_number, tr, trn
from viewer.app.model import shapes
from viewer.app.model.geometry import apply, invert
from viewer.app.said import error_said
from viewer.app.views.ask import ask_text
from viewer.app.views.pointer import carried_back
from viewer.errors import UsageError
from viewer.session.model import Clip, Note, NoteKind, Region, RegionKind, new_id

KIND_WORDS = {
    "rect": mark("Area"),
    "ellipse": mark("Round area"),
    "light": mark("Light"),
    "edge": mark("Edge"),
    "bars": mark("Bars"),
    "line": mark("Line"),
}


class DrawCommands(Commands):
    """The Draw menu.  Each tool stays until Escape or another tool."""

    def __init__(self, window) -> None:  # type: ignore[no-untyped-def]
        super().__init__(window)
        window.wall.draw_wanted.connect(self.drawn)

    def _tool(self, name: str) -> None:
        self.stage.set_tool(name)
        if self.window.wall.panes and not any(pane.hasFocus() for pane in self.window.wall.panes):
            self.window.wall.panes[0].setFocus()

    def do_tool_select(self) -> None:
        """Select and move."""
        self._tool("select")

    def do_tool_rect(self) -> None:
        """Rectangle."""
        self._tool("rect")

    def do_tool_ellipse(self) -> None:
        """Ellipse."""
        self._tool("ellipse")

    def do_tool_light(self) -> None:
        """Light."""
        self._tool("light")

    def do_tool_edge(self) -> None:
        """Edge."""
        self._tool("edge")

    def do_tool_bars(self) -> None:
        """Bars."""
        self._tool("bars")

    def do_tool_line(self) -> None:
        """Line."""
        self._tool("line")

    def do_tool_pair(self) -> None:
        """Matching points."""
        self.stage.pairs.clear()
        self.stage.pair_from = None
        self._tool("pair")
        self.window.say(tr("Click a detail in the reference, then the same detail in another pane."))

    def paired(self, clip: Clip, at: tuple[float, float]) -> None:
        """Take a click of the tool for matching points; from the second pair on the clip is lined up by them."""
        stage, reference = self.stage, self.stage.reference
        if reference is None:
            return
        if clip.id == reference.id:
            stage.pair_from = at
            stage.tool_changed.emit()
            return
        if stage.pair_from is None:
            self.window.say(tr("Click the detail in the reference first: {name}.", name=self.window.wall.name_of(reference)))
            return
        known = [pair for pair in stage.pairs.get(clip.id, ()) if pair[0] != stage.pair_from]
        stage.pairs[clip.id] = [*known, (stage.pair_from, at)]
        stage.tool_changed.emit()
        self._pose_from_pairs(clip)

    def _pose_from_pairs(self, clip: Clip) -> None:
        from viewer.align.pose import pose_from_points

        pairs = self.stage.pairs[clip.id]
        if len(pairs) < 2:
            self.window.say(tr("One pair. A second one, far from it, lines the clip up."))
            return
        try:
            pose = pose_from_points([there for _, there in pairs], [here for here, _ in pairs])
        except UsageError as error:
            self.window.say(error_said(error))
            return
        changed = self.document.session.put(replace(self.document.session.clip(clip.id), pose=pose))
        self.document.edit(changed, tr("Line up {name} by points", name=clip.name), merge=f"points {clip.id}")
        if len(pairs) == 2:
            self.window.say(tr("Lined up by two pairs. A third one tells how well they fit."))
        else:
            residual = number(pose.residual_px or 0.0, 2)
            self.window.say(tr("Lined up by {n} pairs, residual {px} px.", n=len(pairs), px=residual))

    def do_presets(self) -> None:
        """Lay out the regions that this kind of scene usually needs."""
        from viewer.app.model.presets import find_lamps

        scene, reference = self.stage.scene, self.stage.reference
        if scene is None or reference is None:
            self.window.say(tr("Add a clip to the scene first."))
            return
        if scene.kind != "lamps":
            self._lay_out(scene.id, ())
            return
        work = partial(find_lamps, self.document.folder, reference)
        self.window.jobs.start(tr("Finding the lamps"), work, done=partial(self._lay_out, scene.id))

    def _lay_out(self, scene_id: str, lamps: Sequence[tuple[float, float]]) -> None:
        from viewer.app.model.presets import lay_out

        session = self.document.session
        reference = session.reference_of(scene_id) if any(s.id == scene_id for s in session.scenes) else None
        if reference is None:
            return
        size = self.stage.sizes.get(reference.id, (1920, 1080))
        changed, added = lay_out(session, scene_id, reference, size, lamps=lamps)
        self.document.edit(changed, tr("Lay out the usual regions"))
        self._tool("select")
        if added:
            self.stage.choose("region", added[0])
            self.window.say(trn("{n} region laid out: drag it into place, then measure.",
                                "{n} regions laid out: drag each into place, then measure.", len(added)))  # fmt: skip
        else:
            self.window.say(tr("The usual regions are there already."))

    def do_tool_arrow(self) -> None:
        """Arrow."""
        self._tool("arrow")

    def do_tool_box(self) -> None:
        """Box."""
        self._tool("box")

    def do_tool_oval(self) -> None:
        """Oval."""
        self._tool("oval")

    def do_tool_text(self) -> None:
        """Text."""
        self._tool("text")

    def do_tool_inset(self) -> None:
        """Magnified inset."""
        self._tool("inset")

    def do_tool_scale(self) -> None:
        """Scale bar."""
        self._tool("scale")

    def do_draw_centre(self) -> None:
        """Place what the tool draws in the middle of the view."""
        panes = [pane for pane in self.window.wall.panes if pane.clips]
        pane = next((pane for pane in panes if pane.hasFocus()), panes[0] if panes else None)
        if pane is None or self.stage.tool not in shapes.TOOLS:
            return
        clip = pane.clips[0]
        rect = pane.picture_rect
        inverse = invert(pane.matrix(clip))
        a = apply(inverse, rect.center().x() - 0.08 * rect.width(), rect.center().y() - 0.08 * rect.height())
        b = apply(inverse, rect.center().x() + 0.08 * rect.width(), rect.center().y() + 0.08 * rect.height())
        self.drawn(clip, a, b, True)

    def drawn(self, clip: Clip, start: tuple[float, float], end: tuple[float, float], dragged: bool) -> None:
        """Add what was drawn, in the reference clip's coordinates."""
        tool = self.stage.tool
        if tool == "pair":
            self.paired(clip, end)
            return
        if tool not in shapes.TOOLS:
            return
        what, kind = shapes.TOOLS[tool]
        if kind in shapes.BOXES + shapes.LINES and not dragged:
            self.window.say(tr("Drag to draw; Return places it in the middle."))
            return
        if kind in ("light", "text") and dragged and tool == self.stage.tool and start != end:
            # Placed by key: the middle of the box.
            start = (0.5 * (start[0] + end[0]), 0.5 * (start[1] + end[1])) if kind == "light" else start
        geometry = carried_back(kind, shapes.geometry_from(kind, start, end), clip)
        self._add_region(kind, clip.scene, geometry) if what == "region" else self._add_note(kind, clip.scene, geometry)

    def _add_region(self, kind: str, scene: str, geometry: tuple[float, ...]) -> None:
        session = self.document.session
        settings: dict[str, str | float] = {}
        name = shapes.fresh_name(session, scene, tr(KIND_WORDS[kind]))
        if kind == "bars":
            what = tr("Line pairs per mm (add v or h for upright or lying bars)")
            text = ask_text(self.window, tr("Bars"), what, self._next_bars(scene))
            if text is None:
                return
            try:
                settings = parse_bars(text)
            except UsageError as error:
                self.window.say(error_said(error))
                return
            name = f"{settings['lpmm']:g} lp/mm"
        made = Region(
            id=new_id("region"),
            scene=scene,
            kind=_REGION_KINDS[kind],
            name=name,
            geometry=tuple(round(v, 3) for v in geometry),
            settings=settings,
        )
        self.document.edit(session.put(made), tr("Draw {name}", name=name))
        self.stage.choose("region", made.id)

    def _next_bars(self, scene: str) -> str:
        """Return what the next target of a chart probably is: one step of a sixth of an octave finer than the last."""
        last = [r for r in self.document.session.regions_of(scene) if r.kind == "bars" and r.settings.get("lpmm")]
        if not last:
            return ""
        return f"{number(float(last[-1].settings['lpmm']) * 2 ** (1 / 6))} {last[-1].settings.get('way', 'v')}"

    def _add_note(self, kind: str, scene: str, geometry: tuple[float, ...]) -> None:
        text = ""
        if kind == "text":
            typed = ask_text(self.window, tr("Text"), tr("Words"), "")
            if not typed:
                return
            text = typed
        made = Note(
            id=new_id("note"),
            scene=scene,
            kind=_NOTE_KINDS[kind],
            geometry=tuple(round(v, 3) for v in geometry),
            text=text,
            settings={"factor": 4.0} if kind == "inset" else {},
        )
        self.document.edit(self.document.session.put(made), tr("Draw a note"))
        self.stage.choose("note", made.id)


_REGION_KINDS: dict[str, RegionKind] = {
    "rect": "rect",
    "ellipse": "ellipse",
    "light": "light",
    "edge": "edge",
    "bars": "bars",
    "line": "line",
}
_NOTE_KINDS: dict[str, NoteKind] = {
    "arrow": "arrow",
    "box": "box",
    "ellipse": "ellipse",
    "text": "text",
    "inset": "inset",
    "scale_bar": "scale_bar",
}


def parse_bars(text: str) -> dict[str, str | float]:
    """Return the settings that ``4.5 v`` means: lp/mm and the direction of the bars, ``v`` by default.

    Raises
    ------
    UsageError
        If there is no positive number.
    """
    parts = text.strip().lower().rsplit(None, 1)
    way = "v"
    if len(parts) == 2 and parts[1] in ("v", "h"):
        text, way = parts[0], parts[1]
    elif text.strip().lower()[-1:] in ("v", "h"):
        way, text = text.strip().lower()[-1], text.strip()[:-1]
    value = parse_number(text)
    if value <= 0:
        raise UsageError(tr("Line pairs per mm must be above zero."))
    return {"lpmm": value, "way": way}


__all__ = ["KIND_WORDS", "DrawCommands", "parse_bars"]

"""Going to places: the clip, the cell, the frames and the region that something else points at."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

from PySide6.QtCore import QPoint
from PySide6.QtWidgets import QMenu, QWidget

from viewer.app.i18n import tr
from viewer.app.model import ingest
from viewer.app.model.next_steps import NextStep
from viewer.session.model import Clip, StoredReading

if TYPE_CHECKING:
    from viewer.app.window import MainWindow


class Places:
    """Takes one window to where a step, a cell, a lane or a number points."""

    def __init__(self, window: MainWindow) -> None:
        self.window = window

    def manual_page(self) -> str:
        """Return the page of the manual about what has the focus: a measure, lining up, clips; else the window."""
        window = self.window
        if not (window.document.session.clips or window.document.session.devices):
            return "first-steps"
        at: QWidget | None = window.focusWidget()
        while at is not None and at is not window:
            if at is window.coverage_stack:
                return "clips"
            if at is window.lanes:
                return "aligning"
            if at is window.readings_panel:
                return window.readings_panel.measure() or "window"
            at = at.parentWidget()
        region = window.stage.region
        return {"light": "bloom", "edge": "edge", "bars": "bars"}.get(region.kind, "window") if region is not None else "window"

    def go_to_step(self, step: NextStep) -> None:
        """Go to the place that settles a step."""
        if step.scene and step.scene != self.window.stage.scene_id:
            self.window.stage.show_scene(step.scene)
        if step.select[0] == "clip":
            self.clip_wanted(step.select[1])
        if step.action:
            self.window.run(step.action)

    def scene_wanted(self, scene: str) -> None:
        """Put a scene on the wall."""
        self.window.stage.show_scene(scene)
        self.window.stage.choose("scene", scene)

    def clip_wanted(self, ident: str) -> None:
        """Put a take into the pane of its device."""
        clip = next((c for c in self.window.document.session.clips if c.id == ident), None)
        if clip is not None:
            self.window.stage.swap_take(clip)

    def add_to_cell(self, scene: str, device: str) -> None:
        """Ask for clips of one cell of the coverage."""
        from viewer.app.views import ask

        kinds = f"{tr('Recordings')} ({' '.join('*' + ending for ending in sorted(ingest.ENDINGS))})"
        paths = ask.open_files(self.window, tr("Add clips"), self.window.document.folder, kinds)
        if paths:
            self.window.session_commands.add(paths, scene, device)

    def cell_menu(self, at: QPoint, scene: str, device: str) -> None:
        """Show the menu of a cell."""
        menu = QMenu(self.window)
        cell = self.window.coverage.grid.cells.get((scene, device))
        for clip in cell.clips if cell else ():
            menu.addAction(f"{tr('take {n}', n=clip.take)}: {clip.name}", partial(self.clip_wanted, clip.id))
        if cell is not None:
            menu.addSeparator()
            menu.addAction(tr("Add clips…"), lambda: self.add_to_cell(scene, device))
        elif scene:
            self.window.stage.choose("scene", scene)
        for ident in ("set_reference", "camera", "rename", "delete"):
            menu.addAction(self.window.actions_[ident])
        menu.exec(at)
        menu.deleteLater()

    def nudge(self, clip_id: str, by_s: float) -> None:
        """Move a clip on its scene's clock, by whole frames unless by less than one."""
        from viewer.app.commands.timing import nudged

        window = self.window
        clip = window.document.session.clip(clip_id)
        entry = window.engine.clips.get(clip_id)
        if entry is not None and entry.index is not None and entry.index.interval_s:
            step = entry.index.interval_s
            by_s = round(by_s / step) * step if abs(by_s) >= step else by_s
        changed = nudged(window.document.session, clip_id, by_s, window.player.scene_time(clip, 0.0))
        window.document.edit(changed, tr("Nudge {name}", name=clip.name))

    def set_loop(self, first: float, last: float) -> None:
        """Set the loop of the scene, as dragged on the lanes."""
        scene = self.window.stage.scene
        if scene is not None:
            self.window.document.edit(
                self.window.document.session.put(replace(scene, loop_in_s=round(first, 6), loop_out_s=round(last, 6))),
                tr("Set the loop"),
                merge="loop",
            )

    def show_reading(self, reading: StoredReading, clip_id: str) -> None:
        """Take the wall to the frames and the region behind a number."""
        session = self.window.document.session
        request = session.request(reading.request)
        clip = session.clip(clip_id)
        if clip.scene != self.window.stage.scene_id or clip.id not in self.window.stage.clip_ids:
            self.window.stage.swap_take(clip)
        if request.first_s is not None:
            self.window.player.pause()
            self.window.player.go(request.first_s)
        regions = [r for ids in request.regions.values() for r in session.regions if r.id in ids]
        from viewer.app.model.table import region_words

        named = [r for r in regions if r.name == region_words(session, request.id, reading.of)]
        chosen = (named or regions)[:1]
        if chosen:
            self.window.stage.choose("region", chosen[0].id)
            self._look_at(chosen[0].id, clip)

    def _look_at(self, region_id: str, clip: Clip) -> None:
        from viewer.app.model.geometry import View, apply, scale_of
        from viewer.app.model.shapes import shape_of

        region = self.window.document.session.region(region_id)
        shape = shape_of(region, clip)
        matrix = self.window.stage.placement(clip).to_deg
        corners = shape.corners()
        xs, ys = [c[0] for c in corners], [c[1] for c in corners]
        x_deg, y_deg = apply(matrix, sum(xs) / len(xs), sum(ys) / len(ys))
        extent = max(max(xs) - min(xs), max(ys) - min(ys), 40.0) * scale_of(matrix)
        if self.window.wall.panes:
            rect = self.window.wall.panes[0].picture_rect
            scale = min(rect.width(), rect.height()) / (4.0 * extent)
            self.window.stage.set_view(View(x_deg, y_deg, min(scale, 8 / scale_of(matrix))))


__all__ = ["Places"]

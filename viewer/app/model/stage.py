"""What the window shows just now: scene, clips, selection, way of looking, tool, time.  Not part of the document."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from PySide6.QtCore import QObject, Signal

from viewer.app.model.document import Document
from viewer.app.model.geometry import Placement, Size, View, place
from viewer.session.model import Clip, Note, Region, Rendering, Scene, Session

Look = Literal["side", "split", "blink", "over", "difference"]
MOST_PANES = 6


@dataclass(frozen=True)
class Chosen:
    """What is selected: a kind (``region``, ``note``, ``clip``, ``scene``, ``device``) and an id."""

    kind: str = ""
    id: str = ""


class Stage(QObject):
    """The state of the window that is no part of the session.  Views read it and call its setters."""

    scene_changed = Signal()
    clips_changed = Signal()
    chosen_changed = Signal()
    look_changed = Signal()
    view_changed = Signal()
    tool_changed = Signal()
    sizes_changed = Signal()
    trouble_changed = Signal()

    def __init__(self, document: Document, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.document = document
        self.scene_id: str | None = None
        self.clip_ids: tuple[str, ...] = ()
        self.second_id: str | None = None
        self.chosen = Chosen()
        self.look: Look = "side"
        self.rendering: Rendering = "as_filmed"
        self.tool = "select"
        self.view = View()
        self.fitted = True
        self.split = 0.5
        self.clipped_marks = False
        self.circle_dim = False
        self.magnifier = False
        self.sizes: dict[str, Size] = {}
        self.trouble: dict[str, str] = {}
        # Matching points being picked: the last one in the reference, and (reference, clip) pairs of each clip, in px.
        self.pair_from: tuple[float, float] | None = None
        self.pairs: dict[str, list[tuple[tuple[float, float], tuple[float, float]]]] = {}
        document.changed.connect(self._follow)

    # --- reading ---

    @property
    def session(self) -> Session:
        """The session now."""
        return self.document.session

    @property
    def scene(self) -> Scene | None:
        """The scene on the wall."""
        return next((scene for scene in self.session.scenes if scene.id == self.scene_id), None)

    @property
    def clips(self) -> tuple[Clip, ...]:
        """The clips on the wall, in order."""
        known = {clip.id: clip for clip in self.session.clips}
        return tuple(known[ident] for ident in self.clip_ids if ident in known)

    @property
    def reference(self) -> Clip | None:
        """The reference clip of the scene."""
        scene = self.scene
        return self.session.reference_of(scene.id) if scene is not None else None

    @property
    def lead(self) -> Clip | None:
        """The clip whose frames are stepped: the selected one on the wall, else the reference, else the first."""
        clips = self.clips
        if self.chosen.kind == "clip":
            for clip in clips:
                if clip.id == self.chosen.id:
                    return clip
        reference = self.reference
        for clip in clips:
            if reference is not None and clip.id == reference.id:
                return clip
        return clips[0] if clips else None

    @property
    def pair(self) -> tuple[Clip, Clip] | None:
        """The two clips of split, blink, laid over and difference."""
        clips = self.clips
        if len(clips) < 2:
            return None
        reference = self.reference
        first = next((clip for clip in clips if reference is not None and clip.id == reference.id), clips[0])
        others = [clip for clip in clips if clip.id != first.id]
        second = next((clip for clip in others if clip.id == self.second_id), others[0])
        return first, second

    @property
    def region(self) -> Region | None:
        """The selected region."""
        if self.chosen.kind != "region":
            return None
        return next((region for region in self.session.regions if region.id == self.chosen.id), None)

    @property
    def note(self) -> Note | None:
        """The selected note."""
        if self.chosen.kind != "note":
            return None
        return next((note for note in self.session.notes if note.id == self.chosen.id), None)

    def placement(self, clip: Clip) -> Placement:
        """Return where a clip lies in the view."""
        return place(self.session, clip, self.sizes)

    # --- setting ---

    def show_scene(self, ident: str | None) -> None:
        """Put the clips of a scene on the wall: of every device its first usable take."""
        session = self.session
        if ident is not None and all(scene.id != ident for scene in session.scenes):
            ident = None
        self.scene_id = ident
        clips: list[str] = []
        if ident is not None:
            seen: set[str | None] = set()
            for clip in session.clips_of(ident):
                if clip.device not in seen:
                    seen.add(clip.device)
                    clips.append(clip.id)
            if not clips:
                clips = [clip.id for clip in session.clips_of(ident, role=None)]
        self.clip_ids = tuple(clips[:MOST_PANES])
        if self.chosen.kind in ("region", "note", "clip"):
            self.chosen = Chosen()
        self.fitted = True
        if self.pair is None:
            self.look = "side"
        self.scene_changed.emit()
        self.clips_changed.emit()
        self.look_changed.emit()
        self.chosen_changed.emit()

    def show_clips(self, idents: tuple[str, ...]) -> None:
        """Put these clips on the wall."""
        self.clip_ids = tuple(dict.fromkeys(idents))[:MOST_PANES]
        if self.pair is None and self.look != "side":
            self.look = "side"
            self.look_changed.emit()
        self.clips_changed.emit()

    def swap_take(self, clip: Clip) -> None:
        """Show this take in the pane of its device."""
        if clip.scene != self.scene_id:
            self.show_scene(clip.scene)
        kept = [c.id for c in self.clips]
        place_of = next((n for n, c in enumerate(self.clips) if c.device == clip.device and c.role == clip.role), None)
        if clip.id not in kept:
            if place_of is None:
                kept = [*kept, clip.id][-MOST_PANES:]
            else:
                kept[place_of] = clip.id
        self.show_clips(tuple(kept))
        self.choose("clip", clip.id)

    def choose(self, kind: str = "", ident: str = "") -> None:
        """Select one thing, or nothing."""
        chosen = Chosen(kind, ident)
        if chosen != self.chosen:
            self.chosen = chosen
            self.chosen_changed.emit()

    def set_look(self, look: Look) -> None:
        """Choose the way to look."""
        if look != "side" and self.pair is None:
            look = "side"
        self.look = look
        self.look_changed.emit()

    def set_rendering(self, rendering: Rendering) -> None:
        """Choose the rendering of every pane."""
        self.rendering = rendering
        self.look_changed.emit()

    def set_flag(self, name: str, on: bool) -> None:
        """Set `clipped_marks`, `circle_dim` or `magnifier`."""
        setattr(self, name, on)
        self.look_changed.emit()

    def next_second(self) -> None:
        """Take the next clip as the second of the pair."""
        pair = self.pair
        if pair is None:
            return
        others = [clip.id for clip in self.clips if clip.id != pair[0].id]
        self.second_id = others[(others.index(pair[1].id) + 1) % len(others)]
        self.look_changed.emit()

    def set_view(self, view: View, *, fitted: bool = False) -> None:
        """Show another part of the world."""
        self.fitted = fitted
        if view != self.view:
            self.view = view
            self.view_changed.emit()

    def set_split(self, share: float) -> None:
        """Move the split line to a share of the pane's width."""
        self.split = min(0.98, max(0.02, share))
        self.view_changed.emit()

    def set_tool(self, tool: str) -> None:
        """Choose what the pointer draws."""
        if tool != self.tool:
            self.tool = tool
            if tool != "pair":
                self.pair_from = None
                self.pairs.clear()
            self.tool_changed.emit()

    def set_size(self, clip_id: str, size: Size) -> None:
        """Note the picture size of a clip that was opened."""
        if self.sizes.get(clip_id) != size:
            self.sizes[clip_id] = size
            self.sizes_changed.emit()

    def set_trouble(self, clip_id: str, words: str | None) -> None:
        """Mark a clip that cannot be read, or clear the mark."""
        if words is None:
            if self.trouble.pop(clip_id, None) is None:
                return
        elif self.trouble.get(clip_id) == words:
            return
        else:
            self.trouble[clip_id] = words
        self.trouble_changed.emit()

    def _follow(self, before: Session, now: Session) -> None:
        if before.id != now.id:
            self.trouble.clear()
            self.sizes.clear()
            self.chosen = Chosen()
            self.show_scene(now.scenes[0].id if now.scenes else None)
            return
        if self.scene_id is None or self.scene is None:
            if now.scenes or self.scene_id is not None:
                self.show_scene(now.scenes[0].id if now.scenes else None)
            return
        alive = {clip.id for clip in now.clips}
        kept = tuple(ident for ident in self.clip_ids if ident in alive)
        mine = [c for c in now.clips_of(self.scene_id)]
        had = {c.device for c in self.clips}
        was = {clip.id for clip in before.clips}
        fresh = []
        for clip in mine:
            if clip.id not in was and clip.device not in had:
                had.add(clip.device)
                fresh.append(clip.id)
        if kept != self.clip_ids or fresh:
            self.show_clips((*kept, *fresh))
        if (self.chosen.kind == "region" and self.region is None) or (self.chosen.kind == "note" and self.note is None):
            self.choose()
        if self.chosen.kind == "clip" and self.chosen.id not in alive:
            self.choose()


def with_reference(session: Session, scene_id: str, clip_id: str) -> Session:
    """Return the session with another reference clip; poses measured against the old one no longer hold.

    Regions and notes are carried into the new reference's pixels by the pose that was known, so that they stay on what
    they mark.
    """
    import numpy as np

    scene, clip = session.scene(scene_id), session.clip(clip_id)
    old = session.reference_of(scene_id)
    changed = session.put(replace(scene, reference_clip=clip_id))
    if old is None or old.id == clip_id:
        return changed
    if clip.pose is not None:
        pose = clip.pose

        def carry(kind: str, geometry: tuple[float, ...]) -> tuple[float, ...]:
            if kind in ("arrow", "line"):
                points = pose.to_clip(np.array(geometry).reshape(-1, 2))
                return tuple(float(v) for v in points.ravel())
            x, y = (float(v) for v in pose.to_clip(np.array([geometry[:2]]))[0])
            if len(geometry) == 4:
                w, h = geometry[2] / pose.scale, geometry[3] / pose.scale
                mid = pose.to_clip(np.array([[geometry[0] + geometry[2] / 2, geometry[1] + geometry[3] / 2]]))[0]
                return float(mid[0] - w / 2), float(mid[1] - h / 2), w, h
            return x, y

        for region in session.regions_of(scene_id):
            changed = changed.put(replace(region, geometry=carry(region.kind, region.geometry)))
        for note in session.notes:
            if note.scene == scene_id:
                changed = changed.put(replace(note, geometry=carry(note.kind, note.geometry)))
    for other in session.clips:
        if other.scene == scene_id and (other.pose or other.clock):
            changed = changed.put(replace(other, pose=None, clock=None))
    return changed


__all__ = ["MOST_PANES", "Chosen", "Look", "Stage", "with_reference"]

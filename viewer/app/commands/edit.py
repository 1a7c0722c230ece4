"""Undo, redo, remove, rename, copy."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import cast

from viewer.app.commands.base import Commands
from viewer.app.i18n import tr
from viewer.app.model.coverage import KIND_NAMES
from viewer.app.views.ask import ask_choice, ask_text
from viewer.session.model import Region, SceneKind, Session, new_id


class EditCommands(Commands):
    """The Edit menu."""

    def do_undo(self) -> None:
        """Take the last edit back."""
        self.document.undo()

    def do_redo(self) -> None:
        """Make it again."""
        self.document.redo()

    def do_delete(self) -> None:
        """Remove what is selected from the session."""
        chosen, session = self.stage.chosen, self.document.session
        known = {
            "region": {r.id: r.name for r in session.regions},
            "note": {n.id: n.text for n in session.notes},
            "clip": {c.id: c.name for c in session.clips},
            "scene": {s.id: s.name for s in session.scenes},
            "device": {d.id: d.name for d in session.devices},
        }.get(chosen.kind, {})
        if chosen.id not in known:
            return
        changed = session.drop(chosen.id)
        if chosen.kind == "region":
            changed = without_region(changed, chosen.id)
        if chosen.kind == "device":
            changed = replace(changed, verdicts=tuple(v for v in changed.verdicts if chosen.id not in (v.first, v.second)))
        self.document.edit(changed, tr("Remove {name}", name=known[chosen.id]).strip())

    def do_rename(self) -> None:
        """Ask for another name."""
        chosen, session = self.stage.chosen, self.document.session
        region, note = self.stage.region, self.stage.note
        if region is not None:
            self._rename(region.name, lambda text: session.put(replace(region, name=text)))
        elif note is not None:
            self._rename(note.text, lambda text: session.put(replace(note, text=text)), may_be_empty=True)
        elif chosen.kind == "scene":
            scene = session.scene(chosen.id)
            self._rename(scene.name, lambda text: session.put(replace(scene, name=text)))
        else:
            clip = next((c for c in session.clips if c.id == chosen.id), None)
            ident = clip.device if clip is not None else chosen.id
            device = next((d for d in session.devices if d.id == ident), None)
            if device is not None:
                self._rename(device.name, lambda text: session.put(replace(device, name=text)))

    def _rename(self, name: str, change: Callable[[str], Session], *, may_be_empty: bool = False) -> None:
        text = ask_text(self.window, tr("Rename"), tr("Name"), name)
        if text is not None and (text or may_be_empty):
            self.document.edit(change(text), tr("Rename {name}", name=name))

    def do_copy_region(self) -> None:
        """Copy the selected region or note to another scene."""
        item = self.stage.region or self.stage.note
        session = self.document.session
        if item is None:
            return
        scenes = list(session.scenes)
        picked = ask_choice(self.window, tr("Copy to scene"), tr("Scene"), [scene.name for scene in scenes])
        if picked is None:
            return
        prefix = "region" if isinstance(item, Region) else "note"
        copy = replace(item, id=new_id(prefix), scene=scenes[picked].id)
        if isinstance(copy, Region):
            copy = replace(copy, overrides={})
        self.document.edit(session.put(copy), tr("Copy {name}", name=getattr(item, "name", "") or getattr(item, "text", "")))

    def do_scene_kind(self) -> None:
        """Ask for the kind of the scene on the wall."""
        scene = self.stage.scene
        if scene is None:
            return
        kinds: list[SceneKind] = cast("list[SceneKind]", list(KIND_NAMES))
        picked = ask_choice(self.window, tr("Kind of the scene"), scene.name, [tr(KIND_NAMES[kind]) for kind in kinds])
        if picked is not None:
            changed = self.document.session.put(replace(scene, kind=kinds[picked]))
            self.document.edit(changed, tr("Kind of {name}", name=scene.name))

    def do_clip_place(self) -> None:
        """Device, scene, take and role of the selected clip."""
        from viewer.app.views.clip_place import ClipPlaceDialog

        clip = next((c for c in self.document.session.clips if c.id == self.stage.chosen.id), None)
        if clip is not None:
            self.window.show_dialog(ClipPlaceDialog(self.window, clip))

    def do_clear_override(self) -> None:
        """Let the region follow the pose again in every clip."""
        region = self.stage.region
        if region is not None and region.overrides:
            self.document.edit(
                self.document.session.put(replace(region, overrides={})), tr("Let {name} follow the pose", name=region.name)
            )


def without_region(session: Session, region_id: str) -> Session:
    """Return the session with a region taken out of every request; a request left without regions it needs is removed."""
    for request in session.requests:
        if not any(region_id in ids for ids in request.regions.values()):
            continue
        regions = {role: tuple(i for i in ids if i != region_id) for role, ids in request.regions.items()}
        if any(not ids for ids in regions.values()):
            session = session.drop(request.id)
        else:
            session = session.put(replace(request, regions=regions))
    return session


__all__ = ["EditCommands", "without_region"]

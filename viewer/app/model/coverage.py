"""What the coverage shows: for every scene and device the takes, and how far they are."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from viewer.app.i18n import mark, tr, trn
from viewer.app.model.next_steps import needs_lining_up
from viewer.session.model import Clip, Session

OTHERS = ""  # the column of clips that show no device: source, camera, flat, dark

KIND_NAMES = {
    "chart": mark("chart"),
    "screen": mark("screen"),
    "lamps": mark("lamps"),
    "edge": mark("edge"),
    "figure": mark("figure"),
    "other": mark("other"),
}
ROLE_NAMES = {
    "device": mark("device"),
    "source": mark("source alone"),
    "camera": mark("camera alone"),
    "flat": mark("flat field"),
    "dark": mark("dark"),
    "exposure": mark("other exposure"),
}


@dataclass(frozen=True)
class Cell:
    """One cell: its clips in order of take, and what the small marks say."""

    scene: str
    device: str
    clips: tuple[Clip, ...] = ()
    lined_up: bool = False
    measured: bool = False
    out_of_date: bool = False
    trouble: str = ""
    reference: bool = False

    def words(self, session: Session) -> str:
        """Return the cell as a sentence, for tooltips and screen readers."""
        scene = session.scene(self.scene).name
        device = session.device(self.device).name if self.device else tr("clips without a device")
        if not self.clips:
            return tr("{scene}, {device}: no clip. Drop a file here.", scene=scene, device=device)
        parts = [trn("{n} take", "{n} takes", len(self.clips))]
        if self.reference:
            parts.append(tr("reference"))
        if self.lined_up:
            parts.append(tr("lined up"))
        if self.out_of_date:
            parts.append(tr("readings out of date"))
        elif self.measured:
            parts.append(tr("measured"))
        if self.trouble:
            parts.append(self.trouble)
        return f"{scene}, {device}: " + ", ".join(parts)


def columns(session: Session) -> list[str]:
    """Return the device ids across, and `OTHERS` if some clip has no device."""
    ids = [device.id for device in session.devices]
    if any(clip.device is None for clip in session.clips):
        ids.append(OTHERS)
    return ids


def cells(
    session: Session, *, trouble: Mapping[str, str] | None = None, out_of_date: Iterable[str] = ()
) -> dict[tuple[str, str], Cell]:
    """Return every cell by (scene id, device id)."""
    bad, stale_ids = dict(trouble or {}), set(out_of_date)
    loose = {clip.id for clip in needs_lining_up(session)}
    asked = {request.scene for request in session.requests}
    made = {(reading.request, reading.clip) for reading in session.readings}
    stale = {reading.clip for reading in session.readings if reading.id in stale_ids}
    found = {}
    for scene in session.scenes:
        reference = session.reference_of(scene.id)
        requests = [request.id for request in session.requests if request.scene == scene.id]
        for device in columns(session):
            role = None if device == OTHERS else "device"
            clips = tuple(c for c in session.clips_of(scene.id, role=role) if (c.device or OTHERS) == device)  # type: ignore[arg-type]
            if device != OTHERS:
                extra = tuple(c for c in session.clips_of(scene.id, role=None) if c.device == device and c not in clips)
                clips = (*clips, *extra)
            found[scene.id, device] = Cell(
                scene.id,
                device,
                clips,
                lined_up=bool(clips) and device != OTHERS and not any(c.id in loose for c in clips),
                measured=bool(clips)
                and scene.id in asked
                and all((q, c.id) in made for q in requests for c in clips if c.role == "device"),
                out_of_date=any(c.id in stale for c in clips),
                trouble=next((bad[c.id] for c in clips if c.id in bad), ""),
                reference=reference is not None and any(c.id == reference.id for c in clips),
            )
    return found


__all__ = ["KIND_NAMES", "OTHERS", "ROLE_NAMES", "Cell", "cells", "columns"]

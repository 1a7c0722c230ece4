"""What a still is made of: light, place and words of every pane, read from the clips once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from viewer.errors import Cancelled, UsageError, ViewerError
from viewer.publish.moments import Moment, read_moment
from viewer.publish.palette import DeviceStyle, Ground, device_styles
from viewer.publish.rendering import weights
from viewer.publish.view import Angles, Placing, View, angles, chosen_view, combined, placing
from viewer.session.model import Clip, Device, Scene, Session, StillSpec
from viewer.tasks.carry import carried_rect
from viewer.tasks.clip_files import open_session_clip

LEAST_GAIN, MOST_GAIN = 0.05, 20.0


@dataclass(frozen=True, kw_only=True)
class Pane:
    """One clip of a still, before anything is drawn."""

    clip: Clip
    device: Device | None
    light: np.ndarray
    clipped: np.ndarray
    transfer: str
    primaries: str
    moment: Moment
    place: Placing
    gain: float = 1.0
    gain_remark: str = ""
    repeated: bool = False

    def clipped_share(self, view: View) -> float:
        """Return the share of clipped pixels (0..1) within `view`."""
        back = np.linalg.inv(np.vstack([combined(view, 100, self.place), [0, 0, 1]]))[:2]
        corners = back @ np.array([[0, 100, 0, 100], [0, 0, 100 * view.h / view.w, 100 * view.h / view.w], [1, 1, 1, 1]])
        rows, cols = self.clipped.shape
        x0, x1 = (int(np.clip(v, 0, cols)) for v in (corners[0].min(), corners[0].max() + 1))
        y0, y1 = (int(np.clip(v, 0, rows)) for v in (corners[1].min(), corners[1].max() + 1))
        part = self.clipped[y0:y1, x0:x1]
        return float(part.mean()) if part.size else 0.0


@dataclass(frozen=True, kw_only=True)
class Gathered:
    """All panes of a still with what they share."""

    session: Session
    scene: Scene
    spec: StillSpec
    panes: tuple[Pane, ...]
    view: View
    scale: Angles
    troubles: tuple[str, ...] = ()

    def styles(self, ground: Ground) -> dict[str, DeviceStyle]:
        """Return the style of every device of the session on a ground."""
        return device_styles(((device.id, device.control) for device in self.session.devices), ground=ground)


def chosen_clips(session: Session, spec: StillSpec) -> tuple[Clip, ...]:
    """Return the clips of a still: those it names, else the first take of every device."""
    if spec.clips:
        return tuple(session.clip(ident) for ident in spec.clips)
    seen: dict[str | None, Clip] = {}
    for clip in session.clips_of(spec.scene):
        seen.setdefault(clip.device, clip)
    return tuple(seen.values())


def middle_of(session: Session, scene: Scene, folder: Path, *, allow_outside: bool = False) -> float:
    """Return a scene time in the middle of the reference clip, or of the chosen loop."""
    if scene.loop_in_s is not None and scene.loop_out_s is not None:
        return 0.5 * (scene.loop_in_s + scene.loop_out_s)
    reference = session.reference_of(scene.id)
    if reference is None:
        return 0.0
    try:
        with open_session_clip(folder, reference, allow_outside=allow_outside) as clip:
            middle = float(clip.index.times_s[len(clip.index) // 2])
    except ViewerError:
        return 0.0
    return reference.clock.scene_time(middle) if reference.clock else middle


def gather(
    session: Session,
    folder: Path,
    spec: StillSpec,
    *,
    allow_outside: bool = False,
    progress: Callable[[int, int], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> Gathered:
    """Read the panes of a still.  A clip that cannot be read is named in `troubles`; the rest goes on.

    Raises
    ------
    UsageError
        If no clip of the still can be read.
    Cancelled
        On request.
    """
    clips = chosen_clips(session, spec)
    panes: list[Pane] = []
    troubles: list[str] = []
    size = (16, 9)
    reference = session.reference_of(spec.scene)
    for number, entry in enumerate(clips):
        if cancelled and cancelled():
            raise Cancelled
        try:
            with open_session_clip(folder, entry, allow_outside=allow_outside) as reader:
                panes.append(_pane(session, entry, spec, reader, cancelled))
                if not panes[:-1] or (reference and entry.id == reference.id):
                    size = (reader.info.width, reader.info.height)
        except Cancelled:
            raise
        except ViewerError as error:
            troubles.append(str(error))
        if progress:
            progress(number + 1, len(clips))
    if not panes:
        why = troubles[0] if troubles else "it has no clip yet"
        raise UsageError(f"nothing to show in {session.scene(spec.scene).name!r}: {why}")
    device = session.device(reference.device) if reference and reference.device else None
    return Gathered(
        session=session,
        scene=session.scene(spec.scene),
        spec=spec,
        panes=_matched(session, spec, panes),
        view=chosen_view(session, spec.scene, size, spec.settings),
        scale=angles(device, reference.circle if reference else None),
        troubles=tuple(troubles),
    )


def _pane(session: Session, entry: Clip, spec: StillSpec, reader: Any, cancelled: Callable[[], bool] | None) -> Pane:
    moment, light, clipped = read_moment(reader, entry, session, scene_s=spec.time_s, rule=spec.rule, cancelled=cancelled)
    return Pane(
        clip=entry,
        device=session.device(entry.device) if entry.device else None,
        light=light,
        clipped=clipped,
        transfer=reader.info.transfer,
        primaries=reader.info.primaries,
        moment=moment,
        place=placing(session, entry),
        repeated=moment.numbers[0] in getattr(reader.index, "repeats", ()),
    )


def _patch_mean(session: Session, spec: StillSpec, pane: Pane) -> tuple[float, bool]:
    """Return the mean luminance of the patch that brightness is matched on, and whether it holds clipped pixels."""
    rows, cols = pane.clipped.shape
    wanted = str(spec.settings.get("match_region", ""))
    if wanted:
        part = carried_rect(session.region(wanted), pane.clip, (cols, rows), inside=True).slices
    elif pane.clip.circle is not None:
        circle, reach = pane.clip.circle, 0.5 * pane.clip.circle.radius
        part = (
            slice(max(0, round(circle.cy - reach)), max(1, round(circle.cy + reach))),
            slice(max(0, round(circle.cx - reach)), max(1, round(circle.cx + reach))),
        )
    else:
        part = (slice(rows // 4, 3 * rows // 4), slice(cols // 4, 3 * cols // 4))
    light = pane.light[part] @ weights(pane.primaries)
    return float(light.mean()), bool(pane.clipped[part].mean() > 0.01)


def match_words(session: Session, spec: StillSpec) -> str:
    """Return what brightness is matched on."""
    wanted = str(spec.settings.get("match_region", ""))
    return f"region {session.region(wanted).name!r}" if wanted else "the inner half of the field"


def _matched(session: Session, spec: StillSpec, panes: list[Pane]) -> tuple[Pane, ...]:
    """Return the panes with the factor that brings each to the light of the first."""
    from dataclasses import replace

    try:
        means = [_patch_mean(session, spec, pane) for pane in panes]
    except ViewerError as error:
        return tuple(replace(pane, gain_remark=str(error)) for pane in panes)
    target, fresh = means[0][0], []
    for pane, (mean, clipped) in zip(panes, means, strict=True):
        gain = target / mean if mean > 0 and target > 0 else 1.0
        remark = "the patch is clipped" if clipped else ""
        if not LEAST_GAIN <= gain <= MOST_GAIN:
            gain, remark = 1.0, "too unlike to match"
        if pane.transfer != panes[0].transfer:
            remark = "other light curve than the first clip"
        fresh.append(replace(pane, gain=gain, gain_remark=remark))
    return tuple(fresh)


__all__ = ["Gathered", "Pane", "chosen_clips", "gather", "match_words", "middle_of"]

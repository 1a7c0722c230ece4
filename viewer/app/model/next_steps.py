"""What is still missing for a fair comparison, computed from the session: short sentences, most useful first."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from viewer.app.i18n import mark, tr, trn
from viewer.session.model import Clip, Session


@dataclass(frozen=True)
class NextStep:
    """One sentence, the verb that settles it, and where it leads: an action's id and what to select first."""

    text: str
    verb: str
    action: str
    scene: str = ""
    select: tuple[str, str] = ("", "")
    state: str = ""


def needs_lining_up(session: Session) -> list[Clip]:
    """Return the clips that have neither a clock map nor a pose, and are not the reference of their scene."""
    found = []
    for scene in session.scenes:
        reference = session.reference_of(scene.id)
        for clip in session.clips_of(scene.id):
            if reference is None or clip.id == reference.id:
                continue
            if clip.pose is None or (clip.clock is None and scene.common_time):
                found.append(clip)
    return found


def compute(
    session: Session,
    *,
    trouble: Mapping[str, str] | None = None,
    out_of_date: Iterable[str] = (),
    missing: Iterable[str] = (),
    worst: Sequence[tuple[str, str, int]] = (),
) -> list[NextStep]:
    """Return the steps, most useful first; an empty list when nothing is missing.

    `missing` and `trouble` hold clip ids, `out_of_date` ids of readings; `worst` are (scene, device, open comparisons) in the
    order worth filming again (`tasks.repeats.worst_scenes`).
    """
    steps: list[NextStep] = []
    gone, bad, stale = set(missing), dict(trouble or {}), set(out_of_date)
    if gone:
        text = trn("{n} file is missing.", "{n} files are missing.", len(gone))
        steps.append(NextStep(text, tr("Find"), "relink", state="trouble"))
    unreadable = [ident for ident in bad if ident not in gone]
    if unreadable:
        clip = next((c for c in session.clips if c.id == unreadable[0]), None)
        if clip is not None:
            steps.append(
                NextStep(
                    tr("“{name}” cannot be read.", name=clip.name), tr("Show"), "", clip.scene, ("clip", clip.id), "trouble"
                )
            )
    steps += _set_up(session)
    if not session.clips:
        return steps
    steps += _measure(session, stale)
    steps += _fairness(session, worst)
    return steps


def _set_up(session: Session) -> list[NextStep]:
    steps = []
    if not session.clips:
        return [NextStep(tr("No clips yet."), tr("Add clips"), "add_clips")]
    fields = [d for d in session.devices if d.field_deg is None]
    if fields:
        names = ", ".join(device.name for device in fields[:2])
        steps.append(NextStep(tr("Field of view of {names} not stated.", names=names), tr("Enter"), "desk", state="attention"))
    loose = needs_lining_up(session)
    if loose:
        text = trn("{n} clip is not lined up.", "{n} clips are not lined up.", len(loose))
        steps.append(NextStep(text, tr("Line up"), "align", loose[0].scene, state="attention"))
    return steps


def _measure(session: Session, stale: set[str]) -> list[NextStep]:
    steps = []
    if not session.requests:
        scene = next((s for s in session.scenes if session.clips_of(s.id)), None)
        if scene is not None:
            steps.append(NextStep(tr("Nothing is measured yet."), tr("Measure"), "add_measure", scene.id))
        return steps
    made = {(r.request, r.clip) for r in session.readings}
    wanted = [(q.id, c.id) for q in session.requests for c in session.clips_of(q.scene)]
    open_ = [pair for pair in wanted if pair not in made]
    if open_:
        text = trn("{n} measurement not made.", "{n} measurements not made.", len(open_))
        steps.append(NextStep(text, tr("Measure"), "measure", state="attention"))
    if stale:
        text = trn("{n} reading is out of date.", "{n} readings are out of date.", len(stale))
        steps.append(NextStep(text, tr("Measure again"), "measure", state="attention"))
    return steps


SETTINGS = ("shutter_s", "iso", "aperture", "white_balance", "profile", "focal_length_mm")
SETTING_NAMES = {
    "shutter_s": mark("Shutter"),
    "iso": mark("ISO"),
    "aperture": mark("Aperture"),
    "white_balance": mark("White balance"),
    "profile": mark("Profile"),
    "focal_length_mm": mark("Focal length"),
}


def _fairness(session: Session, worst: Sequence[tuple[str, str, int]]) -> list[NextStep]:
    steps = []
    for scene in session.scenes:
        clips = session.clips_of(scene.id)
        for name in SETTINGS:
            values = {getattr(clip.camera, name) for clip in clips} - {None}
            if len(values) > 1:
                text = tr("{what} differs in “{scene}”.", what=tr(SETTING_NAMES[name]), scene=scene.name)
                steps.append(NextStep(text, tr("Compare"), "audit", scene.id, state="attention"))
                break
        have = {clip.device for clip in clips}
        lacking = [d for d in session.devices if d.id not in have]
        if clips and lacking:
            text = tr("{device} is missing in “{scene}”.", device=lacking[0].name, scene=scene.name)
            steps.append(NextStep(text, tr("Add clips"), "add_clips", scene.id))
    if worst:
        steps.append(_film_again(session, *worst[0]))
    elif session.clips and not any(clip.take > 1 for clip in session.clips):
        steps.append(NextStep(tr("No second take: intervals cover one take only."), tr("Add clips"), "add_clips"))
    if session.requests and not session.plan.question:
        steps.append(NextStep(tr("The plan is not written down."), tr("Write"), "plan"))
    if session.clips and not session.interest:
        steps.append(NextStep(tr("The interest line is empty."), tr("Write"), "plan"))
    if session.readings and not session.stills:
        steps.append(NextStep(tr("No still is kept yet."), tr("Keep a still"), "still"))
    return steps


def _film_again(session: Session, scene: str, device: str, count: int) -> NextStep:
    """The mounting that would help most comparisons which cannot be told yet."""
    text = trn(
        "One more take of {device} in “{scene}” would narrow {n} open comparison.",
        "One more take of {device} in “{scene}” would narrow {n} open comparisons.",
        count,
        device=session.device(device).name,
        scene=session.scene(scene).name,
    )
    return NextStep(text, tr("Plan takes"), "repeats", scene)


__all__ = ["SETTINGS", "SETTING_NAMES", "NextStep", "compute", "needs_lining_up"]

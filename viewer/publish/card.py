"""The methods card: one page of what a reader must know, filled from the session; what is missing says so."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from viewer.publish.view import angles
from viewer.publish.words import device_name, percentile_words, sheet_label
from viewer.session.model import Device, Scene, Session
from viewer.tasks.audit import SceneAudit

NOT_STATED = "not stated"
LIMITS = (
    "The results hold for these units and these takes, not for a model or a maker.",
    "All was measured in the recording of a camera behind the eyepiece: camera, lens, mounting and codec are part of it.",
    "Levels are relative to the recording; they compare between clips only at locked camera settings.",
    "Where an interval covers one take only, mounting the device again can change the value by more than the interval.",
)


def shown_scenes(session: Session) -> list[Scene]:
    """Return the scenes that hold a clip of some device; a bench for the camera alone is no comparison."""
    return [scene for scene in session.scenes if session.clips_of(scene.id)]


def card_fields(
    session: Session,
    audits: Sequence[SceneAudit],
    stills: dict[str, list[dict[str, Any]]],
    checks: Sequence[str] = (),
) -> list[dict[str, Any]]:
    """Return the card: ``{"head", "lines"}`` for every field; a field without content says so."""
    plan = session.plan
    fields: list[tuple[str, list[str]]] = [
        ("Question", [plan.question] if plan.question else []),
        ("Claim tested", [plan.claim] if plan.claim else []),
        ("Planned before measuring", [f"yes, {plan.made}"] if plan.made else []),
        ("Changes of plan", list(plan.log) or (["none logged"] if plan.made else [])),
        ("Devices", [_device_line(device) for device in session.devices]),
        ("Samples", [", ".join(f"{d.name}: {_units(d.units_tested)}" for d in session.devices)] if session.devices else []),
        ("Camera settings", _audit_lines(audits)),
        ("Scale", _scale_lines(session)),
        ("Focus", []),
        ("Takes", _take_lines(session)),
        ("Order of takes", []),
        ("Drift of the reference", _drift_lines(session)),
        ("Frames shown", _frame_lines(stills)),
        ("Processing", _processing_lines(stills)),
        ("Checks of footage", list(checks) or ["no footage was published with this card"]),
        ("Interest", [session.interest] if session.interest else []),
        ("Limits", [LIMITS[0], LIMITS[3]]),
    ]
    return [{"head": head, "lines": lines or [NOT_STATED], "blank": not lines} for head, lines in fields]


def _units(count: int) -> str:
    return f"{count} unit" if count == 1 else f"{count} units"


def _device_line(device: Device) -> str:
    sheet = " · ".join(f"{sheet_label(e.quantity)} {e.typed}" for e in device.sheet) or "no data sheet given"
    field = f"field {device.field_deg:g}° stated" if device.field_deg else "field not stated"
    return f"{device_name(device)}: {sheet} · {field}"


def _audit_lines(audits: Sequence[SceneAudit]) -> list[str]:
    """Return what is the same everywhere, then every setting that is not, with its scenes."""
    audits = [audit for audit in audits if audit.clips]
    settings = list(dict.fromkeys(row.label for audit in audits for row in audit.rows))
    whole: dict[str, list[str]] = {}
    mixed: list[str] = []
    for setting in settings:
        rows = [(audit.scene, row) for audit in audits for row in audit.rows if row.label == setting]
        name = setting if setting.split(" ")[0].isupper() else setting[0].lower() + setting[1:]
        name += "*" if any(row.typed for _, row in rows) else ""
        states = {row.state for _, row in rows}
        if len(states) == 1 and not any(row.odd for _, row in rows) and len(rows) == len(audits):
            whole.setdefault(states.pop(), []).append(name)
            continue
        parts = []
        for state in ("different", "unknown", "same"):
            found = [_scene_words(scene, row.odd) for scene, row in rows if row.state == state]
            if found:
                parts.append(f"{state} in {', '.join(found)}")
        mixed.append(f"{name[0].upper()}{name[1:]}: {'; '.join(parts)}")
    lines = [f"{state[0].upper()}{state[1:]} in every scene: {', '.join(whole[state])}" for state in whole]
    return lines + mixed


def _scene_words(scene: str, odd: Sequence[str]) -> str:
    return f"{scene} ({', '.join(odd)})" if odd else scene


def _scale_lines(session: Session) -> list[str]:
    groups: dict[str, list[str]] = {}
    for scene in shown_scenes(session):
        reference = session.reference_of(scene.id)
        device = session.device(reference.device) if reference and reference.device else None
        scale = angles(device, reference.circle if reference else None)
        text = scale.source
        if scale.px_per_degree:
            text = f"{scale.px_per_degree:.2f} px/° in the reference clip, {scale.source}"
        groups.setdefault(text, []).append(scene.name)
    return [f"{', '.join(scenes)}: {text}" for text, scenes in groups.items()]


def _take_lines(session: Session) -> list[str]:
    lines = []
    for scene in shown_scenes(session):
        counts = [(d.name, len(session.clips_of(scene.id, device=d.id))) for d in session.devices]
        lines.append(f"{scene.name}: " + ", ".join(f"{name} {count}" for name, count in counts))
    return lines


def _drift_lines(session: Session) -> list[str]:
    control = {device.id for device in session.devices if device.control}
    repeated = any(len([c for c in session.clips_of(scene.id) if c.device in control]) > 1 for scene in session.scenes)
    return [] if repeated else ["not known: the reference was filmed once a scene"]


def _frame_lines(stills: dict[str, list[dict[str, Any]]]) -> list[str]:
    lines = []
    for facts in (item for group in stills.values() for item in group):
        panes = [f"{pane['device'] or pane['file']} {_frame_words(pane)}" for pane in facts["panes"]]
        lines.append(f"{facts['scene']}, {facts['panes'][0]['rule']}: " + ", ".join(panes))
    return lines


def _frame_words(pane: dict[str, Any]) -> str:
    frames = pane["frames"]
    if len(frames) > 1:
        return f"frames {frames[0]} to {frames[-1]}"
    if pane["level_percentile"] is None:
        return f"frame {frames[0]}"
    level, sharp = (percentile_words(pane[key]).split()[0] for key in ("level_percentile", "sharpness_percentile"))
    return f"frame {frames[0]} (level {level}, sharpness {sharp} percentile)"


def _processing_lines(stills: dict[str, list[dict[str, Any]]]) -> list[str]:
    recipes = dict.fromkeys(facts["recipe"] for group in stills.values() for facts in group)
    return [f"Shown by {recipe}; nothing sharpened, denoised or levelled pane by pane" for recipe in recipes]


def card_text(story: dict[str, Any]) -> str:
    """Return the card as plain text."""
    lines = [story["title"], "=" * len(story["title"]), ""]
    for field in story["card"]:
        lines.append(field["head"])
        lines += [f"  {text}" for text in field["lines"]]
    lines += ["Cautions", *(f"  {text}" for text in story["cautions"]), "Files (SHA-256)"]
    lines += [f"  {item['sha256']}  {item['file']}" for item in story["hashes"]]
    lines += ["", f"Made with {story['program']}. * typed by the user, not read from files.", ""]
    return "\n".join(" ".join(line.split("\n")) for line in lines)


__all__ = ["LIMITS", "NOT_STATED", "card_fields", "card_text", "shown_scenes"]

"""The whole comparison as plain data: what report and card are filled from, so that all forms say the same."""

from __future__ import annotations

import platform
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from viewer import __version__
from viewer.publish import rows as table
from viewer.publish.palette import device_styles
from viewer.publish.view import angles
from viewer.publish.words import (
    CAUTIONS,
    QUANTITIES,
    device_name,
    label,
    percentile_words,
    sheet_label,
    unit_words,
    value_words,
)
from viewer.session.model import Clip, Device, Scene, Session, StoredReading
from viewer.tasks.audit import SceneAudit
from viewer.tasks.session import budgets_of, out_of_date

NOT_STATED = "not stated"
ORDER = {"differs": 0, "no difference beyond error": 1, "cannot tell": 2}
LIMITS = (
    "The results hold for these units and these takes, not for a model or a maker.",
    "All was measured in the recording of a camera behind the eyepiece: camera, lens, mounting and codec are part of it.",
    "Levels are relative to the recording; they compare between clips only at locked camera settings.",
    "Where an interval covers one take only, mounting the device again can change the value by more than the interval.",
)
METHODS: dict[str, str] = {
    "contrast": "Mean linear light of a bright and a dark region, frame by frame, dark level subtracted where one is known.",
    "bloom": "Light around each lamp in rings about its centre, clipped pixels left out, background and neighbours modelled.",
    "flicker": "Every row of a rolling-shutter frame is a sample in time; lines are fitted to rows and frames together.",
    "edge": "Slanted edge in linear light: edge spread by perpendicular distance, its width, and the modulation transfer.",
    "bars": "Modulation of each tri-bar target from the middle thirds of its bars and gaps; resolved or not by statistics.",
    "noise": "Spread of pixels over time and over place in linear light; refused where the encoder removed noise.",
    "figure": "Figure against its surroundings: contrast, contrast to noise, and the signal to noise of its template.",
    "tint": "CIE 1976 u'v' of the mean colour; tint enters no other measure.",
    "ramp": "Steps of the light level found in the clip; only the settled part of each step is measured.",
}


def build(
    session: Session,
    *,
    audits: Sequence[SceneAudit] = (),
    troubles: Sequence[str] = (),
    checks: Sequence[str] = (),
    stills: dict[str, list[dict[str, Any]]] | None = None,
) -> dict[str, Any]:
    """Return the story of a session as plain data (strings, numbers, lists).

    Parameters
    ----------
    audits : sequence of SceneAudit
        One a scene, in session order, as far as made.
    troubles, checks : sequences of str
        What went wrong; what the read-back of footage found.
    stills : dict, optional
        Scene id -> facts of its stills.
    """
    stale = out_of_date(session)
    styles = device_styles(((d.id, d.control) for d in session.devices), ground="light")
    by_scene = {audit.scene: audit for audit in audits}
    scenes = [
        _scene(session, scene, by_scene.get(scene.name), stale, (stills or {}).get(scene.id, [])) for scene in session.scenes
    ]
    return {
        "title": session.title,
        "created": session.created,
        "author": session.author or NOT_STATED,
        "interest": session.interest or NOT_STATED,
        "plan": _plan(session),
        "summary": summary(session),
        "devices": [_device(session, device, styles) for device in session.devices],
        "scenes": scenes,
        "methods": _methods(session),
        "budget": _budget(session),
        "limits": list(LIMITS),
        "cautions": list(CAUTIONS),
        "card": card_fields(session, audits, stills or {}, checks),
        "hashes": [{"file": ref.path.rsplit("/", 1)[-1], "sha256": ref.sha256} for c in session.clips for ref in c.files],
        "troubles": list(troubles),
        "checks": list(checks),
        "program": f"gloaming {__version__}",
        "python": platform.python_version(),
    }


def shown_scenes(session: Session) -> list[Scene]:
    """Return the scenes that hold a clip of some device; a bench for the camera alone is no comparison."""
    return [scene for scene in session.scenes if session.clips_of(scene.id)]


def _plan(session: Session) -> dict[str, Any]:
    plan = session.plan
    return {
        "question": plan.question or NOT_STATED,
        "claim": plan.claim or NOT_STATED,
        "made": plan.made or NOT_STATED,
        "log": list(plan.log),
    }


def principal_names() -> set[str]:
    """Return the readings that carry a comparison."""
    return {name for group in table.PRINCIPAL.values() for item in group for name in item.split("|")}


def summary(session: Session, *, most: int = 12) -> list[dict[str, str]]:
    """Return the sentences of the verdicts, differences first; each as the verdict says it, nothing added."""
    gone = out_of_date(session)
    stale = {(r.request, r.name, r.of) for r in session.readings if r.id in gone}
    names = {scene.id: scene.name for scene in session.scenes}
    scene_of = {request.id: names.get(request.scene, "") for request in session.requests}
    principal = principal_names()
    spoken = [v for v in session.verdicts if v.name in principal] or list(session.verdicts)
    spoken.sort(key=lambda v: ORDER.get(v.word, 3))
    # Every scene has its say: the first sentences of each come before the later ones of any.
    turn: dict[str, int] = {}
    ranks = []
    for v in spoken:
        scene = scene_of.get(v.request, "")
        ranks.append(turn.get(scene, 0))
        turn[scene] = ranks[-1] + 1
    chosen = sorted(range(len(spoken)), key=lambda n: (ranks[n], n))[:most]
    spoken = [spoken[n] for n in sorted(chosen)]
    return [
        {
            "word": v.word,
            "scene": scene_of.get(v.request, ""),
            "sentence": v.sentence + (" (out of date)" if (v.request, v.name, v.of) in stale else ""),
        }
        for v in spoken
    ]


def _device(session: Session, device: Device, styles: dict[str, Any]) -> dict[str, Any]:
    style = styles[device.id]
    return {
        "name": device_name(device),
        "colour": style.colour,
        "marker": style.marker,
        "hollow": style.hollow,
        "control": device.control,
        "units": device.units_tested,
        "field": f"{device.field_deg:g}° (stated)" if device.field_deg else NOT_STATED,
        "objective": f"{device.objective_mm:g} mm" if device.objective_mm else NOT_STATED,
        "sheet": [
            {
                "quantity": sheet_label(e.quantity),
                "typed": e.typed,
                # What was typed mostly holds its unit already.
                "unit": e.unit if e.unit != "1" and not any(char.isalpha() for char in e.typed) else "",
                "condition": e.condition or NOT_STATED,
                "source": e.source or NOT_STATED,
            }
            for e in device.sheet
        ],
        "note": device.note,
    }


def _clips(session: Session, scene: str) -> list[Clip]:
    return list(session.clips_of(scene))


def _scene(
    session: Session, scene: Scene, audit: SceneAudit | None, stale: set[str], stills: list[dict[str, Any]]
) -> dict[str, Any]:
    clips = _clips(session, scene.id)
    names = {d.id: d.name for d in session.devices}
    requests = {request.id for request in session.requests if request.scene == scene.id}
    verdicts = sorted((v for v in session.verdicts if v.request in requests), key=lambda v: ORDER.get(v.word, 3))
    return {
        "id": scene.id,
        "name": scene.name,
        "kind": scene.kind,
        "note": scene.note,
        "distance": f"{scene.distance_m:g} m" if scene.distance_m else NOT_STATED,
        "columns": [_column(names, clip) for clip in clips],
        "rows": _table(session, scene.id, clips, stale),
        "verdicts": [{"word": v.word, "sentence": v.sentence, "principal": v.name in principal_names()} for v in verdicts],
        "alignment": [_alignment(session, clip, names) for clip in clips],
        "audit": [asdict(row) for row in audit.rows] if audit else [],
        "regions": [
            {"letter": mark.letter, "name": mark_words(mark), "kind": mark.regions[0].kind}
            for mark in table.marks(session, scene.id)
        ],
        "stills": stills,
        "refusals": _refusals(session, scene.id, clips, names),
    }


def mark_words(mark: table.Mark) -> str:
    """Return what a letter stands for: ``sill``, or ``36 regions, 0.03125/v to 0.2227/h``."""
    first, last = mark.regions[0].name, mark.regions[-1].name
    return f"{len(mark.regions)} regions, {first} to {last}" if mark.group else first


def _column(names: dict[str, str], clip: Clip) -> str:
    return f"{names.get(clip.device or '', clip.name)}, take {clip.take}"


def _table(session: Session, scene: str, clips: Sequence[Clip], stale: set[str]) -> list[dict[str, Any]]:
    """Return every reading of the scene as rows over clips."""
    made: list[dict[str, Any]] = []
    marks = table.letters(session, scene)
    for request in session.requests:
        if request.scene != scene:
            continue
        mine = [r for r in session.readings if r.request == request.id]
        keys = list(dict.fromkeys((r.name, r.of) for r in mine))
        idents = [ident for group in request.regions.values() for ident in group if ident in marks]
        for name, of in keys:
            cells = [_cell(next((r for r in mine if (r.name, r.of, r.clip) == (name, of, c.id)), None), stale) for c in clips]
            unit = next((r.unit for r in mine if (r.name, r.of) == (name, of)), "")
            made.append(
                {
                    "measure": request.measure,
                    "label": label(name),
                    "principal": name in principal_names(),
                    "of": of,
                    "letters": "/".join(dict.fromkeys(marks[i] for i in idents)),
                    "unit": unit_words(unit),
                    "cells": cells,
                }
            )
    return made


def _cell(reading: StoredReading | None, stale: set[str]) -> dict[str, Any]:
    if reading is None:
        return {"state": "none", "value": "", "rest": "not measured", "flags": []}
    value, rest = value_words(reading)
    flags = [*reading.flags, *(["out of date"] if reading.id in stale else [])]
    return {"state": reading.state, "value": value, "rest": rest, "flags": flags, "reason": reading.reason or ""}


def _refusals(session: Session, scene: str, clips: Sequence[Clip], names: dict[str, str]) -> list[str]:
    requests = {request.id for request in session.requests if request.scene == scene}
    by_id = {clip.id: clip for clip in clips}
    reasons: dict[tuple[str, str], list[str]] = {}
    for r in session.readings:
        if r.request in requests and r.reason and r.clip in by_id:
            reasons.setdefault((_column(names, by_id[r.clip]), r.reason), []).append(label(r.name).lower())
    return [f"{where}, {', '.join(dict.fromkeys(what))}: {why}" for (where, why), what in reasons.items()]


def _alignment(session: Session, clip: Clip, names: dict[str, str]) -> dict[str, str]:
    clock, pose = clip.clock, clip.pose
    reference = session.reference_of(clip.scene)
    is_reference = reference is not None and reference.id == clip.id
    device = session.device(clip.device) if clip.device else None
    scale = angles(device, clip.circle)
    time = "reference" if is_reference else "not lined up"
    if clock is not None and not is_reference:
        time = f"{clock.offset_s:+.4f} s by {clock.sync_by}"
        if clock.residual_s is not None:
            time += f", residual {1000 * clock.residual_s:.2f} ms"
    place = "reference" if is_reference else "not lined up"
    if pose is not None and not is_reference:
        place = f"×{pose.scale:.4f}, {pose.rotation_deg:+.2f}° by {pose.pose_by}"
        if pose.residual_px is not None:
            place += f", residual {pose.residual_px:.2f} px"
    return {
        "clip": clip.name,
        "column": _column(names, clip),
        "time": time,
        "place": place,
        "scale": f"{scale.px_per_degree:.2f} px/° ({scale.source})" if scale.px_per_degree else scale.source,
    }


def _methods(session: Session) -> list[dict[str, Any]]:
    """Return the measures in use: how each is made, and what its readings mean."""
    used = list(dict.fromkeys(request.measure for request in session.requests))
    made = []
    for measure in used:
        idents = {request.id for request in session.requests if request.measure == measure}
        names = list(dict.fromkeys(r.name.removesuffix("_deg") for r in session.readings if r.request in idents))
        meanings = [
            {"label": QUANTITIES[name].label, "meaning": QUANTITIES[name].meaning} for name in names if name in QUANTITIES
        ]
        stated = list(dict.fromkeys(r.method for r in session.readings if r.request in idents and r.method))
        made.append({"measure": measure, "method": METHODS.get(measure, ""), "meanings": meanings, "stated": stated[:6]})
    return made


def _budget(session: Session) -> list[dict[str, str]]:
    """Return where the error of each compared reading comes from."""
    made = []
    for (_, name, of), per_device in budgets_of(session).items():
        if name not in principal_names():
            continue
        for ident, (budget, unit, _) in per_device.items():
            if budget is None:
                continue
            half = budget.half_width()
            sources = "; ".join(f"{part.source} {part.sigma:.2g}" for part in budget.components)
            made.append(
                {
                    "reading": f"{label(name)} of {of}",
                    "device": session.device(ident).name,
                    "takes": str(budget.takes),
                    "sources": sources,
                    "half": f"±{half:.2g} {unit_words(unit)}".strip(),
                    "wording": budget.wording,
                }
            )
    return made


# --- the card ------------------------------------------------------------------------------------------------------


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
        ("Samples", [f"{d.name}: {d.units_tested} unit{'s' if d.units_tested != 1 else ''}" for d in session.devices]),
        ("Camera settings", [_audit_line(audit) for audit in audits if audit.clips]),
        ("Scale", _scale_lines(session)),
        ("Focus", []),
        ("Takes", _take_lines(session)),
        ("Order of takes", []),
        ("Drift of the reference", _drift_lines(session)),
        ("Frames shown", _frame_lines(stills)),
        ("Processing", _processing_lines(stills)),
        ("Checks of footage", list(checks)),
        ("Interest", [session.interest] if session.interest else []),
        ("Limits", [LIMITS[0], LIMITS[3]]),
    ]
    return [{"head": head, "lines": lines or [NOT_STATED], "blank": not lines} for head, lines in fields]


def _device_line(device: Device) -> str:
    sheet = " · ".join(f"{sheet_label(e.quantity)} {e.typed}" for e in device.sheet) or "no data sheet given"
    field = f"field {device.field_deg:g}° stated" if device.field_deg else "field not stated"
    return f"{device_name(device)}: {sheet} · {field}"


def _audit_line(audit: SceneAudit) -> str:
    parts = []
    for state in ("same", "different", "unknown"):
        found = [row for row in audit.rows if row.state == state]
        if found:
            parts.append(f"{state}: " + ", ".join(_row_words(row) for row in found))
    return f"{audit.scene}. " + "; ".join(parts)


def _row_words(row: Any) -> str:
    marks = ("*" if row.typed else "") + (f" ({', '.join(row.odd)})" if row.odd else "")
    name = row.label if row.label.isupper() else row.label[0].lower() + row.label[1:]
    return f"{name}{marks}"


def _scale_lines(session: Session) -> list[str]:
    lines = []
    for scene in shown_scenes(session):
        reference = session.reference_of(scene.id)
        device = session.device(reference.device) if reference and reference.device else None
        scale = angles(device, reference.circle if reference else None)
        if scale.px_per_degree:
            lines.append(f"{scene.name}: {scale.px_per_degree:.2f} px/° in the reference clip, {scale.source}")
        else:
            lines.append(f"{scene.name}: {scale.source}")
    return lines


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


__all__ = ["NOT_STATED", "build", "card_fields", "card_text", "principal_names", "shown_scenes", "summary"]

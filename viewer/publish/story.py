"""The whole comparison as plain data: what report and card are filled from, so that all forms say the same."""

from __future__ import annotations

import platform
import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from viewer import __version__
from viewer.measure.names import base_of
from viewer.publish import rows as table
from viewer.publish.advice import repeats_words
from viewer.publish.card import LIMITS, NOT_STATED, card_fields, card_text, shown_scenes
from viewer.publish.compared import MANY, budget_table, moment_words, of_words, principal_names, turns, verdict_table
from viewer.publish.palette import device_styles
from viewer.publish.view import angles
from viewer.publish.words import (
    CAUTIONS,
    QUANTITIES,
    device_name,
    label,
    sheet_label,
    unit_words,
    value_words,
)
from viewer.session.model import Clip, Device, Request, Scene, Session, StoredReading, StoredVerdict
from viewer.tasks.audit import SceneAudit
from viewer.tasks.gates import gate_words
from viewer.tasks.session import out_of_date

ORDER = {"differs": 0, "no difference beyond error": 1, "cannot tell": 2}
METHODS: dict[str, str] = {
    "contrast": "Mean linear light of a bright and a dark region, frame by frame, dark level subtracted where one is known.",
    "bloom": "Light around each lamp in rings about its centre, clipped pixels left out, background and neighbours modelled.",
    "flicker": "Every row of a rolling-shutter frame is a sample in time; lines are fitted to rows and frames together.",
    "edge": "Slanted edge in linear light: edge spread by perpendicular distance, its width, and the modulation transfer.",
    "bars": "Modulation of each tri-bar target from the middle thirds of its bars and gaps; resolved or not by statistics.",
    "noise": "Spread of pixels over time and over place in linear light; refused where the encoder removed noise.",
    "figure": "Figure against its surroundings: contrast, contrast-to-noise, and the signal to noise of its template.",
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
        _scene(session, scene, by_scene.get(scene.name), stale, (stills or {}).get(scene.id, []), gate_words(session))
        for scene in shown_scenes(session)
    ]
    return {
        "title": session.title,
        "created": session.created,
        "author": session.author or NOT_STATED,
        "interest": session.interest or NOT_STATED,
        "plan": _plan(session),
        "summary": summary(session),
        "counts": verdict_counts(session),
        "repeats": repeats_words(session),
        "devices": [_device(session, device, styles) for device in session.devices],
        "scenes": scenes,
        "methods": _methods(session),
        "budget": budget_table(session),
        "limits": list(LIMITS),
        "cautions": list(CAUTIONS),
        "card": card_fields(session, audits, stills or {}, checks),
        "hashes": [{"file": ref.path.rsplit("/", 1)[-1], "sha256": ref.sha256} for c in session.clips for ref in c.files],
        "troubles": list(troubles),
        "checks": list(checks),
        "program": f"gloaming {__version__}",
        "python": platform.python_version(),
    }


def _plan(session: Session) -> dict[str, Any]:
    plan = session.plan
    return {
        "question": plan.question or NOT_STATED,
        "claim": plan.claim or NOT_STATED,
        "made": plan.made or NOT_STATED,
        "log": list(plan.log),
    }


def summary(session: Session, *, most: int = 15) -> list[dict[str, str]]:
    """Return the sentences of the verdicts scene by scene; each as the verdict says it, nothing added.

    Readings that carry a comparison speak, each once before any speaks twice.  Of every scene a difference comes first, then
    a pair that shows none or cannot be told, and so on in turn: a summary of differences alone would mislead.
    """
    gone = out_of_date(session)
    stale = {(r.request, r.name, r.of) for r in session.readings if r.id in gone}
    requests = {request.id: request for request in session.requests}
    order = {scene.id: place for place, scene in enumerate(session.scenes)}
    names = principal_names() - set(MANY)
    spoken = [v for v in session.verdicts if v.name in names] or list(session.verdicts)
    # What only one device shows at all says more than how much two differ.
    spoken.sort(key=lambda v: (ORDER.get(v.word, 3), v.difference is not None))
    ranks = turns(spoken, lambda v: (requests[v.request].scene, v.name, v.of))
    spoken = [spoken[n] for n in sorted(range(len(spoken)), key=lambda n: (ranks[n], n))]
    ranks = turns(spoken, lambda v: (requests[v.request].scene, v.word == "differs"))
    places = [rank if v.word == "differs" else rank + 0.5 for rank, v in zip(ranks, spoken, strict=True)]
    chosen = [spoken[n] for n in sorted(range(len(spoken)), key=lambda n: (places[n], n))[:most]]
    chosen.sort(key=lambda v: (order.get(requests[v.request].scene, 0), ORDER.get(v.word, 3)))
    return [
        {
            "word": v.word,
            "scene": _where(session, requests[v.request]),
            "sentence": _spoken(session, requests[v.request], v)
            + (" (out of date)" if (v.request, v.name, v.of) in stale else ""),
        }
        for v in chosen
    ]


def _spoken(session: Session, request: Request, verdict: StoredVerdict) -> str:
    """Return a verdict's sentence for a list: objects by their names, and without what is true of all and said below it."""
    sentence = re.sub(r"; \d+ comparisons allowed for", "", verdict.sentence)
    if verdict.of and f" of {verdict.of}:" in sentence:
        return sentence.replace(f" of {verdict.of}:", f" of {of_words(session, request, verdict.of, moment=False)}:", 1)
    return sentence


def _where(session: Session, request: Request) -> str:
    moment = moment_words(session, request)
    scene = session.scene(request.scene).name
    return f"{scene}, {moment}" if moment else scene


def verdict_counts(session: Session) -> str:
    """Return how many verdicts there are of each kind, so that a choice of sentences hides none."""
    if not session.verdicts:
        return ""
    counts = {word: sum(v.word == word for v in session.verdicts) for word in ORDER}
    compared = sum(v.difference is not None for v in session.verdicts)
    return (
        f"{len(session.verdicts)} pairs of readings were compared: {counts['differs']} differ, "
        f"{counts['no difference beyond error']} show no difference beyond error, {counts['cannot tell']} cannot be told. "
        f"All stand under their scenes. The words allow for {compared} comparisons made at once."
    )


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
    session: Session,
    scene: Scene,
    audit: SceneAudit | None,
    stale: set[str],
    stills: list[dict[str, Any]],
    gates: Mapping[str, Sequence[str]],
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
        "compared": verdict_table(session, scene.id),
        "gates": [sentence for ident, told in gates.items() if ident in requests for sentence in told],
        "alignment": [_alignment(session, clip, names) for clip in clips],
        "audit": [asdict(row) for row in audit.rows] if audit else [],
        "settings": _settings(audit) if audit else [],
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
            found = {r.clip: r for r in mine if (r.name, r.of) == (name, of)}
            # A further line of light was looked for wherever the first one was.
            looked = {r.clip for r in mine if r.name == name and "/line-" in of and r.of == of.split("/line-")[0]}
            cells = [_cell(found.get(c.id), stale, "none found" if c.id in looked else "not measured") for c in clips]
            unit = next((r.unit for r in mine if (r.name, r.of) == (name, of)), "")
            made.append(
                {
                    "measure": request.measure,
                    "label": label(name),
                    "principal": name in principal_names(),
                    "many": name in MANY,
                    "of": of_words(session, request, of),
                    "letters": "/".join(dict.fromkeys(marks[i] for i in idents)),
                    "unit": unit_words(unit),
                    "cells": cells,
                }
            )
    return made


def _cell(reading: StoredReading | None, stale: set[str], missing: str) -> dict[str, Any]:
    if reading is None:
        return {"state": "none", "value": "", "rest": missing, "flags": []}
    value, rest = value_words(reading)
    flags = [*reading.flags, *(["out of date"] if reading.id in stale else [])]
    return {"state": reading.state, "value": value, "rest": rest, "flags": flags, "reason": reading.reason or ""}


def _refusals(session: Session, scene: str, clips: Sequence[Clip], names: dict[str, str]) -> list[str]:
    """Return every reason once: what was refused in which clips, and what to film instead."""
    requests = {request.id for request in session.requests if request.scene == scene}
    by_id = {clip.id: clip for clip in clips}
    whats: dict[tuple[str, str], list[str]] = {}
    for r in session.readings:
        if r.request in requests and r.reason and r.clip in by_id:
            whats.setdefault((r.reason, r.clip), []).append(label(r.name))
    wheres: dict[tuple[str, str], list[str]] = {}
    for (reason, clip), what in whats.items():
        wheres.setdefault((reason, ", ".join(dict.fromkeys(what))), []).append(_column(names, by_id[clip]))
    return [f"{what} ({'; '.join(where)}): {reason}" for (reason, what), where in wheres.items()]


def _settings(audit: SceneAudit) -> list[dict[str, str]]:
    """Return the audit for paper: what is the same in one line, then a line for every setting that is not."""
    made = [{"state": row.state, "label": row.label, "sentence": row.sentence} for row in audit.rows if row.state != "same"]
    same = [row for row in audit.rows if row.state == "same"]
    words = [f"{row.label}{'*' if row.typed else ''} {_value_of(row)}".strip() for row in same]
    first = [{"state": "same", "label": "", "sentence": " · ".join(words)}] if words else []
    return first + sorted(made, key=lambda line: line["state"])


def _value_of(row: Any) -> str:
    """Return the one value of a stated setting; pixels differ a little, so theirs is not one."""
    texts = {text for _, text, source in row.values if source != "pixels"}
    return texts.pop() if len(texts) == 1 else ""


def _alignment(session: Session, clip: Clip, names: dict[str, str]) -> dict[str, str]:
    clock, pose = clip.clock, clip.pose
    reference = session.reference_of(clip.scene)
    is_reference = reference is not None and reference.id == clip.id
    device = session.device(clip.device) if clip.device else None
    scale = angles(device, clip.circle)
    time = "reference" if is_reference else "not lined up"
    if clock is not None and not is_reference:
        error = f" ±{1000 * clock.half_width_s:.2g} ms" if clock.half_width_s is not None else ""
        time = f"{clock.offset_s:+.4f} s{error} by {clock.sync_by}"
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
        names = list(dict.fromkeys(base_of(r.name) for r in session.readings if r.request in idents))
        meanings = [{"label": label(name), "meaning": QUANTITIES[name].meaning} for name in names if name in QUANTITIES]
        stated = list(dict.fromkeys(r.method for r in session.readings if r.request in idents and r.method))
        made.append({"measure": measure, "method": METHODS.get(measure, ""), "meanings": meanings, "stated": stated[:6]})
    return made


__all__ = ["NOT_STATED", "build", "card_fields", "card_text", "principal_names", "shown_scenes", "summary", "verdict_counts"]

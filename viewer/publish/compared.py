"""Readings of several devices side by side, as tables of words: differences pair by pair, and where errors come from."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from itertools import combinations
from typing import Any

from viewer.publish import rows as table
from viewer.publish.words import decimals, label, number, unit_words
from viewer.session.model import Request, Session, StoredVerdict
from viewer.tasks.carry import in_reference
from viewer.tasks.lines import NOTHING, WHOSE
from viewer.tasks.session import budgets_of

# Readings that come by the dozen: they are plotted, and stand in full in the HTML report and in the CSV.
MANY = ("modulation",)


def principal_names() -> set[str]:
    """Return the readings that carry a comparison."""
    return {name for group in table.PRINCIPAL.values() for item in group for name in item.split("|")}


def moment_words(session: Session, request: Request) -> str:
    """Return what tells a request from others of its scene: its light level, else its time where others share its measure."""
    if request.first_s is None or request.last_s is None:
        return ""
    for level in session.scene(request.scene).levels:
        if level.start_s is None or level.end_s is None:
            continue
        if level.start_s - 1e-6 <= request.first_s and request.last_s <= level.end_s + 1e-6:
            return f"{level.value:g} {level.unit}"
    alike = [r for r in session.requests if (r.scene, r.measure) == (request.scene, request.measure)]
    return f"{request.first_s:g} to {request.last_s:g} s" if len(alike) > 1 else ""


def of_words(session: Session, request: Request, of: str, *, moment: bool = True) -> str:
    """Return the object of a reading, and the moment it holds for: ``sill/water, 0.1 mfL``; numbered marks by their names."""
    numbered = re.fullmatch(r"(?:figure|light)-(\d+)", of)
    idents = [ident for group in request.regions.values() for ident in group]
    if numbered and 0 < int(numbered[1]) <= len(idents):
        of = next((region.name for region in session.regions if region.id == idents[int(numbered[1]) - 1]), of)
    when = moment_words(session, request) if moment else ""
    return f"{of}, {when}" if when else of


def verdict_table(session: Session, scene: str) -> dict[str, Any]:
    """Return the verdicts of a scene as a table: one row a reading, one column a pair of devices.

    Returns
    -------
    dict
        ``columns`` (``"Bittern − Heron"``), ``rows``: label, of, many (bool), principal (bool), ``cells``: word, value, rest.
    """
    requests = [request for request in session.requests if request.scene == scene]
    mine = {(v.request, v.name, v.of, v.first, v.second): v for v in session.verdicts}
    present = {ident for key in mine for ident in key[3:] if any(r.id == key[0] for r in requests)}
    pairs = list(combinations([device.id for device in session.devices if device.id in present], 2))
    names = {device.id: device.name for device in session.devices}
    rows = []
    for request in requests:
        keys = list(dict.fromkeys((v.name, v.of) for v in session.verdicts if v.request == request.id))
        for name, of in keys:
            unit = _unit(session, request.id, name)
            cells = [_difference(mine.get((request.id, name, of, a, b)), unit) for a, b in pairs]
            if any(cell["word"] for cell in cells):
                rows.append(
                    {
                        "label": label(name),
                        "of": _line_words([mine.get((request.id, name, of, a, b)) for a, b in pairs])
                        or of_words(session, request, of),
                        "many": name in MANY,
                        "principal": name in principal_names(),
                        "cells": cells,
                    }
                )
    return {"columns": [f"{names[b]} − {names[a]}" for a, b in pairs], "rows": rows}


def _line_words(verdicts: Sequence[StoredVerdict | None]) -> str:
    """Return place and origin of the line of light that all verdicts of a row speak of; empty for other rows."""
    spoken = [verdict for verdict in verdicts if verdict is not None]
    origins = {next((whose for whose in WHOSE.values() if f"({whose})" in v.sentence), "") for v in spoken}
    whose = origins.pop() if len(origins) == 1 else ""
    return f"{spoken[0].of.split('/line-')[0]}, {whose}" if whose else ""


def _unit(session: Session, request: str, name: str) -> str:
    """Return the unit in which a reading is compared."""
    found = next((r for r in session.readings if (r.request, r.name) == (request, name)), None)
    return in_reference(session, found).unit if found is not None else ""


def _difference(verdict: StoredVerdict | None, unit: str) -> dict[str, str]:
    """Return a cell: the verdict's word, the difference, its interval with the unit."""
    if verdict is None:
        return {"word": "", "value": "", "rest": ""}
    if verdict.difference is None and (verdict.word == "differs" or verdict.sentence.endswith(NOTHING)):
        return {"word": verdict.word, "value": "", "rest": "only one shows it"}
    if verdict.difference is None or verdict.low is None or verdict.high is None:
        return {"word": verdict.word, "value": "", "rest": "not measured in both"}
    places = decimals(verdict.difference, 0.5 * (verdict.high - verdict.low))
    sign = "+" if verdict.difference > 0 else ""
    plain = unit_words(unit)
    gap = "" if plain in ("", "°") else " "
    rest = f"{number(verdict.low, places)} to {number(verdict.high, places)}{gap}{plain}"
    return {"word": verdict.word, "value": sign + number(verdict.difference, places), "rest": rest}


def short_verdict(session: Session, verdict: StoredVerdict) -> str:
    """Return a verdict in one line for a moving picture: the same word, difference and interval as its sentence."""
    names = {device.id: device.name for device in session.devices}
    first, second = names.get(verdict.first, "?"), names.get(verdict.second, "?")
    request = session.request(verdict.request)
    unit = _unit(session, verdict.request, verdict.name)
    cell = _difference(verdict, unit)
    head = f"{label(verdict.name)}, {_line_words([verdict]) or of_words(session, request, verdict.of)}"
    if verdict.word == "differs" and cell["value"]:
        way = "higher" if (verdict.difference or 0.0) > 0 else "lower"
        size = cell["value"].lstrip("+−")
        return f"{head}: {second} {way} than {first} by {size} (95 %: {cell['rest']})"
    tail = f" (95 %: {cell['rest']})" if cell["value"] else ""
    return f"{head}: {second} and {first}: {verdict.word}{tail}"


def told_verdicts(session: Session, scene: str, *, most: int) -> list[str]:
    """Return the first verdicts of a scene in short lines; principal readings only.

    Differences come first, and every measure speaks once before any speaks twice.
    """
    order = {"differs": 0, "no difference beyond error": 1, "cannot tell": 2}
    requests = {request.id for request in session.requests if request.scene == scene}
    names = principal_names() - set(MANY)
    mine = [v for v in session.verdicts if v.request in requests and v.name in names and v.difference is not None]
    mine.sort(key=lambda v: order.get(v.word, 3))
    ranks = turns(mine, lambda v: session.request(v.request).measure)
    return [short_verdict(session, mine[n]) for n in sorted(range(len(mine)), key=lambda n: (ranks[n], n))[:most]]


def turns(items: Sequence[Any], group: Callable[[Any], Any]) -> list[int]:
    """Return for each item how many of its group came before it."""
    seen: dict[Any, int] = {}
    ranks = []
    for item in items:
        key = group(item)
        ranks.append(seen.get(key, 0))
        seen[key] = ranks[-1] + 1
    return ranks


def budget_table(session: Session) -> list[dict[str, Any]]:
    """Return where the error of each compared reading comes from: one row a reading, one cell a device."""
    made = []
    for (request, name, of), per_device in budgets_of(session).items():
        if name not in principal_names():
            continue
        cells = [_budget_cell(*per_device[device.id]) if device.id in per_device else "" for device in session.devices]
        if any(cells):
            what = of_words(session, session.request(request), of)
            made.append({"reading": label(name), "of": what, "many": name in MANY, "cells": cells})
    return made


def _budget_cell(budget: Any, why: str, unit: str) -> str:
    if budget is None:
        return ""
    sources = "; ".join(f"{part.source} {part.sigma:.2g}" for part in budget.components)
    return f"±{budget.half_width():.2g} {unit_words(unit)}".strip() + f" ({budget.wording}): {sources}"


__all__ = [
    "MANY",
    "budget_table",
    "moment_words",
    "of_words",
    "principal_names",
    "short_verdict",
    "told_verdicts",
    "turns",
    "verdict_table",
]

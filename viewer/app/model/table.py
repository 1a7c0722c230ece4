"""The readings of a scene as a table: a row for each reading and region, a column for each device."""

# ruff: noqa: E501 - texts and tables

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Container, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Literal

from viewer.app.i18n import number, tr
from viewer.app.model.glossary import MEASURES, is_main, title_of
from viewer.app.model.verdict_words import short_verdicts, typeset
from viewer.app.said import said
from viewer.measure.names import base_of
from viewer.measure.readings import FLAG_WORDS, Flag, Reading
from viewer.session.model import Clip, Session, StoredReading, StoredVerdict

OLD = "out of date"
Sort = Literal["request", "name", "refused", "differs"]


@dataclass(frozen=True)
class TableRow:
    """One reading over all devices, with the verdicts about it."""

    request: str
    measure: str
    name: str
    of: str
    where: str
    cells: tuple[tuple[str, StoredReading | None], ...]  # (clip id, reading)
    verdicts: tuple[StoredVerdict, ...]
    said: tuple[str, ...] = ()  # the verdicts below their row: what the row says already is left out
    gates: tuple[str, ...] = ()  # how fast devices gate against each other

    @property
    def title(self) -> str:
        """The reading in words."""
        return title_of(self.name)


def rows_of(
    session: Session,
    scene: str,
    clips: tuple[Clip, ...],
    *,
    main_only: bool = True,
    words: str = "",
    sort: Sort = "request",
    gates: Mapping[str, Sequence[str]] = MappingProxyType({}),
) -> list[TableRow]:
    """Return the rows; `words` keeps those that hold every word of it (title, region, measure, flags).

    `gates` holds what is said of gates against each other, request by request (`viewer.tasks.gates.gate_words`).
    """
    told: set[str] = set()
    found: dict[tuple[str, str, str], dict[str, StoredReading]] = {}
    requests = {request.id: request for request in session.requests if request.scene == scene}
    for reading in session.readings:
        if reading.request in requests:
            found.setdefault((reading.request, reading.name, reading.of), {})[reading.clip] = reading
    order = {ident: n for n, ident in enumerate(requests)}
    names = {device.id: device.name for device in session.devices}
    rows = []
    for (request_id, name, of), by_clip in sorted(found.items(), key=lambda item: order[item[0][0]]):
        if main_only and not is_main(name):
            continue
        if main_only and f"{name}_deg" in {key[1] for key in found if key[0] == request_id and key[2] == of}:
            continue
        request = requests[request_id]
        judged = (request_id, base_of(name), of)  # devices are compared once, not again in every unit
        verdicts = tuple(v for v in session.verdicts if (v.request, v.name, v.of) == judged)
        row = TableRow(
            request=request_id,
            measure=request.measure,
            name=name,
            of=of,
            where=region_words(session, request_id, of),
            cells=tuple((clip.id, by_clip.get(clip.id)) for clip in clips),
            verdicts=verdicts,
            said=short_verdicts(verdicts, names),
        )
        if request_id not in told and request_id in gates and _own_gate(row):
            told.add(request_id)
            told_here = tuple(typeset(said(text)) for text in gates[request_id])
            row = replace(row, said=(*row.said, *told_here), gates=told_here)
        if all(word in _haystack(row) for word in words.casefold().split()):
            rows.append(row)
    if sort == "name":
        rows.sort(key=lambda row: (row.title, row.where))
    elif sort == "refused":
        rows.sort(key=lambda row: not any(r is not None and r.state == "refused" for _, r in row.cells))
    elif sort == "differs":
        rows.sort(key=lambda row: not any(v.word == "differs" for v in row.verdicts))
    return rows


def _own_gate(row: TableRow) -> bool:
    """Whether a row shows how fast a device gates itself."""
    own = FLAG_WORDS[Flag.OF_TUBE][0]
    return row.name == "modulation_frequency" and any(r is not None and own in r.flags for _, r in row.cells)


def common_reason(row: TableRow) -> str | None:
    """Return why a reading is refused, where it is refused on every clip for the same reason; None else."""
    reasons = {r.reason if r is not None and r.state == "refused" else None for _, r in row.cells}
    return reasons.pop() if len(row.cells) > 1 and len(reasons) == 1 else None


def common_flags(row: TableRow, stale: Container[str] = ()) -> tuple[str, ...]:
    """Return the flags that hold for every clip with a value, to be said once; empty where there is only one.

    `stale` holds the ids of readings that are out of date: that counts as a flag.
    """
    held = [r for _, r in row.cells if r is not None and r.state != "refused"]
    if len(held) < 2:
        return ()
    shared = tuple(f for f in held[0].flags if f not in ("within this take", OLD) and all(f in r.flags for r in held))
    return (*shared, OLD) if all(r.id in stale or OLD in r.flags for r in held) else shared


def lines_of(row: TableRow, stale: Container[str] = ()) -> list[str]:
    """Return the kinds of lines that show a row: title, values or one refusal for all, common flags, verdict."""
    refused = common_reason(row) is not None
    lines = ["title", "refused" if refused else "values"]
    if common_flags(row, stale):
        lines.append("common")
    if row.said and not refused:  # they would only repeat the reason
        lines.append("verdict")
    return lines


def _haystack(row: TableRow) -> str:
    parts = [row.title, row.where, row.of, tr(MEASURES[row.measure][0]), row.name]
    parts += [*row.said, *(v.sentence for v in row.verdicts)]
    for _, reading in row.cells:
        if reading is not None:
            parts += [*reading.flags, *map(tr, reading.flags), reading.reason or "", said(reading.reason)]
    return " ".join(parts).casefold()


def region_words(session: Session, request_id: str, of: str) -> str:
    """Return what was measured by the names that the user gave."""
    request = session.request(request_id)
    regions = {region.id: region for region in session.regions}
    names = {role: [regions[i].name for i in ids if i in regions] for role, ids in request.regions.items()}
    if request.measure == "contrast" and names.get("bright") and names.get("dark"):
        return f"{names['bright'][0]} / {names['dark'][0]}"
    head, _, tail = of.rpartition("-")
    listed = [name for group in names.values() for name in group]
    if head in ("light", "figure", "target", "mark") and tail.isdigit() and 0 < int(tail) <= len(listed):
        return listed[int(tail) - 1]
    if len(listed) == 1:
        return listed[0]
    target = _TARGET.fullmatch(of)
    if target is not None:
        way = tr("upright bars") if target["way"] == "v" else tr("lying bars")
        return f"{number(float(target['lpmm']))} lp/mm, {way}"
    return said(of)


def digits(reading: StoredReading | Reading) -> tuple[str, str, str]:
    """Return value, interval and unit as text, with the digits that the interval deserves."""
    unit = "" if reading.unit == "1" else _UNITS.get(reading.unit) or said(reading.unit)
    if reading.value is None:
        return "", "", unit
    if reading.low is None or reading.high is None or reading.high <= reading.low:
        return number(reading.value), "", unit
    half = 0.5 * (reading.high - reading.low)
    places = max(0, min(6, 1 - math.floor(math.log10(half)))) if half > 0 else 3
    if half >= 2 and places == 1:
        places = 0 if abs(reading.value) >= 100 else 1
    value = number(reading.value, places)
    up, down = reading.high - reading.value, reading.value - reading.low
    if abs(up - down) <= 0.2 * half:
        interval = f"±{number(half, places)}"
    else:
        interval = f"+{number(up, places)} −{number(abs(down), places)}"
    return value, interval, unit


def bound_sign(reading: StoredReading) -> str:
    """Return which side the truth lies on when the value is a bound, as far as the interval tells."""
    if reading.state != "limit" or reading.value is None:
        return ""
    up = None if reading.high is None else reading.high - reading.value
    down = None if reading.low is None else reading.value - reading.low
    if up is None and down is None:
        return "~ "
    if down is None or (up is not None and up > 1.2 * down):
        return "≥ " if up is not None else "≤ "
    if up is None or down > 1.2 * up:
        return "≤ " if up is not None else "≥ "
    return "~ "


_TARGET = re.compile(r"(?P<lpmm>[\d.]+)/(?P<way>[vh])")  # how the bars are named that were measured
_UNITS = {"deg": "°", "us": "µs", "cycles/px": "c/px"}


def flag_hints(words: Iterable[str]) -> list[tuple[str, str]]:
    """Return (word, meaning) for flags, in the user's language."""
    meaning = {word: text for word, text in FLAG_WORDS.values()}
    return [(tr(word), tr(meaning.get(word, ""))) for word in words]


def as_text(rows: list[TableRow], heads: list[str]) -> str:
    """Return the table as tab-separated text, as shown."""
    lines = ["\t".join([tr("Reading"), tr("Region"), tr("Unit"), *heads])]
    for row in rows:
        unit = next((digits(r)[2] for _, r in row.cells if r is not None), "")
        cells = []
        for _, reading in row.cells:
            if reading is None:
                cells.append("")
            elif reading.state == "refused":
                cells.append(said(reading.reason) or tr("refused"))
            else:
                value, interval, _ = digits(reading)
                cells.append(f"{value} {interval}".strip())
        lines.append("\t".join([row.title, row.where, unit, *cells]))
        lines += [f"\t{said(v.sentence)}" for v in row.verdicts]
        lines += [f"\t{sentence}" for sentence in row.gates]
    return "\n".join(lines) + "\n"


def as_csv(session: Session, scene: str) -> str:
    """Return every reading of a scene as CSV with decimal points, a line of units below the heads."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["scene", "device", "take", "clip", "measure", "reading", "of", "region", "value", "low", "high", "unit",
                     "state", "reason", "flags", "frames", "pixels", "method"])  # fmt: skip
    requests = {request.id: request for request in session.requests if request.scene == scene}
    for reading in session.readings:
        if reading.request not in requests:
            continue
        clip = session.clip(reading.clip)
        device = session.device(clip.device).name if clip.device else ""
        writer.writerow(
            [session.scene(scene).name, device, clip.take, clip.name, requests[reading.request].measure, reading.name, reading.of,
             region_words(session, reading.request, reading.of), *("" if v is None else repr(v) for v in (reading.value, reading.low, reading.high)),
             reading.unit, reading.state, reading.reason or "", "; ".join(reading.flags), reading.frames, reading.pixels, reading.method]
        )  # fmt: skip
    return out.getvalue()


__all__ = ["Sort", "TableRow", "as_csv", "as_text", "bound_sign", "common_flags", "common_reason", "digits", "flag_hints", "lines_of", "region_words", "rows_of"]  # fmt: skip

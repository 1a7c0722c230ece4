"""All readings as a table and as a document: the same numbers as on the stills and in the report."""

from __future__ import annotations

import csv
import io
from pathlib import Path

from viewer.session.model import Session
from viewer.tasks.summary import session_result

COLUMNS: tuple[tuple[str, str], ...] = (
    ("scene", "name"),
    ("device", "name"),
    ("take", "number"),
    ("clip", "file name"),
    ("clip_sha256", "hexadecimal"),
    ("measure", "name"),
    ("reading", "name"),
    ("of", "name"),
    ("value", "see unit"),
    ("low", "see unit"),
    ("high", "see unit"),
    ("unit", "unit"),
    ("coverage", "1"),
    ("state", "word"),
    ("reason", "sentence"),
    ("flags", "words"),
    ("frames", "number"),
    ("pixels", "number"),
    ("method", "sentence"),
)


def harmless(text: str) -> str:
    """Return text that a spreadsheet takes for text: a leading sign of a formula gets an apostrophe."""
    return "'" + text if text[:1] in ("=", "+", "-", "@", "\t", "\r") else text


def _number(value: float | None) -> str:
    return "" if value is None else repr(float(value))


def readings_csv(session: Session) -> str:
    """Return all readings as CSV: a row of column names, a row of units, then one row a reading (decimal points)."""
    sink = io.StringIO()
    writer = csv.writer(sink, lineterminator="\n")
    writer.writerow([name for name, _ in COLUMNS])
    writer.writerow([unit for _, unit in COLUMNS])
    for r in session.readings:
        clip, request = session.clip(r.clip), session.request(r.request)
        device = session.device(clip.device).name if clip.device else clip.role
        writer.writerow(
            [
                harmless(session.scene(clip.scene).name),
                harmless(device),
                clip.take,
                harmless(clip.name),
                clip.files[0].sha256 if clip.files else "",
                request.measure,
                r.name,
                harmless(r.of),
                _number(r.value),
                _number(r.low),
                _number(r.high),
                r.unit,
                f"{r.coverage:g}",
                r.state,
                harmless(r.reason or ""),
                "; ".join(r.flags),
                r.frames,
                r.pixels,
                harmless(r.method),
            ]
        )
    return sink.getvalue()


def readings_json(session: Session, folder: Path) -> str:
    """Return all readings and verdicts as a result document (strict JSON)."""
    return session_result(session, folder).dumps()


__all__ = ["COLUMNS", "harmless", "readings_csv", "readings_json"]

"""Answers of readers to a blind reading: read back, joined to the key, held against each other and against the statistics."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from viewer.errors import FileError, UsageError
from viewer.measure.blind import (
    Answer,
    Kappa,
    cohen_kappa,
    limit_by_readers,
    machine_agreement,
    reader_agreement,
    shares,
)
from viewer.measure.errorbudget import coverage_factor
from viewer.measure.patches import Common
from viewer.measure.readings import Reading
from viewer.tasks.blind_stills import Key, json_of, read_key, text_of
from viewer.tasks.document import Result

YES = ("y", "yes", "1", "true", "resolved", "j", "ja")
NO = ("n", "no", "0", "false", "not resolved", "nein")
METHOD = (
    "finest target that at least half of a reader's answers resolve, all coarser ones too; mean of the readers in log frequency"
)


def read_answers(path: Path, count: int) -> list[Answer]:
    """Read a table of answers, CSV (reader, number, resolved) or JSON (a list of the same).

    A table without readers is one reader's: the name of the file stands for them.  Rows without an answer are left out.

    Parameters
    ----------
    path : Path
    count : int
        Stills that were shown.

    Raises
    ------
    FileError
        If the file cannot be read, or an answer is none; the row is named.
    """
    found: dict[tuple[str, int], Answer] = {}
    rows = _json_rows(path) if path.suffix.lower() == ".json" else _csv_rows(path)
    for row, fields in rows:
        said = str(fields.get("resolved") if fields.get("resolved") is not None else "").strip().lower()
        if not said:
            continue
        reader = str(fields.get("reader") or "").strip() or path.stem
        try:
            number = int(str(fields.get("number")).strip())
        except ValueError:
            number = 0
        if not 1 <= number <= count:
            raise FileError(
                f"{fields.get('number')!r} is no number of a still.", where=f"{path}, {row}", hint=f"They go from 1 to {count}."
            )
        if said not in YES + NO:
            raise FileError(f"{said!r} is no answer.", where=f"{path}, {row}", hint="Write y or n.")
        if (reader, number) in found:
            raise FileError(
                f"{reader} answers still {number} twice.", where=f"{path}, {row}", hint="Give readers different names."
            )
        found[reader, number] = Answer(number, reader, said in YES)
    if not found:
        raise FileError("no answer is in the file.", where=str(path), hint="Write y or n into the column resolved.")
    return list(found.values())


def _csv_rows(path: Path) -> Iterator[tuple[str, dict[str, Any]]]:
    text = text_of(path)
    head = text.partition("\n")[0]
    try:
        table = csv.DictReader(io.StringIO(text), delimiter=";" if head.count(";") > head.count(",") else ",")
        names = [str(name).strip().lower() for name in table.fieldnames or ()]
        if not {"number", "resolved"} <= set(names):
            raise FileError("the columns number and resolved are missing.", where=str(path), hint="Fill in the table given.")
        table.fieldnames = names
        for row in table:
            yield f"line {table.line_num}", row
    except csv.Error as error:
        raise FileError(f"the file is no table ({error}).", where=str(path), hint="Save it as CSV.") from error


def _json_rows(path: Path) -> Iterator[tuple[str, dict[str, Any]]]:
    document = json_of(path)
    if isinstance(document, dict):
        document = document.get("answers")
    if not isinstance(document, list) or not all(isinstance(row, dict) for row in document):
        raise FileError("the file holds no list of answers.", where=str(path), hint="Each has reader, number and resolved.")
    for n, row in enumerate(document, 1):
        yield f"answer {n}", row


def blind_result(key_path: Path, paths: Sequence[Path]) -> Result:
    """Return what readers of a blind reading saw, and how well they agree.

    Parameters
    ----------
    key_path : Path
        As `viewer.tasks.blind_stills.write_stills` wrote it.
    paths : sequence of Path
        Tables of answers, of one reader or several each.

    Returns
    -------
    Result
        ``limiting_resolution`` (lp/mm) of each ``NAME by readers``.  Extra ``blind``: ``readers`` {reader: answers}, ``shares``
        {device: {target: [resolved, answers]}}, ``machine_lpmm`` {device: limit}, ``between_readers``, ``with_machine`` and
        ``with_oneself`` (lists of {who, kappa, low, high, equal, pairs}; an interval is null where every answer is alike).

    Raises
    ------
    UsageError
        If no table is given.
    FileError
        If one cannot be read, or two hold answers of one reader to one still.
    """
    if not paths:
        raise UsageError("no answers were given.", hint="Name the filled table with --answers.")
    key = read_key(key_path)
    answers: dict[tuple[str, int], Answer] = {}
    for path in paths:
        for answer in read_answers(path, len(key.trials)):
            if (answer.reader, answer.number) in answers:
                raise FileError(
                    f"{answer.reader} answers still {answer.number} in another table too.",
                    where=str(path),
                    hint="Give readers different names.",
                )
            answers[answer.reader, answer.number] = answer
    said = list(answers.values())
    readers = sorted({answer.reader for answer in said})
    machine = {
        (t.device, t.target): float(t.target.partition("/")[0]) <= key.machine[t.device] * 1.0001
        for t in key.trials
        if t.device in key.machine
    }
    counts = shares(key.trials, said)
    between = [_told(list(pair), kappa) for pair, kappa in reader_agreement(said).items()]
    against = [_told([who, "machine"], kappa) for who, kappa in machine_agreement(key.trials, said, machine).items()]
    alone = [_told([who], kappa) for who in readers if (kappa := _repeated(key, said, who)) is not None]
    warnings = []
    missing = len(key.trials) * len(readers) - len(said)
    if missing:
        warnings.append(f"{missing} stills were left without an answer.")
    if len(readers) < 2:
        warnings.append("one reader only: how far readers differ is not known.")
    if not key.machine:
        warnings.append("the session had no limit of the statistics when the stills were written: measure it first.")
    blind = {
        "readers": {who: sum(answer.reader == who for answer in said) for who in readers},
        "shares": {
            name: {target: list(n) for (device, target), n in sorted(counts.items()) if device == ident}
            for ident, name in sorted(key.devices.items(), key=lambda pair: pair[1])
        },
        "machine_lpmm": {key.devices[ident]: limit for ident, limit in key.machine.items()},
        "between_readers": between,
        "with_machine": against,
        "with_oneself": alone,
    }
    readings = [_limit(key, said, readers, ident) for ident in sorted(key.devices, key=lambda ident: key.devices[ident])]
    return Result(command="bars", readings=tuple(readings), warnings=tuple(warnings), extras={"blind": blind})


def _told(who: list[str], kappa: Kappa) -> dict[str, Any]:
    """Return an agreement as plain data, with its 95 % interval."""
    known = math.isfinite(kappa.sigma)
    return {
        "who": who,
        "kappa": kappa.value,
        "low": max(-1.0, kappa.value - 1.96 * kappa.sigma) if known else None,
        "high": min(1.0, kappa.value + 1.96 * kappa.sigma) if known else None,
        "equal": kappa.equal,
        "pairs": kappa.pairs,
    }


def _repeated(key: Key, answers: Sequence[Answer], reader: str) -> Kappa | None:
    """Agreement of a reader with themselves: first against second showing of the same device and target."""
    place = {trial.number: trial for trial in key.trials}
    seen: dict[tuple[str, str], list[bool]] = {}
    for answer in sorted(answers, key=lambda answer: answer.number):
        if answer.reader == reader:
            trial = place[answer.number]
            seen.setdefault((trial.device, trial.target), []).append(answer.resolved)
    pairs = [values[:2] for values in seen.values() if len(values) >= 2]
    return cohen_kappa([one for one, _ in pairs], [two for _, two in pairs]) if pairs else None


def _limit(key: Key, answers: Sequence[Answer], readers: Sequence[str], device: str) -> Reading:
    """Return the limit that readers see of a device: their mean in log frequency; targets come in steps."""
    found = []
    for reader in readers:
        own: Mapping[tuple[str, str], tuple[int, int]] = shares(key.trials, [a for a in answers if a.reader == reader])
        limit = limit_by_readers(own, device)
        if limit is not None:
            found.append(math.log(limit))
    common = Common(of=f"{key.devices[device]} by readers")
    if not found:
        return common.refusal(
            "limiting_resolution", "No reader resolves the coarsest target: show coarser ones.", "lp/mm", method=METHOD
        )
    shown = sorted({math.log(float(t.target.partition("/")[0])) for t in key.trials if t.device == device})
    step = float(np.median(np.diff(shown))) if len(shown) > 1 else 0.0
    n = len(found)
    # a reader's limit is known to a step; with two readers or more their scatter comes on top
    scatter = float(np.std(found, ddof=1)) / math.sqrt(n) if n > 1 else 0.0
    half = math.hypot(coverage_factor(n - 1.0) * scatter if n > 1 else 0.0, 1.96 * step / math.sqrt(12.0))
    middle = float(np.mean(found))
    value, low, high = (math.exp(middle + side * half) for side in (0.0, -1.0, 1.0))
    return common.reading("limiting_resolution", value, low, high, "lp/mm", method=METHOD)


__all__ = ["blind_result", "read_answers"]

"""Verdicts as they stand below their row in the table: short, and in the user's language."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from viewer.app.i18n import decimal_comma, mark, tr
from viewer.app.said import said
from viewer.measure.names import label_of
from viewer.session.model import StoredVerdict

# A sentence as `viewer.measure.verdict` writes it: values; rest (span; scope)[: advice].
_SENTENCE = re.compile(
    r"(?P<values>[^;]*); (?P<rest>.*?) \((?P<span>[^;()]*); (?P<scope>these units[^()]*)\)(?:: (?P<advice>.*))?\."
)
_RESTS = (
    (re.compile(r"higher by (?P<size>.+)"), mark("{second} against {first}: higher by {size} ({span}).")),
    (re.compile(r"lower by (?P<size>.+)"), mark("{second} against {first}: lower by {size} ({span}).")),
    (
        re.compile(r"no difference beyond error, and none as large as (?P<size>.+)"),
        mark("{second} against {first}: no difference beyond error, and none as large as {size} ({span})."),
    ),
    (re.compile(r"the data decide nothing"), mark("{second} against {first}: the data decide nothing ({span}).")),
)
_SPAN = re.compile(
    r"95 % interval of the difference (?P<low>-?[\d.]+) to (?P<high>-?[\d.]+)(?P<unit>(?: [^ ,]+){1,2})?"
    r"(?P<small>, less than the difference that matters)?"
)
_SCOPE = re.compile(r"these units, (?:these takes|(?P<takes>\d+) takes each)(?:; (?P<many>\d+) comparisons allowed for)?")
ADVICE = (
    mark("film each device again after taking it off the mount: repeats narrow this more than longer clips"),
    mark("more takes would narrow this"),
)


def short_verdicts(verdicts: Sequence[StoredVerdict], names: Mapping[str, str]) -> tuple[str, ...]:
    """Return verdicts without name and values, what they share said once at the end.

    A sentence that is built in another way is left whole, and with it all others of its row.

    Parameters
    ----------
    names : mapping
        Device id -> name.
    """
    lines, shared, advice = [], [], []
    for verdict in verdicts:
        short = _short(verdict, names.get(verdict.first, ""), names.get(verdict.second, ""))
        if short is None:
            return tuple(typeset(said(v.sentence)) for v in verdicts)
        lines.append(short[0])
        shared.append(short[1])
        advice.append(short[2])
    more = [*dict.fromkeys(shared), *(f"{text[:1].upper()}{text[1:]}." for text in dict.fromkeys(advice) if text)]
    return tuple(typeset(text) for text in (*lines, " ".join(more))) if lines else ()


def _short(verdict: StoredVerdict, first: str, second: str) -> tuple[str, str, str] | None:
    """Return (line, scope, advice) of a verdict; None if its sentence is built in another way."""
    head = f"{label_of(verdict.name)} of {verdict.of}: "
    found = _SENTENCE.fullmatch(verdict.sentence.removeprefix(head))
    if not verdict.sentence.startswith(head) or found is None or not found["values"].startswith(f"{second} "):
        return None
    span, scope = _SPAN.fullmatch(found["span"]), _SCOPE.fullmatch(found["scope"])
    rest = found["rest"].removeprefix(f"{second} is ")
    fits = ((pattern.fullmatch(rest), words) for pattern, words in _RESTS)
    held, words = next(((match, words) for match, words in fits if match is not None), (None, ""))
    if span is None or scope is None or held is None:
        return None
    between = tr(
        "95 % interval of the difference {low} to {high}{unit}",
        low=_local(span["low"]), high=_local(span["high"]), unit=said(span["unit"]),
    )  # fmt: skip
    if span["small"]:
        between += tr(", less than the difference that matters")
    line = tr(words, second=second, first=first, span=between, **{key: said(v) for key, v in held.groupdict().items()})
    takes = tr("These units, {n} takes each", n=scope["takes"]) if scope["takes"] else tr("These units, these takes")
    many = "; " + tr("{n} comparisons allowed for", n=scope["many"]) if scope["many"] else ""
    return line, f"{takes}{many}.", tr(found["advice"] or "")


def _local(text: str) -> str:
    return text.replace(".", ",") if decimal_comma() else text


def typeset(text: str) -> str:
    """Return words with true minus signs, and numbers that no line break parts from their unit."""
    return re.sub(r"(?<=\d) (?=%|px|°|Hz|times|comparisons)", "\u00a0", re.sub(r"-(?=\d)", "−", text))


__all__ = ["ADVICE", "short_verdicts", "typeset"]

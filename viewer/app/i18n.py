"""Words and numbers in the user's language.

Texts stand in the code in English.  ``resources/i18n/<language>.json`` maps each to its translation; a text without one
appears in English.  Files always use the decimal point: only what is typed and shown follows the language.
"""

from __future__ import annotations

import json
import math

from viewer.errors import FileError, UsageError
from viewer.resources import resource

LANGUAGES = {"en": "English", "de": "Deutsch"}


class _Speech:
    """The catalogue in use."""

    language = "en"
    catalogue: dict[str, str] = {}
    missing: set[str] = set()


def mark(text: str) -> str:
    """Return `text` unchanged; marks a text that `tr` will meet later."""
    return text


def set_language(language: str) -> None:
    """Use the catalogue of `language`; English if it is unknown or cannot be read."""
    _Speech.language, _Speech.catalogue = "en", {}
    if language == "en" or language not in LANGUAGES:
        return
    try:
        text = resource(f"i18n/{language}.json").read_text(encoding="utf-8")
    except FileError:
        return
    _Speech.catalogue = json.loads(text)
    _Speech.language = language


def language() -> str:
    """Return the code of the language in use."""
    return _Speech.language


def tr(text: str, /, **values: object) -> str:
    """Return `text` in the user's language, ``{name}`` filled from `values`."""
    if not text:
        return text
    found = _Speech.catalogue.get(text)
    if found is None and _Speech.language != "en":
        _Speech.missing.add(text)
    found = found or text
    return found.format(**values) if values else found


def trn(one: str, many: str, n: int, /, **values: object) -> str:
    """Return `one` for n = 1, else `many`, with ``{n}`` filled."""
    return tr(one if n == 1 else many, n=n, **values)


def known(text: str) -> str | None:
    """Return the translation of `text`, None where there is none."""
    return _Speech.catalogue.get(text)


def missing() -> frozenset[str]:
    """Return the texts asked for that the catalogue lacked."""
    return frozenset(_Speech.missing)


def decimal_comma() -> bool:
    """Whether numbers are shown with a comma."""
    return _Speech.language == "de"


def number(value: float, places: int | None = None) -> str:
    """Return a number as the user writes it; `places` decimals, or up to six significant digits."""
    if not math.isfinite(value):
        return "–"
    text = f"{value:.{places}f}" if places is not None else f"{value:.6g}"
    text = text.replace("-", "−")
    return text.replace(".", ",") if decimal_comma() else text


def parse_number(text: str) -> float:
    """Return the number that was typed, with point or comma, a true or a plain minus.

    Raises
    ------
    UsageError
        If it is no number, or could be two (``1,234.5``).
    """
    plain = text.strip().replace("−", "-").replace(" ", "").replace("\u202f", "").replace("\u00a0", "")
    if plain.count(",") + plain.count(".") > 1:
        raise UsageError(tr("“{text}” could be read in two ways. Write one point or one comma.", text=text))
    try:
        value = float(plain.replace(",", "."))
    except ValueError:
        raise UsageError(tr("“{text}” is not a number.", text=text)) from None
    if not math.isfinite(value):
        raise UsageError(tr("“{text}” is not a number.", text=text))
    return value


def seconds(value: float, places: int = 3) -> str:
    """Return a time as ``1:02.345``, minutes only when needed; always the same width for the same magnitude."""
    sign = "−" if value < 0 and round(value, places) != 0 else ""
    total = round(abs(value), places)
    minutes, rest = divmod(total, 60.0)
    if round(rest, places) >= 60.0:
        minutes, rest = minutes + 1, 0.0
    text = f"{int(minutes)}:{rest:0{3 + places}.{places}f}"
    text = text.replace(".", ",") if decimal_comma() else text
    return sign + text


__all__ = [
    "LANGUAGES",
    "decimal_comma",
    "known",
    "language",
    "mark",
    "missing",
    "number",
    "parse_number",
    "seconds",
    "set_language",
    "tr",
    "trn",
]

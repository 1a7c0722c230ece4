"""What the rooms below the window say, in the user's language.

Reasons, verdicts, warnings and errors are made where they arise, in English, and stay so in files.  Here they are told again:
``resources/i18n/<language>.rooms.json`` maps each sentence with blanks (``{1}``, ``{2}`` ...) to its translation.  A text is
cut where sentences end, each piece is matched against the sentences, what fills the blanks is told again by the same rules, and
numbers follow the language.  What is not known, such as names that the user gave, stays as it is.
"""

from __future__ import annotations

import json
import re
from functools import lru_cache

from viewer.app import i18n
from viewer.errors import FileError, ViewerError
from viewer.measure.names import LABELS
from viewer.measure.readings import FLAG_WORDS
from viewer.resources import resource

_BLANK = re.compile(r"\{(\d+)\}")
_ENDS = re.compile(r"(?<=[.:;?!)]) |, | (?=\()")
_DECIMAL = re.compile(r"(?<![\w,/:'\"])(?<!\w\.)([-+±]?\d+)\.(\d+)(?![\w/'\"]|\.\w)")
_MOST_PIECES = 24
_JOINTS = (", ", "; ", ": ")
_WEAK, _STRONG = 9, 27  # fixed characters below, and from, which a sentence can, and cannot, be mistaken for another
_RUNNING = re.compile(r"\b(?:an?|the|is|are|was|were|of|at|to|in|on|by|with|from|for|and|or|not|no|its?|this|that|than)\b")


class _Template:
    """One sentence with blanks: cut into its fixed parts, its pattern made when it is first needed."""

    def __init__(self, text: str, told: str) -> None:
        self.fixed = [part.replace("{{", "{").replace("}}", "}") for part in _BLANK.split(text)[::2]]
        self.weight = sum(len(part.strip()) for part in self.fixed)
        self.blanks = [int(n) for n in _BLANK.findall(text)]
        around = zip(self.blanks, self.fixed, self.fixed[1:], strict=False)
        self.held = {n for n, before, after in around if before[-1:] == "(" and after[:1] == ")"}  # these may be long
        self.told = told
        self.pattern: re.Pattern[str] | None = None

    def match(self, text: str) -> dict[int, str] | None:
        """Return what fills the blanks, or None if `text` is another sentence."""
        if not text.startswith(self.fixed[0]) or not text.endswith(self.fixed[-1]):
            return None
        at = 0
        for part in self.fixed:
            at = text.find(part, at)
            if at < 0:
                return None
            at += len(part)
        if self.pattern is None:
            self.pattern = re.compile("(.*?)".join(map(re.escape, self.fixed)), re.DOTALL)
        found = self.pattern.fullmatch(text)
        return None if found is None else dict(zip(self.blanks, found.groups(), strict=True))


class _Book:
    """The sentences of one language."""

    def __init__(self, language: str) -> None:
        try:
            told = json.loads(resource(f"i18n/{language}.rooms.json").read_text(encoding="utf-8"))
        except FileError:
            told = {}
        told |= {text[2:]: words[2:] for text, words in told.items() if text[:2] in _JOINTS}  # they also stand alone
        named = {name: words for name in _names() if (words := i18n.known(name)) is not None}
        self.whole = named | {text: words for text, words in told.items() if not _BLANK.search(text)}
        blank = [_Template(text, words) for text, words in told.items() if _BLANK.search(text)]
        self.templates = sorted(blank, key=lambda template: -template.weight)


def _names() -> tuple[str, ...]:
    """Words of the measures that stand in sentences."""
    return (*LABELS.values(), *(text for pair in FLAG_WORDS.values() for text in pair))


@lru_cache(maxsize=4)
def _book(language: str) -> _Book:
    return _Book(language)


def said(text: str | None) -> str:
    """Return a text that was made below the window in the user's language, as far as it is known."""
    if not text or i18n.language() == "en":
        return text or ""
    return i18n.known(text) or _tell(text, i18n.language())


def error_said(error: ViewerError) -> str:
    """Return an error as one line in the user's language: where, what happened, what to do."""
    if i18n.language() == "en":
        return str(error)
    what, hint = said(error.what), said(error.hint)
    head = f"{error.where}: {what}" if error.where else what[:1].upper() + what[1:]
    return " ".join(f"{head} {hint}".split())


@lru_cache(maxsize=4096)
def _tell(text: str, language: str) -> str:
    core = text.strip()
    start = text.find(core)
    told = _piece(core, language)
    if told is None:
        told = _pieces(core, language)
    return text[:start] + told + text[start + len(core) :]


def _piece(text: str, language: str) -> str | None:
    """Return one sentence told again, with the sign at its end or without, None if it is not known."""
    ways = [(text, "")]
    if text[-1:] in (".", ":", ";", ","):
        ways.append((text[:-1], text[-1]))
    else:
        ways.append((text + ".", ""))  # its full stop was taken off to go on
    for find in (_whole, _blanks):
        for bare, end in ways:
            told = find(bare, language)
            if told is not None:
                return told if bare == text else told.rstrip(".") + end
    return None


def _whole(text: str, language: str) -> str | None:
    return _book(language).whole.get(text)


def _blanks(text: str, language: str) -> str | None:
    for template in _book(language).templates:
        blanks = template.match(text)
        if blanks is not None and _sure(template, blanks, language):
            return _fill(template.told, {n: _tell(value, language) for n, value in blanks.items()})
    return None


def _sure(template: _Template, blanks: dict[int, str], language: str) -> bool:
    """Whether a sentence is meant, and not another that only holds its fixed words."""
    if template.weight >= _STRONG:
        return True
    known = any(_whole(value.strip(), language) is not None for value in blanks.values() if value)
    if known and len(blanks) >= 5:
        return True
    if any(_ENDS.search(value) and value.count(" ") > 4 for n, value in blanks.items() if n not in template.held):
        return False
    return template.weight >= _WEAK or known or not any(_RUNNING.search(value) for value in blanks.values())


def _fill(told: str, values: dict[int, str]) -> str:
    return _BLANK.sub(lambda blank: values[int(blank[1])], told).replace("{{", "{").replace("}}", "}")


def _pieces(text: str, language: str) -> str:
    """Return a text of several sentences told again, the longest known piece first."""
    ends = [0, *(found.end() for found in _ENDS.finditer(text)), len(text)]
    if len(ends) == 2 or len(ends) > _MOST_PIECES:
        return _numbers(text)
    told, at = "", 0
    while at < len(ends) - 1:
        for end in range(len(ends) - 1, at, -1):
            whole = text[ends[at] : ends[end]]
            piece = None if (at, end) == (0, len(ends) - 1) else _piece(whole.strip(), language)
            if piece is not None:
                told += piece + whole[len(whole.rstrip()) :]
                break
        else:
            end = at + 1
            told += _numbers(text[ends[at] : ends[end]])
        at = end
    return told


def _numbers(text: str) -> str:
    """Return a text with its decimal points as the language writes them."""
    return _DECIMAL.sub(r"\1,\2", text) if i18n.decimal_comma() else text


__all__ = ["error_said", "said"]

"""Lines of flicker of two devices put side by side by where they come from: gate with gate, the scene's light with itself.

A region can show several lines, the strongest first.  The strongest of one device may be its gate and that of another the
screen that both look at: to compare those would compare different things.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, zip_longest

from viewer.measure.errorbudget import Budget
from viewer.measure.names import label_of
from viewer.measure.readings import FLAG_WORDS, Flag
from viewer.measure.verdict import DIFFERS, UNKNOWN, no_answer
from viewer.session.model import Session, StoredReading, StoredVerdict

Key = tuple[str, str, str]
Cell = tuple[Budget | None, str, str]

LINE_NAMES = ("modulation_frequency", "modulation_depth", "flicker_index")
OWN, SCENE = (FLAG_WORDS[flag][0] for flag in (Flag.OF_TUBE, Flag.OF_SOURCE))
WHOSE = {OWN: "the device's own gate", SCENE: "the scene's own light"}
# How the sentence of a verdict ends where only one device shows a line.
NOTHING = "nothing to compare."
# A gate this much deeper than the smallest depth that would have been seen would not have been missed (practice).
_CLEAR = 2.0


@dataclass(frozen=True, kw_only=True)
class Pair:
    """Two devices on one reading: what each has, or why not; `told` is how the sentence names the object."""

    key: Key
    first: str
    second: str
    a: Cell
    b: Cell
    told: str


def pairs_of(session: Session, budgets: Mapping[Key, Mapping[str, Cell]]) -> Iterator[Pair | StoredVerdict]:
    """Yield every pair of devices to be compared; where there is nothing to compare, the verdict that says so.

    Parameters
    ----------
    budgets : mapping
        (request, name, of) -> device id -> (budget or None, why not, unit), as `tasks.session.budgets_of` gives.
    """
    order = {device.id: place for place, device in enumerate(session.devices)}
    origins = _origins(session)
    lines: dict[tuple[str, str], list[str]] = {}
    for key, per_device in budgets.items():
        request, name, of = key
        if name in LINE_NAMES and any(known[:1] == (request,) for known in origins):
            lines.setdefault((request, name), []).append(of)
            continue
        for first, second in combinations(sorted(per_device, key=lambda ident: order.get(ident, len(order))), 2):
            yield Pair(key=key, first=first, second=second, a=per_device[first], b=per_device[second], told=of)
    for (request, name), objects in lines.items():
        rows = {of: budgets[request, name, of] for of in objects}
        present = sorted({device for row in rows.values() for device in row}, key=lambda ident: order.get(ident, len(order)))
        for first, second in combinations(present, 2):
            yield from _Sides(session, request, name, rows, origins).pairs(first, second)


def _origins(session: Session) -> dict[tuple[str, str, str], str]:
    """Return (request, device, of) -> whose line it is, where all takes agree about it."""
    devices = {clip.id: clip.device for clip in session.clips}
    found: dict[tuple[str, str, str], set[str]] = {}
    for reading in session.readings:
        device = devices.get(reading.clip)
        if reading.name in LINE_NAMES and reading.state != "refused" and device is not None:
            words = [flag for flag in reading.flags if flag in WHOSE]
            found.setdefault((reading.request, device, reading.of), set()).add(words[0] if words else "")
    return {key: words.pop() for key, words in found.items() if len(words) == 1 and words != {""}}


@dataclass(frozen=True)
class _Sides:
    """The lines of one reading in one scene, for two devices at a time."""

    session: Session
    request: str
    name: str
    rows: Mapping[str, Mapping[str, Cell]]
    origins: Mapping[tuple[str, str, str], str]

    def pairs(self, first: str, second: str) -> Iterator[Pair | StoredVerdict]:
        """Yield the pairs of two devices: lines of the same origin, strongest with strongest."""
        mine, other = self._lines(first), self._lines(second)
        used: set[str] = set()
        if not mine or not other:
            of = next(iter(self.rows))
            nothing: Cell = (None, "it was not measured", "")
            yield self._pair(of, first, second, self.rows[of].get(first, nothing), self.rows[of].get(second, nothing), of)
            return
        both: list[tuple[str, str, str]] = []
        alone: list[tuple[str, str | None, str | None]] = []
        for whose in (OWN, SCENE) if {*mine, *other} != {""} else ("",):
            for a, b in zip_longest(mine.get(whose, []), other.get(whose, [])):
                if a and b:
                    both.append((whose, a, b))
                else:
                    alone.append((whose, a, b))
        for whose, a, b in both:
            of = b if b not in used else a
            used.add(of)
            told = f"{_place(of)} ({WHOSE[whose]})" if whose else of
            yield self._pair(of, first, second, self.rows[a][first], self.rows[b][second], told)
        unsure = [ident for ident, found in ((first, mine), (second, other)) if "" in found]
        for whose, one, two in alone:
            of = one or two or ""
            if of not in used:
                used.add(of)
                yield self._unknown(of, first, second, unsure) if unsure else self._alone(whose, of, first, second, bool(one))
        for of in [of for found in (mine, other) for of in found.get("", [])]:
            if of not in used:
                used.add(of)
                yield self._unknown(of, first, second, unsure)

    def _unknown(self, of: str, first: str, second: str, unsure: Sequence[str]) -> StoredVerdict:
        """Return that a line whose origin is not known cannot be compared with one whose origin is."""
        names = " and ".join(self._named(ident) for ident in unsure)
        why = f"where the line of {names} comes from is not known: film the source without a device"
        word = no_answer(self.name, _place(of), self._named(first), self._named(second), why)
        return self._verdict(of, first, second, word.word, word.sentence)

    def _lines(self, device: str) -> dict[str, list[str]]:
        """Return whose -> objects of a device's lines, strongest first; "" where it is not known whose."""
        found: dict[str, list[str]] = {}
        for of, row in self.rows.items():
            known = self.origins.get((self.request, device, of), "")
            # A line whose frequency is refused is a line all the same.
            if device in row and (known or row[device][0] is not None):
                found.setdefault(known, []).append(of)
        return found

    def _named(self, device: str) -> str:
        return self.session.device(device).name

    def _pair(self, of: str, first: str, second: str, a: Cell, b: Cell, told: str) -> Pair:
        return Pair(key=(self.request, self.name, of), first=first, second=second, a=a, b=b, told=told)

    def _verdict(self, of: str, first: str, second: str, word: str, sentence: str) -> StoredVerdict:
        return StoredVerdict(
            request=self.request, name=self.name, of=of, first=first, second=second, word=word, sentence=sentence
        )

    def _alone(self, whose: str, of: str, first: str, second: str, first_has: bool) -> StoredVerdict:
        """Return what can be said of a line that one device shows and the other does not."""
        has, lacks = (first, second) if first_has else (second, first)
        with_it, without = self._named(has), self._named(lacks)
        budget, _, unit = self.rows[of][has]
        head = f"{label_of(self.name)} of {_place(of)} ({WHOSE[whose]})"
        limit = self._smallest(lacks)
        seen = "" if limit is None else f" down to {limit:.2g} % as recorded, at the frequencies that its clip can show"
        if whose == SCENE:
            return self._verdict(
                of, first, second, UNKNOWN, f"{head}: only {with_it} shows it, {without} does not{seen}: {NOTHING}"
            )
        size = f"{budget.value:.4g}{'' if unit == '1' else f' {unit}'}" if budget else "not measured"
        deep = budget.interval()[0] if budget and self.name == "modulation_depth" else 0.0
        if limit is not None and deep > _CLEAR * limit:
            text = f"{head}: {with_it} {size}; {without} has no gate of its own{seen} (these units, these takes)."
            return self._verdict(of, first, second, DIFFERS, text)
        text = f"{head}: {with_it} {size}; {without} has no gate of its own{seen}: {NOTHING}"
        return self._verdict(of, first, second, UNKNOWN, text)

    def _smallest(self, device: str) -> float | None:
        """Return the largest of the smallest depths that a device's clips would have shown, %."""
        clips = {clip.id for clip in self.session.clips if clip.device == device}
        limits = [_limit(r) for r in self.session.readings if r.request == self.request and r.clip in clips]
        return max((value for value in limits if value is not None), default=None)


def _limit(reading: StoredReading) -> float | None:
    return reading.value if reading.name == "detection_limit" else None


def _place(of: str) -> str:
    """Return the place of a line: ``tide table`` for ``tide table/line-2``."""
    return of.split("/line-")[0]


__all__ = ["LINE_NAMES", "NOTHING", "OWN", "SCENE", "WHOSE", "Pair", "pairs_of"]

"""How fast the devices of a session gate against each other, where each has one answer that is its own."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations

from viewer.measure.flicker_compare import Rate, RateRatio, compare_rates
from viewer.measure.readings import FLAG_WORDS, Flag
from viewer.session.model import Session, StoredReading
from viewer.tasks.session import budgets_of

NAME = "modulation_frequency"
OWN = FLAG_WORDS[Flag.OF_TUBE][0]


@dataclass(frozen=True, kw_only=True)
class GateRatio:
    """Two devices of a scene: ids of request and devices, how many times as fast the first gates, in words too."""

    request: str
    first: str
    second: str
    found: RateRatio


def gate_ratios(session: Session) -> tuple[GateRatio, ...]:
    """Return how the gates of every two devices compare, request by request.

    A device takes part if its clips show exactly one gate of its own there, with one frequency (no candidates) in every take.
    """
    budgets = budgets_of(replace(session, readings=tuple(r for r in session.readings if r.name == NAME)))
    device_of = {clip.id: clip.device for clip in session.clips}
    out = []
    for request in session.requests:
        per_device: dict[str, list[StoredReading]] = {}
        for reading in session.readings:
            whose = device_of.get(reading.clip)
            if whose is not None and (reading.request, reading.name) == (request.id, NAME):
                per_device.setdefault(whose, []).append(reading)
        rates: dict[str, Rate] = {}
        for device in session.devices:
            of = _one_gate(per_device.get(device.id, []))
            budget = budgets[request.id, NAME, of][device.id][0] if of is not None else None
            if budget is not None and budget.value > 0:
                rates[device.id] = Rate(device.name, budget.value, budget.half_width())
        for first, second in combinations(rates, 2):
            found = compare_rates(rates[first], rates[second])
            out.append(GateRatio(request=request.id, first=first, second=second, found=found))
    return tuple(out)


def gate_words(session: Session) -> dict[str, tuple[str, ...]]:
    """Return request id -> what `gate_ratios` says there, a sentence for every two devices."""
    words: dict[str, tuple[str, ...]] = {}
    for ratio in gate_ratios(session):
        words[ratio.request] = (*words.get(ratio.request, ()), ratio.found.sentence)
    return words


def _one_gate(readings: list[StoredReading]) -> str | None:
    """Return the object that is a device's one gate in all of its takes, None if there are several or it is not sure."""
    own = {reading.of for reading in readings if OWN in reading.flags}
    if len(own) != 1:
        return None
    of = own.pop()
    same = [reading for reading in readings if reading.of == of]
    sure = all(reading.state == "measured" and OWN in reading.flags for reading in same)
    takes = {reading.clip for reading in readings}
    return of if sure and {reading.clip for reading in same} == takes else None


__all__ = ["GateRatio", "gate_ratios", "gate_words"]

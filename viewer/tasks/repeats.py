"""Which takes to film again: what repeats would buy, reading by reading, cheapest first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from viewer.measure.errorbudget import between_takes_sigma, expected_half_widths, from_interval
from viewer.measure.names import label_of
from viewer.measure.verdict import matter_for
from viewer.session.model import Session, StoredReading

# The spread between mountings, in units of the error within one, where only one take is known (practice).
USUAL_SPREAD = 1.0
MOST_TAKES = 6


@dataclass(frozen=True, kw_only=True)
class Repeat:
    """What more takes of one scene by one device would do for one comparison.

    `half_width` is that of the interval as it stands, `expected` maps a number of takes to the half width to be expected,
    `matter` is the difference that matters, `enough` the least number of takes whose interval is half as wide (None if
    `MOST_TAKES` are too few).  `guessed`: only one take is known, and the spread between takes was taken to equal the error
    within it.
    """

    request: str
    scene: str
    device: str
    name: str
    of: str
    unit: str
    takes: int
    half_width: float
    expected: dict[int, float]
    matter: float
    enough: int | None
    guessed: bool

    @property
    def sentence(self) -> str:
        """The advice in words."""
        grounds = " (the spread between takes is guessed until there is a second one)" if self.guessed else ""
        start = f"{label_of(self.name)} of {self.of}: {self.takes} take{'s' if self.takes > 1 else ''}, ±{self.half_width:.2g}"
        unit = "" if self.unit == "1" else f" {self.unit}"
        if not self.expected:
            return f"{start}{unit}; more takes than {self.takes} buy little."
        if self.enough is None:
            return (
                f"{start}{unit}; {MOST_TAKES} takes would still leave ±{self.expected[max(self.expected)]:.2g}{unit}{grounds}."
            )
        return (
            f"{start}{unit}; {self.enough} takes would tell a difference of {self.matter:.2g}{unit} "
            f"(±{self.expected[self.enough]:.2g}{unit}){grounds}."
        )


def plan_repeats(session: Session) -> tuple[Repeat, ...]:
    """Return what repeats would buy for every comparison that cannot be told yet, the cheapest gain first.

    A comparison that cannot be told is one with the verdict "cannot tell" on two measured readings.  A difference is told by
    an interval half as wide as the difference that matters.
    """
    stored: dict[tuple[str, str, str], list[StoredReading]] = {}
    for reading in session.readings:
        if reading.value is not None:
            stored.setdefault((reading.request, reading.name, reading.of), []).append(reading)
    owner = {clip.id: clip.device for clip in session.clips}
    wanted: dict[tuple[str, str, str, str], Repeat | None] = {}
    for verdict in session.verdicts:
        if verdict.word != "cannot tell" or verdict.difference is None:
            continue
        readings = stored.get((verdict.request, verdict.name, verdict.of), [])
        mean = sum(abs(float(r.value or 0.0)) for r in readings) / max(1, len(readings))
        matter = matter_for(verdict.name, session.preferences.matters).absolute(mean)
        for device in (verdict.first, verdict.second):
            key = (verdict.request, device, verdict.name, verdict.of)
            if key not in wanted:
                mine = [r for r in readings if owner.get(r.clip) == device and r.low is not None and r.high is not None]
                wanted[key] = _repeat(session.request(verdict.request).scene, device, mine, matter) if mine else None
    found = [repeat for repeat in wanted.values() if repeat is not None]
    return tuple(sorted(found, key=lambda repeat: (repeat.enough or MOST_TAKES + 1, repeat.scene, repeat.device, repeat.name)))


def _repeat(scene: str, device: str, readings: Sequence[StoredReading], matter: float) -> Repeat:
    values = [float(r.value or 0.0) for r in readings]
    sigmas = [from_interval(float(r.low or 0.0), float(r.high or 0.0), r.coverage) for r in readings]
    within = sum(sigmas) / len(sigmas)
    guessed = len(values) < 2
    between = USUAL_SPREAD * within if guessed else between_takes_sigma(values, sigmas)
    expected = {
        count: half for count, half in expected_half_widths(within, between, most=MOST_TAKES).items() if count > len(values)
    }
    enough = next((count for count, half in sorted(expected.items()) if half <= 0.5 * matter), None)
    first = readings[0]
    return Repeat(
        request=first.request, scene=scene, device=device, name=first.name, of=first.of, unit=first.unit, takes=len(values),
        half_width=_half_width(readings), expected=expected, matter=matter, enough=enough, guessed=guessed,
    )  # fmt: skip


def _half_width(readings: Sequence[StoredReading]) -> float:
    return min(0.5 * (float(r.high or 0.0) - float(r.low or 0.0)) for r in readings)


def worst_scenes(repeats: Sequence[Repeat]) -> tuple[tuple[str, str, int], ...]:
    """Return (scene id, device id, comparisons that one more mounting would help) in the order worth filming."""
    count: dict[tuple[str, str], int] = {}
    for repeat in repeats:
        key = repeat.scene, repeat.device
        count[key] = count.get(key, 0) + 1
    return tuple(
        (scene, device, number) for (scene, device), number in sorted(count.items(), key=lambda row: (-row[1], row[0]))
    )


__all__ = ["MOST_TAKES", "USUAL_SPREAD", "Repeat", "plan_repeats", "worst_scenes"]

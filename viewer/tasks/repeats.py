"""Which takes to film again: what repeats would buy, reading by reading, cheapest first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from viewer.measure.errorbudget import between_takes_sigma, expected_half_widths, from_interval
from viewer.measure.names import label_of
from viewer.measure.verdict import matter_for
from viewer.session.model import Session, StoredReading, StoredVerdict

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
    wanted: dict[tuple[str, str, str, str], float] = {}
    for verdict in session.verdicts:
        if verdict.word == "cannot tell" and verdict.difference is not None:
            values = [abs(r.value) for r in session.readings if _same(r, verdict) and r.value is not None]
            matter = matter_for(verdict.name, session.preferences.matters).absolute(sum(values) / max(1, len(values)))
            for device in (verdict.first, verdict.second):
                wanted[verdict.request, device, verdict.name, verdict.of] = matter
    found = [repeat for key, matter in wanted.items() if (repeat := _repeat(session, key, matter)) is not None]
    return tuple(sorted(found, key=lambda repeat: (repeat.enough or MOST_TAKES + 1, repeat.scene, repeat.device, repeat.name)))


def _same(reading: StoredReading, verdict: StoredVerdict) -> bool:
    return (reading.request, reading.name, reading.of) == (verdict.request, verdict.name, verdict.of)


def _repeat(session: Session, key: tuple[str, str, str, str], matter: float) -> Repeat | None:
    request, device, name, of = key
    mine = {clip.id for clip in session.clips if clip.device == device}
    readings = [
        r for r in session.readings
        if (r.request, r.name, r.of) == (request, name, of) and r.clip in mine and r.value is not None and r.low is not None
    ]  # fmt: skip
    if not readings:
        return None
    values = [float(r.value) for r in readings if r.value is not None]
    sigmas = [from_interval(float(r.low or 0.0), float(r.high or 0.0), r.coverage) for r in readings]
    within = sum(sigmas) / len(sigmas)
    guessed = len(values) < 2
    between = USUAL_SPREAD * within if guessed else between_takes_sigma(values, sigmas)
    expected = {
        count: half for count, half in expected_half_widths(within, between, most=MOST_TAKES).items() if count > len(values)
    }
    enough = next((count for count, half in sorted(expected.items()) if half <= 0.5 * matter), None)
    return Repeat(
        scene=session.request(request).scene, device=device, name=name, of=of, unit=readings[0].unit, takes=len(values),
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

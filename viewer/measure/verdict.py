"""Two devices on one reading: differs, no difference beyond error, cannot tell; in words that follow the interval."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from scipy import stats

from viewer.measure.errorbudget import Budget, coverage_factor, difference_error
from viewer.measure.names import label_of
from viewer.measure.readings import Verdict

DIFFERS = "differs"
EQUAL = "no difference beyond error"
UNKNOWN = "cannot tell"


@dataclass(frozen=True, slots=True)
class Matter:
    """The difference that matters for one reading: absolute, or a share of the mean value; with the reason for the preset."""

    size: float
    relative: bool
    reason: str

    def absolute(self, mean: float) -> float:
        """The difference in the unit of the reading, for devices whose values average `mean`."""
        return self.size * abs(mean) if self.relative else self.size


# Presets are practice, not standards: what a reviewer would call a difference worth a sentence.
MATTERS: dict[str, Matter] = {
    "michelson": Matter(0.05, False, "0.05 of contrast is about the step that side-by-side viewers notice (practice)"),
    "weber": Matter(0.10, True, "a tenth of the contrast (practice)"),
    "rms": Matter(0.10, True, "a tenth of the contrast (practice)"),
    "cnr": Matter(0.15, True, "15 % of the ratio (practice)"),
    "halo_radius": Matter(0.05, True, "5 % of the radius, about the spread of halo sizes within one delivery (practice)"),
    "half_radius": Matter(0.10, True, "a tenth of the radius (practice)"),
    "bloom_radius": Matter(0.10, True, "a tenth of the radius (practice)"),
    "veil_at_edge": Matter(2.0, False, "two hundredths of the halo's height (practice)"),
    "core_radius": Matter(0.15, True, "15 % of the radius; it follows the exposure (practice)"),
    "modulation_frequency": Matter(1.0, False, "1 Hz: two gates of the same design differ by more (practice)"),
    "modulation_depth": Matter(5.0, False, "5 points of percent flicker (practice)"),
    "rise_10_90": Matter(0.10, True, "a tenth of the width (practice)"),
    "mtf50": Matter(0.10, True, "a tenth of the frequency, a little less than one chart step (practice)"),
    "glow_radius": Matter(0.10, True, "a tenth of the radius (practice)"),
    "limiting_resolution": Matter(2.0 ** (1.0 / 6.0) - 1.0, True, "one step of the 1951 chart, 12 % (MIL-STD-150A)"),
    "modulation": Matter(0.05, False, "0.05 of modulation (practice)"),
    "snr": Matter(0.10, True, "a tenth of the ratio (practice)"),
    "temporal_sigma": Matter(0.10, True, "a tenth of the noise (practice)"),
    "fixed_pattern_sigma": Matter(0.20, True, "a fifth of the pattern (practice)"),
    "contrast": Matter(0.05, False, "0.05 of contrast (practice)"),
    "detectability": Matter(1.0, False, "one unit of the Rose criterion's 5 (practice)"),
}
DEFAULT_MATTER = Matter(0.10, True, "a tenth of the value (practice)")


def matter_for(name: str, chosen: dict[str, float] | None = None) -> Matter:
    """Return the difference that matters: the user's absolute choice, else the preset."""
    if chosen and name in chosen:
        return Matter(chosen[name], False, "chosen for this session")
    return MATTERS.get(name, DEFAULT_MATTER)


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """The difference ``second - first`` with its error and what it would take to matter."""

    name: str
    of: str
    unit: str
    first: str
    second: str
    first_value: float
    second_value: float
    difference: float
    sigma: float
    dof: float
    matters: float
    takes: int
    coverage: float = 0.95
    alpha: float = 0.05
    compared: int = 1
    drift: float = 0.0

    @property
    def half_width(self) -> float:
        """Half the interval of the difference."""
        return coverage_factor(self.dof, self.coverage) * self.sigma

    @property
    def interval(self) -> tuple[float, float]:
        """Ends of the interval of the difference."""
        return self.difference - self.half_width, self.difference + self.half_width

    @property
    def p_differs(self) -> float:
        """Two-sided p of "no difference" (Welch's t)."""
        if self.sigma == 0.0:
            return 0.0 if self.difference else 1.0
        t = abs(self.difference) / self.sigma
        return float(2.0 * (stats.norm.sf(t) if not math.isfinite(self.dof) else stats.t.sf(t, max(self.dof, 1.0))))

    @property
    def equivalent(self) -> bool:
        """Whether two one-sided tests at `alpha` put the difference within +/- `matters`.

        Schuirmann 1987: equal to the (1 - 2 alpha) interval lying inside the bounds (the equivalence is textbook; citation
        from memory).
        """
        half = coverage_factor(self.dof, 1.0 - 2.0 * self.alpha) * self.sigma
        return abs(self.difference) + half < self.matters


def compare(
    name: str,
    of: str,
    unit: str,
    first: tuple[str, Budget],
    second: tuple[str, Budget],
    *,
    matter: Matter | None = None,
    drift: float = 0.0,
    others: Iterable[Budget] = (),
) -> Comparison:
    """Return the comparison of two devices; errors that both share cancel.

    `others` are the budgets of further devices on the same reading: how their takes scatter counts for these two.
    """
    a, b = first[1].own(), second[1].own()
    sigma, dof = difference_error(a, b, (budget.own() for budget in others))
    mean = 0.5 * (abs(a.value) + abs(b.value))
    return Comparison(
        name=name,
        of=of,
        unit=unit,
        first=first[0],
        second=second[0],
        first_value=a.value,
        second_value=b.value,
        difference=b.value - a.value,
        sigma=sigma,
        dof=dof,
        matters=(matter or matter_for(name)).absolute(mean),
        takes=min(a.takes, b.takes),
        drift=drift,
    )


def decide(comparison: Comparison, *, p_limit: float | None = None) -> Verdict:
    """Return the verdict of one comparison.

    ``differs`` if the difference is significant at `p_limit` (default: `alpha`) and larger than the drift of the reference;
    ``no difference beyond error`` if two one-sided tests say that what difference there is does not matter; else
    ``cannot tell``.
    """
    limit = comparison.alpha if p_limit is None else p_limit
    if comparison.p_differs < limit:
        if comparison.drift and abs(comparison.difference) <= abs(comparison.drift):
            drift = _number(abs(comparison.drift), comparison.half_width)
            return _say(comparison, UNKNOWN, f"the reference drifted by {drift}, as much as the difference")
        return _say(comparison, DIFFERS)
    if comparison.equivalent:
        return _say(comparison, EQUAL)
    return _say(comparison, UNKNOWN, _advice(comparison))


def decide_all(comparisons: Sequence[Comparison]) -> list[Verdict]:
    """Return the verdicts of all comparisons of a session, corrected for their number.

    Of the differences told, at most one in twenty (`alpha`) is expected to be false; where all devices are equal, at most one
    session in twenty tells any.  Holm's way, which holds the second rate whatever differs, would let no pair of takes decide
    anything in a session of several hundred comparisons.

    References
    ----------
    .. [1] Y. Benjamini, Y. Hochberg, J. R. Stat. Soc. B 57 (1995) 289: step-up; holds for readings that lean the same way
       (Y. Benjamini, D. Yekutieli, Ann. Stat. 29 (2001) 1165).  Both citations from memory.
    """
    count = len(comparisons)
    ps = sorted(comparison.p_differs for comparison in comparisons)
    alpha = comparisons[0].alpha if comparisons else 0.05
    told = max((rank for rank, p in enumerate(ps, 1) if p < alpha * rank / count), default=0)
    limit = alpha * told / max(1, count)
    return [decide(replace(comparison, compared=count), p_limit=limit) for comparison in comparisons]


def no_answer(name: str, of: str, first: str, second: str, reason: str) -> Verdict:
    """Return "cannot tell" for a pair with a reading missing or refused."""
    return Verdict(UNKNOWN, f"{label_of(name)} of {of}: {first} and {second} cannot be compared: {reason.rstrip('.')}.")


def _number(value: float, like: float | None = None) -> str:
    scale = abs(like if like is not None else value)
    if scale == 0 or not math.isfinite(scale):
        return f"{value:.3g}"
    places = max(0, min(6, 1 - math.floor(math.log10(scale))))
    return f"{value:.{places}f}"


def _advice(comparison: Comparison) -> str:
    if comparison.takes < 2:
        return "film each device again after taking it off the mount: repeats narrow this more than longer clips"
    return "more takes would narrow this"


def _say(c: Comparison, word: str, because: str = "") -> Verdict:
    """One plain sentence: direction, size, interval, and for which units and takes it holds."""
    unit = "" if c.unit == "1" else f" {c.unit}"
    half = c.half_width or abs(c.difference) or 1.0
    low, high = c.interval
    first, second = _number(c.first_value, half), _number(c.second_value, half)
    head = f"{label_of(c.name)} of {c.of}: {c.second} {second}{unit}, {c.first} {first}{unit}"
    span = f"95 % interval of the difference {_number(low, half)} to {_number(high, half)}{unit}"
    takes = "these takes" if c.takes < 2 else f"{c.takes} takes each"
    many = f"; {c.compared} comparisons allowed for" if c.compared > 1 else ""
    scope = f"these units, {takes}{many}"
    if word == DIFFERS:
        way = "higher" if c.difference > 0 else "lower"
        small = ", less than the difference that matters" if max(abs(low), abs(high)) < c.matters else ""
        text = f"{c.second} is {way} by {_number(abs(c.difference), half)}{unit} ({span}{small}; {scope})"
    elif word == EQUAL:
        text = f"no difference beyond error, and none as large as {_number(c.matters, half)}{unit} ({span}; {scope})"
    else:
        text = f"the data decide nothing ({span}; {scope}): {because}"
    return Verdict(word, f"{head}; {text}.")


__all__ = [
    "DEFAULT_MATTER",
    "DIFFERS",
    "EQUAL",
    "MATTERS",
    "UNKNOWN",
    "Comparison",
    "Matter",
    "compare",
    "decide",
    "decide_all",
    "matter_for",
    "no_answer",
]

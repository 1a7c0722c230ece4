"""Error budgets: what a reading's interval is made of, and what further takes would buy.

Standard uncertainties are combined in quadrature and expanded by Student's t at the effective degrees of freedom after
Welch and Satterthwaite (JCGM 100:2008, the GUM, annex G.4); k = 2 is printed beside it as is customary.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import stats

from viewer.errors import UsageError

CLOCK = "camera clock"
BETWEEN = "between takes"
SOURCES = (
    "frames",
    "region placement",
    BETWEEN,
    "scale",
    "light level",
    "dark level",
    "light curve",
    "model",
    "quantisation",
    CLOCK,
)


@dataclass(frozen=True, slots=True)
class Component:
    """One source of error.

    Parameters
    ----------
    source : str
        One of `SOURCES`, or another short name.
    sigma : float
        Standard uncertainty in the unit of the reading, >= 0.
    dof : float
        Degrees of freedom behind `sigma`; infinite for what is not estimated from the data.
    shared : bool
        Whether the same error enters both devices of a comparison (same scale, same light box) and cancels in differences.
    """

    source: str
    sigma: float
    dof: float = math.inf
    shared: bool = False

    def __post_init__(self) -> None:
        if not (math.isfinite(self.sigma) and self.sigma >= 0 and self.dof > 0):
            raise UsageError(f"{self.source}: sigma {self.sigma} with {self.dof} degrees of freedom is not an error.")


@dataclass(frozen=True, slots=True)
class Budget:
    """A value with the components of its error.  ``takes`` is how many mountings stand behind it."""

    value: float
    components: tuple[Component, ...]
    takes: int = 1

    @property
    def sigma(self) -> float:
        """Combined standard uncertainty."""
        return math.sqrt(sum(part.sigma**2 for part in self.components))

    @property
    def dof(self) -> float:
        """Effective degrees of freedom (Welch, Satterthwaite)."""
        below = sum(part.sigma**4 / part.dof for part in self.components if math.isfinite(part.dof))
        return self.sigma**4 / below if below > 0 else math.inf

    @property
    def expanded_k2(self) -> float:
        """Twice the combined standard uncertainty."""
        return 2.0 * self.sigma

    def half_width(self, coverage: float = 0.95) -> float:
        """Half the interval that covers the truth with probability `coverage`."""
        return coverage_factor(self.dof, coverage) * self.sigma

    def interval(self, coverage: float = 0.95) -> tuple[float, float]:
        """Ends of the interval."""
        half = self.half_width(coverage)
        return self.value - half, self.value + half

    @property
    def wording(self) -> str:
        """What the interval covers, in words."""
        return "within this take" if self.takes < 2 else f"over {self.takes} takes"

    @property
    def take_sigma(self) -> float:
        """Standard deviation of single takes, as their spread tells it; 0 with one take."""
        spread = sum(part.sigma**2 for part in self.components if part.source == BETWEEN)
        return math.sqrt(self.takes * spread) if self.takes > 1 else 0.0

    def own(self) -> Budget:
        """The budget without the errors that both devices of a comparison share."""
        return Budget(self.value, tuple(part for part in self.components if not part.shared), self.takes)


@lru_cache(maxsize=4096)
def coverage_factor(dof: float, coverage: float = 0.95) -> float:
    """Student's t for a two-sided interval; the normal value for infinite degrees of freedom."""
    tail = 0.5 + 0.5 * coverage
    return float(stats.norm.ppf(tail) if not math.isfinite(dof) else stats.t.ppf(tail, max(dof, 1.0)))


def from_interval(low: float, high: float, coverage: float = 0.95) -> float:
    """Standard uncertainty of a symmetric normal interval."""
    return 0.5 * (high - low) / coverage_factor(math.inf, coverage)


def combine_takes(values: Sequence[float], sigmas: Sequence[float], further: Sequence[Component] = ()) -> Budget:
    """Combine the takes of one device into a budget.

    With one take only the error within it is known.  With more, the spread of the takes' values carries both the error
    within and between takes: the standard error of their mean has ``n - 1`` degrees of freedom.

    Parameters
    ----------
    values, sigmas : sequences of length n >= 1
        Value and standard uncertainty within each take.
    further : sequence of Component
        Errors common to all takes (scale, light level ...).

    Raises
    ------
    UsageError
        If the lengths differ or are zero.
    """
    if len(values) != len(sigmas) or not values:
        raise UsageError(f"{len(values)} values with {len(sigmas)} errors make no budget.")
    count = len(values)
    mean = float(np.mean(values))
    within = math.sqrt(sum(sigma**2 for sigma in sigmas)) / count
    parts = [Component("frames", within)]
    if count > 1:
        # A floor at `within` would look prudent, but it breaks the coverage that Student's t guarantees.
        spread = float(np.std(values, ddof=1)) / math.sqrt(count)
        parts = [Component(BETWEEN, spread or within, dof=count - 1)]
    return Budget(mean, (*parts, *further), takes=count)


def pooled_spread(budgets: Iterable[Budget]) -> tuple[float, float]:
    """Return the standard deviation of a take and its degrees of freedom, pooled over devices with several; (0, 0) of none.

    All were put on the same mount and filmed by the same camera, so takes of one tell how takes of the others scatter.
    """
    known = [budget for budget in budgets if budget.take_sigma > 0]
    dof = float(sum(budget.takes - 1 for budget in known))
    power = sum((budget.takes - 1) * budget.take_sigma**2 for budget in known)
    return (math.sqrt(power / dof), dof) if known else (0.0, 0.0)


def difference_error(first: Budget, second: Budget, others: Iterable[Budget] = ()) -> tuple[float, float]:
    """Return the standard error of the difference of two devices and its degrees of freedom.

    With a take each only the errors within them are known.  As soon as any device has several, their spread is that of the
    others too: a device with one take is as uncertain as one take is.  Where both have several, each stands for itself
    (Welch), but no surer than by the spread that they share: Welch's t alone, with few takes and unequal numbers, finds too
    many differences.

    Parameters
    ----------
    first, second : Budget
        Without shared errors.
    others : iterable of Budget
        Of further devices on the same reading.

    References
    ----------
    .. [1] B. L. Welch, Biometrika 29 (1938) 350: two means of unequal variance (citation from memory).
    """
    pair = (first, second)
    spread, spread_dof = pooled_spread((*pair, *others))
    variance = sum(budget.sigma**2 for budget in pair)
    if not spread or max(first.takes, second.takes) < 2:
        return math.sqrt(variance), _welch(pair)
    shared = sum(max(0.0, spread**2 / budget.takes - budget.take_sigma**2 / budget.takes) for budget in pair)
    if min(first.takes, second.takes) > 1:
        pooled = spread**2 * sum(1.0 / budget.takes for budget in pair)
        own = sum(budget.take_sigma**2 / budget.takes for budget in pair)
        return math.sqrt(variance + max(0.0, pooled - own)), _welch(pair)
    for budget in pair:
        within = budget.sigma**2 - budget.take_sigma**2 / budget.takes
        shared -= min(max(0.0, within), spread**2) if budget.takes < 2 else 0.0
    return math.sqrt(variance + max(0.0, shared)), spread_dof


def _welch(pair: Sequence[Budget]) -> float:
    """Degrees of freedom of a difference (Welch, Satterthwaite)."""
    below = sum(budget.sigma**4 / budget.dof for budget in pair if math.isfinite(budget.dof))
    return sum(budget.sigma**2 for budget in pair) ** 2 / below if below > 0 else math.inf


def within_take(parts: Mapping[str, float], sigma: float) -> tuple[Component, ...]:
    """Return the components of one take whose interval stands for `sigma`, the named ones apart.

    The interval may be wider than its named parts (few degrees of freedom, one-sided limits): the rest is named "frames".

    Parameters
    ----------
    parts : mapping of source to standard uncertainty, unit of the reading
    sigma : float
        Standard uncertainty that the reading's interval stands for.
    """
    named = {source: size for source, size in parts.items() if size > 0}
    rest = sigma**2 - sum(size**2 for size in named.values())
    if rest > 0:
        named["frames"] = math.hypot(named.get("frames", 0.0), math.sqrt(rest))
    return tuple(Component(source, size) for source, size in named.items())


def between_takes_sigma(values: Sequence[float], sigmas: Sequence[float]) -> float:
    """Spread between takes beyond the errors within them (DerSimonian-Laird moment estimate, 0 if there is none)."""
    if len(values) < 2:
        return 0.0
    surplus = float(np.var(values, ddof=1)) - float(np.mean(np.square(sigmas)))
    return math.sqrt(max(0.0, surplus))


def expected_half_widths(within: float, between: float, *, most: int = 6, coverage: float = 0.95) -> dict[int, float]:
    """What repeats would buy: takes -> expected half width of the interval.

    One take shows only the error within it; the true half width of a single take, if the spread were known, is given under
    1 for comparison.
    """
    total = math.hypot(within, between)
    table = {1: coverage_factor(math.inf, coverage) * total}
    for count in range(2, most + 1):
        # Expectation of the sample deviation is c4(n) sigma.
        c4 = math.sqrt(2.0 / (count - 1)) * math.exp(math.lgamma(count / 2) - math.lgamma((count - 1) / 2))
        table[count] = coverage_factor(count - 1, coverage) * c4 * total / math.sqrt(count)
    return table


__all__ = [
    "BETWEEN",
    "CLOCK",
    "SOURCES",
    "Budget",
    "Component",
    "between_takes_sigma",
    "combine_takes",
    "coverage_factor",
    "difference_error",
    "expected_half_widths",
    "from_interval",
    "pooled_spread",
    "within_take",
]

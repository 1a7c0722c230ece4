"""Limiting resolution from tri-bar targets, and how bars relate to the modulation transfer function.

References
----------
.. [1] MIL-STD-150A, *Photographic Lenses*, 5.1.1.7: the chart.
.. [2] J. W. Coltman, J. Opt. Soc. Am. 44 (1954) 468: square-wave response and MTF.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from viewer.measure.bars import LEAST_MODULATION, SIGMAS, TargetResult

CLEAR = 0.1  # modulation from which an element tells how the transfer falls


@dataclass(frozen=True, slots=True)
class Limit:
    """Limiting resolution.

    ``state``: ``measured``, ``limit`` (everything was resolved: the truth is finer) or ``refused``; ``element`` is the finest
    element with all coarser ones resolved, ``value`` the interpolated frequency, lp/mm.
    """

    state: str
    value: float = 0.0
    low: float = 0.0
    high: float = 0.0
    element: float = 0.0
    reason: str = ""
    elements: tuple[tuple[float, float, float, bool], ...] = field(default=())


@dataclass(frozen=True, slots=True)
class _Element:
    """An element: of its two orientations the weaker counts.  `low`, `high` are the ends of the interval of `modulation`."""

    lpmm: float
    modulation: float
    sigma: float
    low: float
    high: float
    resolved: bool

    @property
    def threshold(self) -> float:
        """Modulation from which it counts as resolved."""
        return max(LEAST_MODULATION, SIGMAS * self.sigma)


def _elements(results: Sequence[TargetResult], *, single: bool) -> list[_Element]:
    """Elements, coarse to fine."""
    rows = []
    for lpmm in sorted({result.target.lpmm for result in results}):
        own = [result for result in results if result.target.lpmm == lpmm]
        weakest = min(own, key=lambda result: result.modulation)
        more = weakest.frame_sigma if single else 0.0
        low, high = weakest.interval
        passed = all(result.resolved_single if single else result.resolved for result in own)
        rows.append(
            _Element(
                lpmm,
                weakest.modulation,
                math.hypot(weakest.decision_sigma, more),
                weakest.modulation - math.hypot(weakest.modulation - low, 1.96 * more),
                weakest.modulation + math.hypot(high - weakest.modulation, 1.96 * more),
                passed,
            )
        )
    return rows


def limiting_resolution(results: Sequence[TargetResult], *, single: bool = False) -> Limit:
    """Return the limiting resolution of a set of targets.

    Parameters
    ----------
    results : sequence of TargetResult
        Both orientations of an element should be there; with one only, that one decides.
    single : bool
        For single frames rather than their mean.
    """
    rows = _elements(results, single=single)
    if not rows:
        return Limit("refused", reason="No target was marked.")
    passed = 0
    while passed < len(rows) and rows[passed].resolved:
        passed += 1
    table = tuple((row.lpmm, row.modulation, row.sigma, row.resolved) for row in rows)
    if passed == 0:
        coarsest = rows[0].lpmm
        reason = f"Not even the coarsest target ({coarsest:g} lp/mm) is resolved: mark coarser targets, or film more light."
        return Limit("refused", reason=reason, elements=table)
    if passed == len(rows):
        finest = rows[-1].lpmm
        reason = f"Every target is resolved: the limit is finer than {finest:g} lp/mm. Mark finer ones, or film farther away."
        return Limit("limit", finest, finest, finest, finest, reason, table)
    value = _crossing(rows[passed - 1], rows[passed], [row.modulation for row in rows[passed - 1 : passed + 1]])
    low = _end(rows, [row.low for row in rows])
    high = _end(rows, _falling(rows))
    return Limit("measured", value, min(value, low), max(value, high), rows[passed - 1].lpmm, "", table)


def _end(rows: Sequence[_Element], values: Sequence[float]) -> float:
    """Limit that the ends of the intervals give, as far as the targets reach."""
    passed = 0
    while passed < len(rows) and values[passed] > rows[passed].threshold:
        passed += 1
    if passed in (0, len(rows)):
        return rows[max(0, passed - 1)].lpmm
    return _crossing(rows[passed - 1], rows[passed], values[passed - 1 : passed + 1])


def _falling(rows: Sequence[_Element]) -> list[float]:
    """Upper ends of the modulations, no higher than the fall of the coarser elements leaves room for.

    What an encoder may have taken of fine bars is hardly bounded by these bars themselves.  The transfer of lenses and tubes
    falls ever faster in the logarithm (exp -(f/f0)^n, n of 1 to 2): a line through two coarser elements lies above it.
    """
    ends = [row.high for row in rows]
    for i, row in enumerate(rows):
        for j, near in enumerate(rows[:i]):
            for far in rows[:j]:
                if near.modulation < CLEAR or far.low <= 0.0 or near.lpmm < 1.25 * far.lpmm:
                    continue
                steps = (row.lpmm - near.lpmm) / (near.lpmm - far.lpmm)
                fall = min(1.0, near.high / far.low)
                ends[i] = min(ends[i], near.high * float(fall**steps))
    return [max(end, row.modulation) for end, row in zip(ends, rows)]


def _crossing(last: _Element, first: _Element, values: Sequence[float]) -> float:
    """Frequency between two elements at which their modulations `values` fall to what counts as resolved."""
    above = max(values[0] - last.threshold, 0.0)
    below = max(first.threshold - values[1], 0.0)
    share = above / (above + below) if above + below > 0 else 0.5
    return float(math.exp(math.log(last.lpmm) + share * (math.log(first.lpmm) - math.log(last.lpmm))))


def contrast_transfer_gauss(sigma_px: float, frequency: float, terms: int = 60) -> float:
    """Return the square-wave response of a Gaussian blur (Coltman 1954): (4/pi) (M(f) - M(3f)/3 + M(5f)/5 ...)."""
    total = 0.0
    for n in range(terms):
        k = 2 * n + 1
        total += (-1) ** n / k * math.exp(-2.0 * (math.pi * sigma_px * frequency * k) ** 2)
    return 4.0 / math.pi * total


def coltman_sign(k: int) -> int:
    """Return the sign B_k of Coltman's series M(f) = (pi/4) sum B_k C(kf) / k for odd `k`: 0 for repeated prime factors."""
    factors, rest, prime = 0, k, 3
    while rest > 1:
        if rest % prime == 0:
            rest //= prime
            factors += 1
            if rest % prime == 0:
                return 0
        prime += 2
    return int((-1) ** factors * (-1) ** ((k - 1) // 2))


def mtf_from_contrast_transfer(response: float) -> float:
    """Return MTF from square-wave response above a third of the cut-off, where the series has one term."""
    return math.pi / 4.0 * response


__all__ = [
    "Limit",
    "coltman_sign",
    "contrast_transfer_gauss",
    "limiting_resolution",
    "mtf_from_contrast_transfer",
]

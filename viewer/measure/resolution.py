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


def _elements(results: Sequence[TargetResult], *, single: bool) -> list[tuple[float, float, float, bool]]:
    """(lp/mm, modulation, sigma, resolved) per element, coarse to fine; of two orientations the weaker counts."""
    rows = []
    for lpmm in sorted({result.target.lpmm for result in results}):
        own = [result for result in results if result.target.lpmm == lpmm]
        weakest = min(own, key=lambda result: result.modulation)
        sigma = math.hypot(weakest.sigma, weakest.frame_sigma) if single else weakest.sigma
        passed = all(result.resolved_single if single else result.resolved for result in own)
        rows.append((lpmm, weakest.modulation, sigma, passed))
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
    while passed < len(rows) and rows[passed][3]:
        passed += 1
    table = tuple(rows)
    if passed == 0:
        reason = f"Not even the coarsest target ({rows[0][0]:g} lp/mm) is resolved: mark coarser targets, or film more light."
        return Limit("refused", reason=reason, elements=table)
    if passed == len(rows):
        reason = (
            f"Every target is resolved: the limit is finer than {rows[-1][0]:g} lp/mm. Mark finer ones, or film farther away."
        )
        return Limit("limit", rows[-1][0], rows[-1][0], rows[-1][0], rows[-1][0], reason, table)
    last, first = rows[passed - 1], rows[passed]
    values = [_crossing(last, first, shift) for shift in (0.0, -1.96, 1.96)]
    return Limit("measured", values[0], min(values), max(values), last[0], "", table)


def _crossing(last: tuple[float, float, float, bool], first: tuple[float, float, float, bool], shift: float) -> float:
    """Frequency at which the modulation, moved by `shift` errors, falls to what counts as resolved."""
    f1, m1, s1, _ = last
    f2, m2, s2, _ = first
    threshold1, threshold2 = max(LEAST_MODULATION, SIGMAS * s1), max(LEAST_MODULATION, SIGMAS * s2)
    above = max(m1 + shift * s1 - threshold1, 0.0)
    below = max(threshold2 - m2 - shift * s2, 0.0)
    share = above / (above + below) if above + below > 0 else (0.5 if shift == 0 else float(shift > 0))
    return float(math.exp(math.log(f1) + share * (math.log(f2) - math.log(f1))))


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

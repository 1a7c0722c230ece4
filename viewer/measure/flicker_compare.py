"""Rates of the gates of two devices against each other, in words that stay within the intervals."""

from __future__ import annotations

import math
from dataclasses import dataclass

ABOUT_THE_SAME = 0.02
"""Rates within this share of each other are called alike; gates drift by as much with temperature and light."""


@dataclass(frozen=True, slots=True)
class Rate:
    """A device's name, how fast its light pulses (Hz, above 0), and half the 95 % interval (Hz)."""

    name: str
    hz: float
    half_hz: float


@dataclass(frozen=True, slots=True)
class RateRatio:
    """How many times as fast the first gates as the second, with its 95 % interval; `sentence` says it."""

    ratio: float
    low: float
    high: float
    sentence: str


def compare_rates(first: Rate, second: Rate) -> RateRatio:
    """Return how the rates of two gates compare.

    The relative errors of a ratio add in quadrature (JCGM 100:2008, 5.1.6).  What a common camera clock is off cancels in it;
    rates that carry it make the interval wider than need be, by less than 0.01 %.
    """
    ratio = first.hz / second.hz
    spread = math.hypot(first.half_hz / first.hz, second.half_hz / second.hz)
    low, high = ratio * (1.0 - spread), ratio * (1.0 + spread)
    fast, slow = (first, second) if ratio >= 1.0 else (second, first)
    times = fast.hz / slow.hz
    pair = f"{fast.hz:.5g} Hz against {slow.hz:.5g} Hz; 95 %: {_span(times, times * spread)} times"
    if low <= 1.0 <= high:
        sentence = f"{first.name} and {second.name} gate at the same rate within the error ({pair})."
    elif times < 1.0 + ABOUT_THE_SAME:
        sentence = f"{fast.name} gates {100 * (times - 1):.2g} % faster than {slow.name} ({pair})."
    else:
        sentence = f"{fast.name} gates about {_times(times)} times as fast as {slow.name} ({pair})."
    return RateRatio(ratio, low, high, sentence)


def _times(times: float) -> str:
    return f"{times:.0f}" if times >= 99.5 else f"{times:.2g}"


def _span(middle: float, half: float) -> str:
    """Return the ends of an interval, with as many digits as its width bears."""
    places = 0 if half <= 0 else min(6, max(0, 1 - math.floor(math.log10(half))))
    return f"{middle - half:.{places}f} to {middle + half:.{places}f}"


__all__ = ["Rate", "RateRatio", "compare_rates"]

"""Rates of two devices against each other, in words that stay within the intervals."""

from __future__ import annotations

import math
from dataclasses import dataclass

from viewer.measure.readings import Reading

ABOUT_THE_SAME = 0.02
"""Rates within this share of each other are called alike; gates drift by as much with temperature and light."""


@dataclass(frozen=True, slots=True)
class RateRatio:
    """How many times as fast the first gates as the second, with its 95 % interval; `sentence` says it."""

    ratio: float
    low: float
    high: float
    sentence: str


def compare_rates(first_name: str, first: Reading, second_name: str, second: Reading) -> RateRatio | None:
    """Return how the rates of two devices compare, or None where one of them is not known.

    Parameters
    ----------
    first_name, second_name : str
        Names of the devices.
    first, second : Reading
        Their ``modulation_frequency``.
    """
    if first.state != "measured" or second.state != "measured" or not first.value or not second.value:
        return None
    ratio = first.value / second.value
    spread = math.hypot((first.half_width or 0.0) / first.value, (second.half_width or 0.0) / second.value)
    low, high = ratio * (1.0 - spread), ratio * (1.0 + spread)
    fast, slow, times = (first_name, second_name, ratio) if ratio >= 1.0 else (second_name, first_name, 1.0 / ratio)
    pair = f"{first.value:.5g} Hz against {second.value:.5g} Hz"
    if low <= 1.0 <= high:
        sentence = f"{first_name} and {second_name} pulse at the same rate within the error ({pair})."
    elif times < 1.0 + ABOUT_THE_SAME:
        sentence = f"{fast} pulses {100 * (times - 1):.2g} % faster than {slow} ({pair})."
    else:
        sentence = f"{fast} pulses about {times:.2g} times as fast as {slow} ({pair})."
    return RateRatio(ratio, low, high, sentence)


__all__ = ["RateRatio", "compare_rates"]

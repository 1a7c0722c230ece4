"""Lines against a clip of the source without the device, mixtures of gate and source, and mains."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from viewer.measure.flicker_candidates import Choice, shared_with
from viewer.measure.flicker_model import Modulation


def as_mains(item: Modulation) -> Modulation:
    """A lamp that lights the whole scene pulses everywhere too: at twice the mains frequency the place does not tell."""
    if (
        item.label
        and item.frequency_hz
        and item.frequency_hz < 125.0
        and item.origin == "tube"
        and "without the device" not in item.reason
    ):
        reason = "it pulses everywhere, but at the rate of lamps on the mains"
        return replace(item, origin="unknown", reason=reason)
    return item


def compare_with_source(
    items: Sequence[Modulation], choices: Sequence[Choice], visible: Callable[[float], bool]
) -> tuple[list[Modulation], list[str]]:
    """Label each line by whether the clip without the device shows it too.

    Parameters
    ----------
    items : sequence of Modulation
    choices : sequence of Choice
        Of the lines of the clip without the device.
    visible : callable
        Whether that clip could have shown a frequency (Hz).
    """
    out = []
    notes: list[str] = []
    rates = [other.candidates[0].frequency_hz for other in choices if other.single is not None]
    for item in items:
        shared = any(shared_with(item.choice, other) for other in choices)
        sideband = "" if shared else _sideband(item, items, rates)
        if shared:
            item = replace(item, origin="source", reason="the clip without the device shows it too")
        elif sideband:
            item = replace(item, origin="unknown", reason=sideband)
            notes.append(sideband)
        elif item.frequency_hz is not None and visible(item.frequency_hz):
            item = replace(item, origin="tube", reason="the clip without the device does not show it")
        out.append(item)
    return out, notes


def _sideband(item: Modulation, items: Sequence[Modulation], source_hz: Sequence[float]) -> str:
    """Return how a line follows from a gate and a source that multiply, or nothing."""
    if item.frequency_hz is None:
        return ""
    for other in items:
        if other is item or other.frequency_hz is None or other.recorded < item.recorded:
            continue
        for rate in source_hz:
            for h in (1, 2):
                for k in (1, 2):
                    for value in (h * other.frequency_hz + k * rate, abs(h * other.frequency_hz - k * rate)):
                        if abs(value - item.frequency_hz) < 0.05:
                            return (
                                f"{item.frequency_hz:.2f} Hz is a mixture of {other.frequency_hz:.2f} Hz and the source's"
                                f" {rate:.2f} Hz"
                            )
    return ""


__all__ = [
    "as_mains",
    "compare_with_source",
]

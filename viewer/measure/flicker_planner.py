"""Which frequencies a camera setting can and cannot show."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from viewer.measure.flicker_sampling import HIGHEST_HZ, LOWEST_HZ, exposure_attenuation
from viewer.measure.flicker_waveform import LEAST_TRANSMISSION

Floats = NDArray[np.float64]
Zone = tuple[float, float]

BAND_OF_INTEREST_HZ: Zone = (37.0, 2400.0)
"""Where gating and lamp flicker are looked for; shares of it are counted in octaves."""


def merge(zones: Iterable[Zone]) -> list[Zone]:
    """Return the union of intervals, rising."""
    out: list[Zone] = []
    for low, high in sorted(zone for zone in zones if zone[1] > zone[0]):
        if out and low <= out[-1][1]:
            out[-1] = (out[-1][0], max(out[-1][1], high))
        else:
            out.append((low, high))
    return out


def common(first: Sequence[Zone], second: Sequence[Zone]) -> list[Zone]:
    """Return where two unions of intervals overlap."""
    both = [(max(a, c), min(b, d)) for a, b in first for c, d in second]
    return merge(zone for zone in both if zone[1] > zone[0])


def shutter_zones(exposure_s: float, *, highest_hz: float = HIGHEST_HZ, least: float = LEAST_TRANSMISSION) -> list[Zone]:
    """Return where the exposure leaves less than the share `least` of a modulation (Hz)."""
    zones: list[Zone] = []
    for null in range(1, math.ceil(highest_hz * exposure_s) + 1):
        around = np.linspace(null - 1.0, null + 1.0, 4001)
        around = around[around > 0]
        weak = np.abs(np.sinc(around)) < least
        inside = weak & (np.abs(around - null) <= 1.0)
        if not inside.any():
            continue
        # the stretch of weak samples that holds the null itself
        middle = int(np.argmin(np.abs(around - null)))
        left = middle
        while left > 0 and weak[left - 1]:
            left -= 1
        right = middle
        while right < weak.size - 1 and weak[right + 1]:
            right += 1
        zones.append((around[left] / exposure_s, around[right] / exposure_s))
    return merge((low, min(high, highest_hz)) for low, high in zones if low < highest_hz)


def standing_zones(frame_rate: float, duration_s: float, *, highest_hz: float = HIGHEST_HZ) -> list[Zone]:
    """Return where bands move by less than a tenth of a period in the whole clip (Hz)."""
    half = 0.1 / duration_s
    return [(k * frame_rate - half, k * frame_rate + half) for k in range(1, int(highest_hz / frame_rate) + 1)]


def blind_zones(
    frame_rate: float | None,
    exposure_s: float | None,
    duration_s: float,
    *,
    row_time_s: float | None = None,
    highest_hz: float = HIGHEST_HZ,
) -> list[Zone]:
    """Return the frequencies that a setting could not have shown (Hz, merged, rising).

    Parameters
    ----------
    frame_rate : float or None
        Rate at which aliases repeat; None for frames so uneven that nothing stands still.
    exposure_s : float or None
        Shutter time; None leaves its zones out.
    duration_s : float
        Length of the clip.
    row_time_s : float, optional
        With it, frequencies above half the row rate are blind as well.
    """
    zones: list[Zone] = [(0.0, max(LOWEST_HZ, 2.0 / duration_s))]
    if frame_rate is not None:
        zones += standing_zones(frame_rate, duration_s, highest_hz=highest_hz)
    if exposure_s is not None:
        zones += shutter_zones(exposure_s, highest_hz=highest_hz)
    if row_time_s is not None and 0.5 / row_time_s < highest_hz:
        zones.append((0.5 / row_time_s, highest_hz))
    return merge(zones)


def blind_share(zones: Sequence[Zone], band: Zone = BAND_OF_INTEREST_HZ) -> float:
    """Return the share of `band` that lies in `zones`, counted in octaves (0 .. 1)."""
    total = math.log2(band[1] / band[0])
    inside = [(max(low, band[0]), min(high, band[1])) for low, high in merge(zones)]
    return sum(math.log2(high / low) for low, high in inside if high > low) / total


def share_words(share: float) -> str:
    """Return a share of the band in words: ``41 % blind``, ``<1 % blind``; none only where it is none."""
    return "<1 % blind" if 0.0 < share < 0.005 else f"{100 * share:.0f} % blind"


@dataclass(frozen=True, slots=True)
class Setting:
    """One combination of frame rate and shutter, and what it shows.

    ``alias_hz`` holds, per frequency of ``of_interest_hz``, where it appears; ``transmission`` what the shutter leaves.
    """

    frame_rate: float
    exposure_s: float
    blind_hz: tuple[Zone, ...]
    share_blind: float
    transmission: Floats
    alias_hz: Floats


@dataclass(frozen=True, slots=True)
class Plan:
    """Settings compared: each alone, and what is blind in all of them together."""

    frequencies_hz: Floats
    settings: tuple[Setting, ...]
    blind_in_all_hz: tuple[Zone, ...]
    ambiguous_rates: tuple[tuple[float, float], ...]
    notes: tuple[str, ...]


def exact_rate(rate: float) -> float:
    """Return the rate that a rounded one stands for: 59.94 is 60000/1001."""
    for whole in (24, 30, 48, 60, 120, 240):
        exact = whole * 1000.0 / 1001.0
        if abs(rate - exact) < 0.006:
            return exact
    return rate


def related(first: float, second: float, *, highest_hz: float = 2400.0) -> bool:
    """Whether two frame rates share a multiple below `highest_hz`, so that they leave the same aliases undecided."""
    if math.isclose(first, second, rel_tol=1e-6):
        return True
    for k in range(1, int(highest_hz / first) + 1):
        if abs(k * first / second - round(k * first / second)) * second < 0.02:
            return True
    return False


def plan(
    frame_rates: Sequence[float],
    exposures_s: Sequence[float],
    *,
    duration_s: float = 4.0,
    readout_s: float | None = None,
    mains_hz: float = 50.0,
    highest_hz: float = 2500.0,
) -> Plan:
    """Return what every combination of frame rate and shutter can and cannot show.

    Parameters
    ----------
    frame_rates, exposures_s : sequence of float
        Frames per second and shutter times (s).
    readout_s : float, optional
        Readout time of the picture; adds a note where it exceeds the frame time.
    mains_hz : {50, 60}
        Lamps pulse at twice this.
    """
    grid = np.geomspace(20.0, highest_hz, 400)
    settings = []
    notes: list[str] = []
    for rate in frame_rates:
        for exposure in exposures_s:
            zones = blind_zones(rate, exposure, duration_s, highest_hz=highest_hz)
            settings.append(
                Setting(
                    frame_rate=rate,
                    exposure_s=exposure,
                    blind_hz=tuple(zones),
                    share_blind=blind_share(zones),
                    transmission=exposure_attenuation(grid, exposure),
                    alias_hz=np.abs(grid - np.round(grid / rate) * rate),
                )
            )
            if exposure > 1.0 / rate + 1e-9:
                notes.append(f"A shutter of 1/{1 / exposure:.4g} s is longer than a frame at {rate:.4g} fps.")
        lamp = 2.0 * mains_hz
        if abs(lamp - round(lamp / rate) * rate) < 0.5:
            notes.append(
                f"At {rate:.5g} fps the bands of mains lamps ({lamp:.0f} Hz) stand (almost) still and look like shading."
            )
        if readout_s is not None and readout_s > 1.0 / rate:
            notes.append(f"A readout of {1e3 * readout_s:.4g} ms does not fit into a frame at {rate:.5g} fps.")
    for exposure in exposures_s:
        if abs(2.0 * mains_hz * exposure - round(2.0 * mains_hz * exposure)) < 0.02:
            notes.append(
                f"A shutter of 1/{1 / exposure:.4g} s removes mains flicker exactly, and with it any gating at its multiples."
            )
    everywhere: list[Zone] = list(settings[0].blind_hz) if settings else []
    for setting in settings[1:]:
        everywhere = common(everywhere, setting.blind_hz)
    rates = sorted(set(frame_rates))
    pairs = [(a, b) for i, a in enumerate(rates) for b in rates[i + 1 :] if related(a, b)]
    for a, b in pairs:
        notes.append(f"{a:.5g} and {b:.5g} fps are related: together they leave aliases undecided.")
    if len(rates) < 2 and readout_s is None:
        notes.append(
            "One frame rate alone leaves a candidate per multiple of it: add an unrelated one, such as 50 beside 59.94."
        )
    return Plan(grid, tuple(settings), tuple(everywhere), tuple(pairs), tuple(dict.fromkeys(notes)))


__all__ = [
    "BAND_OF_INTEREST_HZ",
    "Plan",
    "Setting",
    "blind_share",
    "blind_zones",
    "common",
    "exact_rate",
    "merge",
    "plan",
    "related",
    "share_words",
    "shutter_zones",
    "standing_zones",
]

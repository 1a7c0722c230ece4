"""The verdict in words, and what to film next."""

from __future__ import annotations

from collections.abc import Sequence

from viewer.measure import flicker_planner as planner
from viewer.measure.flicker_model import Clip, Modulation
from viewer.measure.flicker_sampling import Clock, alias_frequency
from viewer.measure.flicker_standing import ALIKE, Bands

LEAST_FRAMES = 24


LEAST_SECONDS = 0.5


MOST_BLIND = 0.5
"""If more than this share of the band of interest (in octaves) is blind, nothing seen means nothing."""


MOST_LIMIT = 0.2
"""If less than this relative amplitude could have been seen, the clip is too coarse for "steady"."""

MAINS_LAMPS_HZ = (100.0, 120.0)
MAINS_WANDER = 0.002
"""Grids keep within this of their frequency nearly always (relative, practice)."""

WIDE_ZONE = 1.1
"""Blind zones whose end is this much above their start are named in the verdict."""


def say_modulated(items: Sequence[Modulation]) -> str:
    parts = []
    for item in items:
        who = {"tube": "The tube pulses", "source": "The light source pulses", "unknown": "Something pulses"}[item.origin]
        if item.frequency_hz is not None:
            label = f" ({item.label})" if item.label else ""
            about = f", wandering by {item.wander_hz:.2g} Hz" if item.wander_hz else ""
            parts.append(f"{who} at {item.frequency_hz:.3f} Hz{label}{about}: {item.reason}.")
        else:
            listed = ", ".join(f"{c.frequency_hz:.2f}" for c in item.choice.candidates[:5])
            more = len(item.choice.candidates)
            parts.append(f"{who}; {more} frequencies fit, the likeliest {listed} Hz: {item.reason}.")
    if all(item.origin == "source" for item in items):
        parts.append("No gating of the tube was seen.")
    return " ".join(parts)


def say_nothing(
    clip: Clip, clock: Clock, standing: Bands | None, has_flat: bool, zones: Sequence[tuple[float, float]], limit: float
) -> tuple[str, str]:
    """Return word and sentence where no line convinced; `zones` are the blind frequencies (Hz)."""
    share = planner.blind_share(zones)
    if clock.times_s.size < LEAST_FRAMES or clock.duration_s < LEAST_SECONDS:
        return "cannot tell", (
            f"The clip is too short: {clock.times_s.size} frames in {clock.duration_s:.2f} s; film at least 4 s."
        )
    if clip.clipped_share > 0.8:
        return "cannot tell", "Nearly all of the region is clipped: film again with less exposure."
    if standing is not None and standing.agreement > ALIKE and standing.prominence > 3.0:
        if has_flat and standing.amplitude > 0.01:
            return "cannot tell", (
                f"Bands of {100 * standing.amplitude:.1f} % stand still against the flat reference: something pulses at a"
                f" multiple of {clock.rate:.3f} Hz. Film at another frame rate to learn which."
            )
        if not has_flat and standing.amplitude > 0.015:
            return "cannot tell", (
                f"Regular bands ({standing.q:.1f} in the picture) stand still: light that pulses at a multiple of"
                f" {clock.rate:.3f} Hz, or stripes of the scene. Film at another frame rate, or give a flat reference."
            )
    if share > MOST_BLIND and clip.exposure_s is not None:
        return "cannot tell", (
            f"Nothing was seen, but a shutter of 1/{1 / clip.exposure_s:.4g} s hides {100 * share:.0f} % of the band from"
            f" {planner.BAND_OF_INTEREST_HZ[0]:.0f} to {planner.BAND_OF_INTEREST_HZ[1]:.0f} Hz: film with a shorter shutter."
        )
    if limit > MOST_LIMIT:
        return "cannot tell", (
            f"The clip is compressed so hard that less than {100 * limit:.0f} % could have been lost:"
            " film at a higher bit rate."
        )
    known = "" if clip.exposure_s is not None else " What the shutter hid is not known: give its time."
    return "steady", (
        f"No modulation of {100 * limit:.2g} % or more as recorded, outside the blind frequencies"
        f" ({100 * share:.0f} % of the band of interest{_wide(zones)}).{known}{_hidden_lamps(clock)}"
    )


def _hidden_lamps(clock: Clock) -> str:
    """Return in words which mains lamps stand almost still at this frame rate, nothing if none does."""
    lamps = [f"{hz:.0f}" for hz in MAINS_LAMPS_HZ if alias_frequency(hz, clock.rate) < MAINS_WANDER * hz]
    if not lamps:
        return ""
    return (
        f" Mains lamps ({' or '.join(lamps)} Hz) stand almost still at {clock.rate:.5g} fps and look like shading:"
        " another frame rate shows them."
    )


def _wide(zones: Sequence[tuple[float, float]]) -> str:
    """Return the widest blind zones within the band of interest in words, nothing if all are narrow."""
    low, high = planner.BAND_OF_INTEREST_HZ
    inside = [(max(a, low), min(b, high)) for a, b in planner.merge(zones)]
    wide = [(a, b) for a, b in inside if b > WIDE_ZONE * a]
    listed = ", ".join(f"{a:.0f} to {b:.0f}" for a, b in wide[:4])
    return f": above all {listed} Hz" if wide else ""


def advise(clip: Clip, clock: Clock, items: Sequence[Modulation], word: str, zones: Sequence[tuple[float, float]]) -> list[str]:
    out = []
    if any(item.frequency_hz is None for item in items):
        rate = 50.0 if abs(clock.rate - 50.0) > 1.0 else 60000 / 1001
        out.append(f"Film the same at an unrelated frame rate ({rate:.5g} fps) and give it with --also.")
        if clip.readout_s is None:
            out.append("Or calibrate the readout on a lamp of known frequency (gloaming readout) and give --readout-ms.")
    if any(item.origin == "unknown" for item in items):
        out.append("Film the lamp or screen without the device, same settings, and give it with --source.")
    if any(item.lower_bound for item in items) and clip.exposure_s is None:
        out.append("Give the shutter time: the depth is a lower bound without it.")
    if word == "steady" and clip.exposure_s is not None and 4.0 * clip.exposure_s > 1.0 / 500.0:
        out.append("A shutter of 1/2000 s or less would show faster gating.")
    if word == "cannot tell":
        out.append("Film 4 s or more at 1/2000 s shutter, at two unrelated frame rates such as 50 and 59.94.")
    return out


__all__ = [
    "advise",
    "say_modulated",
    "say_nothing",
]

"""Analysis of a clip to readings, extras and plots of the result document."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from viewer.measure import flicker as measure
from viewer.measure.errorbudget import CLOCK
from viewer.measure.readings import Flag, Reading, refused
from viewer.tasks.flicker_gather import Gathered

if TYPE_CHECKING:
    from viewer.media.reader import ClipReader

CLOCK_PPM = 50.0
"""How far the clock of a camera may be off, parts per million (limits): usual for crystals of consumer goods (practice)."""
CLIPPED_TOLD = 0.02
"""Part of the lit picture that may clip without a word."""
LOSS_TOLD = 0.1
"""A depth that an encoder may have changed by more than this share is flagged."""
_ORIGINS = {"tube": Flag.OF_TUBE, "source": Flag.OF_SOURCE}
METHOD = "joint least squares of still scene, frame gain and travelling wave over rows and frames"


def readings(analysis: measure.Analysis, place: str, rows: Gathered, clip: ClipReader) -> list[Reading]:
    flags = rows.flags | Flag.ONE_TAKE
    if clip.info.bits_per_pixel and clip.info.bits_per_pixel < 0.1:
        flags |= Flag.COMPRESSED
    if rows.clipped_share > CLIPPED_TOLD:
        flags |= Flag.CLIPPED
    if clip.info.assumed:
        flags |= Flag.ASSUMED_LIGHT
    out: list[Reading] = []
    for index, item in enumerate(analysis.modulations):
        out += _of_line(item, place if index == 0 else f"{place}/line-{index + 1}", rows, flags)
    if not analysis.modulations:
        reason = analysis.sentence
        for name, unit in (
            ("modulation_frequency", "Hz"),
            ("modulation_depth", "%"),
            ("flicker_index", "1"),
            ("alias_frequency", "Hz"),
        ):
            out.append(refused(name, place, unit, reason, flags=flags, frames=rows.frames, method=METHOD))
            # once is enough: the others follow from it
            reason = "Nothing was found to measure; see the modulation frequency."
    out.append(
        Reading(
            name="detection_limit",
            of=place,
            value=100.0 * analysis.limit,
            unit="%",
            flags=flags,
            frames=rows.frames,
            method="smallest relative amplitude, as recorded, that would have been reported in 19 of 20 clips",
        )
    )
    return out


def clock_sigma(frequency_hz: float) -> float:
    """Return the standard uncertainty (Hz) that the camera's own clock leaves in a frequency.

    A uniform error within +/- `CLOCK_PPM` (JCGM 100:2008, 4.3.7).  The alias counts in the clip's own time and has none.
    """
    return 1e-6 * CLOCK_PPM * frequency_hz / math.sqrt(3.0)


def _of_line(item: measure.Modulation, place: str, rows: Gathered, flags: Flag) -> list[Reading]:
    out = []
    if item.wander_hz:
        flags |= Flag.DRIFT
    flags |= _ORIGINS.get(item.origin, Flag.NONE)
    common = {"frames": rows.frames, "pixels": 0, "method": METHOD}
    if item.frequency_hz is not None:
        clock = clock_sigma(item.frequency_hz)
        half = 1.96 * float(np.hypot(item.sigma_hz, clock))
        out.append(
            Reading(
                name="modulation_frequency",
                of=place,
                value=item.frequency_hz,
                unit="Hz",
                low=item.frequency_hz - half,
                high=item.frequency_hz + half,
                flags=flags,
                budget=(("frames", item.sigma_hz), (CLOCK, clock)),
                **common,  # type: ignore[arg-type]
            )
        )
    else:
        count = len(item.choice.candidates)
        reason = f"{count} frequencies fit: film at a second, unrelated frame rate, or calibrate the readout."
        out.append(refused("modulation_frequency", place, "Hz", reason, flags=flags, frames=rows.frames, method=METHOD))
    shape = item.waveform
    less, more = (abs(end / max(item.recorded, 1e-9) - 1.0) for end in item.recorded_range)
    depth_flags = flags | (Flag.SHUTTER_LOSS if item.lower_bound else Flag.NONE)
    scatter = 1.96 * item.line.wave.sigma_amplitude / max(item.recorded, 1e-9)
    if max(less, more) > max(LOSS_TOLD, 2.0 * scatter):
        depth_flags |= Flag.COMPRESSED
    bound = "The exposure removed part of it: give the shutter time, or film with a shorter one." if item.lower_bound else None
    for name, value, ends, unit, most in (
        ("modulation_depth", shape.depth_percent, shape.depth_range, "%", 100.0),
        ("flicker_index", shape.index, shape.index_range, "1", 1.0),
    ):
        out.append(
            Reading(
                name=name,
                of=place,
                value=value,
                unit=unit,
                low=max(value - float(np.hypot(value - ends[0], value * less)), 0.0),
                high=min(value + float(np.hypot(ends[1] - value, value * more)), most),
                state="limit" if item.lower_bound else "measured",
                reason=bound,
                flags=depth_flags,
                **common,  # type: ignore[arg-type]
            )
        )
    if item.alias_hz is None:
        reason = "Frames are so uneven that there is no alias."
        out.append(refused("alias_frequency", place, "Hz", reason, flags=flags, frames=rows.frames))
    else:
        half = 1.96 * item.line.wave.sigma_hz
        out.append(
            Reading(
                name="alias_frequency",
                of=place,
                value=item.alias_hz,
                unit="Hz",
                low=max(0.0, item.alias_hz - half),
                high=item.alias_hz + half,
                flags=flags,
                **common,  # type: ignore[arg-type]
            )
        )
    return out


def extras(analysis: measure.Analysis, rows: Gathered) -> dict[str, Any]:
    first = analysis.strongest
    lines = []
    for item in analysis.modulations:
        likeliest = item.choice.candidates[0].frequency_hz
        lines.append(
            {
                "frequency_hz": item.frequency_hz if item.frequency_hz is not None else likeliest,
                "certain": item.frequency_hz is not None,
                "depth_percent": item.waveform.depth_percent,
                "recorded": item.recorded,
                "recorded_range": list(item.recorded_range),
                "origin": item.origin,
                "label": item.label,
                "reason": item.reason,
                "duty": item.waveform.duty,
                "candidates_hz": [c.frequency_hz for c in item.choice.candidates],
            }
        )
    return {
        "candidates_hz": [c.frequency_hz for c in first.choice.candidates] if first else [],
        "candidates": [
            {"frequency_hz": c.frequency_hz, "weight": c.weight, "readout_ms": 1e3 * c.readout_s}
            for c in (first.choice.candidates if first else ())
        ],
        "blind_hz": [[low, high] for low, high in analysis.blind_hz],
        "blind_share": analysis.blind_share,
        "fundamental_recorded": first.recorded if first else None,
        "lines": lines,
        "origin": first.origin if first else "unknown",
        "advice": list(analysis.advice),
        "readout_direction": rows.direction,
    }


def plots(analysis: measure.Analysis, rows: Gathered) -> dict[str, Any]:
    relative = analysis.relative
    mean, _ = relative.combine()
    first = analysis.strongest
    out: dict[str, Any] = {
        "rows_by_time": mean.astype(np.float32),
        "times_s": relative.clock.times_s,
        "blind_hz": [list(zone) for zone in analysis.blind_hz],
        "direction": rows.direction,
    }
    if analysis.found is not None:
        out |= spectrum(analysis)
    if first is not None:
        out["candidates_hz"] = [c.frequency_hz for c in first.choice.candidates]
        wave = first.waveform
        out["waveform"] = {"phase": wave.phase, "recorded": wave.recorded, "light": wave.light}
        out["depth_map"] = depth_map(first, rows)
        out["lines"] = [
            {
                "hz": item.choice.candidates[0].frequency_hz,
                "alias_hz": item.alias_hz,
                "recorded": item.recorded,
                "origin": item.origin,
            }
            for item in analysis.modulations
        ]
        out["candidate_weights"] = [c.weight for c in first.choice.candidates]
    return out


def depth_map(item: measure.Modulation, rows: Gathered) -> dict[str, Any]:
    """Return where in the picture a line pulses, as the picture stands upright.

    ``percent`` (nan where it cannot be said) and ``light`` are of shape (down, across) and cover `rect` (x, y, w, h; px).
    ``share`` is ``percent`` over the depth of the line.
    """
    share, light = upright(item.place.share, rows.direction), upright(item.place.light, rows.direction)
    return {
        "share": share,
        "light": light,
        "percent": np.clip(share * item.waveform.depth_percent, 0.0, 100.0),
        "depth_percent": item.waveform.depth_percent,
        "rect": list(rows.mapped),
    }


def upright(turned: NDArray[np.float64], direction: str) -> NDArray[np.float64]:
    """Return a map whose rows run along the readout as the picture stands upright."""
    flipped = turned[::-1] if direction in ("up", "left") else turned
    return flipped.T if direction in ("left", "right") else flipped


def spectrum(analysis: measure.Analysis) -> dict[str, Any]:
    """Return the amplitude spectrum: over frequency where the readout is known, else over the alias."""
    assert analysis.found is not None
    plane, clock = analysis.found.plane, analysis.relative.clock
    readout_s = analysis.clip.readout_s
    if readout_s is None:
        return {"spectrum_hz": plane.g_hz, "spectrum": plane.amplitude.max(axis=1), "spectrum_is": "alias"}
    span = readout_s * analysis.relative.share
    step = plane.g_hz[1] - plane.g_hz[0]
    frequency = np.arange(2.0, 3000.0, step)
    fold_hz = clock.fold_hz
    signed = frequency - np.round(frequency / fold_hz) * fold_hz if np.isfinite(fold_hz) else frequency
    periods = np.where(signed >= 0, 1.0, -1.0) * frequency * span
    i = np.clip(np.round(np.abs(signed) / step).astype(int), 0, plane.g_hz.size - 1)
    j = np.clip(np.searchsorted(plane.q, periods), 0, plane.q.size - 1)
    inside = np.abs(periods) < plane.q[-1]
    return {"spectrum_hz": frequency[inside], "spectrum": plane.amplitude[i, j][inside], "spectrum_is": "frequency"}


__all__ = [
    "CLIPPED_TOLD",
    "CLOCK_PPM",
    "clock_sigma",
    "depth_map",
    "extras",
    "plots",
    "readings",
    "spectrum",
    "upright",
]

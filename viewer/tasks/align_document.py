"""What lining up two clips found, as readings and entries of the result document."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from viewer.align.stability import ShiftTrack
from viewer.measure.readings import Reading, refused

if TYPE_CHECKING:
    from viewer.tasks.align import PairAlignment

TIME_METHOD = {
    "sound": "windowed sound correlation weighted by coherence, robust line",
    "sound onsets": "onsets of sound events, robust line",
    "light steps": "steps of the light, row by row, readout and exposure fitted",
    "motion": "movement in the picture, brightness taken out",
}
POSE_METHOD = "least squares on band-passed logarithmic light inside the field, confirmed by {by}"
MARKED_METHOD = "similarity through marked points"


def readings_of(name: str, found: PairAlignment) -> list[Reading]:
    """Return the six readings of a clip: offset, rate, scale, rotation, shift_x, shift_y."""
    return _time_readings(name, found) + _pose_readings(name, found)


def _time_readings(name: str, found: PairAlignment) -> list[Reading]:
    fit = found.clock_fit
    if fit is None:
        return [
            refused(key, name, unit, found.clock_reason, flags=found.flags) for key, unit in (("offset", "s"), ("rate", "ppm"))
        ]
    method = TIME_METHOD.get(fit.kind, fit.kind)
    count = int(fit.used.sum())
    offset = Reading(
        name="offset",
        of=name,
        value=fit.clock.offset_s,
        unit="s",
        low=fit.offset_low_s,
        high=fit.offset_high_s,
        flags=found.flags,
        frames=count,
        method=method,
    )
    if not fit.rate_known:
        reason = "the evidence covers too short a time to tell the rate; equal clocks are assumed. Clap at start and end."
        return [offset, refused("rate", name, "ppm", reason, flags=found.flags, frames=count, method=method)]
    rate = Reading(
        name="rate",
        of=name,
        value=fit.clock.rate_ppm,
        unit="ppm",
        low=fit.rate_low_ppm,
        high=fit.rate_high_ppm,
        flags=found.flags,
        frames=count,
        method=method,
    )
    return [offset, rate]


def _pose_readings(name: str, found: PairAlignment) -> list[Reading]:
    units = (("scale", "1"), ("rotation", "deg"), ("shift_x", "px"), ("shift_y", "px"))
    fit, pose = found.pose_fit, found.pose
    if fit is None or pose is None:
        return [refused(key, name, unit, found.pose_reason, flags=found.flags, frames=found.frames) for key, unit in units]
    if fit.pose is None:  # points alone: how far to trust them is the operator's to say
        return [
            Reading(name=key, of=name, value=float(value), unit=unit, flags=found.flags, method=MARKED_METHOD)
            for (key, unit), value in zip(units, (pose.scale, pose.rotation_deg, pose.shift_x, pose.shift_y), strict=True)
        ]
    values = (pose.scale, pose.rotation_deg, pose.shift_x, pose.shift_y)
    sigmas = (fit.scale_sigma, fit.rotation_sigma_deg, *fit.shift_sigma_px)
    method = POSE_METHOD.format(by=pose.pose_by.partition("+")[2])
    return [
        Reading(
            name=key,
            of=name,
            value=float(value),
            unit=unit,
            low=float(value - 1.96 * sigma),
            high=float(value + 1.96 * sigma),
            flags=found.flags,
            frames=found.frames,
            method=method,
        )
        for (key, unit), value, sigma in zip(units, values, sigmas, strict=True)
    ]


def entry(found: PairAlignment, px_per_degree: float | None = None) -> dict[str, Any]:
    """Return what a clip's entry in the document says beside its readings; degrees only where the scale is known."""
    pose, clock, circle, fit = found.pose, found.clock, found.circle, found.pose_fit
    return {
        "matrix": pose.matrix.tolist() if pose else None,
        "field_circle": [circle.cx, circle.cy, circle.radius] if circle else None,
        "field_circle_residual_px": circle.residual_px if circle else None,
        "mirrored": pose.mirrored if pose else None,
        "sync_by": clock.sync_by if clock else None,
        "pose_by": pose.pose_by if pose else None,
        "residual_px": pose.residual_px if pose else None,
        "residual_s": clock.residual_s if clock else None,
        "residual_deg": pose.residual_px / px_per_degree if pose and px_per_degree and pose.residual_px is not None else None,
        "agreement": fit.agreement if fit else None,
        "overlap": fit.overlap if fit and fit.pose else None,
        "second_method_px": fit.second_px if fit else None,
        "corners": fit.corners if fit else 0,
        "corners_px": fit.corners_px if fit else None,
        "radial": asdict(fit.radial) if fit and fit.radial else None,
        "homography": found.homography.tolist() if found.homography is not None else None,
        "moved_px": found.track.rms_px if found.track is not None else 0.0,
        "shift_track": _track_entry(found.track),
        "levels": [list(pair) for pair in found.levels],
        "witnesses": [
            {
                "kind": row.kind,
                "offset_s": row.offset_s,
                "sigma_s": row.sigma_s,
                "rate_ppm": row.rate_ppm,
                "score": row.score if math.isfinite(row.score) else None,
                "moments": row.moments,
                "chosen": row.chosen,
                "agrees": row.agrees,
                "text": row.text,
            }
            for row in found.witnesses
        ],
    }


def lines_of(name: str, entry: dict[str, Any]) -> list[str]:
    """Return what a clip's entry says beside its readings, for a terminal: evidence of time, angle, field circle."""
    lines = [f"{name}:"]
    for row in entry["witnesses"]:
        lines.append(f"  time, {row['kind']}: {_witness_words(row)}")
    if entry["pose_by"] and entry["pose_by"] != "reference":
        lines.append(f"  angle, {entry['pose_by']}: {_pose_words(entry)}")
    if entry["field_circle"]:
        x, y, radius = entry["field_circle"]
        edge = entry["field_circle_residual_px"]
        scatter = "" if edge is None else f", edge within {edge:.2f} px"
        lines.append(f"  field circle: centre {x:.2f}, {y:.2f}, radius {radius:.2f} px{scatter}")
    else:
        lines.append("  field circle: none found")
    return lines


def _witness_words(row: dict[str, Any]) -> str:
    """One witness: its offset and error and whether it is used, agrees, or why it has no answer."""
    if row["offset_s"] is None:
        return f"no answer: {row['text']}"
    sigma = row["sigma_s"] or 0.0
    digits = min(max(1 - math.floor(math.log10(sigma)), 0), 7) if sigma > 0 else 6
    words = f"offset {row['offset_s']:+.{digits}f} s, 1 sigma {sigma:.1g} s"
    if row["rate_ppm"] is not None:
        words += f", rate {row['rate_ppm']:+.1f} ppm"
    stand = {True: "agrees", False: "disagrees", None: "not used"}[row["agrees"]]
    words += f" ({'used' if row['chosen'] else stand})"
    return f"{words}; {row['text']}" if row["text"] else words


def _pose_words(entry: dict[str, Any]) -> str:
    """Mirror, residual, the method that confirms, and the share of the field."""
    words = ["mirrored" if entry["mirrored"] else "not mirrored"]
    if entry["residual_px"] is not None:
        degrees = "" if entry["residual_deg"] is None else f" ({entry['residual_deg']:.4f} deg)"
        words.append(f"residual {entry['residual_px']:.3f} px{degrees}")
    if entry["second_method_px"] is not None:
        words.append(f"second method {entry['second_method_px']:.2f} px off")
    if entry["overlap"] is not None:
        words.append(f"{100 * entry['overlap']:.0f} % of the reference's field shown")
    if entry["moved_px"]:
        words.append(f"camera moved {entry['moved_px']:.1f} px rms")
    return ", ".join(words)


def _track_entry(track: ShiftTrack | None) -> dict[str, Any] | None:
    """A shift track as it stands in the document: times (s), shifts (px) against the usual place."""
    if track is None:
        return None
    return {
        "time_s": [round(float(t), 6) for t in track.time_s],
        "shift_px": [[round(float(x), 3), round(float(y), 3)] for x, y in track.shift_px],
        "sigma_px": track.sigma_px,
    }


__all__ = ["entry", "lines_of", "readings_of"]

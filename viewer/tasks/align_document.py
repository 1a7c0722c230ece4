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
    sigmas = (fit.scale_sigma, fit.rotation_sigma_deg, fit.shift_sigma_px, fit.shift_sigma_px)
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


def _track_entry(track: ShiftTrack | None) -> dict[str, Any] | None:
    """A shift track as it stands in the document: times (s), shifts (px) against the usual place."""
    if track is None:
        return None
    return {
        "time_s": [round(float(t), 6) for t in track.time_s],
        "shift_px": [[round(float(x), 3), round(float(y), 3)] for x, y in track.shift_px],
        "sigma_px": track.sigma_px,
    }


__all__ = ["entry", "readings_of"]

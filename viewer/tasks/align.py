"""Lining clips up in time and in angle: witnesses gathered, weighed, and put into words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import TYPE_CHECKING, Any

import numpy as np

from viewer.align.clock import ClockFit, Statement, Witness, residual_of, weigh
from viewer.align.motion import motion_witness
from viewer.align.pose import PoseFit, fit_pose
from viewer.align.sound import sound_witness
from viewer.align.stability import ShiftTrack
from viewer.align.steps import find_steps, match_levels, steps_witness
from viewer.align.track import energy_envelope
from viewer.align.transform import ClockMap, FieldCircle, Pose
from viewer.measure.readings import Flag, Reading, refused
from viewer.tasks.align_view import ClipView, Progress, Stop, track_clip, view_clip
from viewer.tasks.document import Result

if TYPE_CHECKING:
    from viewer.media.reader import ClipReader

TIME_METHOD = {
    "sound": "windowed sound correlation weighted by coherence, robust line",
    "sound onsets": "onsets of sound events, robust line",
    "light steps": "steps of the light, row by row, readout and exposure fitted",
    "motion": "movement in the picture, brightness taken out",
}
POSE_METHOD = "least squares on band-passed logarithmic light inside the field, confirmed by {by}"
ENVELOPE_HZ = 100


@dataclass(frozen=True, kw_only=True)
class PairAlignment:
    """How one clip lies against the reference.

    `clock`, `pose`, `circle` are None where refused, with the reason beside them.  `witnesses` is the table of what each kind
    of evidence says; `evidence` holds their moments for live residuals (`residual`); `levels` pairs the plateaus of two light
    series that were taken one after the other.
    """

    clock: ClockMap | None = None
    pose: Pose | None = None
    circle: FieldCircle | None = None
    clock_reason: str = ""
    pose_reason: str = ""
    warnings: tuple[str, ...] = ()
    witnesses: tuple[Statement, ...] = ()
    clock_fit: ClockFit | None = None
    pose_fit: PoseFit | None = None
    evidence: tuple[Witness, ...] = ()
    levels: tuple[tuple[int, int], ...] = ()
    flags: Flag = Flag.NONE
    frames: int = 0
    homography: np.ndarray | None = field(default=None, repr=False)
    track: ShiftTrack | None = field(default=None, repr=False)

    def residual(self, clock: ClockMap) -> float | None:
        """Rms (s) by which a clock map misses the best evidence: for dragging a lane."""
        kind = self.clock_fit.kind if self.clock_fit else None
        for witness in self.evidence:
            if witness.answered and not witness.weak and kind in (None, witness.kind):
                return residual_of(clock, witness)
        return None


@dataclass(frozen=True, kw_only=True)
class LaneSeries:
    """What a lane shows of a clip, on the clip's own time (s).

    `sound_time_s`, `sound_level`: rms level of the sound, 100 values a second, full scale 1.  `time_s`, `light`: mean light of
    each frame, relative to its largest.  `steps_s`: moments at which the light changes for good.  `gaps`: (time, length) of
    pauses.
    """

    sound_time_s: np.ndarray
    sound_level: np.ndarray
    time_s: np.ndarray
    light: np.ndarray
    steps_s: tuple[float, ...] = ()
    gaps: tuple[tuple[float, float], ...] = ()


def series(clip: ClipReader, *, progress: Progress = None, cancelled: Stop = None) -> LaneSeries:
    """Return waveform envelope, light level and its steps for a lane."""
    view = view_clip(clip, progress=progress, cancelled=cancelled)
    level = view.series.level
    sound_time, sound_level = np.zeros(0), np.zeros(0)
    if view.sound is not None:
        sound_level = energy_envelope(view.sound, rate_hz=ENVELOPE_HZ)
        sound_time = view.sound.start_s + (np.arange(len(sound_level)) + 0.5) / ENVELOPE_HZ
    times = clip.index.times_s
    return LaneSeries(
        sound_time_s=sound_time,
        sound_level=sound_level,
        time_s=view.series.time_s,
        light=level / max(float(np.max(level)), 1e-12),
        steps_s=tuple(step.time_s for step in find_steps(view.series)),
        gaps=tuple((float(times[number]), length) for number, length in clip.index.gaps),
    )


# --- one pair ------------------------------------------------------------------------------------------------------


def align_pair(
    reference: ClipReader,
    clip: ClipReader,
    *,
    same: bool = False,
    marks: Sequence[tuple[float, float]] = (),
    progress: Progress = None,
    cancelled: Stop = None,
) -> PairAlignment:
    """Line one clip up with the reference.

    Parameters
    ----------
    reference, clip : ClipReader
    same : bool
        True if both are the same recording: only its field circle is measured.
    marks : sequence of (clip s, scene s)
        Moments that the operator marked in both.

    Returns
    -------
    PairAlignment
    """
    if same:
        return _own(reference, progress, cancelled)
    # The clip first: while another thread looks at the reference, this one need not wait.
    second = view_clip(clip, progress=progress, cancelled=cancelled)
    first = view_clip(reference, progress=progress, cancelled=cancelled)
    evidence = _witnesses(reference, clip, first, second, marks)
    fit, table, warnings = weigh(evidence)
    notes = [*warnings]
    reason = ""
    levels: tuple[tuple[int, int], ...] = ()
    if fit is None:
        reason, levels = _no_time(evidence, first, second)
    else:
        chosen = next(w for w in evidence if w.kind == fit.kind)
        notes += [f"{fit.kind}: {note}" for note in chosen.notes if "single" in note or "another recording" in note]
    pose = fit_pose(first.picture, second.picture)
    notes += pose.warnings
    places = [_followed(one, view, notes, cancelled) for one, view in ((reference, first), (clip, second))]
    if clip.index.gaps:
        notes.append(f"{len(clip.index.gaps)} gaps in the clip's pictures; times are the frames' own.")
    if not second.whole:
        notes.append("light and movement were compared in the first part of the clip only.")
    flags = Flag.VARIABLE_RATE if clip.index.variable_rate else Flag.NONE
    return PairAlignment(
        clock=fit.clock if fit else None,
        pose=_at_usual_places(pose.pose, places[0].usual, places[1].usual),
        circle=places[1].circle,
        track=places[1].track,
        clock_reason=reason,
        pose_reason=pose.reason,
        warnings=tuple(notes),
        witnesses=table,
        clock_fit=fit,
        pose_fit=pose,
        evidence=tuple(evidence),
        levels=levels,
        flags=flags,
        frames=second.pictures,
        homography=pose.homography,
    )


def _own(reference: ClipReader, progress: Progress, cancelled: Stop) -> PairAlignment:
    """The reference itself: its field circle, and how its camera moved."""
    view = view_clip(reference, progress=progress, cancelled=cancelled)
    notes: list[str] = []
    place = _followed(reference, view, notes, cancelled)
    return PairAlignment(
        clock=ClockMap(sync_by="reference", residual_s=0.0),
        pose=Pose(pose_by="reference", residual_px=0.0),
        circle=place.circle,
        track=place.track,
        warnings=tuple(notes),
        frames=view.pictures,
    )


@dataclass(frozen=True)
class _Place:
    """Where a clip's usual place lies against that of its mean picture (px), its track, its circle at the usual place."""

    usual: tuple[float, float] = (0.0, 0.0)
    track: ShiftTrack | None = None
    circle: FieldCircle | None = None


def _followed(clip: ClipReader, view: ClipView, notes: list[str], cancelled: Stop) -> _Place:
    """Follow a clip's camera through every frame where it moved."""
    if view.moved_px <= 0:
        return _Place(circle=view.circle)
    track, usual = track_clip(clip, view, cancelled=cancelled)
    notes.append(
        f"the camera moved in {view.name} ({track.rms_px:.1f} px rms); the pose holds for its usual place, "
        "the shift track tells where each frame lies."
    )
    circle = view.circle
    if circle is not None and view.circle_follows:
        circle = replace(circle, cx=circle.cx + usual[0], cy=circle.cy + usual[1])
    return _Place(usual, track, circle)


def _at_usual_places(pose: Pose | None, reference: tuple[float, float], clip: tuple[float, float]) -> Pose | None:
    """The pose between the usual places, from that between the places of the mean pictures."""
    if pose is None or not (any(reference) or any(clip)):
        return pose
    x, y = pose.to_reference(np.array([[-clip[0], -clip[1]]]))[0]
    return replace(pose, shift_x=float(x + reference[0]), shift_y=float(y + reference[1]))


def _witnesses(
    reference: ClipReader, clip: ClipReader, first: ClipView, second: ClipView, marks: Sequence[tuple[float, float]]
) -> list[Witness]:
    """All evidence of a common time."""
    out: list[Witness] = []
    if first.sound is not None and second.sound is not None:
        out.append(sound_witness(first.sound, second.sound))
    else:
        which = "both clips have" if first.sound is None and second.sound is None else "one clip has"
        out.append(Witness(kind="sound", reason=f"{which} no sound."))
    out.append(steps_witness(first.series, second.series))
    out.append(motion_witness(first.series.time_s, first.thumbs, second.series.time_s, second.thumbs))
    out[0] = _chosen_among(out, first, second)
    created = _creation(reference, clip)
    if created is not None:
        out.append(created)
    if marks:
        from viewer.align.clock import from_marks

        out.append(from_marks(marks))
    return out


def _chosen_among(evidence: list[Witness], first: ClipView, second: ClipView) -> Witness:
    """The sound again near what another witness says, where by itself it fits at several offsets."""
    sound = evidence[0]
    if not sound.rivals_s or first.sound is None or second.sound is None:
        return sound
    fit, _, _ = weigh(evidence[1:])
    if fit is None:
        return sound
    reach = max(4.0 * fit.middle_sigma_s, 0.05)
    level = fit.clock.scene_time(fit.middle_s) - fit.middle_s
    if sum(abs(rival - level) < reach for rival in sound.rivals_s) != 1:
        return sound
    again = sound_witness(first.sound, second.sound, search_s=(level - reach, level + reach))
    if not again.answered:
        return sound
    return replace(again, notes=(*again.notes, f"of several offsets that fit, the one that {fit.kind} points to"))


def _creation(reference: ClipReader, clip: ClipReader) -> Witness | None:
    """Creation times as a weak prior: whole seconds, of the start or the end, clocks set by hand."""
    found = []
    for one in (reference, clip):
        text = next((value for key, value in one.info.metadata.items() if key.lower().endswith("creation_time")), "")
        try:
            found.append(datetime.fromisoformat(str(text).replace("Z", "+00:00")).timestamp())
        except ValueError:
            return None
    if min(found) < 1e9:
        return None
    offset = found[1] - found[0]
    return Witness(
        kind="creation time",
        clip_s=np.zeros(1),
        scene_s=np.array([offset]),
        sigma_s=np.array([max(5.0, abs(clip.index.end_s - reference.index.end_s))]),
        weak=True,
        notes=("from the files' tags: whole seconds, clocks set by hand",),
    )


def _no_time(evidence: list[Witness], first: ClipView, second: ClipView) -> tuple[str, tuple[tuple[int, int], ...]]:
    """Why there is no clock map, and the light levels that can be paired instead."""
    levels = tuple(match_levels(first.series, second.series))
    reasons = {witness.kind: witness.reason for witness in evidence if witness.reason}
    steps, sound, motion = (reasons.get(kind, "") for kind in ("light steps", "sound", "motion"))
    if steps.startswith("static") and motion.startswith(("nothing", "too few")) and "no sound" in sound:
        return steps, levels
    text = "; ".join(reason.rstrip(".") for reason in (sound, steps, motion) if reason)
    return f"no common time: {text}.", levels


# --- the command ---------------------------------------------------------------------------------------------------


def align_clips(
    reference: ClipReader, clips: Sequence[ClipReader], *, progress: Progress = None, cancelled: Stop = None
) -> Result:
    """Line clips up with a reference.

    Returns
    -------
    Result
        Per clip the readings ``offset`` (s), ``rate`` (ppm), ``scale`` (1), ``rotation`` (deg), ``shift_x``, ``shift_y`` (px),
        `of` the file name.  Extras ``clips``: {file name: {matrix, field_circle, mirrored, sync_by, pose_by, residual_px,
        residual_s, ...}}, the reference's own entry among them.
    """
    readings: list[Reading] = []
    warnings: list[str] = []
    extras: dict[str, dict[str, Any]] = {}
    steps = sum(len(clip.index) for clip in (reference, *clips))
    done = 0

    def forward(count: int, total: int) -> None:
        del total
        if progress:
            progress(min(done + count, steps), steps)

    own = align_pair(reference, reference, same=True, progress=forward, cancelled=cancelled)
    extras[reference.info.path.name] = _entry(own)
    done = len(reference.index)
    names = [reference.info.path.name]
    for clip in clips:
        name = clip.info.path.name
        if name in names:
            name = f"{name} ({names.count(clip.info.path.name) + 1})"
        names.append(clip.info.path.name)
        found = align_pair(reference, clip, progress=forward, cancelled=cancelled)
        readings += _readings(name, found)
        extras[name] = _entry(found)
        warnings += [f"{name}: {text}" for text in found.warnings]
        done += len(clip.index)
    return Result(
        command="align",
        inputs=tuple(one.info.input_record() for one in (reference, *clips)),
        readings=tuple(readings),
        warnings=tuple(warnings),
        extras={"clips": extras},
    )


def _readings(name: str, found: PairAlignment) -> list[Reading]:
    """The six readings of a clip."""
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


def _entry(found: PairAlignment) -> dict[str, Any]:
    """What a clip's entry in the document says beside its readings."""
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
        "agreement": fit.agreement if fit else None,
        "overlap": fit.overlap if fit and fit.pose else None,
        "second_method_px": fit.second_px if fit else None,
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


__all__ = ["LaneSeries", "PairAlignment", "align_clips", "align_pair", "series"]

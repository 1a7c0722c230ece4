"""Lining clips up in time and in angle: witnesses gathered, weighed, and put into words."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from viewer.align.clock import ClockFit, Statement, Witness, from_marks, nudged, residual_of, weigh
from viewer.align.hand import pose_from_points
from viewer.align.motion import motion_witness
from viewer.align.pose import PoseFit, fit_pose
from viewer.align.sound import sound_witness
from viewer.align.stability import ShiftTrack
from viewer.align.steps import find_steps, match_levels, steps_witness
from viewer.align.track import energy_envelope
from viewer.align.transform import ClockMap, FieldCircle, Pose
from viewer.errors import UsageError
from viewer.measure.readings import Flag, Reading
from viewer.tasks.align_document import entry, readings_of
from viewer.tasks.align_tags import tag_witnesses
from viewer.tasks.align_view import ClipView, Progress, Stop, track_clip, view_clip
from viewer.tasks.document import Result

if TYPE_CHECKING:
    from viewer.media.reader import ClipReader

ENVELOPE_HZ = 100
Point = tuple[float, float]


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

    def residual_after(self, shift_s: float, *, rate_ppm: float | None = None) -> float | None:
        """Rms (s) that would be left if the clip were nudged by `shift_s` (s; its scene times grow), at another rate if given.

        Microseconds of work: call it at every move of the mouse.
        """
        if self.clock is None:
            return None
        clock = nudged(self.clock, shift_s=shift_s)
        return self.residual(clock if rate_ppm is None else replace(clock, rate_ppm=rate_ppm))


class _Memory:
    """The last alignments of a pair of clips, for live residuals while the window is open."""

    def __init__(self, most: int = 64) -> None:
        self._found: OrderedDict[tuple[str, str], PairAlignment] = OrderedDict()
        self._most = most
        self._lock = threading.Lock()

    def put(self, reference: ClipReader, clip: ClipReader, found: PairAlignment) -> None:
        with self._lock:
            self._found[reference.info.sha256, clip.info.sha256] = found
            while len(self._found) > self._most:
                self._found.popitem(last=False)

    def get(self, reference: str, clip: str) -> PairAlignment | None:
        with self._lock:
            return self._found.get((reference, clip))


_memory = _Memory()


def last_alignment(reference_sha256: str, clip_sha256: str) -> PairAlignment | None:
    """Return what the last lining up of two files in this process found; None if there was none.

    For the read-out while a lane is dragged: ``last_alignment(a, b).residual(clock)`` or ``.residual_after(shift_s)``.
    """
    return _memory.get(reference_sha256, clip_sha256)


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
    points: Sequence[tuple[Point, Point]] = (),
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
    points : sequence of ((x, y) in the clip, (x, y) in the reference)
        Details that the operator marked in both, px; two or more.

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
    pose, marked = _pose(first, second, points, notes)
    places = [_followed(one, view, notes, cancelled) for one, view in ((reference, first), (clip, second))]
    if clip.index.gaps:
        notes.append(f"{len(clip.index.gaps)} gaps in the clip's pictures; times are the frames' own.")
    if not second.whole:
        notes.append("light and movement were compared in the first part of the clip only.")
    flags = Flag.VARIABLE_RATE if clip.index.variable_rate else Flag.NONE
    found = PairAlignment(
        clock=fit.clock if fit else None,
        pose=marked or _at_usual_places(pose.pose, places[0].usual, places[1].usual),
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
    _memory.put(reference, clip, found)
    return found


def _pose(
    first: ClipView, second: ClipView, points: Sequence[tuple[Point, Point]], notes: list[str]
) -> tuple[PoseFit, Pose | None]:
    """The pose from the pictures, checked against marked points; those alone (second answer) where the pictures can't tell."""
    hand = pose_from_points([there for there, _ in points], [here for _, here in points]) if points else None
    fit = fit_pose(first.picture, second.picture, marked=hand)
    notes += fit.warnings
    if hand is None:
        return fit, None
    if fit.pose is None:
        notes.append(f"the pose rests on {len(points)} marked points alone: {fit.reason.rstrip('.')}.")
        return fit, replace(hand, pose_by="points", residual_px=hand.residual_px if len(points) > 2 else None)
    there, here = (np.array([pair[k] for pair in points], float) for k in (0, 1))
    gap = float(np.sqrt(((fit.pose.to_reference(there) - here) ** 2).sum(axis=1).mean()))
    if gap > 3.0:
        notes.append(f"the marked points lie {gap:.1f} px (rms) off the pose that the pictures give; the pictures are used.")
    return fit, None


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
    out += tag_witnesses(reference, clip)
    if marks:
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


def _no_time(evidence: list[Witness], first: ClipView, second: ClipView) -> tuple[str, tuple[tuple[int, int], ...]]:
    """Why there is no clock map, and the light levels that can be paired instead."""
    levels = tuple(match_levels(first.series, second.series))
    reasons = {witness.kind: witness.reason for witness in evidence if witness.reason}
    steps, sound, motion = (reasons.get(kind, "") for kind in ("light steps", "sound", "motion"))
    if steps.startswith("static") and motion.startswith(("nothing", "too few")) and "no sound" in sound:
        return steps, levels
    steps = steps.replace("static, no common time: ", "", 1)  # said once is enough
    text = "; ".join(reason.rstrip(".") for reason in (sound, steps, motion) if reason)
    return f"no common time: {text}.", levels


# --- the command ---------------------------------------------------------------------------------------------------


def align_clips(
    reference: ClipReader,
    clips: Sequence[ClipReader],
    *,
    marks: Sequence[tuple[float, float]] = (),
    points: Sequence[tuple[Point, Point]] = (),
    field_deg: float | None = None,
    progress: Progress = None,
    cancelled: Stop = None,
) -> Result:
    """Line clips up with a reference.

    Parameters
    ----------
    reference, clips : ClipReader
    marks, points
        As in `align_pair`, for one clip only.
    field_deg : float, optional
        Stated field of view of the reference's device: the residual is then given in degrees as well.

    Raises
    ------
    UsageError
        For marks or points with more than one clip.

    Returns
    -------
    Result
        Per clip the readings ``offset`` (s), ``rate`` (ppm), ``scale`` (1), ``rotation`` (deg), ``shift_x``, ``shift_y`` (px),
        `of` the file name.  Extras ``clips``: {file name: {matrix, field_circle, mirrored, sync_by, pose_by, residual_px,
        residual_s, ...}}, the reference's own entry among them.
    """
    if (marks or points) and len(clips) != 1:
        raise UsageError("marked moments and points belong to one clip.", hint="Line the clips up one at a time.")
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
    px_per_degree = own.circle.px_per_degree(field_deg) if own.circle and field_deg else None
    extras[reference.info.path.name] = entry(own, px_per_degree)
    done = len(reference.index)
    names = [reference.info.path.name]
    for clip in clips:
        name = clip.info.path.name
        if name in names:
            name = f"{name} ({names.count(clip.info.path.name) + 1})"
        names.append(clip.info.path.name)
        found = align_pair(reference, clip, marks=marks, points=points, progress=forward, cancelled=cancelled)
        readings += readings_of(name, found)
        extras[name] = entry(found, px_per_degree)
        warnings += [f"{name}: {text}" for text in found.warnings]
        done += len(clip.index)
    return Result(
        command="align",
        inputs=tuple(one.info.input_record() for one in (reference, *clips)),
        readings=tuple(readings),
        warnings=tuple(warnings),
        extras={"clips": extras},
    )


__all__ = ["LaneSeries", "PairAlignment", "align_clips", "align_pair", "last_alignment", "series"]

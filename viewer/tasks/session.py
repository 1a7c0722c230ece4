"""A whole session: its clips opened, lined up, measured, compared; what is out of date."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from viewer import __version__
from viewer.align.transform import Pose
from viewer.errors import Cancelled, ViewerError
from viewer.measure.errorbudget import CLOCK, Budget, Component, combine_takes, from_interval, within_take
from viewer.measure.names import base_of
from viewer.measure.readings import Flag, Reading, flag_words
from viewer.measure.verdict import Comparison, compare, decide_all, matter_for, no_answer
from viewer.session.faults import record_fault
from viewer.session.model import Clip, MotionTrack, Request, Session, StoredReading, StoredVerdict
from viewer.tasks.carry import in_reference
from viewer.tasks.clip_files import open_session_clip
from viewer.tasks.jobs import Progress, Stop, run_jobs
from viewer.tasks.lines import Pair, pairs_of
from viewer.tasks.measuring import groups_of, lost_group, measure_group

if TYPE_CHECKING:
    from viewer.align.stability import ShiftTrack
    from viewer.tasks.align import PairAlignment
    from viewer.tasks.document import Result


@dataclass(frozen=True, slots=True)
class Trouble:
    """One clip that could not be read, lined up or measured, and why, as one line."""

    clip: str
    what: str


@dataclass(frozen=True)
class Run:
    """What a pass over a session gave: the new session, what went wrong, and the results by (request id, clip id)."""

    session: Session
    troubles: tuple[Trouble, ...] = ()
    warnings: tuple[str, ...] = ()
    results: Mapping[tuple[str, str], Result] = field(default_factory=dict)


@dataclass(frozen=True)
class _Pair:
    """A clip to line up with the reference clip of its scene."""

    folder: Path
    reference: Clip
    clip: Clip
    allow_outside: bool


def _line_up(pair: _Pair, /, cancelled: Stop | None = None, step: Callable[[], None] | None = None) -> PairAlignment | str:
    """Return how the clip lies, or one line of why that could not be found."""
    from viewer.tasks.align import align_pair

    clip, outside = pair.clip, pair.allow_outside
    if cancelled and cancelled():
        raise Cancelled
    try:
        with (
            open_session_clip(pair.folder, pair.reference, allow_outside=outside) as first,
            open_session_clip(pair.folder, clip, allow_outside=outside) as second,
        ):
            return align_pair(first, second, same=clip.id == pair.reference.id, cancelled=cancelled)
    except Cancelled:
        raise
    except ViewerError as error:
        return str(error)
    except Exception as error:  # noqa: BLE001 - one clip must not end the rest
        return f"{clip.name}: {record_fault(error)}"
    finally:
        if step:
            step()


def align_session(
    session: Session,
    folder: Path,
    *,
    scenes: Iterable[str] | None = None,
    allow_outside: bool = False,
    progress: Progress | None = None,
    cancelled: Stop | None = None,
) -> Run:
    """Line up the clips of each scene with its reference clip.

    Clock maps and poses that the user set by hand (``sync_by`` or ``pose_by`` "hand") are kept.  A clip that cannot be lined
    up keeps what it had and is named in `troubles`.
    """
    pairs = []
    for scene in [scene.id for scene in session.scenes] if scenes is None else scenes:
        reference = session.reference_of(scene)
        if reference is not None:
            pairs += [_Pair(folder, reference, clip, allow_outside) for clip in session.clips_of(scene)]
    outcomes = run_jobs(
        _line_up,
        pairs,
        lost=lambda pair, why: f"{pair.clip.name}: {why}",
        progress=progress,
        cancelled=cancelled,
    )
    troubles: list[Trouble] = []
    warnings: list[str] = []
    fresh: dict[str, Clip] = {}
    for pair, found in zip(pairs, outcomes, strict=True):
        clip = pair.clip
        if isinstance(found, str):
            troubles.append(Trouble(clip.id, found))
            continue
        common = session.scene(clip.scene).common_time
        clock = clip.clock if clip.clock and clip.clock.sync_by == "hand" else found.clock if common else None
        pose = clip.pose if clip.pose and clip.pose.pose_by == "hand" else found.pose
        if clip.id == pair.reference.id:
            pose = Pose(pose_by="reference", residual_px=0.0)
        fresh[clip.id] = replace(clip, clock=clock, pose=pose, circle=found.circle or clip.circle, track=_track(found.track))
        if pose is None:
            troubles.append(Trouble(clip.id, f"{clip.name}: not lined up in angle: {found.pose_reason}"))
        if clock is None and common:
            troubles.append(Trouble(clip.id, f"{clip.name}: not lined up in time: {found.clock_reason}"))
        warnings.extend(f"{clip.name}: {text}" for text in found.warnings)
    return Run(session.put(*fresh.values()) if fresh else session, tuple(troubles), tuple(warnings))


def _track(found: ShiftTrack | None) -> MotionTrack | None:
    """Return the track as the document keeps it, hundredths of a pixel; None for a clip that stood still."""
    if found is None or not found.moving:
        return None
    return MotionTrack(
        time_s=tuple(round(float(t), 6) for t in found.time_s),
        shift_px=tuple((round(float(x), 2), round(float(y), 2)) for x, y in found.shift_px),
        sigma_px=round(float(found.sigma_px), 4),
    )


# --- measuring -----------------------------------------------------------------------------------------------------


def fingerprint(session: Session, request: Request, clip: Clip) -> str:
    """Return what a reading was made from, as a short hash: request, regions, clip, its light, camera, pose and helpers."""
    regions = [asdict(session.region(ident)) for idents in request.regions.values() for ident in idents]
    for region in regions:
        region.pop("name")
        region["overrides"] = region["overrides"].get(clip.id)
    helpers = [asdict(other) for other in session.clips if other.scene == clip.scene and other.role != "device"]
    device = session.device(clip.device) if clip.device else None
    own = {**asdict(clip), "note": "", "take": 0}
    angle = (device.field_deg, device.objective_mm) if device else None
    content = [asdict(request), regions, own, helpers, angle, __version__]
    return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()[:24]


def out_of_date(session: Session) -> set[str]:
    """Return the ids of readings whose clip, region or settings changed since."""
    stale = set()
    known: dict[tuple[str, str], str] = {}
    for reading in session.readings:
        key = (reading.request, reading.clip)
        if key not in known:
            try:
                known[key] = fingerprint(session, session.request(reading.request), session.clip(reading.clip))
            except ViewerError:
                known[key] = ""
        if known[key] != reading.made_from:
            stale.add(reading.id)
    return stale


def missing_readings(session: Session) -> list[tuple[str, str]]:
    """Return the (request id, clip id) pairs that have no reading, or only outdated ones."""
    stale = out_of_date(session)
    fresh = {(reading.request, reading.clip) for reading in session.readings if reading.id not in stale}
    pairs = ((request.id, clip.id) for request in session.requests for clip in session.clips_of(request.scene))
    return [pair for pair in pairs if pair not in fresh]


def stored(reading: Reading, request: str, clip: str, made_from: str) -> StoredReading:
    """Return a reading as it stands in the document."""
    key = "/".join((request, clip, reading.name, reading.of))
    return StoredReading(
        id="reading-" + hashlib.sha256(key.encode()).hexdigest()[:16],
        request=request,
        clip=clip,
        name=reading.name,
        of=reading.of,
        value=reading.value,
        unit=reading.unit,
        low=reading.low,
        high=reading.high,
        coverage=reading.coverage,
        state=reading.state,
        reason=reading.reason,
        flags=tuple(flag_words(reading.flags)),
        frames=reading.frames,
        pixels=reading.pixels,
        method=reading.method,
        budget=dict(reading.budget),
        made_from=made_from,
    )


def measure_session(
    session: Session,
    folder: Path,
    *,
    requests: Iterable[str] | None = None,
    only: Iterable[tuple[str, str]] | None = None,
    allow_outside: bool = False,
    processes: int = 0,
    progress: Progress | None = None,
    cancelled: Stop | None = None,
) -> Run:
    """Measure every request on every clip of its scene, then compare the devices.

    Parameters
    ----------
    requests : iterable of request ids, optional
        All by default.
    only : iterable of (request id, clip id), optional
        Just these pairs (for instance `missing_readings`).
    processes : int
        Worker processes; below 2 the work runs on threads.

    Returns
    -------
    Run
        A clip that fails is named in `troubles`; the rest goes on.
    """
    chosen = [session.request(ident) for ident in requests] if requests is not None else list(session.requests)
    pairs = [(request, clip) for request in chosen for clip in session.clips_of(request.scene)]
    if only is not None:
        wanted = set(only)
        pairs = [(request, clip) for request, clip in pairs if (request.id, clip.id) in wanted]
    groups = groups_of(session, folder, pairs, allow_outside=allow_outside)
    outcomes = run_jobs(
        measure_group,
        groups,
        lost=lost_group,
        steps=lambda group: len(group.requests),
        processes=processes,
        progress=progress,
        cancelled=cancelled,
    )
    troubles = [Trouble(outcome.clip, text) for outcome in outcomes for text in outcome.troubles]
    results = {(request, outcome.clip): result for outcome in outcomes for request, result in outcome.results.items()}
    fresh: list[StoredReading] = []
    for request, clip in pairs:
        result = results.get((request.id, clip.id))
        if result is None:
            continue
        made_from = fingerprint(session, request, clip)
        one_take = len(session.clips_of(request.scene, device=clip.device)) < 2
        for reading in result.readings:
            marked = reading.with_flags(_flags_of(clip, session, one_take=one_take))
            fresh.append(stored(marked, request.id, clip.id, made_from))
    done = {(request.id, clip.id) for request, clip in pairs if (request.id, clip.id) in results}
    kept = tuple(reading for reading in session.readings if (reading.request, reading.clip) not in done)
    measured = replace(session, readings=(*kept, *fresh))
    return Run(replace(measured, verdicts=verdicts_of(measured)), tuple(troubles), (), results)


def _flags_of(clip: Clip, session: Session, *, one_take: bool) -> Flag:
    flags = Flag.ONE_TAKE if one_take else Flag.NONE
    reference = session.reference_of(clip.scene)
    if clip.pose is None and reference is not None and reference.id != clip.id:
        flags |= Flag.NOT_ALIGNED
    if clip.track is not None:
        flags |= Flag.MOVING
    return flags


# --- comparing -----------------------------------------------------------------------------------------------------

# What compares devices; the rest describes one clip (its centre, its alias, its level), or says the same in another unit.
_NOT_COMPARED = {"centre_x", "centre_y", "alias_frequency", "detection_limit", "mean", "edge_angle", "u_prime", "v_prime"}


_OTHER_PX = "one clip is not lined up in angle, and its px are others than those of the reference clip: line it up"


def budgets_of(session: Session) -> dict[tuple[str, str, str], dict[str, tuple[Budget | None, str, str]]]:
    """Return (request, name, of) -> device id -> (budget over its takes or None, why not, unit).

    Lengths are in px of the scene's reference clip as far as the poses are known.
    """
    clips = {clip.id: clip for clip in session.clips}
    rows: dict[tuple[str, str, str], dict[str, list[StoredReading]]] = {}
    for reading in session.readings:
        clip = clips.get(reading.clip)
        if clip is None or clip.device is None or reading.name in _NOT_COMPARED or base_of(reading.name) != reading.name:
            continue
        mine = rows.setdefault((reading.request, reading.name, reading.of), {}).setdefault(clip.device, [])
        mine.append(in_reference(session, reading))
    return {
        key: {device: (*_budget(readings), readings[0].unit) for device, readings in per_device.items()}
        for key, per_device in rows.items()
    }


def _budget(readings: list[StoredReading]) -> tuple[Budget | None, str]:
    if len({reading.unit for reading in readings}) > 1:
        return None, _OTHER_PX
    good = [r for r in readings if r.state == "measured" and r.value is not None and r.low is not None and r.high is not None]
    if not good:
        reason = next((r.reason for r in readings if r.reason), "it was not measured")
        return None, reason
    values = [float(r.value) for r in good if r.value is not None]
    sigmas = [from_interval(float(r.low or 0.0), float(r.high or 0.0), r.coverage) for r in good]
    if len(good) == 1 and good[0].budget:
        return Budget(values[0], within_take(good[0].budget, sigmas[0])), ""
    # One camera filmed all takes: what its clock is off, repeats do not average away.
    clock = max(r.budget.get(CLOCK, 0.0) for r in good)
    return combine_takes(values, sigmas, (Component(CLOCK, clock),) if clock else ()), ""


def _drift(session: Session, key: tuple[str, str, str]) -> float:
    """Return how far the control's reading went from its first take to its last, beyond the error; 0 if it stood still.

    A control filmed first and last shows what changed with the scene, the light and the camera while the others were filmed.
    """
    control = {device.id for device in session.devices if device.control}
    takes = {clip.id: clip.take for clip in session.clips if clip.device in control}
    found = [
        in_reference(session, r)
        for r in session.readings
        if (r.request, r.name, r.of) == key and r.clip in takes and None not in (r.value, r.low, r.high)
    ]
    found.sort(key=lambda r: takes[r.clip])
    if len(found) < 2:
        return 0.0
    first, last = found[0], found[-1]
    change = float(last.value or 0.0) - float(first.value or 0.0)
    error = sum(from_interval(float(r.low or 0.0), float(r.high or 0.0), r.coverage) ** 2 for r in (first, last)) ** 0.5
    return change if abs(change) > 1.96 * error else 0.0


def verdicts_of(session: Session) -> tuple[StoredVerdict, ...]:
    """Return the verdicts on every reading that two or more devices share, corrected for their number."""
    names = {device.id: device.name for device in session.devices}
    asked: list[tuple[Pair, Comparison]] = []
    silent: list[StoredVerdict] = []
    budgets = budgets_of(session)
    for pair in pairs_of(session, budgets):
        if isinstance(pair, StoredVerdict):
            silent.append(pair)
            continue
        (request, name, of), first, second = pair.key, pair.first, pair.second
        (a, why_a, unit), (b, why_b, other) = pair.a, pair.b
        if a is None or b is None or unit != other:
            word = no_answer(name, pair.told, names[first], names[second], why_a or why_b or _OTHER_PX)
            silent.append(
                StoredVerdict(
                    request=request, name=name, of=of, first=first, second=second, word=word.word, sentence=word.sentence
                )
            )
            continue
        matter = matter_for(name, session.preferences.matters)
        drift = _drift(session, pair.key)
        others = [
            found for device, (found, _, same) in budgets.get(pair.key, {}).items()
            if found is not None and same == unit and device not in (first, second)
        ]  # fmt: skip
        comparison = compare(
            name, pair.told, unit, (names[first], a), (names[second], b), matter=matter, drift=drift, others=others
        )
        asked.append((pair, comparison))
    words = decide_all([comparison for _, comparison in asked])
    spoken = [
        StoredVerdict(
            request=pair.key[0],
            name=pair.key[1],
            of=pair.key[2],
            first=pair.first,
            second=pair.second,
            word=verdict.word,
            sentence=verdict.sentence,
            difference=comparison.difference,
            low=comparison.interval[0],
            high=comparison.interval[1],
        )
        for (pair, comparison), verdict in zip(asked, words, strict=True)
    ]
    return (*spoken, *silent)


__all__ = [
    "Run",
    "Trouble",
    "align_session",
    "budgets_of",
    "fingerprint",
    "measure_session",
    "missing_readings",
    "open_session_clip",
    "out_of_date",
    "stored",
    "verdicts_of",
]

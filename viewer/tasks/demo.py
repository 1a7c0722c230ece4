"""The demo: the sample session built, lined up, measured, and held against what is true of its clips."""

from __future__ import annotations

import csv
import importlib.util
import io
import time
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from viewer.errors import ViewerError
from viewer.session import store
from viewer.session.model import Clip, Request, Session, StoredReading
from viewer.tasks.clip_files import open_session_clip
from viewer.tasks.document import plain
from viewer.tasks.sample import CLIP_FOLDER, LEVELS_MFL, Truth, make_sample_session, read_truth
from viewer.tasks.session import Run, align_session, measure_session

Progress = Callable[[int, int], None]
Stop = Callable[[], bool]
Publish = Callable[[Run, Path], Sequence[Path]]

LAMP_HZ = 330.0
# What a truth file calls the quantity that a reading stands for, where the names differ, and what the difference is.
TRUE_NAME = {
    ("bloom", "bloom_radius"): ("bloom_radius_near", "core and halo; the wide veil counts as background"),
}


@dataclass(frozen=True, kw_only=True)
class Check:
    """One reading held against the truth.  `inside` is None where the reading was refused."""

    scene: str
    device: str
    take: int
    clip: str
    measure: str
    name: str
    of: str
    truth: float
    unit: str
    found: float | None = None
    low: float | None = None
    high: float | None = None
    reason: str | None = None
    flags: tuple[str, ...] = ()
    note: str = ""

    @property
    def inside(self) -> bool | None:
        """Whether the interval holds the truth."""
        if self.found is None or self.low is None or self.high is None:
            return None
        return self.low <= self.truth <= self.high

    @property
    def error(self) -> float | None:
        """Found less true."""
        return None if self.found is None else self.found - self.truth


@dataclass(frozen=True, kw_only=True)
class DemoResult:
    """What the demo made: the session and its file, the checks, every file written, troubles, and how long each part took."""

    session: Session
    path: Path
    checks: tuple[Check, ...]
    files: tuple[Path, ...]
    troubles: tuple[str, ...] = ()
    seconds: dict[str, float] = field(default_factory=dict)

    @property
    def inside(self) -> tuple[int, int]:
        """How many intervals hold the truth, of how many."""
        judged = [check.inside for check in self.checks if check.inside is not None]
        return sum(judged), len(judged)


def build_demo(
    folder: Path,
    *,
    only: Collection[str] = (),
    publish: Publish | None = None,
    processes: int = 0,
    progress: Progress | None = None,
    cancelled: Stop | None = None,
) -> DemoResult:
    """Build the sample session in `folder`, line it up, measure it, publish it, and compare it with the truth.

    Parameters
    ----------
    folder : Path
        Made if need be; its ``harbour.gloam``, ``clips`` and products are written anew.
    only : collection of str
        Keys of scenes, as for `make_sample_session`; all if empty.
    publish : callable, optional
        ``publish(run, folder) -> paths`` writes the products; nothing is published without it.
    processes : int
        Worker processes for measuring, as for `measure_session`.
    progress, cancelled : callable, optional

    Raises
    ------
    SessionError
        If the folder cannot be written.
    Cancelled
        On request.
    """
    clock = _Clock()
    parts = _Parts(progress, 5)
    session, path = make_sample_session(folder, only=only, progress=parts.part(0), cancelled=cancelled)
    clock.lap("build")
    session, troubles = calibrated(session, folder)
    session, missing = _possible(session)
    troubles += missing
    run = align_session(session, folder, scenes=_lined_up(session), progress=parts.part(1), cancelled=cancelled)
    troubles += [trouble.what for trouble in run.troubles]
    clock.lap("line up")
    run = measure_session(run.session, folder, processes=processes, progress=parts.part(2), cancelled=cancelled)
    troubles += [trouble.what for trouble in run.troubles]
    session = run.session
    store.save(session, path)
    clock.lap("measure")
    checks = compare_with_truth(session, read_truth(folder / CLIP_FOLDER))
    files = [path, _write_checks(checks, folder / "found_and_true.csv")]
    if publish is not None:
        files += publish(run, folder)
        clock.lap("publish")
    return DemoResult(
        session=session, path=path, checks=checks, files=tuple(files), troubles=tuple(troubles), seconds=clock.seconds
    )


class _Clock:
    def __init__(self) -> None:
        self._last = time.monotonic()
        self.seconds: dict[str, float] = {}

    def lap(self, name: str) -> None:
        now = time.monotonic()
        self.seconds[name], self._last = now - self._last, now


class _Parts:
    """Joins the progress of several parts into one, a hundred steps each."""

    def __init__(self, progress: Progress | None, count: int) -> None:
        self._progress, self._total = progress, 100 * count

    def part(self, number: int) -> Progress | None:
        progress = self._progress
        if progress is None:
            return None
        return lambda done, total: progress(100 * number + (100 * done) // max(total, 1), self._total)


def _possible(session: Session) -> tuple[Session, list[str]]:
    """Return the session without requests whose measure this build lacks, and a line for each such measure."""
    lacking = sorted({r.measure for r in session.requests if importlib.util.find_spec(f"viewer.tasks.{r.measure}") is None})
    kept = tuple(request for request in session.requests if request.measure not in lacking)
    return replace(session, requests=kept), [f"this build cannot measure {name}." for name in lacking]


def _lined_up(session: Session) -> list[str]:
    if importlib.util.find_spec("viewer.tasks.align") is None:
        return []
    return [scene.id for scene in session.scenes if session.reference_of(scene.id) is not None]


def calibrated(session: Session, folder: Path) -> tuple[Session, list[str]]:
    """Return the session with the readout time measured on the bench lamp and entered in every clip's camera.

    Every clip was filmed in modes of the same readout time; a lamp of known frequency gives it.  If it cannot be measured
    the cameras stay without one, and the trouble is told.
    """
    from viewer.tasks.readout import measure_readout

    lamp = next((clip for clip in session.clips if clip.scene == "scene-bench"), None)
    if lamp is None:
        return session, []
    try:
        with open_session_clip(folder, lamp) as reader:
            reading = measure_readout(reader, lamp_hz=LAMP_HZ).reading("readout_time")
    except ViewerError as error:
        return session, [str(error)]
    if reading.value is None:
        return session, [f"{lamp.name}: {reading.reason}"]
    half = reading.half_width or 0.0
    fresh = [
        replace(
            clip,
            camera=replace(
                clip.camera,
                readout_ms=reading.value,
                readout_error_ms=half / 1.96,
                readout_by=f"{lamp.name}, lamp at {LAMP_HZ:g} Hz",
            ),
        )
        for clip in session.clips
    ]
    return session.put(*fresh), []


HEADLINES: tuple[tuple[str, str, str, str], ...] = (
    # measure, name, of (start of it), words
    ("align", "offset", "", "offset (s)"),
    ("align", "rotation", "", "rotation (deg)"),
    ("align", "scale", "", "scale"),
    ("align", "misplaced_by", "", "largest misplacement (px)"),
    ("contrast", "michelson", "", "Michelson contrast, {of}"),
    ("bars", "modulation", "0.0625/v", "bar modulation, {of}"),
    ("bars", "modulation", "0.0884/h", "bar modulation, {of}"),
    ("edge", "rise_10_90", "", "edge rise 10-90 % (px)"),
    ("edge", "mtf50", "", "MTF50 (cycles/px)"),
    ("noise", "temporal_sigma", "", "temporal noise, {of}"),
    ("tint", "u_prime", "", "u'"),
    ("tint", "v_prime", "", "v'"),
    ("flicker", "modulation_frequency", "", "pulsing of the {of} (Hz)"),
    ("flicker", "modulation_depth", "", "its depth, {of} (%)"),
    ("bloom", "halo_radius", "lamp 2", "halo radius, {of} (px)"),
    ("bloom", "halo_radius", "lamp 4", "halo radius, {of} (px)"),
    ("bloom", "bloom_radius", "lamp 2", "bloom radius, {of} (px)"),
    ("figure", "contrast", "", "contrast, {of}"),
)


def summary(result: DemoResult) -> list[tuple[str, str, dict[str, Check]]]:
    """Return the headline readings of first takes: scene, words, and the check of each device."""
    rows: dict[tuple[str, str], dict[str, Check]] = {}
    for scene in (scene.name for scene in result.session.scenes):
        for measure, name, start, words in HEADLINES:
            for check in result.checks:
                named = check.scene == scene and check.measure == measure and check.name == name and check.take == 1
                if named and (measure == "align" or check.of.startswith(start)):
                    rows.setdefault((scene, words.format(of=check.of)), {}).setdefault(check.device, check)
    return [(scene, words, cells) for (scene, words), cells in rows.items()]


# --- against the truth -----------------------------------------------------------------------------------------------


def compare_with_truth(session: Session, truth: Truth) -> tuple[Check, ...]:
    """Return every reading, clock map and pose of the session for which the truth files know the answer."""
    checks: list[Check] = []
    for clip in session.clips:
        document = truth.by_clip.get(Path(clip.name).stem)
        if document is None or clip.role != "device":
            continue
        values = {(v["measure"], v["name"], v["of"]): v for v in document["values"]}
        checks += _placing(session, clip, values)
        for reading in session.readings:
            if reading.clip == clip.id:
                checks += _reading(session, clip, reading, values)
    return tuple(checks)


def _base(session: Session, clip: Clip) -> dict[str, Any]:
    device = session.device(clip.device).name if clip.device else clip.role
    return {"scene": session.scene(clip.scene).name, "device": device, "take": clip.take, "clip": clip.name}


def _placing(session: Session, clip: Clip, values: dict[tuple[str, str, str], dict[str, Any]]) -> Iterable[Check]:
    """Yield the checks of clock map and pose; the reference clip defines both and is left out."""
    reference = session.reference_of(clip.scene)
    if reference is None or reference.id == clip.id:
        return
    base = _base(session, clip) | {"measure": "align", "of": clip.name}
    if clip.clock is not None:
        true = values["align", "offset", clip.name]["value"]
        yield Check(
            **base, name="offset", truth=true, unit="s", found=clip.clock.offset_s, low=clip.clock.offset_low_s,
            high=clip.clock.offset_high_s, note=f"by {clip.clock.sync_by}",
        )  # fmt: skip
    if clip.pose is not None:
        for name, found in (("scale", clip.pose.scale), ("rotation", clip.pose.rotation_deg)):
            known = values["align", name, clip.name]
            yield Check(
                **base, name=name, truth=known["value"], unit=known["unit"], found=found, note=f"by {clip.pose.pose_by}"
            )
        matrix = np.asarray(values["align", "matrix", clip.name]["value"])
        error = _largest_error(clip.pose.matrix, matrix, clip)
        yield Check(**base, name="misplaced_by", truth=0.0, unit="px", found=error, note="largest within the field circle")


def _largest_error(found: np.ndarray, true: np.ndarray, clip: Clip) -> float:
    """Return how far a point of the field is put from its true place, at most, reference px."""
    circle = clip.circle
    cx, cy, r = (circle.cx, circle.cy, circle.radius) if circle else (480.0, 270.0, 250.0)
    turn = np.linspace(0, 2 * np.pi, 36, endpoint=False)
    rim = np.column_stack([cx + r * np.cos(turn), cy + r * np.sin(turn), np.ones(36)])
    return float(np.hypot(*(rim @ (found - true).T).T).max())


def _reading(
    session: Session,
    clip: Clip,
    reading: StoredReading,
    values: dict[tuple[str, str, str], dict[str, Any]],
) -> Iterable[Check]:
    request = session.request(reading.request)
    name, note = TRUE_NAME.get((request.measure, reading.name), (reading.name, ""))
    of = _true_object(session, request, reading)
    if request.measure == "flicker":
        of = _nearest_line(session, reading, of, values)
    known = values.get((request.measure, name, of))
    if known is None:
        return
    yield Check(
        **_base(session, clip),
        measure=request.measure,
        name=reading.name,
        of=f"{reading.of} at {_level(request)} mfL" if _level(request) else reading.of,
        truth=known["value"],
        unit=reading.unit,
        found=reading.value,
        low=reading.low,
        high=reading.high,
        reason=reading.reason,
        flags=reading.flags,
        note=note or known.get("note", ""),
    )


def _level(request: Request) -> str:
    """Return the light level of a request that is bound to one, as the truth files write it."""
    ending = request.id.rsplit("-", 1)[-1]
    return ending if ending in {f"{level:g}" for level in LEVELS_MFL} else ""


def _true_object(session: Session, request: Request, reading: StoredReading) -> str:
    """Return the object as the truth files call it: marks instead of the session's names, with the light level."""
    marks = {
        session.region(ident).name: ident.removeprefix(f"region-{request.scene.removeprefix('scene-')}-")
        for idents in request.regions.values()
        for ident in idents
    }
    of = reading.of
    if request.measure == "contrast":
        of = "/".join(marks.get(part, part) for part in reading.of.split("/"))
    elif request.measure == "tint":
        return "phosphor"
    elif request.measure != "bars":
        of = marks.get(reading.of, reading.of)
    level = _level(request)
    return f"{of}@{level}" if level else of


def _nearest_line(
    session: Session, reading: StoredReading, region: str, values: dict[tuple[str, str, str], dict[str, Any]]
) -> str:
    """Return which of a region's true modulations a reading is about: that nearest to the frequency it belongs to.

    A region may show several; the readings of each follow its frequency.
    """
    lines = {
        of: v["value"] for (_, name, of), v in values.items() if name == "modulation_frequency" and of.startswith(f"{region}#")
    }
    hertz = None
    for other in session.readings:
        if (other.request, other.clip) == (reading.request, reading.clip) and other.name == "modulation_frequency":
            hertz = other.value if other.value is not None else hertz
        if other is reading:
            break
    if not lines:
        return region
    if hertz is None:
        return next(reversed(lines))
    return min(lines, key=lambda of: abs(lines[of] - hertz))


def _write_checks(checks: Sequence[Check], path: Path) -> Path:
    """Write all checks as CSV with a units column and a header line."""
    columns = (
        "scene",
        "device",
        "take",
        "clip",
        "measure",
        "name",
        "of",
        "unit",
        "found",
        "low",
        "high",
        "truth",
        "inside",
        "note",
    )
    text = io.StringIO()
    rows = csv.writer(text, lineterminator="\n")
    rows.writerow(columns)
    for check in checks:
        rows.writerow(["" if (cell := plain(getattr(check, column))) is None else cell for column in columns])
    store.write_whole(path, text.getvalue().encode())
    return path


__all__ = ["Check", "DemoResult", "build_demo", "calibrated", "compare_with_truth", "summary"]

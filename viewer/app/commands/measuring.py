"""Line up, measure, compare settings, data sheets."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from queue import SimpleQueue
from typing import Any

from viewer.app.commands.base import Commands
from viewer.app.i18n import tr, trn
from viewer.app.jobs import error_words
from viewer.app.model.stage import with_reference
from viewer.app.said import said
from viewer.errors import ViewerError
from viewer.session.model import Clip, Session

log = logging.getLogger(__name__)


class MeasureCommands(Commands):
    """The Measure menu."""

    def do_align(self) -> None:
        """Line up the clips of every scene."""
        self.align()

    def align(self, scenes: list[str] | None = None) -> None:
        """Line up, in the background; what was edited meanwhile stays."""
        session, folder = self.document.session, self.document.folder

        def work(progress: Any, cancelled: Any) -> Any:
            from viewer.tasks.session import align_session

            return align_session(session, folder, scenes=scenes, progress=progress, cancelled=cancelled)

        def done(run: Any) -> None:
            if self.document.session.id != session.id:
                return
            self.document.edit(with_alignment(self.document.session, session, run.session), tr("Line up clips"))
            self._tell_troubles(run)
            self.window.readings_panel.show_alignment(run)

        self.window.jobs.start(tr("Lining up"), work, done=done)

    def _tell_troubles(self, run: Any) -> None:
        notes = [said(trouble.what) for trouble in run.troubles]
        if notes:
            more = "" if len(notes) == 1 else " " + trn("{n} more like it.", "{n} more like it.", len(notes) - 1)
            self.window.trouble(notes[0] + more)

    def do_set_reference(self) -> None:
        """Make the selected clip the reference of its scene."""
        clip = self.stage.lead if self.stage.chosen.kind == "clip" else None
        if clip is not None:
            self.document.edit(
                with_reference(self.document.session, clip.scene, clip.id), tr("Make {name} the reference", name=clip.name)
            )

    def do_add_measure(self) -> None:
        """Choose a measure and its regions."""
        from viewer.app.views.measures import MeasureDialog

        self.window.show_dialog(MeasureDialog(self.window))

    def do_measure(self) -> None:
        """Measure what is missing or out of date."""
        from viewer.tasks.session import missing_readings

        pairs = missing_readings(self.document.session)
        if not pairs:
            self.window.say(tr("Every reading is up to date."))
            return
        self.measure(only=pairs)

    def do_measure_all(self) -> None:
        """Measure everything again."""
        self.measure()

    def measure(self, only: list[tuple[str, str]] | None = None) -> None:
        """Measure, in the background, request by request: what is done when the work is stopped stays."""
        if self.measuring:
            self.window.say(tr("Measuring already. Stop it first, or wait."))
            return
        session, folder = self.document.session, self.document.folder
        pairs = only if only is not None else [(q.id, c.id) for q in session.requests for c in session.clips_of(q.scene)]
        runs: SimpleQueue[Any] = SimpleQueue()

        def work(progress: Any, cancelled: Any) -> list[str]:
            return measure_all(session, folder, pairs, runs.put, progress=progress, cancelled=cancelled)

        def take() -> None:
            while not runs.empty():
                run = runs.get()
                if self.document.session.id == session.id:
                    self.window.keep_results(run.results)
                    self.document.edit(with_readings(self.document.session, run.session, set(run.results)), tr("Measure"))
                    self._tell_troubles(run)

        def done(faults: list[str]) -> None:
            if faults:
                self.window.trouble(faults[0])

        job = self.window.jobs.start(tr("Measuring"), work, done=done, watch=take)
        job.setProperty("measuring", True)
        job.ended.connect(self.window.readings_panel.refresh)
        self.window.readings_panel.refresh()

    @property
    def measuring(self) -> bool:
        """Whether a measurement runs."""
        return any(job.property("measuring") and not job.finished for job in self.window.jobs.running)

    def draw_curves(self, request: str, clips: list[str]) -> None:
        """Read the frames that the curves of a request need; the readings stay as they are."""
        session, folder = self.document.session, self.document.folder
        known = self.window.results
        pairs = [(request, clip) for clip in clips if (request, clip) not in known]
        if not pairs or any(job.property("curves") == request for job in self.window.jobs.running):
            return
        found: SimpleQueue[tuple[tuple[str, str], Any]] = SimpleQueue()

        def work(progress: Any, cancelled: Any) -> None:
            from viewer.tasks.requests import perform

            for n, (_, clip) in enumerate(pairs):
                progress(n, len(pairs))
                result = perform(session, folder, session.request(request), session.clip(clip), cancelled=cancelled)
                found.put(((request, clip), result))
            progress(len(pairs), len(pairs))

        def take() -> None:
            fresh = {}
            while not found.empty():
                key, result = found.get()
                fresh[key] = result
            if fresh and self.document.session.id == session.id:
                self.window.keep_results(fresh)
                self.window.readings_panel.plots.refresh()

        job = self.window.jobs.start(tr("Drawing curves"), work, watch=take)
        job.setProperty("curves", request)

    def do_levels(self) -> None:
        """Light levels of the scene."""
        from viewer.app.views.levels import LevelsDialog

        self.window.show_dialog(LevelsDialog(self.window))

    def do_audit(self) -> None:
        """Compare camera settings."""
        from viewer.app.views.audit import AuditDialog

        self.window.show_dialog(AuditDialog(self.window))

    def do_camera(self) -> None:
        """Camera and light of the selected clip."""
        from viewer.app.views.camera import CameraDialog

        clip = self.stage.lead
        if clip is not None:
            self.window.show_dialog(CameraDialog(self.window, clip))

    def do_planner(self) -> None:
        """Plan shutter and frame rate."""
        from viewer.app.views.planner import PlannerDialog

        self.window.show_dialog(PlannerDialog(self.window))

    def do_field(self) -> None:
        """Field of the clips on the wall."""
        from viewer.app.views.field import FieldDialog

        self.window.show_dialog(FieldDialog(self.window))

    def do_repeats(self) -> None:
        """Which takes to film again."""
        from viewer.app.views.repeats import RepeatsDialog

        self.window.show_dialog(RepeatsDialog(self.window))

    def do_blind(self) -> None:
        """Read bars blind."""
        from viewer.app.views.blind import BlindDialog

        self.window.show_dialog(BlindDialog(self.window))

    def do_desk(self) -> None:
        """Devices and data sheets."""
        from viewer.app.views.desk import DeskDialog

        self.window.show_dialog(DeskDialog(self.window))

    def do_cancel_jobs(self) -> None:
        """Stop the work that runs."""
        self.window.jobs.cancel_all()


def measure_all(
    session: Session,
    folder: Path,
    pairs: list[tuple[str, str]],
    deliver: Callable[[Any], None],
    *,
    progress: Callable[[int, int], None],
    cancelled: Callable[[], bool],
) -> list[str]:
    """Measure pairs of (request id, clip id), hand over each request's run as it is done; return faults in words.

    A fault of the program in one request is logged and told, and the others go on.
    """
    from viewer.tasks.session import measure_session

    groups: dict[str, list[tuple[str, str]]] = {}
    for pair in pairs:
        groups.setdefault(pair[0], []).append(pair)
    done, faults = 0, []
    for request, group in groups.items():
        before = done

        def report(part: int, _total: int, before: int = before) -> None:
            progress(before + part, len(pairs))

        try:
            deliver(measure_session(session, folder, requests=[request], only=group, progress=report, cancelled=cancelled))
        except ViewerError:
            raise
        except Exception as error:
            log.exception("request %s failed", request)
            faults.append(error_words(error))
        done += len(group)
        progress(done, len(pairs))
    return faults


def with_alignment(now: Session, before: Session, found: Session) -> Session:
    """Return the session now with the clocks, poses and circles that lining up found.

    A clip that was removed, or whose clock or pose was set meanwhile, stays as it is now.
    """
    old = {clip.id: clip for clip in before.clips}
    fresh = {clip.id: clip for clip in found.clips}
    changed: list[Clip] = []
    for clip in now.clips:
        was, new = old.get(clip.id), fresh.get(clip.id)
        if was is None or new is None or new == was:
            continue
        if (clip.clock, clip.pose, clip.circle) == (was.clock, was.pose, was.circle):
            changed.append(replace(clip, clock=new.clock, pose=new.pose, circle=new.circle))
    return now.put(*changed) if changed else now


def with_readings(now: Session, measured: Session, pairs: set[tuple[str, str]]) -> Session:
    """Return the session now with the readings that were made for `pairs` (request id, clip id).

    What was edited meanwhile stays; such readings are out of date by their fingerprint.
    """
    from viewer.tasks.session import verdicts_of

    requests = {request.id for request in now.requests}
    clips = {clip.id for clip in now.clips}
    fresh = tuple(r for r in measured.readings if (r.request, r.clip) in pairs and r.request in requests and r.clip in clips)
    kept = tuple(r for r in now.readings if (r.request, r.clip) not in pairs)
    changed = replace(now, readings=(*kept, *fresh))
    return replace(changed, verdicts=verdicts_of(changed))


__all__ = ["MeasureCommands", "measure_all", "with_alignment", "with_readings"]

"""Work off the GUI thread: one helper for all of it, with progress, time left and cancel.

A job is a plain function that takes ``progress(done, total)`` and ``cancelled()``.  It works on a frozen snapshot made on the
GUI thread, never touches Qt, and its result is applied on the GUI thread.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from typing import Any

from PySide6.QtCore import QObject, QThreadPool, Signal

from viewer.app.i18n import tr, trn
from viewer.app.said import error_said
from viewer.errors import Cancelled, ViewerError

log = logging.getLogger(__name__)

Work = Callable[..., Any]


class Job(QObject):
    """One piece of work; its signals arrive on the thread that made it."""

    progressed = Signal(int, int)  # done, total
    succeeded = Signal(object)
    failed = Signal(object)
    ended = Signal()  # last, and once, whatever happened

    def __init__(self, title: str, work: Work, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.title = title
        self.done, self.total = 0, 0
        self.started_at = 0.0
        self.finished = False
        self._work, self._cancelled = work, threading.Event()
        self._last_report = 0.0
        self.progressed.connect(self._note)
        self.ended.connect(self._finish)

    def _note(self, done: int, total: int) -> None:
        self.done, self.total = done, total

    def _finish(self) -> None:
        self.finished = True

    @property
    def cancelling(self) -> bool:
        """Whether the job was asked to stop."""
        return self._cancelled.is_set()

    def cancel(self) -> None:
        """Ask the work to stop; it ends at its next look at ``cancelled()``."""
        self._cancelled.set()

    def time_left_s(self) -> float | None:
        """Return the expected time to the end, or None before there is ground for one."""
        spent = time.monotonic() - self.started_at
        if self.total <= 0 or self.done <= 0 or spent < 1.0:
            return None
        return spent * (self.total - self.done) / self.done

    def _report(self, done: int, total: int) -> None:
        # Ten reports a second are enough to watch; more would only fill the event queue.
        now = time.monotonic()
        if done >= total or now - self._last_report >= 0.1:
            self._last_report = now
            self.progressed.emit(int(done), int(total))

    def run(self) -> None:
        """Do the work on the calling thread and send the signals."""
        try:
            result = self._work(progress=self._report, cancelled=self._cancelled.is_set)
            if not self._cancelled.is_set():
                self.succeeded.emit(result)
        except Cancelled:
            pass
        except ViewerError as error:
            self.failed.emit(error)
        except Exception as error:
            log.exception("job failed: %s", self.title)
            self.failed.emit(error)
        finally:
            self.ended.emit()


class Jobs(QObject):
    """The jobs of one window: started here, listed here, stopped here."""

    changed = Signal()
    failed = Signal(object, object)  # job, error

    def __init__(self, parent: QObject | None = None, *, threads: int = 2) -> None:
        super().__init__(parent)
        self._pool = QThreadPool(self)
        self._pool.setMaxThreadCount(threads)
        self.running: list[Job] = []

    def start(
        self,
        title: str,
        work: Work,
        *,
        done: Callable[[Any], None] | None = None,
        failed: Callable[[Exception], None] | None = None,
        watch: Callable[[], None] | None = None,
        quiet: bool = False,
    ) -> Job:
        """Start `work` in the pool; `done` and `failed` run on the GUI thread, and so does `watch` whenever there is progress
        and at the end, however it ends.  A quiet job is not shown in the strip."""
        job = Job(title, work, self)
        job.setProperty("quiet", quiet)
        job.started_at = time.monotonic()
        if done is not None:
            job.succeeded.connect(done)
        if failed is not None:
            job.failed.connect(failed)
        else:
            job.failed.connect(lambda error: self.failed.emit(job, error))
        if watch is not None:
            # Connected before the start: a job may be over before a later line is reached.
            job.progressed.connect(lambda *_: watch())
            job.ended.connect(watch)
        job.progressed.connect(lambda *_: self.changed.emit())
        job.ended.connect(lambda: self._remove(job))
        self.running.append(job)
        self._pool.start(job.run)
        self.changed.emit()
        return job

    def _remove(self, job: Job) -> None:
        if job in self.running:
            self.running.remove(job)
        job.deleteLater()
        self.changed.emit()

    @property
    def shown(self) -> list[Job]:
        """The jobs to show to the user."""
        return [job for job in self.running if not job.property("quiet")]

    def cancel_all(self) -> None:
        """Ask every job to stop."""
        for job in self.running:
            job.cancel()

    def close(self, timeout_s: float = 30.0) -> bool:
        """Cancel, wait; return whether all ended."""
        self.cancel_all()
        self._pool.clear()
        return self._pool.waitForDone(int(1000 * timeout_s))


def time_left_words(seconds: float | None) -> str:
    """Return a time left as words: ``about 20 s left``."""
    if seconds is None:
        return ""
    if seconds < 60:
        return tr("about {n} s left", n=max(1, round(seconds)))
    return trn("about {n} minute left", "about {n} minutes left", round(seconds / 60))


def error_words(error: Exception) -> str:
    """Return an error as one line for the user."""
    if isinstance(error, ViewerError):
        return error_said(error)
    return tr("Something went wrong inside the program: {text}", text=f"{type(error).__name__}: {error}")


__all__ = ["Job", "Jobs", "error_words", "time_left_words"]

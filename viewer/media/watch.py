"""A watch over the media library: its calls run on a thread of their own, and one that makes no progress is given up.

A call inside a decoder, or a read from a disk that does not answer, cannot be broken off from outside.  It can be left behind:
the caller gets an error in one line and goes on, the thread keeps what it holds until the call returns or the program ends, and
then closes it.  Progress is a packet read or decoded, or a block of the file hashed, so long work is no hang.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable
from typing import Any, Generic, TypeVar

from viewer.errors import Cancelled as Stopped
from viewer.errors import MediaError
from viewer.media.index import Cancelled, Progress

T = TypeVar("T")

# How long a call may go without progress, how long closing waits for one under way, how often progress is handed on.
LIMIT_S = 30.0
CLOSE_S = 5.0
LOOK_S = 0.1

_here = threading.local()


class _State:
    """What a worker thread and its owner share."""

    def __init__(self) -> None:
        self.jobs: queue.SimpleQueue[Ticket[Any] | None] = queue.SimpleQueue()
        self.beat = time.monotonic()


def beat() -> None:
    """Tell the watch over this thread, if there is one, that something was read or decoded."""
    state: _State | None = getattr(_here, "state", None)
    if state is not None:
        state.beat = time.monotonic()


class Ticket(Generic[T]):
    """A call handed to the worker."""

    __slots__ = ("_done", "_error", "_value", "_work", "started")

    def __init__(self, work: Callable[[], T]) -> None:
        self._work: Callable[[], T] | None = work
        self._value: T | None = None
        self._error: BaseException | None = None
        self._done = threading.Lock()
        self._done.acquire()
        self.started = False

    def run(self) -> None:
        """Do the work; on the worker's thread."""
        assert self._work is not None
        self.started = True
        try:
            self._value = self._work()
        except BaseException as error:  # noqa: BLE001 - handed to the thread that waits, whatever it is
            self._error = error
        finally:
            self._work = None
            self._done.release()

    def wait(self, seconds: float) -> bool:
        """Wait for the end of the work; False if it did not come."""
        if not self._done.acquire(timeout=seconds):
            return False
        self._done.release()
        return True

    def value(self) -> T:
        """Return what the work gave, or raise what it raised; after `wait`."""
        error, self._error = self._error, None
        if error is not None:
            try:
                raise error
            finally:
                # The traceback holds the frames that hold the error.
                del error
        return self._value  # type: ignore[return-value]


class Watch:
    """One worker thread and the limit on how long it may stand still.

    Parameters
    ----------
    name : str
        The file, for the error.
    limit_s : float, optional
        Longest time without progress; `LIMIT_S` if left out.
    """

    def __init__(self, name: str, *, limit_s: float | None = None) -> None:
        self.name = name
        self._limit_s = limit_s
        self._state = _State()
        self._thread: threading.Thread | None = None
        self._stuck: tuple[Ticket[Any], float] | None = None
        self._closed = False

    def __del__(self) -> None:
        self._state.jobs.put(None)

    @property
    def limit_s(self) -> float:
        """Longest time without progress, s."""
        return LIMIT_S if self._limit_s is None else self._limit_s

    def submit(self, work: Callable[[], T]) -> Ticket[T]:
        """Hand work to the thread; it is done after what was handed in before."""
        if self._thread is None:
            self._thread = threading.Thread(target=_serve, args=(self._state,), name=f"media-{self.name[:32]}", daemon=True)
            self._thread.start()
        ticket = Ticket(work)
        self._state.jobs.put(ticket)
        return ticket

    def result(self, ticket: Ticket[T], look: Callable[[], None] | None = None) -> T:
        """Wait for handed-in work; `look` is called about ten times a second meanwhile.

        Raises
        ------
        MediaError
            If the thread makes no progress for longer than the limit.
        """
        self._refuse_if_stuck()
        since = time.monotonic()
        while not ticket.wait(min(LOOK_S, self.limit_s / 4)):
            if look is not None:
                look()
            last = max(self._state.beat, since)
            if time.monotonic() - last > self.limit_s:
                self._stuck = ticket, self._state.beat
                raise self._given_up()
        return ticket.value()

    def call(self, work: Callable[[], T]) -> T:
        """Do work on the thread and return what it gives; see `result`."""
        if threading.current_thread() is self._thread:
            return work()
        self._refuse_if_stuck()
        return self.result(self.submit(work))

    def call_long(self, work: Callable[[Progress, Cancelled], T], progress: Progress, cancelled: Cancelled) -> T:
        """Do work that reports and can be stopped; both callables are still called on the caller's own thread."""
        if threading.current_thread() is self._thread:
            return work(progress, cancelled)
        news: list[tuple[int, int]] = []
        stop = threading.Event()

        def report(done: int, total: int) -> None:
            beat()
            news[:] = [(done, total)]

        def look() -> None:
            if progress is not None and news:
                progress(*news.pop())
            if cancelled is not None and cancelled():
                stop.set()
                raise Stopped()

        self._refuse_if_stuck()
        ticket = self.submit(lambda: work(report if progress is not None else None, stop.is_set))
        try:
            return self.result(ticket, look)
        finally:
            stop.set()

    def close(self, last: Callable[[], None] | None = None) -> None:
        """End the thread, `last` being the last it does.  If it stands still, it is left to do so once it wakes."""
        if self._closed:
            return
        self._closed = True
        if self._thread is None:
            if last is not None:
                last()
            return
        ticket = self.submit(last) if last is not None else None
        self._state.jobs.put(None)
        if threading.current_thread() is self._thread:
            return
        if self._stuck is None or self._stuck[1] != self._state.beat:
            self._thread.join(CLOSE_S)
        if ticket is not None and ticket.wait(0.0):
            ticket.value()

    def _refuse_if_stuck(self) -> None:
        """Refuse at once while the thread still stands where it was given up; forget it once it moved on."""
        if self._stuck is not None:
            ticket, at = self._stuck
            if self._state.beat == at and not ticket.wait(0.0):
                raise self._given_up()
            self._stuck = None

    def _given_up(self) -> MediaError:
        return MediaError(
            f"made no progress for {self.limit_s:g} s and was given up.",
            where=self.name,
            hint="It is damaged, or its disk does not answer; copy it to a local disk and try again.",
        )


def _serve(state: _State) -> None:
    _here.state = state
    while (job := state.jobs.get()) is not None:
        state.beat = time.monotonic()
        job.run()
        # What the job gave (a picture, often) must not live on here while the thread waits.
        del job


__all__ = ["Ticket", "Watch", "beat"]

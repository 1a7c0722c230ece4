"""Independent jobs on threads of this process or on worker processes: progress counted, stopped on request."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import FIRST_COMPLETED, Executor, Future, ProcessPoolExecutor, ThreadPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import active_children, get_context
from typing import Protocol, TypeVar

from viewer.errors import Cancelled

Progress = Callable[[int, int], None]
Stop = Callable[[], bool]
Item_contra = TypeVar("Item_contra", contravariant=True)
Item = TypeVar("Item")
Out_co = TypeVar("Out_co", covariant=True)
Out = TypeVar("Out")

_POLL_S = 0.2
_MOST_THREADS = 4


class Work(Protocol[Item_contra, Out_co]):
    """A job: a function of a module, so that a worker process finds it; item and outcome can be pickled."""

    def __call__(
        self, item: Item_contra, /, cancelled: Stop | None = None, step: Callable[[], None] | None = None
    ) -> Out_co: ...


def run_jobs(
    work: Work[Item, Out],
    items: Sequence[Item],
    *,
    lost: Callable[[Item, str], Out],
    steps: Callable[[Item], int] = lambda item: 1,
    processes: int = 0,
    progress: Progress | None = None,
    cancelled: Stop | None = None,
) -> list[Out]:
    """Do every job and return what came of each, in the order of `items`.

    Parameters
    ----------
    work : callable
        On threads it is given `cancelled` and `step`, which it calls after each of its `steps`; on processes neither.
    lost : callable
        ``lost(item, why)`` is the outcome of a job whose worker process died.
    processes : int
        Worker processes; below 2, or where the system allows none, the jobs run on threads, which share the interpreter and
        take longer.

    Raises
    ------
    Cancelled
        On request; what was begun is dropped.
    """
    count = _Count(sum(steps(item) for item in items), progress)
    workers = _worker_processes(min(processes, len(items)))
    if workers is not None:
        others = set(active_children())
        with workers as pool:
            futures = [pool.submit(work, item) for item in items]
            try:
                _wait(pool, futures, [steps(item) for item in items], count, cancelled)
            except BaseException:
                # what they were at is dropped, and nobody shall wait for it
                for child in set(active_children()) - others:
                    child.terminate()
                raise
    else:
        with ThreadPoolExecutor(max(1, min(_MOST_THREADS, os.cpu_count() or 1, len(items)))) as threads:
            futures = [threads.submit(work, item, cancelled, count.step) for item in items]
            _wait(threads, futures, [0] * len(items), count, None)
    return [
        lost(item, "the worker process stopped.") if isinstance(future.exception(), BrokenProcessPool) else future.result()
        for item, future in zip(items, futures, strict=True)
    ]


def _worker_processes(number: int) -> ProcessPoolExecutor | None:
    """Return a pool of worker processes; None for fewer than two, and where the system has no shared memory for them."""
    if number < 2:
        return None
    try:
        return ProcessPoolExecutor(number, mp_context=get_context("spawn"), initializer=_leave_interrupts)
    except (OSError, ImportError):
        return None


def _leave_interrupts() -> None:
    """In a worker: an interrupt from the keyboard is for the main process, which ends the workers."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


class _Count:
    """Counts steps done, from any thread."""

    def __init__(self, total: int, progress: Progress | None) -> None:
        self._done, self._total, self._progress = 0, total, progress
        self._lock = threading.Lock()

    def step(self, by: int = 1) -> None:
        with self._lock:
            self._done += by
            if self._progress and by:
                self._progress(self._done, self._total)


def _wait(pool: Executor, futures: list[Future[Out]], steps: Sequence[int], count: _Count, cancelled: Stop | None) -> None:
    """Wait for all; on the first error, or when asked to stop, drop what has not begun."""
    size = dict(zip(futures, steps, strict=True))
    waiting = set(futures)
    try:
        while waiting:
            done, waiting = wait(waiting, timeout=_POLL_S, return_when=FIRST_COMPLETED)
            for future in done:
                if not isinstance(future.exception(), BrokenProcessPool):
                    future.result()
                count.step(size[future])
            if cancelled and cancelled():
                raise Cancelled
    except BaseException:
        pool.shutdown(wait=False, cancel_futures=True)
        raise


__all__ = ["Progress", "Stop", "Work", "run_jobs"]

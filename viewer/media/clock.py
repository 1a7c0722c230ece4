"""The one clock of the wall."""

from __future__ import annotations

import threading
import time


class Clock:
    """Running scene time: starts, stops, loops.  Safe to read from any thread."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._at = 0.0
        self._since: float | None = None
        self._speed = 1.0
        self.loop: tuple[float, float] | None = None

    @property
    def running(self) -> bool:
        """Whether time passes."""
        return self._since is not None

    def now(self) -> float:
        """Return the running time in s: scene time, counted on past the end of a loop."""
        with self._lock:
            if self._since is None:
                return self._at
            return self._at + (time.monotonic() - self._since) * self._speed

    def start(self, at: float, speed: float = 1.0) -> None:
        """Let time pass from `at`."""
        with self._lock:
            self._at, self._since, self._speed = at, time.monotonic(), speed

    def stop(self, at: float | None = None) -> None:
        """Hold time, at a given place or where it is."""
        now = self.now() if at is None else at
        with self._lock:
            self._at, self._since = now, None

    def scene(self, running: float) -> float:
        """Return the scene time of a running time: inside the loop if there is one."""
        loop = self.loop
        if loop is None or running < loop[1]:
            return running
        return loop[0] + (running - loop[0]) % (loop[1] - loop[0])


__all__ = ["Clock"]

"""Python's cycle collection, kept to the GUI thread.

A worker thread that happens to collect would destroy Qt objects outside the thread they live in.
"""

from __future__ import annotations

import gc

from PySide6.QtCore import QObject, QTimer

EVERY_MS = 500


class Collector(QObject):
    """Switches the automatic collection off while it lives, and collects on its own thread instead."""

    _alive = 0

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._timer = QTimer(self)
        self._timer.setInterval(EVERY_MS)
        self._timer.timeout.connect(self.collect)
        self._running = False

    def start(self) -> None:
        """Begin; what exists by now is left out of later collections, so that they stay short."""
        if self._running:
            return
        self._running = True
        Collector._alive += 1
        gc.disable()
        gc.freeze()
        self._timer.start()

    def collect(self) -> None:
        """Collect the generations that are due."""
        counts, limits = gc.get_count(), gc.get_threshold()
        for generation in (2, 1, 0):
            if counts[generation] > limits[generation]:
                gc.collect(generation)
                return

    def stop(self) -> None:
        """Hand the collection back to Python when no window needs it any more."""
        if not self._running:
            return
        self._running = False
        self._timer.stop()
        Collector._alive -= 1
        gc.collect()  # here, not in whichever thread would come by later
        if Collector._alive == 0:
            gc.enable()


__all__ = ["EVERY_MS", "Collector"]

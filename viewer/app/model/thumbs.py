"""Thumbnails of clips: a few pictures of the first seconds, made in the background and kept in memory."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from PySide6.QtCore import QObject, Signal

from viewer.app.jobs import Jobs, error_words
from viewer.errors import Cancelled
from viewer.session.model import Clip

COUNT, WIDTH, SECONDS = 6, 192, 4.0


def make(
    folder: Path, clip: Clip, *, progress: Callable[[int, int], None] | None = None, cancelled: Callable[[], bool] | None = None
) -> tuple[dict[str, Any], list[np.ndarray]]:
    """Return facts of a clip (width, height, frames, start and end in s, rate) and `COUNT` pictures of its first seconds."""
    from viewer.tasks.clip_files import open_session_clip

    with open_session_clip(folder, clip) as reader:
        return _look(reader, progress, cancelled)


def make_of_files(
    paths: tuple[Path, ...],
    *,
    progress: Callable[[int, int], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> tuple[dict[str, Any], list[np.ndarray]]:
    """Return the same of files that are not in a session yet."""
    from viewer.media import open_clip

    with open_clip(list(paths)) as reader:
        return _look(reader, progress, cancelled)


def _look(
    reader: Any, progress: Callable[[int, int], None] | None, cancelled: Callable[[], bool] | None
) -> tuple[dict[str, Any], list[np.ndarray]]:
    info, times = reader.info, reader.index.times_s
    facts = {
        "width": info.width,
        "height": info.height,
        "frames": info.frames,
        "start_s": float(times[0]),
        "end_s": float(times[-1]),
        "rate": float(info.average_rate),
        "has_sound": info.has_sound,
        "warnings": tuple(info.warnings),
        "assumed": tuple(info.assumed),
    }
    last = min(float(times[0]) + SECONDS, float(times[-1]))
    wanted = np.unique(np.searchsorted(times, np.linspace(float(times[0]), last, COUNT), side="right") - 1)
    height = max(1, round(WIDTH * info.height / info.width))
    pictures = []
    for done, number in enumerate(np.clip(wanted, 0, len(times) - 1)):
        if cancelled is not None and cancelled():
            raise Cancelled
        pictures.append(reader.frame(int(number)).display(WIDTH, height))
        if progress is not None:
            progress(done + 1, len(wanted))
    return facts, pictures


def key_of(clip: Clip) -> tuple[Any, ...]:
    """Return what a clip's pictures depend on."""
    return (clip.id, tuple((ref.path, ref.sha256) for ref in clip.files), clip.light)


class Thumbs(QObject):
    """Asks for thumbnails as clips appear and tells when they are there, or why they are not."""

    ready = Signal(str)  # clip id
    trouble = Signal(str, str)  # clip id, words

    def __init__(self, jobs: Jobs, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._jobs = jobs
        self.pictures: dict[str, list[np.ndarray]] = {}
        self.facts: dict[str, dict[str, Any]] = {}
        self._asked: dict[str, tuple[Any, ...]] = {}

    def ask(self, folder: Path, clips: tuple[Clip, ...]) -> None:
        """Make what is not there yet."""
        for clip in clips:
            key = key_of(clip)
            if self._asked.get(clip.id) == key:
                continue
            self._asked[clip.id] = key
            self._start(folder, clip)

    def forget(self, clip_id: str) -> None:
        """Make this clip's pictures anew when they are asked for."""
        self._asked.pop(clip_id, None)

    def _start(self, folder: Path, clip: Clip) -> None:
        def done(result: tuple[dict[str, Any], list[np.ndarray]]) -> None:
            self.facts[clip.id], self.pictures[clip.id] = result
            self.ready.emit(clip.id)

        def failed(error: Exception) -> None:
            self.trouble.emit(clip.id, error_words(error))

        self._jobs.start(
            clip.name,
            lambda progress, cancelled: make(folder, clip, progress=progress, cancelled=cancelled),
            done=done,
            failed=failed,
            quiet=True,
        )


__all__ = ["COUNT", "Thumbs", "key_of", "make", "make_of_files"]

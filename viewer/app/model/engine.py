"""Pictures for the panes: one thread a clip, requests numbered, the newest wins.

Each clip's thread owns its reader from opening to closing.  The GUI thread leaves one request in a slot; whatever was there
before and not begun is dropped.  Results go into a queue and a signal wakes the GUI thread, which takes them out.
"""

from __future__ import annotations

import logging
import queue
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from PySide6.QtCore import QObject, Qt, Signal

from viewer.app.model.frames import Source
from viewer.app.model.render import Picture, PixelReading, Renderer, Scopes, Target, read_pixel, scopes_of
from viewer.app.said import error_said
from viewer.errors import ViewerError
from viewer.session.model import Clip

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Request:
    """What is wanted of a clip: the frame of this number, rendered for these panes."""

    serial: int
    number: int
    targets: tuple[Target, ...] = ()
    playing: bool = False
    scopes: bool = False
    line: tuple[float, float, float, float] | None = None

    @property
    def for_looking(self) -> bool:
        """Whether only eyes meet the pictures: a hardware decoder may give them."""
        return self.playing and not self.scopes and not any(target.exact for target in self.targets)


@dataclass(frozen=True)
class Opened:
    """A clip is open: its info and index, and the hardware decoder that plays it, '' for software."""

    clip: str
    info: Any
    index: Any
    level: float = 0.0
    decoder: str = ""


@dataclass(frozen=True)
class Shown:
    """The pictures that a request asked for."""

    clip: str
    serial: int
    number: int
    time_s: float
    pictures: tuple[Picture, ...] = ()
    scopes: Scopes | None = None
    damaged: bool = False
    repeated: bool = False


@dataclass(frozen=True)
class Failed:
    """A clip could not be opened, or a frame did not decode."""

    clip: str
    words: str
    opening: bool = False


@dataclass(frozen=True)
class Probed:
    """The pixel that was asked for."""

    clip: str
    reading: PixelReading | None


class Worker(threading.Thread):
    """The thread of one clip."""

    def __init__(
        self, clip: Clip, open_: Callable[[], Any], answer: Callable[[Worker, Any], None], *, hardware: bool = False
    ) -> None:
        super().__init__(name=f"clip {clip.id}", daemon=True)
        self.clip = clip
        self._open, self._answer, self._hardware = open_, partial(answer, self), hardware
        self._condition = threading.Condition()
        self._request: Request | None = None
        self._probe: tuple[int, int] | None = None
        self._stopping = False

    def ask(self, request: Request) -> None:
        """Leave a request; an older one that has not begun is dropped."""
        with self._condition:
            self._request = request
            self._condition.notify()

    def probe(self, x: int, y: int) -> None:
        """Ask for a pixel of the frame shown last."""
        with self._condition:
            self._probe = (x, y)
            self._condition.notify()

    def stop(self) -> None:
        """Ask the thread to close its file and end."""
        with self._condition:
            self._stopping = True
            self._condition.notify()

    def run(self) -> None:
        """Open, answer requests, close."""
        try:
            reader = self._open()
        except ViewerError as error:
            self._answer(Failed(self.clip.id, error_said(error), opening=True))
            return
        except Exception as error:
            log.exception("cannot open %s", self.clip.name)
            self._answer(Failed(self.clip.id, f"{type(error).__name__}: {error}", opening=True))
            return
        source = Source(reader, _device_for(reader.info.codec) if self._hardware else None)
        try:
            opened = Opened(self.clip.id, reader.info, reader.index, self._level(source), source.device or "")
            self._answer(opened)
            self._loop(source)
        finally:
            with suppress(Exception):
                source.close()

    def _level(self, source: Source) -> float:
        """Mean linear luminance over the field at the middle of the clip: what brightness is matched on."""
        try:
            frame = source.get(len(source.reader) // 2)
            light = frame.luminance().light
        except ViewerError:
            return 0.0
        circle = self.clip.circle
        if circle is not None:
            rows, cols = np.ogrid[: light.shape[0], : light.shape[1]]
            inside = (cols - circle.cx) ** 2 + (rows - circle.cy) ** 2 < (0.98 * circle.radius) ** 2
            if inside.any():
                return float(light[inside].mean())
        return float(light.mean())

    def _loop(self, source: Source) -> None:
        renderer, frame = Renderer(), None
        while True:
            with self._condition:
                while not self._stopping and self._request is None and self._probe is None:
                    self._condition.wait()
                if self._stopping:
                    return
                request, self._request = self._request, None
                probe, self._probe = self._probe, None
            if request is not None:
                frame = self._serve(source, renderer, request) or frame
            if probe is not None and frame is not None:
                with suppress(ViewerError):
                    self._answer(Probed(self.clip.id, read_pixel(frame, *probe)))

    def _serve(self, source: Source, renderer: Renderer, request: Request) -> Any:
        try:
            frame = source.get(request.number, playing=request.playing, looking=request.for_looking)
            if frame.number != request.number:
                raise ViewerError(f"asked for picture {request.number}, got {frame.number}.")
            renderer.take(frame)
            pictures = tuple(renderer.render(target) for target in request.targets)
            scopes = scopes_of(frame, source.reader.info.bit_depth, request.line) if request.scopes else None
        except ViewerError as error:
            self._answer(Failed(self.clip.id, error_said(error)))
            return None
        except Exception as error:
            log.exception("cannot show picture %d of %s", request.number, self.clip.name)
            self._answer(Failed(self.clip.id, f"{type(error).__name__}: {error}"))
            return None
        shown = Shown(
            clip=self.clip.id,
            serial=request.serial,
            number=frame.number,
            time_s=frame.time_s,
            pictures=pictures,
            scopes=scopes,
            damaged=bool(getattr(frame, "damaged", False)),
        )
        self._answer(shown)
        return frame


@dataclass
class Open:
    """What the GUI thread knows of an open clip."""

    worker: Worker
    key: Any
    info: Any = None
    index: Any = None
    level: float = 0.0
    decoder: str = ""
    trouble: str = ""
    asked: Request | None = None
    shown: Shown | None = None
    serial: int = 0
    late: int = 0
    pictures: dict[str, Picture] = field(default_factory=dict)


class Engine(QObject):
    """All clips on the wall.  Lives on the GUI thread."""

    opened = Signal(str)
    shown = Signal(str)
    failed = Signal(str, str)
    probed = Signal(str, object)
    _woken = Signal()

    def __init__(self, open_clip: Callable[[Path, Clip], Any] | None = None, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._open_clip = open_clip or _open_session_clip
        self._queue: queue.SimpleQueue[Any] = queue.SimpleQueue()
        self._woken.connect(self._drain, Qt.ConnectionType.QueuedConnection)
        self.clips: dict[str, Open] = {}
        self.hardware = False  # whether hardware decoders may play; clips opened from then on follow
        self._leaving: list[Worker] = []

    def _answer(self, worker: Worker, result: Any) -> None:
        self._queue.put((worker, result))
        with suppress(RuntimeError):  # the window may be gone
            self._woken.emit()

    def set_clips(self, folder: Path, clips: tuple[Clip, ...]) -> None:
        """Open these clips, close all others."""
        wanted = {clip.id: clip for clip in clips}
        for ident in list(self.clips):
            clip = wanted.get(ident)
            if clip is None or self.clips[ident].key != self._key(folder, clip):
                self._close(ident)
        for ident, clip in wanted.items():
            if ident not in self.clips:
                worker = Worker(clip, partial(self._open_clip, folder, clip), self._answer, hardware=self.hardware)
                self.clips[ident] = Open(worker, self._key(folder, clip))
                worker.start()

    def ask(
        self,
        clip_id: str,
        number: int,
        targets: tuple[Target, ...],
        *,
        playing: bool = False,
        scopes: bool = False,
        line: tuple[float, float, float, float] | None = None,
    ) -> bool:
        """Ask for a frame; the same request twice is asked once.  Returns whether it was passed on."""
        entry = self.clips.get(clip_id)
        if entry is None or entry.trouble:
            return False
        old = entry.asked
        same = (
            old is not None
            and old.number == number
            and old.targets == targets
            and (old.scopes or not scopes)
            and old.line == line
            and (playing or not old.playing or not self.hardware)  # what was only looked at is decoded exactly
        )
        if same:
            return False
        if playing and old is not None and (entry.shown is None or entry.shown.serial != old.serial):
            entry.late += 1
        entry.serial += 1
        request = Request(entry.serial, number, targets, playing, scopes, line)
        entry.asked = request
        entry.worker.ask(request)
        return True

    def probe(self, clip_id: str, x: int, y: int) -> None:
        """Ask for a pixel; the answer comes by `probed`."""
        entry = self.clips.get(clip_id)
        if entry is not None and not entry.trouble:
            entry.worker.probe(x, y)

    def _drain(self) -> None:
        while True:
            try:
                worker, result = self._queue.get_nowait()
            except queue.Empty:
                return
            entry = self.clips.get(result.clip)
            if entry is None or entry.worker is not worker:
                continue  # from a thread that is on its way out: the clip was opened anew, or left
            if isinstance(result, Opened):
                entry.info, entry.index, entry.level = result.info, result.index, result.level
                entry.decoder = result.decoder
                self.opened.emit(result.clip)
            elif isinstance(result, Shown):
                if entry.shown is not None and result.serial < entry.shown.serial:
                    continue
                entry.shown = result
                for picture in result.pictures:
                    entry.pictures[picture.target.pane] = picture
                self.shown.emit(result.clip)
            elif isinstance(result, Failed):
                if result.opening:
                    entry.trouble = result.words
                self.failed.emit(result.clip, result.words)
            elif isinstance(result, Probed):
                self.probed.emit(result.clip, result.reading)

    @property
    def settled(self) -> bool:
        """Whether every request was answered."""
        return all(
            entry.trouble
            or (
                entry.info is not None
                and (entry.asked is None or (entry.shown is not None and entry.shown.serial == entry.serial))
            )
            for entry in self.clips.values()
        )

    def _key(self, folder: Path, clip: Clip) -> Any:
        return (str(folder), tuple((r.path, r.sha256) for r in clip.files), clip.light, clip.circle, self.hardware)

    def _close(self, ident: str) -> None:
        worker = self.clips.pop(ident).worker
        worker.stop()
        self._leaving = [old for old in self._leaving if old.is_alive()]
        self._leaving.append(worker)

    def close(self, timeout_s: float = 10.0) -> bool:
        """Stop every thread, wait; return whether all ended."""
        for ident in list(self.clips):
            self._close(ident)
        for worker in self._leaving:
            worker.join(timeout_s)
        return not any(worker.is_alive() for worker in self._leaving)


def _device_for(codec: str) -> str | None:
    from viewer.media.hardware import display_device

    return display_device(codec)


def _open_session_clip(folder: Path, clip: Clip) -> Any:
    from viewer.tasks.clip_files import open_session_clip

    return open_session_clip(folder, clip, threads=1)


__all__ = ["Engine", "Failed", "Open", "Opened", "Probed", "Request", "Shown", "Worker"]

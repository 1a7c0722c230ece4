"""Pictures for the panes: one thread a clip, requests numbered, the newest wins.

Each clip's thread owns its reader from opening to closing.  The GUI thread leaves one request in a slot; whatever was there
before and not begun is dropped.  Results go into a queue and a signal wakes the GUI thread, which takes them out.
"""

from __future__ import annotations

import logging
import queue
import threading
from collections import OrderedDict
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from PySide6.QtCore import QObject, Qt, Signal

from viewer.app.model.render import Picture, PixelReading, Renderer, Scopes, Target, read_pixel, scopes_of
from viewer.app.said import error_said
from viewer.errors import ViewerError
from viewer.session.model import Clip

log = logging.getLogger(__name__)

REACH = 40  # frames ahead that are decoded through rather than sought
KEEP_BYTES = 96 * 2**20  # decoded frames kept by each clip


@dataclass(frozen=True)
class Request:
    """What is wanted of a clip: the frame of this number, rendered for these panes."""

    serial: int
    number: int
    targets: tuple[Target, ...] = ()
    playing: bool = False
    scopes: bool = False
    line: tuple[float, float, float, float] | None = None


@dataclass(frozen=True)
class Opened:
    """A clip is open: its info and index."""

    clip: str
    info: Any
    index: Any
    level: float = 0.0


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


class Source:
    """Frames of a reader: from memory, by going on, or by an exact seek."""

    def __init__(self, reader: Any) -> None:
        self.reader = reader
        info = reader.info
        size = max(1, info.width * info.height * (3 if info.bit_depth > 8 else 2))
        self._keep = max(3, min(64, KEEP_BYTES // size))
        self._kept: OrderedDict[int, Any] = OrderedDict()
        self._stream: Any = None
        self._at = -1

    def get(self, number: int, *, playing: bool = False) -> Any:
        """Return exactly this frame."""
        if number in self._kept:
            self._kept.move_to_end(number)
            return self._kept[number]
        ahead = number - self._at
        if self._stream is None and (playing or 0 < number - (next(reversed(self._kept)) if self._kept else -9) <= 12):
            self._restart(number)
            ahead = number - self._at
        if self._stream is not None and 0 < ahead <= REACH:
            frame = self._go_on(number)
            if frame is not None:
                return frame
        elif self._stream is not None and playing:
            self._restart(number)
            frame = self._go_on(number)
            if frame is not None:
                return frame
        self._drop_stream()
        return self._keep_frame(self.reader.frame(number))

    def _restart(self, number: int) -> None:
        self._drop_stream()
        self._stream = self.reader.frames(number)
        self._at = number - 1

    def _go_on(self, number: int) -> Any:
        for frame in self._stream:
            self._at = frame.number
            self._keep_frame(frame)
            if frame.number == number:
                return frame
            if frame.number > number:
                break
        return None

    def _keep_frame(self, frame: Any) -> Any:
        self._kept[frame.number] = frame
        self._kept.move_to_end(frame.number)
        while len(self._kept) > self._keep:
            self._kept.popitem(last=False)
        return frame

    def _drop_stream(self) -> None:
        if self._stream is not None:
            self._stream.close()
            self._stream = None

    def close(self) -> None:
        """Close the reader."""
        self._drop_stream()
        self._kept.clear()
        self.reader.close()


class Worker(threading.Thread):
    """The thread of one clip."""

    def __init__(self, clip: Clip, open_: Callable[[], Any], answer: Callable[[Worker, Any], None]) -> None:
        super().__init__(name=f"clip {clip.id}", daemon=True)
        self.clip = clip
        self._open, self._answer = open_, partial(answer, self)
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
        source = Source(reader)
        try:
            self._answer(Opened(self.clip.id, reader.info, reader.index, self._level(source)))
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
            frame = source.get(request.number, playing=request.playing)
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
            if clip is None or self.clips[ident].key != _key(folder, clip):
                self._close(ident)
        for ident, clip in wanted.items():
            if ident not in self.clips:
                worker = Worker(clip, partial(self._open_clip, folder, clip), self._answer)
                self.clips[ident] = Open(worker, _key(folder, clip))
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


def _key(folder: Path, clip: Clip) -> Any:
    return (str(folder), tuple((ref.path, ref.sha256) for ref in clip.files), clip.light, clip.circle)


def _open_session_clip(folder: Path, clip: Clip) -> Any:
    from viewer.tasks.clip_files import open_session_clip

    return open_session_clip(folder, clip, threads=1)


__all__ = ["Engine", "Failed", "Open", "Opened", "Probed", "Request", "Shown", "Source", "Worker"]

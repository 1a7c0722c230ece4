"""One clip on the wall and its worker thread: exact pictures on request, pictures along the clock while playing."""

from __future__ import annotations

import os
import threading
import time
from collections import OrderedDict, deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from viewer.errors import ViewerError
from viewer.media.clock import Clock
from viewer.media.frame import Frame
from viewer.media.hardware import display_device
from viewer.media.passes import Pass
from viewer.media.reader import ClipReader, open_clip
from viewer.media.tags import LightChoice

# A lag from which late pictures are left out, unneeded ones not even decoded, and from which a jump forward pays.
LATE_S = 0.02
HURRY_S = 0.15
JUMP_S = 1.5
STUCK_S = 20.0
AHEAD_S = 0.3


@dataclass(frozen=True)
class Picture:
    """A picture for a pane: `image` is (h, w, 4) uint8, B G R A; `due_s` its place on the running clock."""

    number: int
    time_s: float
    scene_s: float
    image: NDArray[np.uint8]
    damaged: bool = False
    due_s: float = 0.0


@dataclass(frozen=True)
class LaneState:
    """How a lane is doing.

    `status` is ``opening``, ``ready``, ``failed``, ``stuck`` or ``closed``; `skipped` counts pictures left out since play
    began; `behind_s` is the present lag; `number` the picture shown last; `decoder` is ``software`` or the kind of device.
    """

    status: str
    error: str = ""
    number: int | None = None
    skipped: int = 0
    shown: int = 0
    behind_s: float = 0.0
    stored_mb: float = 0.0
    decoder: str = "software"


class _Store:
    """Decoded pictures, the newest kept, bounded in bytes."""

    def __init__(self, limit_mb: float) -> None:
        self.limit = int(limit_mb * 2**20)
        self._frames: OrderedDict[int, tuple[Frame, int]] = OrderedDict()
        self.size = 0

    def put(self, frame: Frame) -> None:
        if frame.number in self._frames:
            self._frames.move_to_end(frame.number)
            return
        size = sum(plane.buffer_size for plane in frame.picture.planes)
        self._frames[frame.number] = (frame, size)
        self.size += size
        while self.size > self.limit and len(self._frames) > 1:
            _, (_, gone) = self._frames.popitem(last=False)
            self.size -= gone

    def get(self, number: int) -> Frame | None:
        found = self._frames.get(number)
        return found[0] if found else None

    def clear(self) -> None:
        self._frames.clear()
        self.size = 0


@dataclass
class _Orders:
    """What the window asked of a lane; the newest wins."""

    number: int | None = None
    scene_s: float | None = None
    play_from: float | None = None
    serial: int = 0
    size: tuple[int, int] | None = None
    closing: bool = False
    offset_s: float = 0.0
    rate_ppm: float = 0.0


class Lane:
    """One clip and its worker thread.

    Parameters
    ----------
    paths : Path or sequence of Path
    clock : Clock
    size : (w, h), optional
        Pane size in px; pictures are rendered to it.  Left out: full size.
    offset_s, rate_ppm : float
        scene time = offset + (1 + rate / 10^6) x clip time.
    store_mb : float
        Bound of the store of decoded pictures.
    hardware : bool
        Use a hardware decoder while playing, if one answers for the codec.  Pictures asked for one by one are always exact.
    on_ready : callable, optional
        Called from the worker thread whenever something is worth polling.
    """

    def __init__(
        self,
        paths: Path | str | Sequence[Path | str],
        clock: Clock,
        *,
        light: LightChoice | None = None,
        size: tuple[int, int] | None = None,
        offset_s: float = 0.0,
        rate_ppm: float = 0.0,
        store_mb: float = 96.0,
        threads: int | None = None,
        hardware: bool = False,
        on_ready: Callable[[], None] | None = None,
    ) -> None:
        self._paths, self._light, self._clock = paths, light, clock
        self._threads = threads or default_play_threads(1)
        self._hardware = hardware
        self._on_ready = on_ready or (lambda: None)
        self._wake = threading.Condition()
        self._orders = _Orders(size=size, offset_s=offset_s, rate_ppm=rate_ppm)
        self._ready: deque[Picture] = deque()
        self._store = _Store(store_mb)
        self._state = LaneState("opening")
        self._beat = time.monotonic()
        self._busy = True
        self.clip: ClipReader | None = None
        self._pass: Pass | None = None
        self._next = -1
        self._thread = threading.Thread(target=self._work, name=f"lane-{Path(str(paths)).name[:32]}", daemon=True)
        self._thread.start()

    # -- asked from the window's thread

    @property
    def state(self) -> LaneState:
        """How the lane is doing."""
        state = self._state
        if self._busy and time.monotonic() - self._beat > STUCK_S and state.status in ("opening", "ready"):
            return LaneState("stuck", "the decoder makes no progress", state.number, state.skipped, state.shown)
        return state

    @property
    def primed(self) -> bool:
        """Whether pictures wait for the clock, or none will come."""
        return len(self._ready) >= 2 or not self._busy or self._state.status in ("failed", "closed")

    def show(self, *, number: int | None = None, scene_s: float | None = None) -> None:
        """Ask for one exact picture, by number or by scene time; the newest request wins."""
        self._order(number=number, scene_s=scene_s, play_from=None)

    def play(self, running_s: float) -> None:
        """Deliver pictures along the clock, from a running time on."""
        self._order(number=None, scene_s=None, play_from=running_s)

    def set_size(self, size: tuple[int, int] | None) -> None:
        """Render to another pane size from now on."""
        with self._wake:
            self._orders.size = size
            self._wake.notify()

    def set_map(self, offset_s: float, rate_ppm: float = 0.0) -> None:
        """Change how the clip lies on the scene's clock."""
        with self._wake:
            self._orders.offset_s, self._orders.rate_ppm = offset_s, rate_ppm
            self._wake.notify()

    def take(self, running_s: float) -> Picture | None:
        """Return the newest picture due at a running time that was not taken yet, or None."""
        newest: Picture | None = None
        with self._wake:
            while self._ready and self._ready[0].due_s <= running_s + 1e-9:
                if newest is not None:
                    self._count(skipped=1)
                newest = self._ready.popleft()
            if newest is not None:
                self._count(shown=1, number=newest.number)
                self._wake.notify()
        return newest

    def close(self, *, wait_s: float = 5.0) -> None:
        """Stop the worker and close the file."""
        with self._wake:
            self._orders.closing = True
            self._wake.notify()
        self._thread.join(wait_s)

    # -- scene and clip time

    def to_clip(self, scene_s: float) -> float:
        """Return the clip time of a scene time."""
        return (scene_s - self._orders.offset_s) / (1.0 + 1e-6 * self._orders.rate_ppm)

    def to_scene(self, clip_s: float) -> float:
        """Return the scene time of a clip time."""
        return self._orders.offset_s + (1.0 + 1e-6 * self._orders.rate_ppm) * clip_s

    # -- the worker's side

    def _order(self, *, number: int | None, scene_s: float | None, play_from: float | None) -> None:
        with self._wake:
            self._orders.number, self._orders.scene_s, self._orders.play_from = number, scene_s, play_from
            self._orders.serial += 1
            self._busy = True
            self._ready.clear()
            if play_from is not None:
                self._count(reset=True)
            self._wake.notify()

    def _count(
        self, *, skipped: int = 0, shown: int = 0, number: int | None = None, behind: float | None = None, reset: bool = False
    ) -> None:
        old = self._state
        self._state = replace(
            old,
            number=old.number if number is None else number,
            skipped=0 if reset else old.skipped + skipped,
            shown=0 if reset else old.shown + shown,
            behind_s=old.behind_s if behind is None else behind,
            stored_mb=self._store.size / 2**20,
            decoder=(self._pass.device if self._pass is not None else None) or "software",
        )

    def _work(self) -> None:
        try:
            self.clip = open_clip(self._paths, light=self._light, threads=self._threads)
            self._state = LaneState("ready")
            self._on_ready()
            self._serve()
            self._state = LaneState("closed")
        except ViewerError as error:
            self._state = LaneState("failed", str(error))
            self._on_ready()
        except Exception as error:  # noqa: BLE001 - the edge of a thread: told on the pane instead of lost
            self._state = LaneState("failed", f"{type(error).__name__}: {error}")
            self._on_ready()
        finally:
            self._end_pass()
            if self.clip is not None:
                self.clip.close()

    def _serve(self) -> None:
        done = -1
        while True:
            with self._wake:
                while self._orders.serial == done and not self._orders.closing:
                    self._busy = False
                    self._wake.wait()
                self._busy, self._beat = True, time.monotonic()
                orders = self._orders
                if orders.closing:
                    return
                done, play_from = orders.serial, orders.play_from
                number, scene_s = orders.number, orders.scene_s
            try:
                if play_from is not None:
                    self._play(play_from, done)
                elif number is not None or scene_s is not None:
                    self._show(number, scene_s, done)
            except ViewerError as error:
                # One picture that does not decode leaves the rest of the clip usable.
                self._state = LaneState("ready", str(error), None, self._state.skipped, self._state.shown)
                self._end_pass()
                self._on_ready()

    def _show(self, number: int | None, scene_s: float | None, serial: int) -> None:
        assert self.clip is not None
        if number is None:
            number = self._number_at(float(scene_s or 0.0))
        number = min(max(number, 0), len(self.clip.index) - 1)
        frame = self._store.get(number) or self._fetch(number, serial)
        if frame is None or self._orders.serial != serial:
            return
        self._store.put(frame)
        picture = self._render(frame, -1e300)
        with self._wake:
            if self._orders.serial == serial:
                self._ready.append(picture)
        self._on_ready()

    def _number_at(self, scene_s: float) -> int:
        """Return the picture on show at a scene time; the first or last outside the clip."""
        assert self.clip is not None
        times = self.clip.index.times_s
        slack = min(0.00051, 0.25 * self.clip.index.interval_s) if self.clip.index.interval_s else 0.0
        place = int(np.searchsorted(times, self.to_clip(scene_s) + slack, side="right")) - 1
        return min(max(place, 0), len(times) - 1)

    def _fetch(self, number: int, serial: int) -> Frame | None:
        """Decode one picture: on from the last pass if it is near, by a short pass for steps back, else on its own."""
        assert self.clip is not None
        if self._pass is not None and 0 <= number - self._next <= 12:
            return self._advance(number, serial)
        back = self._store.get(number + 1) is not None
        ahead = self._store.get(number - 1) is not None
        if back or ahead:
            self._end_pass()
            start = max(0, number - 8) if back else number
            self._pass, self._next = self.clip.open_pass(start, threads=self._threads), start
            return self._advance(number, serial)
        self._end_pass()
        return self.clip.frame(number)

    def _advance(self, number: int, serial: int) -> Frame | None:
        assert self.clip is not None and self._pass is not None
        for found, picture, damaged in self._pass:
            self._beat = time.monotonic()
            frame = self.clip.wrap(picture, found, damaged)
            self._next = found + 1
            self._store.put(frame)
            if found == number:
                return frame
            if found > number or self._orders.serial != serial:
                break
        self._end_pass()
        return None if self._orders.serial != serial else self.clip.frame(number)

    def _end_pass(self) -> None:
        if self._pass is not None:
            self._pass.close()
            self._pass, self._next = None, -1

    def _render(self, frame: Frame, due_s: float) -> Picture:
        size = self._orders.size
        wide, high = fitted(frame.width, frame.height, size) if size else (frame.width, frame.height)
        image = frame.display(wide, high, fast=True)
        return Picture(frame.number, frame.time_s, self.to_scene(frame.time_s), image, frame.damaged, due_s)

    def _play(self, running_s: float, serial: int) -> None:
        """Decode and render along the clock until another order comes."""
        self._end_pass()
        lap_start = running_s
        while self._orders.serial == serial and not self._orders.closing:
            scene = self._clock.scene(lap_start)
            shift = lap_start - scene
            if not self._lap(scene, shift, serial):
                return
            loop = self._clock.loop
            if loop is None:
                self._count(behind=0.0)
                return
            lap_start = shift + loop[1]

    def _lap(self, scene_s: float, shift: float, serial: int) -> bool:
        """Play from a scene time to the end of loop or clip; False if another order came."""
        assert self.clip is not None
        index = self.clip.index
        loop = self._clock.loop
        if self.to_clip(scene_s) > index.end_s:
            return True
        start = self._number_at(scene_s)
        stop = len(index) if loop is None else min(len(index), self._number_at(loop[1] - 1e-6) + 1)
        if stop <= start:
            return True
        device = display_device(self.clip.info.codec) if self._hardware else None
        self._pass, self._next = self.clip.open_pass(start, stop, threads=self._threads, device=device), start
        jump: int | None = None
        for number, picture, damaged in self._pass:
            self._beat = time.monotonic()
            frame = self.clip.wrap(picture, number, damaged, for_looking=self._pass.device is not None)
            left_out, self._next = number - self._next, number + 1
            due = self.to_scene(frame.time_s) + shift
            behind = self._clock.now() - due if self._clock.running else 0.0
            self._count(behind=max(0.0, behind), skipped=max(0, left_out))
            if not frame.for_looking:
                self._store.put(frame)
            if behind <= max(LATE_S, index.interval_s) or self._starving():
                if not self._deliver(frame, due, serial):
                    self._end_pass()
                    return False
            else:
                self._count(skipped=1)
            self._pass.hurry(behind > HURRY_S)
            if behind > JUMP_S:
                jump = self._key_ahead(number, due - shift + behind)
                if jump is not None:
                    break
            if self._orders.serial != serial or self._orders.closing:
                self._end_pass()
                return False
        self._end_pass()
        if jump is not None:
            self._count(skipped=max(0, jump - self._state_number() - 1))
            return self._lap(self.to_scene(float(index.times_s[jump])), shift, serial)
        return True

    def _state_number(self) -> int:
        return self._state.number or 0

    def _starving(self) -> bool:
        """Whether nothing is waiting for the screen: then a late picture is better than none."""
        return not self._ready

    def _key_ahead(self, number: int, scene_s: float) -> int | None:
        """Return a key picture between here and where the clock is, if one lies there."""
        assert self.clip is not None
        keys = np.flatnonzero(self.clip.index.key)
        target = self._number_at(scene_s)
        keys = keys[(keys > number + 2) & (keys <= target)]
        return int(keys[-1]) if len(keys) else None

    def _deliver(self, frame: Frame, due: float, serial: int) -> bool:
        """Render and queue a picture, waiting while enough are queued ahead; False if another order came."""
        assert self.clip is not None
        ahead = max(3, round(AHEAD_S / self.clip.index.interval_s)) if self.clip.index.interval_s else 3
        picture = self._render(frame, due)
        ahead = min(ahead, max(3, self._store.limit // max(1, picture.image.nbytes)))
        with self._wake:
            while len(self._ready) >= ahead and self._orders.serial == serial and not self._orders.closing:
                self._busy = False
                self._wake.wait(0.25)
            self._busy, self._beat = True, time.monotonic()
            if self._orders.serial != serial or self._orders.closing:
                return False
            self._ready.append(picture)
        self._on_ready()
        return True


def fitted(width: int, height: int, size: tuple[int, int]) -> tuple[int, int]:
    """Return the largest size of the picture's shape inside a pane; never larger than the picture."""
    scale = min(size[0] / width, size[1] / height, 1.0)
    return max(1, round(width * scale)), max(1, round(height * scale))


def default_play_threads(lanes: int) -> int:
    """Return decoder threads a lane: one when there are as many lanes as cores, else one more than the cores left."""
    cores = os.cpu_count() or 1
    return 1 if lanes >= cores else min(4, cores // max(1, lanes) + 1)


__all__ = ["Lane", "LaneState", "Picture", "default_play_threads", "fitted"]

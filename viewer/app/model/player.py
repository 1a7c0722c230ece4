"""The scene's clock: where it stands, how it runs, and which frame of each clip belongs to it."""

from __future__ import annotations

import math
import time
from collections.abc import Callable

from PySide6.QtCore import QObject, Qt, QTimer, Signal

from viewer.app.model.engine import Engine
from viewer.app.model.stage import Stage
from viewer.errors import SeekError
from viewer.session.model import Clip

SPEEDS = (0.05, 0.1, 0.25, 0.5, 1.0, 2.0, 4.0)
TICK_MS = 8


class Player(QObject):
    """Plays, steps and loops all clips of the wall on one clock.  Steps are exact: whole frames of the leading clip."""

    time_changed = Signal(float)
    state_changed = Signal()

    def __init__(self, stage: Stage, engine: Engine, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.stage, self.engine = stage, engine
        self.time_s = 0.0
        self.playing = False
        self.speed = 1.0
        self.looping = False
        self.now: Callable[[], float] = time.monotonic
        self._from_s, self._from_clock = 0.0, 0.0
        self._fresh = True
        self.shifts: dict[str, float] = {}  # s, of lanes that are being dragged: the wall follows the hand
        self._last_numbers: tuple[int | None, ...] = ()
        self._timer = QTimer(self)
        self._timer.setTimerType(Qt.TimerType.PreciseTimer)
        self._timer.setInterval(TICK_MS)
        self._timer.timeout.connect(self._tick)
        stage.scene_changed.connect(self._scene_changed)
        stage.clips_changed.connect(self._clips_changed)
        engine.opened.connect(self._opened)

    def _scene_changed(self) -> None:
        self.pause()
        self._fresh = True
        self.time_s = 0.0

    def _clips_changed(self) -> None:
        if self._fresh:
            self._begin()

    def _opened(self, _clip: str) -> None:
        if not (self._fresh and self._begin()):
            self.time_changed.emit(self.time_s)

    def _begin(self) -> bool:
        """Go to where a scene begins; clips that are still to open may move it once more, until the user moves."""
        first = self.first_common_s()
        if first is None:
            return False
        self.go(first)
        self._fresh = True
        return True

    def first_common_s(self) -> float | None:
        """Return the first moment that every open clip shows, else the lead's first frame; None before the lead is open."""
        lead = self.stage.lead
        entry = self.engine.clips.get(lead.id) if lead else None
        if lead is None or entry is None or entry.index is None:
            return None
        times = entry.index.times_s
        starts, ends = self._ends()
        latest = max(starts)
        if latest > min(ends):
            return self.scene_time(lead, float(times[0]))
        # On a frame of the lead, so that stepping goes on from a whole frame.
        scene = [self.scene_time(lead, float(t)) for t in times]
        return next((t for t in scene if t >= latest - 1e-9), scene[0])

    # --- mapping ---

    def _start_of(self, clip: Clip) -> float:
        entry = self.engine.clips.get(clip.id)
        return float(entry.index.times_s[0]) if entry is not None and entry.index is not None else 0.0

    def scene_time(self, clip: Clip, clip_s: float) -> float:
        """Return the scene time of a clip's own time.  Clips without a clock map start together with the reference."""
        if clip.clock is not None:
            return clip.clock.scene_time(clip_s)
        reference = self.stage.reference
        if reference is None or reference.id == clip.id:
            return clip_s
        base = self._start_of(reference)
        if reference.clock is not None:
            base = reference.clock.scene_time(base)
        return clip_s - self._start_of(clip) + base

    def clip_time(self, clip: Clip, scene_s: float) -> float:
        """Return a clip's own time at a scene time."""
        scene_s -= self.shifts.get(clip.id, 0.0)
        if clip.clock is not None:
            return clip.clock.clip_time(scene_s)
        reference = self.stage.reference
        if reference is None or reference.id == clip.id:
            return scene_s
        base = self._start_of(reference)
        if reference.clock is not None:
            base = reference.clock.scene_time(base)
        return scene_s + self._start_of(clip) - base

    def number(self, clip: Clip, scene_s: float | None = None) -> int | None:
        """Return the frame of a clip at a scene time (now by default), or None before its first and after its last."""
        entry = self.engine.clips.get(clip.id)
        if entry is None or entry.index is None:
            return None
        try:
            return int(entry.index.number_at(self.clip_time(clip, self.time_s if scene_s is None else scene_s)))
        except SeekError:
            return None

    def range_s(self) -> tuple[float, float]:
        """Return the first and the last scene time that any clip shows."""
        starts, ends = self._ends()
        return (min(starts), max(ends)) if starts else (0.0, 0.0)

    def _ends(self) -> tuple[list[float], list[float]]:
        """First and last scene time of every clip that is open."""
        starts, ends = [], []
        for clip in self.stage.clips:
            entry = self.engine.clips.get(clip.id)
            if entry is not None and entry.index is not None and len(entry.index):
                starts.append(self.scene_time(clip, float(entry.index.times_s[0])))
                ends.append(self.scene_time(clip, float(entry.index.times_s[-1])))
        return starts, ends

    def span_of(self, clip: Clip) -> tuple[float, float] | None:
        """Return the scene times of a clip's first and last frame as the wall shows it now, or None before it is open."""
        entry = self.engine.clips.get(clip.id)
        if entry is None or entry.index is None or not len(entry.index):
            return None
        shift = self.shifts.get(clip.id, 0.0)
        first, last = (self.scene_time(clip, float(entry.index.times_s[n])) + shift for n in (0, -1))
        return first, last

    def loop_s(self) -> tuple[float, float] | None:
        """Return the loop of the scene, if it is set and not empty; open ends are those of the clips."""
        scene = self.stage.scene
        if scene is None or (scene.loop_in_s is None and scene.loop_out_s is None):
            return None
        start, end = self.range_s()
        first = start if scene.loop_in_s is None else scene.loop_in_s
        last = end if scene.loop_out_s is None else scene.loop_out_s
        return (first, last) if last > first else None

    # --- moving ---

    def go(self, time_s: float) -> None:
        """Go to a scene time."""
        if not math.isfinite(time_s):
            return
        self._fresh = False
        self.time_s = time_s
        self._from_s, self._from_clock = time_s, self.now()
        self.time_changed.emit(time_s)

    def step(self, frames: int) -> None:
        """Go on by whole frames of the leading clip."""
        self.pause()
        lead = self.stage.lead
        entry = self.engine.clips.get(lead.id) if lead else None
        if lead is None or entry is None or entry.index is None:
            return
        number = self.number(lead)
        if number is None:
            first = self.scene_time(lead, float(entry.index.times_s[0]))
            number = -1 if self.time_s < first else len(entry.index)
            number += frames if abs(frames) == 1 else (1 if frames > 0 else -1)
        else:
            number += frames
        number = max(0, min(len(entry.index) - 1, number))
        self.go(self.scene_time(lead, float(entry.index.times_s[number])))

    def go_to_end(self, *, last: bool) -> None:
        """Go to the first or the last moment (of the loop, if one plays)."""
        loop = self.loop_s() if self.looping else None
        start, end = loop or self.range_s()
        self.go(end if last else start)

    def landmarks(self) -> list[float]:
        """Return markers and light steps of the scene, in order."""
        scene = self.stage.scene
        if scene is None:
            return []
        times = [m.time_s for m in self.stage.session.markers if m.scene == scene.id]
        times += [level.start_s for level in scene.levels if level.start_s is not None]
        return sorted(set(times))

    def to_landmark(self, direction: int) -> bool:
        """Go to the next (+1) or the previous (-1) marker or light step; return whether there was one."""
        marks = self.landmarks()
        if direction > 0:
            ahead = [t for t in marks if t > self.time_s + 1e-6]
            if not ahead:
                return False
            self.go(ahead[0])
        else:
            behind = [t for t in marks if t < self.time_s - 1e-6]
            if not behind:
                return False
            self.go(behind[-1])
        return True

    # --- running ---

    def toggle(self) -> None:
        """Play, or pause."""
        self.pause() if self.playing else self.play()

    def play(self) -> None:
        """Run from here, or from the start when at the end."""
        start, end = self.range_s()
        if end <= start:
            return
        loop = self.loop_s() if self.looping else None
        first, last = loop or (start, end)
        if self.time_s >= last - 1e-6 or self.time_s < first - 1e-6:
            self.time_s = first
        self._from_s, self._from_clock = self.time_s, self.now()
        self.playing, self._fresh = True, False
        for entry in self.engine.clips.values():
            entry.late = 0
        self._timer.start()
        self.state_changed.emit()

    def pause(self) -> None:
        """Stop on the frame that is shown."""
        if not self.playing:
            return
        self.playing = False
        self._timer.stop()
        self.state_changed.emit()
        self.time_changed.emit(self.time_s)

    def set_speed(self, speed: float) -> None:
        """Run at 0.05 to 4 times."""
        self.speed = min(SPEEDS[-1], max(SPEEDS[0], speed))
        self._from_s, self._from_clock = self.time_s, self.now()
        self.state_changed.emit()

    def change_speed(self, direction: int) -> None:
        """Go to the next faster or slower of `SPEEDS`."""
        if direction > 0:
            self.set_speed(next((s for s in SPEEDS if s > self.speed + 1e-9), SPEEDS[-1]))
        else:
            self.set_speed(next((s for s in reversed(SPEEDS) if s < self.speed - 1e-9), SPEEDS[0]))

    def set_looping(self, on: bool) -> None:
        """Play the loop (or the whole) again and again, or not."""
        self.looping = on
        self.state_changed.emit()

    def _tick(self) -> None:
        time_s = self._from_s + self.speed * (self.now() - self._from_clock)
        start, end = self.range_s()
        first, last = (self.loop_s() or (start, end)) if self.looping else (start, end)
        if time_s > last:
            if self.looping and last > first:
                time_s = first + (time_s - first) % (last - first)
                self._from_s, self._from_clock = time_s, self.now()
            else:
                self.time_s = last
                self.pause()
                return
        self.time_s = time_s
        # Ticks that change no picture need no repaint: they would only take time from decoding.
        numbers = tuple(self.number(clip) for clip in self.stage.clips)
        if numbers != self._last_numbers:
            self._last_numbers = numbers
            self.time_changed.emit(time_s)


__all__ = ["SPEEDS", "Player"]

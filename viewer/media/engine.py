"""The engine behind the wall: one worker thread a clip, one clock for all, pictures handed over as plain arrays.

No Qt here.  Workers decode ahead into a store of bounded size and render pictures at pane size; the window asks `poll` for
what is due.  While scrubbing only the newest request counts.  When the machine cannot keep up, pictures are left out and
counted; what is shown is always the exact picture of the time that stands with it.
"""

from __future__ import annotations

import time
from collections import OrderedDict
from collections.abc import Callable, Sequence
from pathlib import Path

from viewer.media.clock import Clock
from viewer.media.lane import Lane, LaneState, Picture, default_play_threads, fitted
from viewer.media.tags import LightChoice

PRIME_S = 1.5


class Wall:
    """Several lanes on one clock.

    Parameters
    ----------
    memory_mb : float
        Bound of all stores of decoded pictures together.
    hardware : bool
        Let hardware decoders play where they answer; for looking only.
    on_ready : callable, optional
        Called from worker threads whenever `poll` may have something new.
    """

    def __init__(self, *, memory_mb: float = 384.0, hardware: bool = False, on_ready: Callable[[], None] | None = None) -> None:
        self.clock = Clock()
        self._lanes: OrderedDict[str, Lane] = OrderedDict()
        self._memory_mb, self._hardware, self._on_ready = memory_mb, hardware, on_ready
        self._armed: tuple[float, float, float] | None = None

    def open(
        self,
        lanes: Sequence[tuple[str, Path | str | Sequence[Path | str]]],
        *,
        light: dict[str, LightChoice] | None = None,
        size: tuple[int, int] | None = None,
        maps: dict[str, tuple[float, float]] | None = None,
    ) -> None:
        """Put these clips on the wall in place of what was there.

        Parameters
        ----------
        lanes : sequence of (key, path or parts)
        light : mapping of key to LightChoice, optional
        size : (w, h), optional
            Pane size for all; see `set_size`.
        maps : mapping of key to (offset_s, rate_ppm), optional
        """
        self.close()
        share = self._memory_mb / max(1, len(lanes))
        threads = default_play_threads(len(lanes))
        for key, paths in lanes:
            offset, rate = (maps or {}).get(key, (0.0, 0.0))
            self._lanes[key] = Lane(
                paths,
                self.clock,
                light=(light or {}).get(key),
                size=size,
                offset_s=offset,
                rate_ppm=rate,
                store_mb=share,
                threads=threads,
                hardware=self._hardware,
                on_ready=self._on_ready,
            )

    def __enter__(self) -> Wall:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def keys(self) -> tuple[str, ...]:
        """Keys of the lanes, in order."""
        return tuple(self._lanes)

    def lane(self, key: str) -> Lane:
        """Return a lane."""
        return self._lanes[key]

    def states(self) -> dict[str, LaneState]:
        """Return how each lane is doing."""
        return {key: lane.state for key, lane in self._lanes.items()}

    def ready(self) -> bool:
        """Whether every lane is open (or failed)."""
        return all(lane.state.status != "opening" for lane in self._lanes.values())

    def close(self) -> None:
        """Stop all workers and close all files."""
        lanes, self._lanes = self._lanes, OrderedDict()
        for lane in lanes.values():
            with lane._wake:
                lane._orders.closing = True
                lane._wake.notify()
        for lane in lanes.values():
            lane.close()

    @property
    def playing(self) -> bool:
        """Whether time passes, or will as soon as pictures wait in every lane."""
        return self.clock.running or self._armed is not None

    def position(self) -> float:
        """Return the present scene time in s."""
        return self.clock.scene(self.clock.now())

    def seek(self, scene_s: float) -> None:
        """Show the exact pictures of a scene time in all lanes; while playing, play on from there."""
        if self.playing:
            self.play(scene_s)
            return
        self.clock.stop(scene_s)
        for lane in self._lanes.values():
            lane.show(scene_s=scene_s)

    def step(self, count: int, *, lead: str | None = None) -> float:
        """Go `count` pictures of the leading lane on or back; the others follow to the same scene time.

        Returns
        -------
        float
            The new scene time in s.
        """
        self._armed = None
        self.clock.stop(self.position())
        key = lead if lead in self._lanes else next(iter(self._lanes), None)
        if key is None or self._lanes[key].clip is None:
            return self.position()
        lane = self._lanes[key]
        clip = lane.clip
        assert clip is not None
        here = lane._number_at(self.position())
        target = min(max(here + count, 0), len(clip.index) - 1)
        scene_s = lane.to_scene(float(clip.index.times_s[target]))
        self.clock.stop(scene_s)
        for name, other in self._lanes.items():
            if name == key:
                other.show(number=target)
            else:
                other.show(scene_s=scene_s)
        return scene_s

    def play(self, scene_s: float | None = None, *, speed: float = 1.0) -> None:
        """Play from a scene time, or from where it stands; the clock starts once pictures wait in every lane."""
        start = self.position() if scene_s is None else scene_s
        loop = self.clock.loop
        if loop is not None and not loop[0] <= start < loop[1]:
            start = loop[0]
        for lane in self._lanes.values():
            lane.play(start)
        # Time stands until the first pictures wait in every lane; `poll` lets it go.
        self.clock.stop(start)
        self._armed = (start, speed, time.monotonic() + PRIME_S)

    def pause(self) -> None:
        """Stop where it is, and show the exact pictures of that time."""
        self._armed = None
        at = self.position()
        self.clock.stop(at)
        for lane in self._lanes.values():
            lane.show(scene_s=at)

    def set_loop(self, loop: tuple[float, float] | None) -> None:
        """Repeat a span of scene time; None: play through."""
        at, running = self.position(), self.playing
        self.clock.loop = loop if loop is not None and loop[1] - loop[0] > 1e-3 else None
        if running:
            self.play(at)
        else:
            self.clock.stop(at)

    def set_size(self, key: str, size: tuple[int, int] | None) -> None:
        """Render a lane for another pane size."""
        self._lanes[key].set_size(size)

    def set_map(self, key: str, offset_s: float, rate_ppm: float = 0.0) -> None:
        """Change how a clip lies on the scene's clock."""
        self._lanes[key].set_map(offset_s, rate_ppm)

    def poll(self) -> dict[str, Picture]:
        """Return, for each lane that has something new, the picture that is due now."""
        if self._armed is not None:
            start, speed, latest = self._armed
            if time.monotonic() >= latest or all(lane.primed for lane in self._lanes.values()):
                self._armed = None
                self.clock.start(start, speed)
        now = self.clock.now()
        found = {key: lane.take(now) for key, lane in self._lanes.items()}
        return {key: picture for key, picture in found.items() if picture is not None}


__all__ = ["Clock", "Lane", "LaneState", "Picture", "Wall", "default_play_threads", "fitted"]

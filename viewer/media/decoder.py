"""One open decoder: pictures in order from any key picture on, and any single picture exactly."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import av
import av.error
import numpy as np

from viewer.errors import MediaError, SeekError
from viewer.media.index import FrameIndex
from viewer.media.source import MAX_PIXELS, open_container, translated, video_stream
from viewer.media.watch import beat

# A damaged picture must be an error: concealed ones would pass for right.  Checksums are compared where a stream holds them.
OPTIONS = {"max_pixels": str(MAX_PIXELS), "err_detect": "crccheck+bitstream+buffer+explode"}
# Decoders that call harmless oddities of whole files errors.
TOUCHY = {"tiff"}
# Decoders for one thread only: frame threads carry what an error left behind past the next key picture, others hide errors.
ONE_THREAD = {"vp9"}
# How many pictures may be decoded before, but shown after, one that is lost.
REORDER = 4
# Errors of single packets: the picture is lost, the clip goes on.
PACKET_ERRORS = (av.error.FFmpegError, EOFError)


def options_of(codec: str) -> dict[str, str]:
    """Return the decoder's options."""
    return OPTIONS | {"err_detect": "crccheck"} if codec in TOUCHY else dict(OPTIONS)


def default_threads() -> int:
    """Return how many decoder threads pay: one more than there are cores, at most four (each costs a picture's memory)."""
    return max(1, min(4, (os.cpu_count() or 1) + 1))


class Decoder:
    """An open container and its decoder, used by one thread at a time.

    Parameters
    ----------
    path : Path
    threads : int
        1: no latency, best for single pictures; more: frame threads, best for passes.
    device : str, optional
        Hardware decoder, for looking only.
    hold : bool, optional
        Let `run` keep a few pictures back, so that damage seen late still marks those shown before it but decoded after.
    """

    def __init__(self, path: Path, *, threads: int = 1, device: str | None = None, hold: bool = False) -> None:
        self.path, self.device = path, device
        self.container = open_container(path, device=device)
        try:
            self.stream = video_stream(self.container, path)
            self.context = self.stream.codec_context
            threads = 1 if self.context.name in ONE_THREAD else threads
            self.context.thread_count = threads
            self.context.thread_type = "FRAME" if threads > 1 else "SLICE"
            self.context.options = options_of(self.context.name)
        except BaseException:
            self.container.close()
            raise
        self.suspect = False
        self.errors = 0
        self._worst: int | None = None
        self._newest: int | None = None
        self._sent: deque[int | None] = deque(maxlen=max(1, threads))
        self._hold = REORDER if hold and self.context.has_b_frames else 0
        self._packets: Iterator[Any] | None = None
        self._pending: list[tuple[Any, bool]] = []
        self._drained = False

    def close(self) -> None:
        """Close the file."""
        self._packets, self._pending = None, []
        with translated(self.path):
            self.container.close()

    def run(self) -> Iterator[tuple[Any, bool]]:
        """Yield (picture, damaged) from the present place to the end.

        After an error every picture up to the next whole key picture counts as damaged: it may rest on what was lost.
        """
        if self._packets is None:
            self._packets = self.container.demux(self.stream)
        while True:
            while len(self._pending) > self._hold:
                yield self._pending.pop(0)
            if not self._feed():
                break
        while self._pending:
            yield self._pending.pop(0)

    def _feed(self) -> bool:
        """Read and decode one packet; False at the end."""
        packet = self._next()
        if packet is None:
            return self._drain()
        with translated(self.path):
            self._decode(packet)
        return True

    def _next(self) -> Any:
        """Return the next packet, None at the end or at a break in the container."""
        assert self._packets is not None
        beat()
        with translated(self.path):
            try:
                packet = next(self._packets, None)
            except PACKET_ERRORS:
                # What follows a break in the container cannot be reached.
                self._trouble(None)
                self._packets = iter(())
                return None
        return packet if packet is not None and packet.size else None

    def _drain(self) -> bool:
        if self._drained:
            return False
        self._drained = True
        with translated(self.path):
            self._decode(None)
        return bool(self._pending)

    def _decode(self, packet: Any) -> None:
        beat()
        if packet is not None:
            self._sent.append(packet.pts)
        try:
            pictures = self.context.decode(packet)
        except PACKET_ERRORS:
            # Frame threads report late: the error is that of the oldest packet under way.
            self._trouble(self._sent[0] if self._sent else None)
            return
        if packet is not None and packet.is_corrupt:
            self._trouble(packet.pts)
        for picture in pictures:
            if picture.is_corrupt:
                self._trouble(picture.pts)
            elif picture.key_frame and self._passed(picture.pts):
                self.suspect, self._worst = False, None
            self._queue(picture)

    def _queue(self, picture: Any) -> None:
        """Let a picture wait for its turn.  After an error the decoder's threads may hand pictures out in the wrong order."""
        pts = picture.pts
        late = self.errors > 0 and pts is not None and self._newest is not None and pts < self._newest
        if pts is not None and not late:
            self._newest = pts
        self._pending.append((picture, self.suspect or late))
        if late and all(waiting.pts is not None for waiting, _ in self._pending):
            self._pending.sort(key=lambda entry: entry[0].pts)

    def _passed(self, pts: int | None) -> bool:
        """Whether all trouble lies before a key picture: errors of what follows it may show themselves first."""
        return pts is None or self._worst is None or pts > self._worst

    def _trouble(self, pts: int | None) -> None:
        """Mark everything up to the next key picture, and what waits: some of it may be decoded later than what is lost."""
        self.errors += 1
        self.suspect = True
        if pts is not None:
            self._worst = pts if self._worst is None else max(self._worst, pts)
        self._pending = [(picture, True) for picture, _ in self._pending]

    def start_at_key(self, key: int, wanted: int) -> None:
        """Go to a key packet such that everything from `wanted` on will come out; to the start of the file if need be."""
        self.start_at(key)
        packet = self._next()
        while packet is not None and not packet.is_keyframe:
            packet = self._next()
        if packet is None or packet.pts is None or packet.pts > wanted:
            self.restart()
            return
        with translated(self.path):
            self._decode(packet)

    def keys(self, index: FrameIndex, count: int) -> Iterator[Any]:
        """Yield up to `count` key pictures spread over the clip, each decoded alone; of counted clips the first pictures."""
        if index.counted or not len(index.key_pts):
            for number, (picture, _) in enumerate(self.run()):
                if number >= count:
                    return
                yield picture
            return
        places = np.unique(np.linspace(0, len(index.key_pts) - 1, count).round().astype(int))
        for place in places:
            try:
                self.start_at(int(index.key_pts[place]))
                packet = self._next()
                if packet is None:
                    continue
                self._decode(packet)
                self._drain()
            except MediaError:
                continue
            good = [picture for picture, damaged in self._pending if not damaged]
            self._pending.clear()
            yield from good[:1]

    def start_at(self, pts: int) -> None:
        """Go to the key picture at or before a timestamp."""
        with translated(self.path):
            self.container.seek(int(pts), stream=self.stream, backward=True)
            self._packets = self.container.demux(self.stream)
        self._pending, self._drained, self.suspect, self._worst, self._newest = [], False, False, None, None
        self._sent.clear()
        self.context.skip_frame = "DEFAULT"

    def restart(self) -> None:
        """Open the file anew: the one way back to the start that works for every container."""
        threads, kind = self.context.thread_count, self.context.thread_type
        self.close()
        self.container = open_container(self.path, device=self.device)
        self.stream = video_stream(self.container, self.path)
        self.context = self.stream.codec_context
        self.context.thread_count, self.context.thread_type = threads, kind
        self.context.options = options_of(self.context.name)
        self._pending, self._drained, self.suspect, self._worst, self._newest = [], False, False, None, None
        self._sent.clear()

    def exact(self, index: FrameIndex, number: int) -> tuple[Any, bool]:
        """Return picture `number` and whether it is damaged; never a neighbour.

        Raises
        ------
        SeekError
            If it does not come out of the decoder from any start.
        """
        if index.counted:
            return self._by_counting(number)
        wanted = int(index.pts[number])
        keys = index.key_pts
        at = int(np.searchsorted(keys, wanted, side="right")) - 1
        for back in range(at, max(-1, at - 6), -1):
            found = self._from_key(index, int(keys[back]), wanted)
            if found is not None:
                return found
        self.restart()
        for picture, damaged in self.run():
            if picture.pts == wanted:
                return picture, damaged
        raise SeekError(
            f"picture {number} at {float(wanted * index.time_base):.4f} s does not decode.",
            where=self.path.name,
            hint="That part of the file is damaged; choose another moment.",
        )

    def _from_key(self, index: FrameIndex, key: int, wanted: int) -> tuple[Any, bool] | None:
        try:
            self.start_at(key)
        except MediaError:
            return None
        first = True
        while (packet := self._next()) is not None:
            if first and packet.pts is not None:
                if not packet.is_keyframe:
                    continue
                if packet.pts > wanted:
                    return None
                first = False
            if index.plain:
                full = packet.pts == wanted or packet.pts is None or packet.is_keyframe
                self.context.skip_frame = "DEFAULT" if full else "NONREF"
            self._decode(packet)
            found = self._take(wanted)
            if found is None and index.plain and packet.pts == wanted:
                self._drain()
                found = self._take(wanted)
            if found is not None:
                return self._as_sure_as_can_be(found)
        self._drain()
        return self._take(wanted)

    def _take(self, wanted: int) -> tuple[Any, bool] | None:
        for place, (picture, damaged) in enumerate(self._pending):
            if picture.pts == wanted:
                del self._pending[: place + 1]
                return picture, damaged
        self._pending.clear()
        return None

    def _as_sure_as_can_be(self, found: tuple[Any, bool]) -> tuple[Any, bool]:
        """Look at what was decoded before a picture but is shown after it: it may rest on that, and that be damaged."""
        before = self.errors
        if not self._drained and self.context.has_b_frames:
            self._drain()
            self._pending.clear()
        return found[0], found[1] or self.errors > before

    def _by_counting(self, number: int) -> tuple[Any, bool]:
        self.restart()
        for count, (picture, damaged) in enumerate(self.run()):
            if count == number:
                return picture, damaged
        raise SeekError(f"picture {number} does not decode.", where=self.path.name)


__all__ = ["Decoder", "default_threads"]

"""Passes: pictures of a clip in order from any number on, each decoded once, across the parts of a recording."""

from __future__ import annotations

from collections import deque
from collections.abc import Generator, Iterator, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np

from viewer.errors import MediaError
from viewer.media.decoder import PACKET_ERRORS, Decoder
from viewer.media.index import FrameIndex
from viewer.media.watch import Ticket, Watch

Item = tuple[int, Any, bool]


class Pass:
    """Iterates over (number, picture, damaged); a context manager that owns its decoder.

    Parameters
    ----------
    paths, indexes, first : sequences, one entry a part
        Files, their own indexes, and the clip's number of each part's first picture.
    start, stop : int
        Range of the clip's numbers.
    threads : int
        Decoder threads.
    ahead : int
        Pictures decoded before they are asked for; if any, damage seen late also marks the pictures it may have reached before.
    device : str, optional
        Hardware decoder, for looking only; given up for the software one at the first trouble.
    """

    def __init__(
        self,
        paths: Sequence[Path],
        indexes: Sequence[FrameIndex],
        first: Sequence[int],
        start: int,
        stop: int,
        *,
        threads: int,
        ahead: int = 0,
        device: str | None = None,
    ) -> None:
        self._paths, self._indexes, self._first = paths, indexes, first
        self.start, self.stop, self._threads, self._ahead = start, stop, threads, ahead
        self.device = device
        self._hurry = False
        self._over = False
        self._run = self._pictures()
        self._watch = Watch(paths[0].name)
        self._tickets: deque[Ticket[Item | None]] = deque()

    def __iter__(self) -> Iterator[Item]:
        return self

    def __next__(self) -> Item:
        if self._over:
            raise StopIteration
        while len(self._tickets) <= self._ahead:
            self._tickets.append(self._watch.submit(self._one))
        try:
            item = self._watch.result(self._tickets.popleft())
        except BaseException:
            # What was being decoded is lost; going on would leave a hole.
            self._over = True
            raise
        if item is None:
            self._over = True
            raise StopIteration
        return item

    def _one(self) -> Item | None:
        return None if self._over else next(self._run, None)

    def __enter__(self) -> Pass:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self._over = True
        self._tickets.clear()
        self._watch.close(self._run.close)

    def hurry(self, wanted: bool) -> None:
        """Leave out pictures that no other rests on: for display only, when the machine cannot keep up."""
        self._hurry = wanted

    def _pictures(self) -> Generator[Item, None, None]:
        for place, first in enumerate(self._first):
            index = self._indexes[place]
            low, high = max(self.start, first) - first, min(self.stop, first + len(index)) - first
            if low >= high:
                continue
            if self.device is not None:
                low = yield from self._by_device(self._paths[place], index, first, low, high)
            if low < high:
                yield from self._decoded(self._paths[place], index, first, low, high, None)

    def _by_device(self, path: Path, index: FrameIndex, first: int, low: int, high: int) -> Generator[Item, None, int]:
        """Yield what a hardware decoder gives until something goes wrong; return the number to go on from."""
        try:
            for item in self._decoded(path, index, first, low, high, self.device):
                if item[2] and not index.damaged[item[0] - first]:
                    break
                low = item[0] - first + 1
                yield item
            else:
                if low >= high:
                    return low
        except (MediaError, *PACKET_ERRORS):
            pass
        self.device = None
        return low

    def _decoded(
        self, path: Path, index: FrameIndex, first: int, low: int, high: int, device: str | None
    ) -> Generator[Item, None, None]:
        decoder = Decoder(path, threads=self._threads, device=device, hold=self._ahead > 0)
        try:
            source = _counted(decoder, low, high) if index.counted else _timed(decoder, index, low, high)
            hurrying = False
            for number, picture, damaged in source:
                yield number + first, picture, damaged
                if hurrying != self._hurry:
                    hurrying = self._hurry
                    decoder.context.skip_frame = "NONREF" if hurrying else "DEFAULT"
        finally:
            decoder.close()


def _counted(decoder: Decoder, low: int, high: int) -> Iterator[Item]:
    for number, (picture, damaged) in enumerate(decoder.run()):
        if number >= high:
            return
        if number >= low:
            yield number, picture, damaged


def _timed(decoder: Decoder, index: FrameIndex, low: int, high: int) -> Iterator[Item]:
    earlier = np.flatnonzero(index.key_pts <= index.pts[low])
    if low and len(earlier) > 1:
        decoder.start_at_key(int(index.key_pts[earlier[-1]]), int(index.pts[low]))
    pts = index.pts
    last = int(pts[high - 1])
    expected = low
    for picture, damaged in decoder.run():
        here = picture.pts
        if here is None:
            continue
        # Nearly always the next picture is the next number; the search is for what was lost or comes early.
        if expected >= high or here != pts[expected]:
            place = int(np.searchsorted(pts, here))
            if place >= len(pts) or pts[place] != here or not expected <= place < high:
                if here >= last:
                    return
                expected = max(expected, min(place, high - 1))
                continue
            expected = place
        yield expected, picture, damaged or bool(index.damaged[expected])
        expected += 1
        if here >= last:
            return


__all__ = ["Item", "Pass"]

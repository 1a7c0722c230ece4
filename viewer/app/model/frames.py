"""Frames of one open clip for the panes: from memory, by going on, by an exact seek; while playing by hardware, if wished."""

from __future__ import annotations

from collections import OrderedDict
from contextlib import suppress
from typing import Any

REACH = 40  # frames ahead that are decoded through rather than sought
KEEP_BYTES = 96 * 2**20  # decoded frames kept by each clip


class Source:
    """Frames of a reader.

    Parameters
    ----------
    reader : ClipReader
        Owned from now on.
    device : str, optional
        Kind of a hardware decoder, for pictures that are only looked at; None once it failed.
    """

    def __init__(self, reader: Any, device: str | None = None) -> None:
        self.reader, self.device = reader, device
        info = reader.info
        size = max(1, info.width * info.height * (3 if info.bit_depth > 8 else 2))
        self._keep = max(3, min(64, KEEP_BYTES // size))
        self._kept: OrderedDict[int, Any] = OrderedDict()
        self._stream: Any = None
        self._at = -1
        self._pass: Any = None
        self._passed = -1

    def get(self, number: int, *, playing: bool = False, looking: bool = False) -> Any:
        """Return exactly this frame; `looking` allows one of a hardware decoder, which cannot be measured."""
        if number in self._kept:
            self._kept.move_to_end(number)
            return self._kept[number]
        if looking and self.device is not None:
            frame = self._look(number)
            if frame is not None:
                return frame
        self._drop_pass()
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

    def _look(self, number: int) -> Any:
        """Return a frame of the hardware decoder; None if it does not come to this one."""
        self._drop_stream()
        if self._pass is None or not 0 < number - self._passed <= REACH:
            self._drop_pass()
            self._pass, self._passed = self.reader.open_pass(number, None, threads=1, device=self.device), number - 1
        for here, picture, damaged in self._pass:
            self._passed, self.device = here, self._pass.device
            if here == number:
                frame = self.reader.wrap(picture, here, damaged, for_looking=self.device is not None)
                return frame if frame.for_looking else self._keep_frame(frame)
            if here > number:
                break
        return None

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

    def _drop_pass(self) -> None:
        if self._pass is not None:
            self._pass.close()
            self._pass = None

    def close(self) -> None:
        """Close the reader."""
        with suppress(Exception):
            self._drop_pass()
        self._drop_stream()
        self._kept.clear()
        self.reader.close()


__all__ = ["Source"]

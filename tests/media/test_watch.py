"""Calls that hang are given up in one line: a pipe nobody fills, a disk that stops answering half way, a decoder that spins."""

from __future__ import annotations

import contextlib
import os
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import av
import pytest

from viewer.errors import Cancelled, MediaError
from viewer.media import decoder as decoders
from viewer.media import open_clip, reader, source, watch
from viewer.media.watch import Watch, beat

DATA = Path(__file__).resolve().parent.parent / "data"
CLIP = DATA / "hevc-ts-sar-2740x2739-start1.67.ts"
LIMIT_S = 0.3


@pytest.fixture(autouse=True)
def short(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    before = threading.active_count()
    monkeypatch.setattr(watch, "LIMIT_S", LIMIT_S)
    yield
    end = time.monotonic() + 5
    while threading.active_count() > before and time.monotonic() < end:
        time.sleep(0.01)
    assert threading.active_count() <= before


class Stalling:
    """A file that stops answering after some bytes, until it is let go."""

    def __init__(self, path: Path, after: int) -> None:
        self._data, self._at, self._after = path.read_bytes(), 0, after
        self.gate = threading.Event()

    def read(self, size: int) -> bytes:
        if self._at + size > self._after:
            self.gate.wait(20)
        block = self._data[self._at : self._at + size]
        self._at += len(block)
        return block

    def seek(self, to: int, whence: int = 0) -> int:
        self._at = to + {0: 0, 1: self._at, 2: len(self._data)}[whence]
        return self._at

    def tell(self) -> int:
        return self._at


def refused(start: float) -> None:
    assert time.monotonic() - start < 12 * LIMIT_S


@pytest.mark.skipif(sys.platform == "win32", reason="no named pipes")
def test_a_pipe_is_refused_and_one_slipped_in_is_given_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pipe = tmp_path / "pipe.mp4"
    os.mkfifo(pipe)
    with pytest.raises(MediaError, match="not a regular file"):
        open_clip(pipe)
    # As if it had taken the clip's place after the check.
    monkeypatch.setattr(source, "check_file", lambda path: None)
    monkeypatch.setattr(reader, "check_file", lambda path: None)
    before = threading.active_count()
    start = time.monotonic()
    with pytest.raises(MediaError, match=r"no progress for 0\.3 s") as caught:
        open_clip(pipe)
    refused(start)
    assert "pipe.mp4" in str(caught.value) and "\n" not in str(caught.value)
    # Each reader that waits is let go with an end of file.
    end = time.monotonic() + 5
    while threading.active_count() > before and time.monotonic() < end:
        with contextlib.suppress(OSError):
            os.close(os.open(pipe, os.O_WRONLY | os.O_NONBLOCK))
        time.sleep(0.01)


def test_a_disk_that_stops_answering(monkeypatch: pytest.MonkeyPatch) -> None:
    with open_clip(CLIP) as clip:
        count = len(clip.index)
    slow = Stalling(CLIP, 9000)
    with open_clip(CLIP) as clip:
        monkeypatch.setattr(decoders, "open_container", lambda path, device=None: av.open(slow, format="mpegts"))
        got = []
        start = time.monotonic()
        with pytest.raises(MediaError, match="no progress"):
            got.extend(frame.number for frame in clip.frames())
        refused(start)
        assert got == list(range(len(got)))
        assert len(got) < count
        monkeypatch.undo()
        # The clip itself is still usable: only that pass hangs.
        assert clip.frame(3).number == 3
        slow.gate.set()


def test_a_single_picture_that_hangs(monkeypatch: pytest.MonkeyPatch) -> None:
    gate = threading.Event()
    with open_clip(CLIP) as clip:
        real = decoders.Decoder._decode

        def spin(self: Any, packet: Any) -> None:
            gate.wait(20)
            real(self, packet)

        monkeypatch.setattr(decoders.Decoder, "_decode", spin)
        start = time.monotonic()
        with pytest.raises(MediaError, match="no progress"):
            clip.frame(5)
        refused(start)
        # Asked again while it still hangs: refused at once.
        start = time.monotonic()
        with pytest.raises(MediaError, match="no progress"):
            clip.frame(6)
        assert time.monotonic() - start < LIMIT_S
        monkeypatch.undo()
        gate.set()
        # It came back: so does the clip.
        end = time.monotonic() + 5
        while time.monotonic() < end:
            try:
                assert clip.frame(7).number == 7
                break
            except MediaError:
                time.sleep(0.02)
        else:
            pytest.fail("the clip stayed refused")


def test_closing_does_not_wait_for_what_hangs() -> None:
    gate, closed = threading.Event(), threading.Event()
    guard = Watch("x")
    with pytest.raises(MediaError):
        guard.call(lambda: gate.wait(20))
    start = time.monotonic()
    guard.close(closed.set)
    refused(start)
    assert not closed.is_set()
    gate.set()
    assert closed.wait(5)


def test_slow_work_that_goes_on_is_no_hang() -> None:
    def work() -> int:
        for _ in range(12):
            time.sleep(LIMIT_S / 4)
            beat()
        return 7

    guard = Watch("x")
    assert guard.call(work) == 7
    guard.close()


def test_cancelling_need_not_wait_for_the_decoder() -> None:
    gate = threading.Event()
    guard = Watch("x", limit_s=20)
    start = time.monotonic()
    with pytest.raises(Cancelled):
        guard.call_long(lambda report, stopped: gate.wait(20), None, lambda: time.monotonic() - start > 0.1)
    assert time.monotonic() - start < 2
    gate.set()
    guard.close()


def test_errors_and_progress_come_through() -> None:
    told: list[tuple[int, int]] = []
    where: set[threading.Thread] = set()

    def note(done: int, total: int) -> None:
        told.append((done, total))
        where.add(threading.current_thread())

    def work(report: Any, stopped: Any) -> None:
        for n in range(5):
            report(n, 5)
            time.sleep(0.06)
        raise ValueError("mine")

    guard = Watch("x")
    with pytest.raises(ValueError, match="mine"):
        guard.call_long(work, note, None)
    assert told and where == {threading.current_thread()}
    guard.close()

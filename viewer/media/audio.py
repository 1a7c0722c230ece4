"""Sound of a clip: decoded whole, with the exact time of its first sample."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from viewer.errors import Cancelled as Stopped
from viewer.errors import MediaError
from viewer.media.decoder import PACKET_ERRORS
from viewer.media.index import Cancelled, Progress
from viewer.media.source import open_container, rational, translated
from viewer.media.watch import Watch, beat

MAX_SAMPLES = 2_000_000_000


@dataclass(frozen=True)
class Sound:
    """Decoded sound.

    Parameters
    ----------
    rate_hz : int
    samples : ndarray of shape (N, channels), float32
        Full scale is 1.
    start_s : float
        Time of the first sample on the clip's own clock (that of the pictures), encoder priming removed.
    gaps : tuple of (float, float)
        (time, length) in s of stretches that the file leaves out; they are filled with silence.
    damaged : bool
        Whether packets were lost.
    """

    rate_hz: int
    samples: NDArray[np.float32]
    start_s: float
    gaps: tuple[tuple[float, float], ...] = ()
    damaged: bool = False

    @property
    def mono(self) -> NDArray[np.float32]:
        """Mean of the channels."""
        return np.asarray(self.samples.mean(axis=1), dtype=np.float32)

    @property
    def duration_s(self) -> float:
        """Length in s."""
        return len(self.samples) / self.rate_hz


def read_sound(path: Path | str, *, track: int = 0, progress: Progress = None, cancelled: Cancelled = None) -> Sound | None:
    """Return the sound of a clip, or None if it has none that decodes.

    Parameters
    ----------
    path : Path or str
    track : int, optional
        Which audio track, from 0.

    Raises
    ------
    MediaError
        If the file cannot be opened.
    """
    path = Path(path)
    watch = Watch(path.name)
    try:
        return watch.call_long(lambda report, stopped: _read(path, track, report, stopped), progress, cancelled)
    finally:
        watch.close()


def _read(path: Path, track: int, progress: Progress, cancelled: Cancelled) -> Sound | None:
    container = open_container(path)
    try:
        with translated(path):
            streams = [s for s in container.streams.audio if s.codec_context is not None and s.codec_context.sample_rate]
            if track >= len(streams):
                return None
            return _collect(container, streams[track], path, progress, cancelled)
    finally:
        container.close()


def join_sounds(sounds: Sequence[Sound | None], shift_s: Sequence[float]) -> Sound | None:
    """Return the sounds of a recording's parts as one, silence where none was recorded; None if none has sound."""
    known = [(sound, shift) for sound, shift in zip(sounds, shift_s, strict=True) if sound is not None]
    if not known:
        return None
    first = known[0][0]
    if len(known) == 1:
        return replace(first, start_s=first.start_s + known[0][1])
    start = first.start_s + known[0][1]
    blocks = [first.samples]
    gaps = list(first.gaps)
    have = len(first.samples)
    for sound, shift in known[1:]:
        if sound.rate_hz != first.rate_hz or sound.samples.shape[1] != first.samples.shape[1]:
            raise MediaError("parts differ in sound rate or channels.", hint="Only parts of one recording can be joined.")
        missing = round((sound.start_s + shift - start) * first.rate_hz) - have
        if missing > 0:
            gaps.append((start + have / first.rate_hz, missing / first.rate_hz))
            blocks.append(np.zeros((missing, first.samples.shape[1]), dtype=np.float32))
        block = sound.samples[max(0, -missing) :]
        blocks.append(block)
        have += max(0, missing) + len(block)
        gaps.extend((at + shift, length) for at, length in sound.gaps)
    return Sound(first.rate_hz, np.concatenate(blocks), start, tuple(gaps), any(s.damaged for s, _ in known))


def _collect(container: Any, stream: Any, path: Path, progress: Progress, cancelled: Cancelled) -> Sound | None:
    rate = int(stream.codec_context.sample_rate)
    base = rational(stream.time_base) or Fraction(1, rate)
    blocks: list[NDArray[np.float32]] = []
    gaps: list[tuple[float, float]] = []
    start: Fraction | None = None
    have = 0
    damaged = False
    frames = _frames(container, stream)
    for count, frame in enumerate(frames):
        if frame is None:
            damaged = True
            continue
        block = _block(frame)
        if frame.sample_rate != rate or (blocks and block.shape[1] != blocks[0].shape[1]):
            damaged = True
            continue
        if frame.pts is not None:
            time = frame.pts * (rational(frame.time_base) or base)
            if start is None:
                start = time - Fraction(have, rate)
            # Timestamps of the container may be rounded to 1 ms; only what is well beyond that is a gap.
            missing = round((time - start) * rate) - have
            if missing > max(rate // 100, 256) and missing < MAX_SAMPLES // 8:
                gaps.append((float(start) + have / rate, missing / rate))
                blocks.append(np.zeros((missing, block.shape[1]), dtype=np.float32))
                have += missing
        blocks.append(block)
        have += len(block)
        if have > MAX_SAMPLES:
            raise MediaError("holds too much sound.", where=path.name, hint="Cut the clip into parts.")
        if count % 256 == 0:
            if cancelled is not None and cancelled():
                raise Stopped()
            if progress is not None:
                progress(have, max(have, int(float((stream.duration or 0) * base) * rate)))
    if not blocks:
        return None
    return Sound(rate, np.concatenate(blocks), float(start or 0), tuple(gaps), damaged)


def _frames(container: Any, stream: Any) -> Any:
    """Yield decoded frames; None where a packet was lost."""
    packets = container.demux(stream)
    while True:
        beat()
        try:
            packet = next(packets, None)
        except PACKET_ERRORS:
            yield None
            packet = None
        if packet is None:
            return
        try:
            yield from stream.codec_context.decode(packet if packet.size else None)
        except PACKET_ERRORS:
            yield None
        if packet.size == 0:
            return


def _block(frame: Any) -> NDArray[np.float32]:
    """Return samples of a frame as (N, channels) float32, full scale 1."""
    data = frame.to_ndarray()
    channels = len(frame.layout.channels)
    data = data.T if frame.format.is_planar else data.reshape(-1, channels)
    if data.dtype.kind == "f":
        return np.ascontiguousarray(data, dtype=np.float32)
    bits = data.dtype.itemsize * 8
    if data.dtype.kind == "u":
        return np.asarray((data.astype(np.float64) - (1 << (bits - 1))) / (1 << (bits - 1)), dtype=np.float32)
    return np.asarray(data.astype(np.float64) / float(1 << (bits - 1)), dtype=np.float32)


__all__ = ["Sound", "join_sounds", "read_sound"]

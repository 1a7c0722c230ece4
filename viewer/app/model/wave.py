"""What a lane shows of a clip: light level a frame and the loudness of its sound, made in the background."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from viewer.errors import Cancelled, ViewerError
from viewer.session.model import Clip

MOST_FRAMES = 4000
SOUND_BINS = 2000


@dataclass(frozen=True)
class LaneData:
    """Light level (linear, mean over the field) at clip times, and loudness 0..1 in equal bins from `sound_from_s`."""

    times_s: np.ndarray
    level: np.ndarray
    sound_from_s: float = 0.0
    sound_to_s: float = 0.0
    loudness: np.ndarray | None = None
    gaps: tuple[tuple[float, float], ...] = ()


def read(
    folder: Path, clip: Clip, *, progress: Callable[[int, int], None] | None = None, cancelled: Callable[[], bool] | None = None
) -> LaneData:
    """Read a clip once; long clips are sampled in runs so that a lane is there soon."""
    from viewer.tasks.clip_files import open_session_clip

    with open_session_clip(folder, clip, threads=1) as reader:
        times = reader.index.times_s
        stop = min(len(times), MOST_FRAMES)
        levels, at = [], []
        rect = _field_box(clip, reader.info.width, reader.info.height)
        for frame in reader.frames(0, stop, progress=progress, cancelled=cancelled):
            if cancelled is not None and cancelled():
                raise Cancelled
            levels.append(_level(frame, rect))
            at.append(frame.time_s)
        gaps = tuple((float(times[n]), float(times[n + 1])) for n, _ in reader.index.gaps)
    loud, start, end = _sound(folder, clip)
    return LaneData(np.array(at), np.array(levels), start, end, loud, gaps)


def _field_box(clip: Clip, width: int, height: int) -> tuple[int, int, int, int]:
    if clip.circle is None:
        return 0, 0, width, height
    c, half = clip.circle, 0.7 * clip.circle.radius
    x0, y0 = max(0, int(c.cx - half)), max(0, int(c.cy - half))
    x1, y1 = min(width, int(c.cx + half)), min(height, int(c.cy + half))
    return (x0, y0, x1 - x0, y1 - y0) if x1 - x0 > 8 and y1 - y0 > 8 else (0, 0, width, height)


def _level(frame: object, rect: tuple[int, int, int, int]) -> float:
    luma = frame.luma(rect)  # type: ignore[attr-defined]
    step = max(1, int(np.sqrt(luma.size / 20000)))
    return float(luma[::step, ::step].mean())


def _sound(folder: Path, clip: Clip) -> tuple[np.ndarray | None, float, float]:
    from viewer.media.audio import read_sound
    from viewer.session.store import resolve

    try:
        sound = read_sound(resolve(folder, clip.files[0]))
    except ViewerError:
        return None, 0.0, 0.0
    if sound is None or not len(sound.samples):
        return None, 0.0, 0.0
    mono = np.abs(sound.samples).max(axis=1) if sound.samples.ndim == 2 else np.abs(sound.samples)
    count = min(SOUND_BINS, len(mono))
    edges = np.linspace(0, len(mono), count + 1).astype(int)[:-1]
    peaks = np.maximum.reduceat(mono, edges)
    top = float(peaks.max()) or 1.0
    return peaks / top, float(sound.start_s), float(sound.start_s) + len(mono) / sound.rate_hz


__all__ = ["LaneData", "read"]

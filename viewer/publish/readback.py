"""Every written video is decoded again: are tags, frames, levels, detail and noise what they were meant to be?"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from viewer.cv import cv2
from viewer.errors import Cancelled
from viewer.measure.flash import FlashReport, FlashScan
from viewer.media import open_clip
from viewer.publish.footage import Made
from viewer.tasks.flash import frame_cells

LEVEL_CODES = 2.0
LEAST_KEPT = {"contrast": 95.0, "sharpness": 80.0, "noise": 60.0}


@dataclass(frozen=True, kw_only=True)
class ReadBack:
    """What a read-back found.  ``kept`` are percentages; ``faults`` name what is not as meant."""

    tags: dict[str, str]
    frames: int
    duration_s: float
    level_error_codes: float
    kept: dict[str, float | None]
    flash: FlashReport
    faults: tuple[str, ...]

    @property
    def sentences(self) -> list[str]:
        """Return the findings for the card."""
        parts = [f"{name} {value:.0f} %" for name, value in self.kept.items() if value is not None]
        tags = ", ".join(self.tags.values())
        first = f"read back: {self.frames} frames, {tags}; kept {', '.join(parts) or 'not measured'}"
        worst = self.flash.worst
        place = f", over {100 * worst.area:.0f} % of a 10-degree field" if worst.rate else ""
        flash = f"flash scan: {self.flash.verdict.word} ({worst.rate} in the worst second{place})"
        return [f"{first}; {flash}", *(f"FAULT: {fault}" for fault in self.faults)]

    def to_json(self) -> dict[str, Any]:
        """Return plain data."""
        return {
            "tags": self.tags,
            "frames": self.frames,
            "duration_s": self.duration_s,
            "level_error_codes": self.level_error_codes,
            "kept_percent": self.kept,
            "flash": {"word": self.flash.verdict.word, "sentence": self.flash.verdict.sentence},
            "faults": list(self.faults),
            "sentences": self.sentences,
        }


def read_back(path: Path, made: Made, *, cancelled: Callable[[], bool] | None = None) -> ReadBack:
    """Decode a written video and compare it with what was meant."""
    found: dict[int, tuple[np.ndarray, ...]] = {}
    levels: list[np.ndarray] = []
    with open_clip(path) as clip:
        info, count = clip.info, 0
        scan = FlashScan(hdr=info.transfer in ("hlg", "pq"))
        for frame in clip.frames():
            if cancelled and cancelled():
                raise Cancelled
            count += 1
            scan.add(frame.time_s, frame_cells(frame, info.transfer, info.primaries))
            if frame.number in made.kept:
                signal = frame.signal()
                found[frame.number] = tuple(signal[b.y : b.bottom, b.x : b.right].copy() for b in made.boxes)
                levels.append(signal[2:10, 2:10].reshape(-1, 3).mean(axis=0))
        duration = float(clip.index.end_s - clip.index.times_s[0])
    tags = {
        "transfer": info.transfer,
        "matrix": info.matrix,
        "range": info.range,
        "codec": f"{info.codec} {info.bit_depth} bit",
    }
    span = 219.0 if made.master == "sdr" else 876.0
    level = float(np.abs(np.mean(levels, axis=0) - np.array(made.ground)).max() * span) if levels else 0.0
    kept = _kept(made.kept, found)
    return ReadBack(
        tags=tags,
        frames=count,
        duration_s=duration,
        level_error_codes=level,
        kept=kept,
        flash=(report := scan.finish()),
        faults=tuple(_faults(made, info, count, duration, level, kept, report)),
    )


def _faults(
    made: Made, info: Any, count: int, duration: float, level: float, kept: dict[str, float | None], flash: FlashReport
) -> list[str]:
    faults = []
    wanted = ("hlg", "bt2020", 10) if made.master == "hlg" else ("bt709", "bt709", 8)
    if (info.transfer, info.matrix, info.bit_depth) != wanted or info.assumed:
        faults.append(f"tags read {info.transfer}, {info.matrix}, {info.bit_depth} bit instead of {wanted}")
    if count != made.frames:
        faults.append(f"{count} frames instead of {made.frames}")
    if abs(duration - made.frames / float(made.rate)) > 1.01 / float(made.rate):
        faults.append(f"lasts {duration:.3f} s instead of {made.frames / float(made.rate):.3f} s")
    if level > LEVEL_CODES * (4.0 if made.master == "hlg" else 1.0):
        faults.append(f"a known patch is off by {level:.1f} codes")
    for name, least in LEAST_KEPT.items():
        value = kept.get(name)
        if value is not None and value < least:
            faults.append(f"compression left {value:.0f} % of the {name}: use more bits")
    if not flash.passes:
        faults.append(flash.verdict.sentence)
    return faults


def _kept(meant: dict[int, tuple[np.ndarray, ...]], found: dict[int, tuple[np.ndarray, ...]]) -> dict[str, float | None]:
    """Return how much of contrast, sharpness and noise is left, %, over all panes; None where there was nothing to keep."""
    sums: dict[str, list[float]] = {"contrast": [0.0, 0.0], "sharpness": [0.0, 0.0], "noise": [0.0, 0.0]}
    numbers = [n for n in sorted(meant) if n in found]
    for number in numbers:
        for before, after in zip(meant[number], found[number], strict=True):
            pair = [_luma(picture) for picture in (before, after)]
            for place, luma in enumerate(pair):
                sums["contrast"][place] += float(cv2.GaussianBlur(luma, (0, 0), 4.0).var())
    for first, second in pairwise(numbers):
        if second != first + 1:
            continue
        for pane in range(len(meant[first])):
            for place, source in enumerate((meant, found)):
                a, b = _luma(source[first][pane]), _luma(source[second][pane])
                sums["noise"][place] += float((b - a).var())
                # The mean of two frames holds detail that stays, with half of the noise taken off again below.
                detail = cv2.Laplacian(cv2.GaussianBlur(0.5 * (a + b), (0, 0), 1.0), cv2.CV_32F)
                change = cv2.Laplacian(cv2.GaussianBlur(0.5 * (b - a), (0, 0), 1.0), cv2.CV_32F)
                sums["sharpness"][place] += max(0.0, float(detail.var() - change.var()))
    floor = {"contrast": 1e-9, "sharpness": 1e-9, "noise": 1e-8}
    return {
        name: float(100.0 * np.sqrt(after / before)) if before > floor[name] else None for name, (before, after) in sums.items()
    }


def _luma(signal: np.ndarray) -> np.ndarray:
    return np.asarray(signal.astype(np.float32) @ np.array([0.2126, 0.7152, 0.0722], np.float32))


__all__ = ["ReadBack", "read_back"]

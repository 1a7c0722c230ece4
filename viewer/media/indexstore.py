"""Frame indexes kept between runs, by content of the file."""

from __future__ import annotations

import base64
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from viewer.media import cache
from viewer.media.index import Cancelled, FrameIndex, Progress
from viewer.media.indexing import build_index

FORMAT = 2


def index_of(path: Path, sha256: str, *, progress: Progress = None, cancelled: Cancelled = None) -> FrameIndex:
    """Return the frame index of a file, from the cache if its content was seen before."""
    key = f"index:{FORMAT}:{sha256}"
    known = from_record(cache.load_json(key))
    if known is not None:
        return known
    found = build_index(path, progress=progress, cancelled=cancelled)
    cache.store_json(key, to_record(found))
    return found


def to_record(index: FrameIndex) -> dict[str, Any]:
    """Return an index as JSON data."""
    return {
        "count": len(index),
        "pts": _pack(np.diff(index.pts, prepend=0)),
        "durations": _pack(index.durations),
        "key": _pack(np.flatnonzero(index.key)),
        "damaged": _pack(np.flatnonzero(index.damaged)),
        "key_pts": _pack(index.key_pts),
        "time_base": str(index.time_base),
        "counted": index.counted,
        "decoded": index.decoded,
        "notes": list(index.notes),
        "plain": index.plain,
        "packets": index.packets,
        "bytes_total": index.bytes_total,
        "header_frames": index.header_frames,
        "header_rate": str(index.header_rate or ""),
    }


def from_record(record: Any) -> FrameIndex | None:
    """Return the index of a record, None if it is damaged."""
    try:
        count = int(record["count"])
        pts = np.cumsum(_unpack(record["pts"]))
        durations = _unpack(record["durations"])
        if len(pts) != count or len(durations) != count or not count or (np.diff(pts) <= 0).any():
            return None
        key, damaged = np.zeros(count, dtype=bool), np.zeros(count, dtype=bool)
        key[_unpack(record["key"])] = True
        damaged[_unpack(record["damaged"])] = True
        return FrameIndex(
            pts=pts,
            durations=durations,
            key=key,
            damaged=damaged,
            time_base=Fraction(record["time_base"]),
            counted=bool(record["counted"]),
            decoded=bool(record["decoded"]),
            notes=tuple(str(note) for note in record["notes"]),
            key_pts=_unpack(record["key_pts"]),
            plain=bool(record["plain"]),
            packets=int(record["packets"]),
            bytes_total=int(record["bytes_total"]),
            header_frames=int(record["header_frames"]),
            header_rate=Fraction(record["header_rate"]) if record["header_rate"] else None,
        )
    except (KeyError, TypeError, ValueError, IndexError, ZeroDivisionError):
        return None


def _pack(values: NDArray[Any]) -> str:
    return base64.b64encode(np.asarray(values, dtype="<i8").tobytes()).decode("ascii")


def _unpack(text: str) -> NDArray[np.int64]:
    return np.frombuffer(base64.b64decode(text, validate=True), dtype="<i8").astype(np.int64)


__all__ = ["from_record", "index_of", "to_record"]

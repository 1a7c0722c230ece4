"""How coarsely an encoder rounded a clip."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import numpy as np

from viewer.errors import ViewerError
from viewer.media.source import open_container

SAMPLED = 400
"""Blocks that are looked at per picture."""
_HEAD = struct.Struct("<IxxxxQQii")
_DELTA = 16
"""Place of a block's own quantiser difference behind its four place and size numbers."""


def typical_step(path: Path | str, *, pictures: int = 12) -> float | None:
    """Return the typical step of an H.264 clip's quantiser, in code values of the clip's own depth; None where it is not known.

    Parameters
    ----------
    path : Path or str
    pictures : int
        How many pictures from the start are looked at.

    Notes
    -----
    The step doubles with every 6 of the quantiser's number and is 1 at 4 (ITU-T H.264, 8.5.9).  Only the H.264 decoder of the
    media library tells; other codecs, and files that do not decode, give None.
    """
    try:
        with open_container(path) as container:
            stream = container.streams.video[0]
            if stream.codec_context.name != "h264":
                return None
            stream.codec_context.options = {"export_side_data": "venc_params"}
            levels: list[float] = []
            for number, frame in enumerate(container.decode(stream)):
                if number >= pictures:
                    break
                levels += _levels(frame)
    except (ViewerError, OSError, ValueError, IndexError):
        return None
    return float(2.0 ** ((np.mean(levels) - 4.0) / 6.0)) if levels else None


def _levels(frame: Any) -> list[float]:
    """Return quantiser numbers of a picture's blocks."""
    for index in range(len(frame.side_data)):
        entry = frame.side_data[index]
        if entry.type.name != "VIDEO_ENC_PARAMS":
            continue
        data = bytes(entry)
        count, start, size, _, level = _HEAD.unpack_from(data, 0)
        step = max(1, count // SAMPLED)
        return [level + struct.unpack_from("<i", data, start + i * size + _DELTA)[0] for i in range(0, count, step)] or [level]
    return []


__all__ = ["typical_step"]

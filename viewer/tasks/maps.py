"""Maps of a measure as grey pictures."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from viewer.cv import cv2
from viewer.errors import FileError, UsageError

NOTHING = 24


def grey_map(values: np.ndarray, *, middle: float, reach: float) -> np.ndarray:
    """Return a map (rows, cols) as 8-bit grey: `middle` is 128, `middle` - `reach` 40 and `middle` + `reach` 216.

    Where there is no value the grey is `NOTHING`, darker than any value.
    """
    good = np.isfinite(values)
    level = 128.0 + 88.0 * np.clip((np.where(good, values, middle) - middle) / reach, -1.0, 1.0)
    return np.where(good, np.round(level), NOTHING).astype(np.uint8)


def write_map(path: Path | str, values: np.ndarray, *, middle: float, reach: float) -> Path:
    """Write a map as PNG, grey as by `grey_map`.

    Raises
    ------
    UsageError
        If the name does not end with ``.png``.
    FileError
        If it cannot be written.
    """
    return _write(Path(path), grey_map(values, middle=middle, reach=reach))


def write_strip(path: Path | str, maps: Sequence[np.ndarray], *, reach: float, gap: int = 8) -> Path:
    """Write maps of one size beside each other as PNG: 0 is grey 128, light above and below by up to `reach`.

    Raises
    ------
    As `write_map`.
    """
    if not maps:
        raise UsageError("there is no map to write.", hint="Choose a larger region.")
    rows = maps[0].shape[0]
    parts: list[np.ndarray] = []
    for values in maps:
        parts += [grey_map(values, middle=0.0, reach=reach), np.full((rows, gap), 0, np.uint8)]
    return _write(Path(path), np.hstack(parts[:-1]))


def _write(path: Path, grey: np.ndarray) -> Path:
    if path.suffix.lower() != ".png":
        raise UsageError(f"{path.name!r} does not end with .png.", hint="Only PNG is written.")
    done, coded = cv2.imencode(".png", grey)
    try:
        if not done:
            raise OSError("the picture cannot be coded")
        path.write_bytes(coded.tobytes())
    except OSError as error:
        raise FileError(
            f"cannot be written ({error.strerror or error}).", where=str(path), hint="Choose another place."
        ) from error
    return path


__all__ = ["NOTHING", "grey_map", "write_map", "write_strip"]

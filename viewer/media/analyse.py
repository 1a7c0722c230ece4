"""One pass over a clip: any number of regions and profiles per picture, in linear light, each picture decoded once."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from viewer.cv import cv2
from viewer.media.frame import STRIP_PIXELS, Frame
from viewer.media.geometry import Orientation
from viewer.media.index import Cancelled, Progress

if TYPE_CHECKING:
    from viewer.media.reader import ClipReader
    from viewer.media.tint import Tint

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Collected:
    """What a pass found; all arrays have one entry a picture.

    Parameters
    ----------
    numbers, times_s : ndarray of shape (N,)
    damaged : ndarray of shape (N,), bool
    mean, spread, clipped : mapping of region name to ndarray of shape (N,)
        Mean and standard deviation of linear luminance over the region, and its share of clipped pixels.
    rows, columns : mapping of region name to ndarray of shape (N, h) and (N, w)
        Mean of each row and of each column, for the regions that were asked for.
    """

    numbers: NDArray[np.int64]
    times_s: Floats
    damaged: NDArray[np.bool_]
    mean: Mapping[str, Floats]
    spread: Mapping[str, Floats]
    clipped: Mapping[str, Floats]
    rows: Mapping[str, Floats] = field(default_factory=dict)
    columns: Mapping[str, Floats] = field(default_factory=dict)


def collect(
    clip: ClipReader,
    regions: Mapping[str, Any],
    *,
    rows: tuple[str, ...] | bool = (),
    columns: tuple[str, ...] | bool = (),
    start: int = 0,
    stop: int | None = None,
    tint: Tint | None = None,
    progress: Progress = None,
    cancelled: Cancelled = None,
) -> Collected:
    """Return statistics of regions over a range of pictures.

    Parameters
    ----------
    clip : ClipReader
    regions : mapping of name to (x, y, w, h), Rect or None
        Upright px; None is the whole picture.
    rows, columns : tuple of names, or True for all
        Regions whose row (column) means are kept.
    start, stop : int
        Range of pictures.
    tint : Tint, optional
        Use the constant-tint path: several times faster on large regions.
    """
    keep_rows = set(regions) if rows is True else set(rows or ())
    keep_columns = set(regions) if columns is True else set(columns or ())
    numbers: list[int] = []
    times: list[float] = []
    damaged: list[bool] = []
    single: dict[str, tuple[list[float], list[float], list[float]]] = {name: ([], [], []) for name in regions}
    row_lists: dict[str, list[Floats]] = {name: [] for name in keep_rows}
    column_lists: dict[str, list[Floats]] = {name: [] for name in keep_columns}
    orientation = clip.setting.orientation
    for frame in clip.frames(start, stop, progress=progress, cancelled=cancelled):
        numbers.append(frame.number)
        times.append(frame.time_s)
        damaged.append(frame.damaged)
        for name, rect in regions.items():
            rows_wanted, columns_wanted = name in row_lists, name in column_lists
            both = rows_wanted if orientation.transpose else columns_wanted
            found = _figures(_pieces(frame, rect, tint), across=both)
            for values, value in zip(single[name], found[:3], strict=True):
                values.append(value)
            if rows_wanted:
                row_lists[name].append(_upright(found[3:], orientation, rows=True))
            if columns_wanted:
                column_lists[name].append(_upright(found[3:], orientation, rows=False))
    return Collected(
        numbers=np.array(numbers, dtype=np.int64),
        times_s=np.array(times),
        damaged=np.array(damaged, dtype=bool),
        mean={name: np.array(lists[0]) for name, lists in single.items()},
        spread={name: np.array(lists[1]) for name, lists in single.items()},
        clipped={name: np.array(lists[2]) for name, lists in single.items()},
        rows={name: np.array(values) for name, values in row_lists.items()},
        columns={name: np.array(values) for name, values in column_lists.items()},
    )


def _pieces(frame: Frame, rect: Any, tint: Tint | None) -> Iterator[tuple[NDArray[np.float32], int]]:
    """Yield (light, count of clipped pixels) of a stored region, top to bottom; by luma, in strips that stay in the cache."""
    if tint is None:
        light, hidden = frame.stored_luminance(rect)
        yield light, int(np.count_nonzero(hidden))
        return
    codes = frame.stored_luma(rect)
    step = max(8, STRIP_PIXELS // max(1, codes.shape[1]))
    for top in range(0, codes.shape[0], step):
        part = codes[top : top + step]
        clipped = np.count_nonzero(part >= tint.clip_code) if int(part.max()) >= tint.clip_code else 0
        yield tint.of_codes(part), int(clipped)


def _figures(
    pieces: Iterator[tuple[NDArray[np.float32], int]], *, across: bool
) -> tuple[float, float, float, Floats, Floats | None]:
    """Return mean, standard deviation, clipped share, the mean of each stored row and, if `across`, of each stored column.

    Sums run in double precision, so the mean square loses nothing against the square of the mean.
    """
    sums: list[Floats] = []
    square, clipped, width = 0.0, 0, 0
    down: Floats | None = None
    for light, hidden in pieces:
        width = light.shape[1]
        sums.append(np.asarray(cv2.reduce(light, 1, cv2.REDUCE_SUM, dtype=cv2.CV_64F), dtype=np.float64).ravel())
        square += cv2.norm(light, cv2.NORM_L2SQR)
        clipped += hidden
        if across:
            part = np.asarray(cv2.reduce(light, 0, cv2.REDUCE_SUM, dtype=cv2.CV_64F), dtype=np.float64).ravel()
            down = part if down is None else down + part
    rows = np.concatenate(sums) if len(sums) > 1 else sums[0]
    count = len(rows) * width
    mean = float(rows.sum()) / count
    spread = math.sqrt(max(0.0, square / count - mean * mean))
    return mean, spread, clipped / count, rows / width, None if down is None else down / len(rows)


def _upright(profiles: tuple[Floats, Floats | None], orientation: Orientation, *, rows: bool) -> Floats:
    """Return the profile of upright rows (or columns) from those of stored rows and columns."""
    values = profiles[0] if rows != orientation.transpose else profiles[1]
    assert values is not None
    return values[::-1] if (orientation.flip_y if rows else orientation.flip_x) else values


__all__ = ["Collected", "collect"]

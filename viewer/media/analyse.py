"""One pass over a clip: any number of regions and profiles per picture, in linear light, each picture decoded once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from viewer.cv import cv2
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
            light, hidden = frame.stored_luminance(rect) if tint is None else tint.stored_luminance(frame, rect)
            mean, spread, clipped = single[name]
            centre, width = cv2.meanStdDev(light)
            mean.append(float(centre[0, 0]))
            spread.append(float(width[0, 0]))
            clipped.append(np.count_nonzero(hidden) / hidden.size)
            if name in row_lists:
                row_lists[name].append(_profile(light, orientation, rows=True))
            if name in column_lists:
                column_lists[name].append(_profile(light, orientation, rows=False))
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


def _profile(light: NDArray[np.float32], orientation: Orientation, *, rows: bool) -> Floats:
    """Return the mean of each upright row (or column) of a stored array."""
    along = 1 if rows != orientation.transpose else 0
    values = np.asarray(cv2.reduce(light, along, cv2.REDUCE_AVG, dtype=cv2.CV_64F), dtype=np.float64).ravel()
    return values[::-1] if (orientation.flip_y if rows else orientation.flip_x) else values


__all__ = ["Collected", "collect"]

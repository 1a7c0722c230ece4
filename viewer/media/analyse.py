"""One pass over a clip: any number of regions and profiles per picture, in linear light, each picture decoded once."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from viewer.cv import cv2
from viewer.media.frame import STRIP_PIXELS, Frame, clip_mask
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
            found = _of_region(frame, rect, tint, across=both)
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


class _Sums:
    """Sums over a stored region, strip by strip, in double precision: the spread of an even picture must not drown."""

    def __init__(self, *, across: bool) -> None:
        self._across = across
        self._rows: list[Floats] = []
        self._down: Floats | None = None
        self._square, self._width = 0.0, 0

    def add(self, light: NDArray[np.float32]) -> None:
        """Take in the next strip."""
        self._width = light.shape[1]
        self._rows.append(_sums_of(light, 1))
        self._square += cv2.norm(light, cv2.NORM_L2SQR)
        if self._across:
            part = _sums_of(light, 0)
            self._down = part if self._down is None else self._down + part

    def figures(self) -> tuple[float, float, Floats, Floats | None]:
        """Return mean, standard deviation, the mean of each stored row and, if `across`, of each stored column."""
        rows = np.concatenate(self._rows)
        count = len(rows) * self._width
        mean = float(rows.sum()) / count
        spread = math.sqrt(max(0.0, self._square / count - mean * mean))
        return mean, spread, rows / self._width, None if self._down is None else self._down / len(rows)


def _sums_of(light: NDArray[np.float32], axis: int) -> Floats:
    return np.asarray(cv2.reduce(light, axis, cv2.REDUCE_SUM, dtype=cv2.CV_64F), dtype=np.float64).ravel()


def _of_region(
    frame: Frame, rect: Any, tint: Tint | None, *, across: bool
) -> tuple[float, float, float, Floats, Floats | None]:
    """Return mean, standard deviation and clipped share of a region, and its profiles as stored."""
    sums = _Sums(across=across)
    if tint is None:
        masks = []
        for light, mask in frame.stored_strips(rect):
            sums.add(light)
            masks.append(mask)
        mean, spread, rows, columns = sums.figures()
        shape = len(rows), light.shape[1]
        clipped = np.count_nonzero(clip_mask(masks, shape)) if any(mask.sure is not None for mask in masks) else 0
        return mean, spread, clipped / (shape[0] * shape[1]), rows, columns
    codes = frame.stored_luma(rect)
    clipped = 0
    step = max(8, STRIP_PIXELS // max(1, codes.shape[1]))
    for top in range(0, codes.shape[0], step):
        part = codes[top : top + step]
        if int(part.max()) >= tint.clip_code:
            clipped += int(np.count_nonzero(part >= tint.clip_code))
        sums.add(tint.of_codes(part))
    mean, spread, rows, columns = sums.figures()
    return mean, spread, clipped / codes.size, rows, columns


def _upright(profiles: tuple[Floats, Floats | None], orientation: Orientation, *, rows: bool) -> Floats:
    """Return the profile of upright rows (or columns) from those of stored rows and columns."""
    values = profiles[0] if rows != orientation.transpose else profiles[1]
    assert values is not None
    return values[::-1] if (orientation.flip_y if rows else orientation.flip_x) else values


__all__ = ["Collected", "collect"]

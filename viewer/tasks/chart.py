"""Charts by one marked square: layouts kept as files, and their targets found again in a clip."""

from __future__ import annotations

import json
import math
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from viewer.errors import FileError, RegionError
from viewer.measure.bars import Target
from viewer.measure.chart import ChartLayout, Spot, find_layout
from viewer.measure.regions import Rect

if TYPE_CHECKING:
    from viewer.media import ClipReader

SCHEMA = "gloaming/chart/1"
MOST_SPOTS = 500
PICTURES = 8


def write_layout(layout: ChartLayout, path: Path) -> None:
    """Write a layout as JSON.

    Raises
    ------
    FileError
        If the file cannot be written.
    """
    text = json.dumps({"schema": SCHEMA, "spots": [asdict(spot) for spot in layout.spots]}, indent=1)
    try:
        path.write_text(text + "\n", encoding="utf-8")
    except OSError as error:
        raise FileError(
            f"the layout cannot be written: {error.strerror}.", where=str(path), hint="Choose another folder."
        ) from error


def read_layout(path: Path) -> ChartLayout:
    """Read a layout.

    Raises
    ------
    FileError
        If the file cannot be read or is no layout.
    """
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise FileError(f"the layout cannot be read: {error.strerror}.", where=str(path)) from error
    except ValueError as error:
        raise FileError("the file is no chart layout.", where=str(path), hint=HINT) from error
    spots = document.get("spots") if isinstance(document, dict) and document.get("schema") == SCHEMA else None
    if not isinstance(spots, list) or not 0 < len(spots) <= MOST_SPOTS:
        raise FileError("the file is no chart layout.", where=str(path), hint=HINT)
    return ChartLayout(tuple(_spot(row, path) for row in spots))


HINT = "Mark square and targets once by hand and keep them with --save-layout."


def _spot(row: Any, path: Path) -> Spot:
    try:
        values = {name: float(row[name]) for name in ("ratio", "x", "y", "w", "h")}
        way = row["way"]
    except (TypeError, KeyError, ValueError) as error:
        raise FileError("a target of the layout is incomplete.", where=str(path), hint=HINT) from error
    sound = all(math.isfinite(value) and abs(value) < 1e4 for value in values.values())
    if not sound or way not in ("v", "h") or min(values["ratio"], values["w"], values["h"]) <= 0:
        raise FileError("a target of the layout makes no sense.", where=str(path), hint=HINT)
    return Spot(way=way, **values)


def chart_targets(
    clip: ClipReader,
    layout: ChartLayout,
    square: Rect,
    square_lpmm: float,
    *,
    frames: tuple[int, int | None] = (0, None),
) -> list[Target]:
    """Find the targets of a chart in a clip by its marked square.

    Parameters
    ----------
    clip : ClipReader
    layout : ChartLayout
        As learnt by `viewer.measure.chart.learn_layout`.
    square : Rect
        The square in this clip, upright px; it may be marked wrong by a fifth of its side.
    square_lpmm : float
        Frequency that belongs to this square (of the element beside it): for the next finer group it is twice that of the
        group before, and four times where a chart repeats itself at a quarter of its size.
    frames : (first, stop)
        A few pictures of this range are looked at.

    Returns
    -------
    list of Target
        In the order of the layout; those outside the picture, or with bars under 1.2 px, are left out.

    Raises
    ------
    RegionError
        If the square lies outside the picture, or no target of the layout lies inside.
    """
    info = clip.info
    square.check(info.width, info.height, least=9, where=info.path.name)
    stop = len(clip.index) if frames[1] is None else min(frames[1], len(clip.index))
    numbers = sorted({int(n) for n in np.linspace(frames[0], max(frames[0], stop - 1), PICTURES)})
    light = np.mean([clip.frame(number).luminance().light for number in numbers], axis=0)
    targets = find_layout(light, layout, square, square_lpmm)
    if not targets:
        raise RegionError(
            "no target of the layout lies inside the picture.",
            where=info.path.name,
            hint="Check the square and its lp/mm, or film the chart larger.",
        )
    return targets


__all__ = ["chart_targets", "read_layout", "write_layout"]

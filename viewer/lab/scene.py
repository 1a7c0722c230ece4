"""What a scene is: layers of light, light levels over time, marks that can be measured."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from viewer.lab.canvas import Canvas
from viewer.lab.waves import Pulse, Steps

MarkKind = Literal["rect", "light", "edge", "bars", "figure"]


@dataclass(frozen=True, kw_only=True)
class Mark:
    """A place with a name, in degrees.  rect, edge, bars: ``(x, y, w, h)``; light: ``(x, y)``.

    Bars carry their ``lpmm`` and ``way`` (v: upright bars, h: lying bars).  An edge carries the angle of its normal, from
    the dark towards the bright side.
    """

    kind: MarkKind
    place: tuple[float, ...]
    lpmm: float = 0.0
    way: str = ""
    angle_deg: float = 0.0
    note: str = ""


@dataclass(frozen=True, kw_only=True)
class Layer:
    """Light that changes as one: a sheet and the pulse that drives it (None: steady)."""

    name: str
    canvas: Canvas
    pulse: Pulse | None = None


@dataclass(frozen=True, kw_only=True)
class Patch:
    """A part of the sheet painted anew for one moment: `light` replaces the sheet's samples from (`row`, `col`) on."""

    row: int
    col: int
    light: np.ndarray


@dataclass(frozen=True, kw_only=True)
class Scene:
    """What every device looks at.  Sheets hold luminance in units of `unit_cd_m2`; `level` multiplies it over scene time."""

    name: str
    title: str
    kind: Literal["chart", "screen", "lamps", "edge", "figure", "other"]
    layers: tuple[Layer, ...]
    unit_cd_m2: float
    marks: dict[str, Mark] = field(default_factory=dict)
    level: Steps = field(default_factory=Steps)
    level_unit: str = ""
    typed_levels: tuple[float, ...] = ()
    distance_m: float = 0.0
    claps_s: tuple[float, ...] = ()
    ticks_s: tuple[float, ...] = ()
    moving: Callable[[float], Patch] | None = None
    figure_box: Callable[[float], tuple[float, float, float, float]] | None = None
    figure_times_s: tuple[float, ...] = ()


def degrees_of(millimetres: float, distance_m: float) -> float:
    """Return the angle of a length seen square-on from a distance (small angles)."""
    return float(np.degrees(millimetres / 1000 / distance_m))


def tri_bar_lpmm(group: int, element: int) -> float:
    """Return line pairs per mm of a 1951 tri-bar element: ``2^(group + (element - 1) / 6)`` (MIL-STD-150A 5.1.1.7)."""
    return float(2.0 ** (group + (element - 1) / 6))


__all__ = ["Layer", "Mark", "MarkKind", "Patch", "Scene", "degrees_of", "tri_bar_lpmm"]

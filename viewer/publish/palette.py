"""Colours, markers and line styles: what tells devices apart, and the greys around the pictures.

Everything that is not picture or data is a neutral grey, so that the tint of a phosphor is judged fairly.  A device is told
by its marker and line style first and by its colour second, so that a grey print still reads.  The colours are those of
Okabe and Ito, "Color Universal Design" (2008), in the order of this program.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

Ground = Literal["dark", "light"]
Marker = Literal["ring", "circle", "triangle", "square", "diamond", "cross", "star"]

OKABE_ITO = {
    "sky blue": "#56B4E9",
    "orange": "#E69F00",
    "bluish green": "#009E73",
    "reddish purple": "#CC79A7",
    "yellow": "#F0E442",
    "blue": "#0072B2",
    "vermilion": "#D55E00",
}

TROUBLE = OKABE_ITO["vermilion"]
ATTENTION = OKABE_ITO["yellow"]


@dataclass(frozen=True, slots=True)
class Greys:
    """The neutral greys of one ground (R = G = B throughout)."""

    surround: str
    window: str
    panel: str
    raised: str
    hairline: str
    strong: str
    text: str
    quiet: str
    disabled: str
    focus: str
    selection: str


DARK = Greys(
    "#2b2b2b", "#1a1a1a", "#222222", "#2c2c2c", "#383838", "#5a5a5a", "#ececec", "#b0b0b0", "#707070", "#ffffff", "#3d3d3d"
)
LIGHT = Greys(
    "#b8b8b8", "#f4f4f4", "#ffffff", "#ebebeb", "#d6d6d6", "#9a9a9a", "#161616", "#4c4c4c", "#8c8c8c", "#000000", "#d9d9d9"
)


@dataclass(frozen=True, slots=True)
class DeviceStyle:
    """How one device is told from the others.

    ``colour`` is ``#rrggbb``; ``marker`` names a shape of `marker_points`; ``hollow`` markers are outlined, not filled;
    ``dash`` holds on and off lengths in line widths, empty for a solid line.
    """

    colour: str
    marker: Marker
    dash: tuple[float, ...]
    hollow: bool = False


# Blue is too dark for a dark ground; the last entry is its lighter form there.
_ORDER: tuple[tuple[str, str, Marker, tuple[float, ...]], ...] = (
    ("#56B4E9", "#2A86BD", "circle", (6.0, 2.0)),
    ("#E69F00", "#B37B00", "triangle", (2.0, 2.0)),
    ("#009E73", "#00875F", "square", (8.0, 2.0, 2.0, 2.0)),
    ("#CC79A7", "#B3568A", "diamond", (10.0, 3.0)),
    ("#F0E442", "#8F8600", "cross", (1.0, 1.5)),
    ("#4D9FD6", "#0072B2", "star", (8.0, 2.0, 2.0, 2.0, 2.0, 2.0)),
)
_CONTROL = {"dark": "#ffffff", "light": "#000000"}


def device_style(number: int, *, control: bool = False, ground: Ground = "dark") -> DeviceStyle:
    """Return the style of the `number`-th device that is not the control (from 0), or of the control.

    On a light ground the colours are darker shades of the same hues, at least 3:1 against white.
    """
    if control:
        return DeviceStyle(_CONTROL[ground], "ring", (), hollow=True)
    dark, light, marker, dash = _ORDER[number % len(_ORDER)]
    return DeviceStyle(dark if ground == "dark" else light, marker, dash, hollow=number >= len(_ORDER))


def device_styles(devices: Iterable[tuple[str, bool]], *, ground: Ground = "dark") -> dict[str, DeviceStyle]:
    """Return id -> style for ``(id, is control)`` pairs in session order.  A second control is drawn like a device."""
    styles: dict[str, DeviceStyle] = {}
    number, seen_control = 0, False
    for ident, control in devices:
        if control and not seen_control:
            styles[ident] = device_style(0, control=True, ground=ground)
            seen_control = True
        else:
            styles[ident] = device_style(number, ground=ground)
            number += 1
    return styles


def marker_points(marker: Marker) -> tuple[tuple[float, float], ...]:
    """Return the outline of a marker as a closed polygon of about equal area, y down, within the unit square about (0, 0)."""
    if marker in ("ring", "circle"):
        return tuple((0.86 * math.cos(math.tau * n / 48), 0.86 * math.sin(math.tau * n / 48)) for n in range(48))
    if marker == "triangle":
        return ((0.0, -1.0), (0.98, 0.76), (-0.98, 0.76))
    if marker == "square":
        return ((-0.77, -0.77), (0.77, -0.77), (0.77, 0.77), (-0.77, 0.77))
    if marker == "diamond":
        return ((0.0, -1.0), (0.92, 0.0), (0.0, 1.0), (-0.92, 0.0))
    if marker == "cross":
        a, b = 0.34, 0.95
        return ((-a, -b), (a, -b), (a, -a), (b, -a), (b, a), (a, a), (a, b), (-a, b), (-a, a), (-b, a), (-b, -a), (-a, -a))
    points = []
    for n in range(10):
        radius = 1.0 if n % 2 == 0 else 0.46
        angle = math.pi * n / 5 - math.pi / 2
        points.append((radius * math.cos(angle), radius * math.sin(angle)))
    return tuple(points)


def rgb(colour: str) -> tuple[int, int, int]:
    """Return the three 8-bit values of ``#rrggbb``."""
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def contrast_ratio(first: str, second: str) -> float:
    """Return the WCAG 2.x contrast ratio of two colours, 1 to 21."""

    def luminance(colour: str) -> float:
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in (v / 255 for v in rgb(colour))]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    low, high = sorted((luminance(first), luminance(second)))
    return (high + 0.05) / (low + 0.05)


__all__ = [
    "ATTENTION",
    "DARK",
    "LIGHT",
    "OKABE_ITO",
    "TROUBLE",
    "DeviceStyle",
    "Greys",
    "Ground",
    "Marker",
    "contrast_ratio",
    "device_style",
    "device_styles",
    "marker_points",
    "rgb",
]

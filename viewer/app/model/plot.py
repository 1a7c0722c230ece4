"""What a plot is, apart from how it is drawn: curves, marks, shaded zones, an image, and the same content as a table."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from viewer.app.i18n import number, tr
from viewer.session.model import Clip, Request, Session

MOST_ROWS, MOST_COLUMNS = 200, 48  # of a map as a table: more is not read


@dataclass(frozen=True)
class Curve:
    """One line (or points) of one clip; `error` is half the interval."""

    clip: str
    x: np.ndarray
    y: np.ndarray
    error: np.ndarray | None = None
    points: bool = False
    quiet: bool = False

    def same_as(self, other: Curve) -> bool:
        """Whether another curve would look the same."""
        if (self.clip, self.points, self.quiet) != (other.clip, other.points, other.quiet):
            return False
        if (self.error is None) != (other.error is None):
            return False
        pairs = [(self.x, other.x), (self.y, other.y)]
        if self.error is not None and other.error is not None:
            pairs.append((self.error, other.error))
        return all(np.array_equal(a, b) for a, b in pairs)


@dataclass(frozen=True)
class Mark:
    """A vertical line with a word."""

    x: float
    text: str
    clip: str = ""


@dataclass(frozen=True)
class Plot:
    """One plot: curves, marks, shaded zones, or an image; axes in words.

    `rings` are circles (x, y, radius) drawn over an image; a `square` image has the same scale along both axes.  `request`,
    `names` and `of` say which readings it belongs to; `fine` asks for thin whole lines (spectra).
    """

    title: str
    x_title: str
    y_title: str
    curves: tuple[Curve, ...] = ()
    marks: tuple[Mark, ...] = ()
    zones: tuple[tuple[float, float], ...] = ()
    zone_words: str = ""
    image: np.ndarray | None = None
    image_rect: tuple[float, float, float, float] = (0.0, 0.0, 1.0, 1.0)
    image_clip: str = ""
    rings: tuple[tuple[float, float, float], ...] = ()
    square: bool = False
    log_x: bool = False
    log_y: bool = False
    ticks: tuple[tuple[float, str], ...] = ()
    request: str = ""
    names: tuple[str, ...] = ()
    of: str = ""
    limits_x: tuple[float, float] | None = None
    fine: bool = False

    def same_as(self, other: Plot | None) -> bool:
        """Whether another plot would look the same."""
        if other is None or len(self.curves) != len(other.curves):
            return False
        plain = (
            "title",
            "x_title",
            "y_title",
            "marks",
            "zones",
            "zone_words",
            "image_rect",
            "rings",
            "square",
            "log_x",
            "log_y",
            "ticks",
            "limits_x",
        )
        if any(getattr(self, name) != getattr(other, name) for name in (*plain, "limits_x")):
            return False
        if (self.image is None) != (other.image is None):
            return False
        if self.image is not None and other.image is not None and not np.array_equal(self.image, other.image):
            return False
        return all(one.same_as(two) for one, two in zip(self.curves, other.curves, strict=True))

    @property
    def empty(self) -> bool:
        """Whether the frames have to be read before there is something to draw."""
        return not self.curves and self.image is None

    def table(self, names: Mapping[str, str]) -> tuple[list[str], list[list[str]]]:
        """Return heads and lines of the same content as text; `names` maps clip ids to column heads."""
        if self.ticks:
            return self._tick_table()
        heads, columns = [], []
        for curve in self.curves:
            who = names.get(curve.clip, curve.clip)
            heads.append(f"{self.x_title} ({who})")
            columns.append(aligned(curve.x))
            heads.append(f"{self.y_title} ({who})")
            columns.append(aligned(curve.y))
            if curve.error is not None:
                heads.append(f"± ({who})")
                columns.append(aligned(curve.error))
        if self.image is not None:
            x, y, width, height = self.image_rect
            image = reduced(self.image, MOST_COLUMNS if self.square else MOST_ROWS, MOST_COLUMNS)
            rows, cols = image.shape
            heads = [f"{self.y_title} \\ {self.x_title}", *aligned(x + (np.arange(cols) + 0.5) * width / cols)]
            columns = [aligned(y + (np.arange(rows) + 0.5) * height / rows)]
            columns += [aligned(image[:, n]) for n in range(cols)]
        length = max((len(c) for c in columns), default=0)
        lines = [[c[n] if n < len(c) else "" for c in columns] for n in range(length)]
        for mark in self.marks:
            lines.append([f"{mark.text} ({names.get(mark.clip, '')})".replace(" ()", ""), number(mark.x)])
        for low, high in self.zones:
            lines.append([self.zone_words, f"{number(low)} – {number(high)}"])
        return heads, lines

    def _tick_table(self) -> tuple[list[str], list[list[str]]]:
        labels, lines = dict(self.ticks), []
        for curve in self.curves:
            error = curve.error if curve.error is not None else np.zeros(len(curve.x))
            lines += [
                [labels.get(float(x), number(float(x))), number(float(y)), f"±{number(float(e))}"]
                for x, y, e in zip(curve.x, curve.y, error, strict=True)
            ]
        return [tr("Device"), self.y_title, "±"], lines


def reduced(image: np.ndarray, most_rows: int, most_columns: int) -> np.ndarray:
    """Return an image of at most so many rows and columns, each value the mean of the finite ones in its cell."""
    image = np.asarray(image, float)
    edges = [
        np.linspace(0, size, min(size, most) + 1).round().astype(int)
        for size, most in zip(image.shape, (most_rows, most_columns), strict=True)
    ]
    known = np.isfinite(image)
    sums = [np.add.reduceat(np.add.reduceat(part, edges[0][:-1], axis=0), edges[1][:-1], axis=1)
            for part in (np.where(known, image, 0.0), known.astype(float))]  # fmt: skip
    return np.where(sums[1] > 0, sums[0] / np.maximum(sums[1], 1.0), np.nan)


def aligned(values: np.ndarray) -> list[str]:
    """Return numbers with the same count of decimals, about five figures of the largest and none that says nothing."""
    known = np.asarray(values, float)[np.isfinite(values)]
    most = float(np.max(np.abs(known), initial=0.0))
    top = max(0, min(9, 4 - math.floor(math.log10(most)))) if most > 0 else 0
    places = next((p for p in range(top) if np.allclose(known, np.round(known, p), rtol=0.0, atol=0.5 * 10.0**-top)), top)
    return [number(float(v), places) for v in values]


@dataclass(frozen=True)
class Source:
    """What the plots of a request are made from: the results of this sitting, by clip id, and each clip's px per degree where
    it is known."""

    session: Session
    request: Request
    clips: tuple[Clip, ...]
    results: Mapping[str, Any] = field(default_factory=dict)
    px_per_degree: Mapping[str, float] = field(default_factory=dict)

    @property
    def in_degrees(self) -> bool:
        """Whether distances can be drawn in degrees: the scale of every clip is known."""
        return bool(self.results) and all(clip in self.px_per_degree for clip in self.results)

    def clip(self, ident: str) -> Clip:
        """Return a clip by id."""
        return self.session.clip(ident)


__all__ = ["Curve", "Mark", "Plot", "Source", "aligned", "reduced"]

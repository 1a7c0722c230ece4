"""From stored pixels to the upright picture: quarter turns and mirrors, rectangles carried back."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from viewer.errors import RegionError


@dataclass(frozen=True, slots=True)
class Orientation:
    """One of the eight ways a picture can lie: transpose first, then flips of the upright picture."""

    transpose: bool = False
    flip_x: bool = False
    flip_y: bool = False

    @property
    def rotation_deg(self) -> int:
        """Clockwise turn that makes the stored picture upright: 0, 90, 180 or 270, after a left-right mirror if `mirrored`."""
        if self.transpose:
            return 90 if self.flip_x else 270
        return 180 if self.flip_y else 0

    @property
    def mirrored(self) -> bool:
        """Whether upright and stored picture differ by a reflection."""
        return self.transpose ^ self.flip_x ^ self.flip_y

    def upright_size(self, width: int, height: int) -> tuple[int, int]:
        """Return (width, height) of the upright picture."""
        return (height, width) if self.transpose else (width, height)

    def apply(self, stored: NDArray[Any]) -> NDArray[Any]:
        """Return the upright view of a stored array (rows, cols, ...); no copy is made."""
        out = np.swapaxes(stored, 0, 1) if self.transpose else stored
        if self.flip_y:
            out = out[::-1]
        return out[:, ::-1] if self.flip_x else out

    def stored_box(self, box: tuple[int, int, int, int], width: int, height: int) -> tuple[int, int, int, int]:
        """Return the stored (x, y, w, h) of an upright one; `width`, `height` are of the upright picture."""
        x, y, w, h = box
        if self.flip_x:
            x = width - x - w
        if self.flip_y:
            y = height - y - h
        return (y, x, h, w) if self.transpose else (x, y, w, h)


UPRIGHT = Orientation()


def from_display_matrix(data: bytes) -> tuple[Orientation, str | None]:
    """Return how to turn the picture, and what is odd about the matrix.

    Parameters
    ----------
    data : bytes
        Nine 32-bit integers in 16.16 fixed point, as carried by MP4 and by FFmpeg's display-matrix side data: a stored point
        (x, y) is shown at (a x + c y, b x + d y) with the matrix a, b, u, c, d, v, ...

    Returns
    -------
    orientation : Orientation
    oddity : str or None
        A sentence if the matrix is zero, or no multiple of a quarter turn: the picture then stays as stored.
    """
    if len(data) < 36:
        return UPRIGHT, "the display matrix is incomplete; the picture is shown as stored"
    a, b, _, c, d, _, _, _, _ = struct.unpack("=9i", data[:36])
    size = max(abs(a), abs(b), abs(c), abs(d))
    if size == 0:
        return UPRIGHT, "the display matrix is all zero; the picture is shown as stored"
    small = size // 64
    if abs(b) <= small and abs(c) <= small and min(abs(a), abs(d)) > size // 2:
        return Orientation(False, a < 0, d < 0), None
    if abs(a) <= small and abs(d) <= small and min(abs(b), abs(c)) > size // 2:
        return Orientation(True, c < 0, b < 0), None
    return UPRIGHT, "the display matrix is no quarter turn; the picture is shown as stored"


def as_box(rect: Any, width: int, height: int, *, where: str = "") -> tuple[int, int, int, int]:
    """Return (x, y, w, h) of a rectangle, checked against the picture.

    Parameters
    ----------
    rect : None, sequence of four numbers, or object with x, y, w, h
        None: the whole picture.

    Raises
    ------
    RegionError
        If it is empty or reaches outside.
    """
    if rect is None:
        return 0, 0, width, height
    values = (rect.x, rect.y, rect.w, rect.h) if hasattr(rect, "w") else tuple(rect)
    x, y, w, h = (round(float(value)) for value in values)
    if w <= 0 or h <= 0 or x < 0 or y < 0 or x + w > width or y + h > height:
        raise RegionError(
            f"region {x},{y},{w},{h} reaches outside the picture of {width} x {height} px.",
            where=where,
            hint=f"Regions are X,Y,W,H in upright pixels, X+W <= {width}, Y+H <= {height}.",
        )
    return x, y, w, h


__all__ = ["UPRIGHT", "Orientation", "as_box", "from_display_matrix"]

"""Places in a picture: pixel centres are whole numbers, x along a row, y down."""

from __future__ import annotations

from dataclasses import dataclass

from viewer.errors import RegionError


@dataclass(frozen=True, slots=True)
class Rect:
    """Pixels ``x .. x+w-1`` by ``y .. y+h-1`` of the upright picture (whole numbers)."""

    x: int
    y: int
    w: int
    h: int

    @property
    def slices(self) -> tuple[slice, slice]:
        """Row and column slices for an array of shape (rows, cols)."""
        return slice(self.y, self.y + self.h), slice(self.x, self.x + self.w)

    @property
    def centre(self) -> tuple[float, float]:
        """Middle of the rectangle, (x, y)."""
        return self.x + 0.5 * (self.w - 1), self.y + 0.5 * (self.h - 1)

    @property
    def area(self) -> int:
        """Number of pixels."""
        return self.w * self.h

    def inside(self, width: int, height: int) -> bool:
        """Whether every pixel lies in a picture of `width` x `height`."""
        return (
            self.x >= 0 and self.y >= 0 and self.w > 0 and self.h > 0 and self.x + self.w <= width and self.y + self.h <= height
        )

    def check(self, width: int, height: int, *, least: int = 1, where: str = "") -> Rect:
        """Return self if it lies in the picture and holds at least `least` pixels.

        Raises
        ------
        RegionError
            Otherwise, naming the region and the picture size.
        """
        if not self.inside(width, height):
            raise RegionError(
                f"region {self} reaches outside the picture of {width} x {height} px.",
                where=where,
                hint=f"Regions are X,Y,W,H in upright pixels, X+W <= {width}, Y+H <= {height}.",
            )
        if self.area < least:
            raise RegionError(f"region {self} holds {self.area} px, at least {least} are needed.", where=where)
        return self

    def __str__(self) -> str:
        return f"{self.x},{self.y},{self.w},{self.h}"


def parse_rect(text: str) -> Rect:
    """Return the rectangle that ``X,Y,W,H`` names.

    Raises
    ------
    RegionError
        If it is not four whole numbers with W, H > 0.
    """
    parts = [part.strip() for part in text.split(",")]
    try:
        x, y, w, h = (int(part) for part in parts)
    except ValueError:
        raise RegionError(f"region {text!r} is not X,Y,W,H in whole pixels.", hint="For example 120,80,64,48.") from None
    if w <= 0 or h <= 0:
        raise RegionError(f"region {text!r} is empty.", hint="W and H count pixels and are at least 1.")
    return Rect(x, y, w, h)


__all__ = ["Rect", "parse_rect"]

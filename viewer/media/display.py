"""Pictures for the screen: 8 bit, fast, by a named recipe.  Never used for measuring."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from viewer.media.geometry import Orientation
from viewer.media.tags import LightSpec

_SPACES = {"bt709": 1, "bt601": 5, "bt2020": 9, "smpte240m": 7, "fcc": 4}
RECIPES = {
    "plain": "Codes to R'G'B' with the clip's range and matrix; shown as they are.",
}


class Screen:
    """Renders pictures of one clip as BGRA.

    Parameters
    ----------
    spec : LightSpec
    orientation : Orientation
    width, height : int
        Upright size in px.
    """

    def __init__(self, spec: LightSpec, orientation: Orientation, width: int, height: int) -> None:
        self.spec, self.orientation, self.width, self.height = spec, orientation, width, height
        self.recipe = "plain"

    def render(self, picture: Any, width: int | None = None, height: int | None = None) -> NDArray[np.uint8]:
        """Return (height, width, 4) uint8, B G R A, upright; the full size unless a size is given."""
        wide, high = width or self.width, height or self.height
        if self.orientation.transpose:
            wide, high = high, wide
        smaller = wide < picture.width or high < picture.height
        how: dict[str, Any] = {"interpolation": "AREA" if smaller else "BICUBIC"}
        if self.spec.matrix in _SPACES:
            how["src_colorspace"] = _SPACES[self.spec.matrix]
            how["src_color_range"] = "JPEG" if self.spec.range == "full" else "MPEG"
        out = picture.reformat(width=wide, height=high, format="bgra", **how)
        plane = out.planes[0]
        rows = np.frombuffer(plane, np.uint8).reshape(-1, plane.line_size)[:high, : wide * 4]
        view = self.orientation.apply(rows.reshape(high, wide, 4))
        return np.ascontiguousarray(view)


__all__ = ["RECIPES", "Screen"]

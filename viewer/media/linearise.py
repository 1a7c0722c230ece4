"""Codes to signals to light on whole pictures: the arithmetic of `viewer.media.light`, by tables.

R'G'B' are formed in single precision and rounded to one of 65,536 steps of 1/30 of a 10-bit code; a table then gives light.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from viewer.cv import cv2
from viewer.media.light import chroma_scale, luma_scale, rgb_from_ycbcr, to_linear
from viewer.media.tags import LightSpec

LOW, HIGH = -0.75, 1.75
STEPS = 65_535
SCALE = STEPS / (HIGH - LOW)


def apply_table(index: NDArray[np.uint16], table: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return ``table[index]`` of a table with 65,536 entries."""
    if _table_in_cv():
        return np.asarray(cv2.LUT(index, table), dtype=np.float32)
    return np.take(table, index)


def _table_in_cv() -> bool:
    """Whether this OpenCV knows tables for 16-bit indexes (from 5.0 on)."""
    return int(cv2.__version__.split(".")[0]) >= 5


@lru_cache(maxsize=64)
def light_table(transfer: str, weight: float) -> NDArray[np.float32]:
    """Return light times a weight for every table index; shared by all clips, not to be written to."""
    table = (weight * to_linear(transfer, LOW + np.arange(STEPS + 1) / SCALE)).astype(np.float32)
    table.flags.writeable = False
    return table


def index_of_signal(signal: float) -> int:
    """Return the table index of a signal, rounded."""
    return int(np.clip(round((signal - LOW) * SCALE), 0, STEPS))


class Linearise:
    """Range, matrix and inverse transfer of one clip.

    Parameters
    ----------
    spec : LightSpec
    weights : tuple of float
        Share of linear R, G, B in luminance.
    """

    def __init__(self, spec: LightSpec, weights: tuple[float, float, float] = (0.2126, 0.7152, 0.0722)) -> None:
        self.spec = spec
        offset, span = luma_scale(spec.bits, spec.range)
        self._gain = SCALE / span
        self._base = (-offset / span - LOW) * SCALE
        middle, chroma_span = chroma_scale(spec.bits, spec.range)
        m = rgb_from_ycbcr(spec.matrix) * SCALE / chroma_span
        # Of Cr' in R', of Cb' and Cr' in G', of Cb' in B'.
        self._shares = float(m[0, 2]), float(m[1, 1]), float(m[1, 2]), float(m[2, 1])
        self._offsets = [self._base - middle * share for share in (m[0, 2], m[1, 1] + m[1, 2], m[2, 1])]
        self.table = light_table(spec.transfer, 1.0)
        self._weighted = [light_table(spec.transfer, weight) for weight in weights]

    def __call__(self, signal: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return linear light of signals, of the same shape."""
        place = (signal - np.float32(LOW)) * np.float32(SCALE) + np.float32(0.5)
        np.clip(place, 0, STEPS, out=place)
        return np.take(self.table, place.astype(np.uint16))

    def of_one(self, codes: NDArray[Any]) -> NDArray[np.uint16]:
        """Return table indexes of luma codes, or of codes of R, G or B."""
        floats = codes.astype(np.float32)
        return np.asarray(cv2.addWeighted(floats, self._gain, floats, 0.0, self._base, dtype=cv2.CV_16U))

    def of_ycc(self, luma: NDArray[Any], blue: NDArray[np.float32], red: NDArray[np.float32]) -> tuple[NDArray[np.uint16], ...]:
        """Return table indexes of R', G', B' from luma codes and from chroma codes on the luma grid; nothing is clipped."""
        y = luma.astype(np.float32)
        add, gain = cv2.addWeighted, self._gain
        red_red, green_blue, green_red, blue_blue = self._shares
        off = self._offsets
        first = add(y, gain, red, red_red, off[0], dtype=cv2.CV_16U)
        part = add(y, gain, blue, green_blue, off[1], dtype=cv2.CV_32F)
        second = add(part, 1.0, red, green_red, 0.0, dtype=cv2.CV_16U)
        third = add(y, gain, blue, blue_blue, off[2], dtype=cv2.CV_16U)
        return np.asarray(first), np.asarray(second), np.asarray(third)

    def luminance(self, indexes: tuple[NDArray[np.uint16], ...]) -> NDArray[np.float32]:
        """Return linear luminance of table indexes of R', G', B', or of one channel."""
        if len(indexes) == 1:
            return apply_table(indexes[0], self.table)
        total = apply_table(indexes[0], self._weighted[0])
        for index, table in zip(indexes[1:], self._weighted[1:], strict=True):
            cv2.add(total, apply_table(index, table), dst=total)
        return total

    def light(self, indexes: tuple[NDArray[np.uint16], ...]) -> NDArray[np.float32]:
        """Return linear light, one channel last."""
        return np.stack([apply_table(index, self.table) for index in indexes], axis=-1)

    @staticmethod
    def signal(indexes: tuple[NDArray[np.uint16], ...]) -> NDArray[np.float32]:
        """Return signals of table indexes, one channel last."""
        return np.stack([index * np.float32(1 / SCALE) + np.float32(LOW) for index in indexes], axis=-1)


__all__ = ["HIGH", "LOW", "SCALE", "STEPS", "Linearise", "apply_table", "index_of_signal", "light_table"]

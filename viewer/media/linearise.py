"""Codes to signals to light on whole pictures: the arithmetic of `viewer.media.light`, by tables.

R'G'B' are rounded to one of 65,536 steps of 1/30 of a 10-bit code; a table then gives light.  Up to 12 bits the sums run in
whole numbers of 16 bits that hold fractions of a chroma code, so what lies between chroma samples stays exact (at 12 bits, to
1/16 of a code); G' is rounded twice.
"""

from __future__ import annotations

from dataclasses import dataclass
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
# Table indexes are formed as signed numbers about the middle, where sums hold on to both ends.
MIDDLE = 32_768
# Whether this OpenCV knows tables for 16-bit indexes (from 5.0 on).
TABLES_OF_16_BITS = int(cv2.__version__.split(".")[0]) >= 5
# The most bits whose codes, and chroma codes in fractions, fit 16-bit sums.
WHOLE_BITS = 12


def apply_table(index: NDArray[np.uint16], table: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return ``table[index]`` of a table with 65,536 entries."""
    if TABLES_OF_16_BITS:
        return np.asarray(cv2.LUT(index, table), dtype=np.float32)
    return np.take(table, index)


@lru_cache(maxsize=64)
def light_table(transfer: str, weight: float) -> NDArray[np.float32]:
    """Return light times a weight for every table index; shared by all clips, not to be written to."""
    table = (weight * to_linear(transfer, LOW + np.arange(STEPS + 1) / SCALE)).astype(np.float32)
    table.flags.writeable = False
    return table


def index_of_signal(signal: float) -> int:
    """Return the table index of a signal, rounded."""
    return int(np.clip(round((signal - LOW) * SCALE), 0, STEPS))


def _index(signed: Any) -> NDArray[np.uint16]:
    """Turn signed table places into indexes, in place."""
    index = np.asarray(signed).view(np.uint16)
    return np.bitwise_xor(index, np.uint16(MIDDLE), out=index)


@dataclass(frozen=True)
class ChromaCodes:
    """How chroma is handed to `Linearise.of_ycc`: (code - `middle`) times `gain`, as numbers of `kind`."""

    kind: type
    middle: int
    gain: int


class Linearise:
    """Range, matrix and inverse transfer of one clip.

    Parameters
    ----------
    spec : LightSpec
    weights : tuple of float
        Share of linear R, G, B in luminance.

    Attributes
    ----------
    chroma : ChromaCodes
        The form in which `of_ycc` takes chroma.
    """

    def __init__(self, spec: LightSpec, weights: tuple[float, float, float] = (0.2126, 0.7152, 0.0722)) -> None:
        self.spec = spec
        offset, span = luma_scale(spec.bits, spec.range)
        self._gain = SCALE / span
        self._base = (-offset / span - LOW) * SCALE - MIDDLE
        whole = spec.bits <= WHOLE_BITS
        self._kind: type = np.int16 if whole else np.float32
        middle, chroma_span = chroma_scale(spec.bits, spec.range)
        self.chroma = ChromaCodes(self._kind, int(middle), 128 >> (spec.bits - 8) if whole else 1)
        m = rgb_from_ycbcr(spec.matrix) * SCALE / (chroma_span * self.chroma.gain)
        # Of Cr' in R', of Cb' and Cr' in G', of Cb' in B'.
        self._shares = float(m[0, 2]), float(m[1, 1]), float(m[1, 2]), float(m[2, 1])
        self.table = light_table(spec.transfer, 1.0)
        self._weighted = [light_table(spec.transfer, weight) for weight in weights]

    def __call__(self, signal: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return linear light of signals, of the same shape."""
        place = (signal - np.float32(LOW)) * np.float32(SCALE) + np.float32(0.5)
        np.clip(place, 0, STEPS, out=place)
        return np.take(self.table, place.astype(np.uint16))

    def of_one(self, codes: NDArray[Any]) -> NDArray[np.uint16]:
        """Return table indexes of luma codes, or of codes of R, G or B."""
        numbers = self._numbers(codes)
        return _index(cv2.addWeighted(numbers, self._gain, numbers, 0.0, self._base, dtype=cv2.CV_16S))

    def of_ycc(self, luma: NDArray[Any], blue: NDArray[Any], red: NDArray[Any]) -> tuple[NDArray[np.uint16], ...]:
        """Return table indexes of R', G', B' from luma codes and from chroma on the luma grid, in the form of `chroma`."""
        y = self._numbers(luma)
        add, gain, base = cv2.addWeighted, self._gain, self._base
        red_red, green_blue, green_red, blue_blue = self._shares
        first = add(y, gain, red, red_red, base, dtype=cv2.CV_16S)
        part = add(y, gain, blue, green_blue, base)
        second = add(part, 1.0, red, green_red, 0.0, dtype=cv2.CV_16S)
        third = add(y, gain, blue, blue_blue, base, dtype=cv2.CV_16S)
        return _index(first), _index(second), _index(third)

    def _numbers(self, codes: NDArray[Any]) -> NDArray[Any]:
        """Codes in the kind of number that sums run in; 16-bit samples of few bits without a copy."""
        return codes.view(np.int16) if codes.dtype == np.uint16 and self._kind is np.int16 else codes.astype(self._kind)

    def luminance(self, indexes: tuple[NDArray[np.uint16], ...]) -> NDArray[np.float32]:
        """Return linear luminance of table indexes of R', G', B', or of one channel."""
        if len(indexes) == 1:
            return apply_table(indexes[0], self.table)
        total = apply_table(indexes[0], self._weighted[0])
        for index, table in zip(indexes[1:], self._weighted[1:], strict=True):
            cv2.add(total, apply_table(index, table), dst=total)
        return total

    def light(self, indexes: tuple[NDArray[np.uint16], ...]) -> NDArray[np.float32]:
        """Return linear R, G, B, channels last; of one channel the same three times."""
        if len(indexes) == 1:
            return np.repeat(apply_table(indexes[0], self.table)[..., None], 3, axis=-1)
        return np.stack([apply_table(index, self.table) for index in indexes], axis=-1)

    @staticmethod
    def signal(indexes: tuple[NDArray[np.uint16], ...]) -> NDArray[np.float32]:
        """Return signals of table indexes, one channel last."""
        return np.stack([index * np.float32(1 / SCALE) + np.float32(LOW) for index in indexes], axis=-1)


__all__ = [
    "HIGH",
    "LOW",
    "SCALE",
    "STEPS",
    "TABLES_OF_16_BITS",
    "ChromaCodes",
    "Linearise",
    "apply_table",
    "index_of_signal",
    "light_table",
]

"""Codes to signals to light, vectorised: the arithmetic of `viewer.media.light` on whole pictures."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from viewer.media.light import chroma_scale, luma_scale, rgb_from_ycbcr, to_linear
from viewer.media.tags import LightSpec

# Signals are looked up in steps of 2.5 / 65,535: a thirtieth of a 10-bit code.
LOW, HIGH = -0.75, 1.75
STEPS = 65_535


class Linearise:
    """Range, matrix and inverse transfer of one clip.

    Parameters
    ----------
    spec : LightSpec
    """

    def __init__(self, spec: LightSpec) -> None:
        self.spec = spec
        self.luma_offset, self.luma_span = luma_scale(spec.bits, spec.range)
        self.chroma_offset, self.chroma_span = chroma_scale(spec.bits, spec.range)
        self.matrix = rgb_from_ycbcr(spec.matrix)
        self.table = to_linear(spec.transfer, np.linspace(LOW, HIGH, STEPS + 1)).astype(np.float32)

    def __call__(self, signal: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return linear light of signals, of the same shape."""
        place = (signal - np.float32(LOW)) * np.float32(STEPS / (HIGH - LOW)) + np.float32(0.5)
        np.clip(place, 0, STEPS, out=place)
        return np.take(self.table, place.astype(np.uint16))

    def grey_signal(self, luma: NDArray[Any]) -> NDArray[np.float32]:
        """Return Y' of luma codes."""
        return (luma.astype(np.float32) - np.float32(self.luma_offset)) * np.float32(1.0 / self.luma_span)

    def rgb_signal(self, red: NDArray[Any], green: NDArray[Any], blue: NDArray[Any]) -> NDArray[np.float32]:
        """Return R'G'B' of RGB codes, (..., 3)."""
        return np.stack([self.grey_signal(red), self.grey_signal(green), self.grey_signal(blue)], axis=-1)

    def ycc_signal(self, luma: NDArray[Any], blue: NDArray[np.float32], red: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return R'G'B' of luma codes and of chroma codes on the luma grid, (..., 3); nothing is clipped."""
        y = self.grey_signal(luma)
        scale = np.float32(1.0 / self.chroma_span)
        cb = (blue - np.float32(self.chroma_offset)) * scale
        cr = (red - np.float32(self.chroma_offset)) * scale
        m = self.matrix.astype(np.float32)
        out = np.empty((*y.shape, 3), dtype=np.float32)
        out[..., 0] = y + m[0, 2] * cr
        out[..., 1] = y + m[1, 1] * cb + m[1, 2] * cr
        out[..., 2] = y + m[2, 1] * cb
        return out


__all__ = ["HIGH", "LOW", "STEPS", "Linearise"]

"""Recordings that end below their highest code: cameras and converters that cut the signal at nominal white.

The highest code is watched by the reader.  Narrow-range files leave codes above nominal white (235 of 255, 940 of 1023) that
many chains never use: light beyond white then piles up at the signal 1.  A pile, as against light that happens to pass through
1, has nothing above it and a gap or a thin tail below.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


def window_of(bits: int) -> float:
    """Half the width of the band about nominal white that counts as at the limit: rounding and matrix included."""
    return 1.5 / 219.0 if bits <= 8 else 0.0045


@dataclass(frozen=True, slots=True)
class Band:
    """Shares of pixels with a channel near white, with one well above it, and with one just below the band."""

    near: float
    above: float
    below: float

    @property
    def pile(self) -> bool:
        """Whether this is light cut at white."""
        return self.near > 0.005 and self.above < 0.1 * self.near and self.near > 1.5 * self.below


def band_of(signal: np.ndarray, window: float) -> Band:
    """Return the shares of one frame's R'G'B' (h, w, channels): of each channel, the one with most pixels near white."""
    x = np.asarray(signal).reshape(-1, signal.shape[-1])
    near = (np.abs(x - 1.0) <= window).mean(axis=0)
    channel = int(np.argmax(near))
    y = x[:, channel]
    above = float((y > 1.0 + 1.7 * window).mean())
    below = float(((y < 1.0 - window) & (y >= 1.0 - 3.0 * window)).mean())
    return Band(float(near[channel]), above, below)


def joined(bands: list[Band]) -> Band:
    """Return the mean of the shares over frames."""
    if not bands:
        return Band(0.0, 0.0, 0.0)
    values = np.array([[band.near, band.above, band.below] for band in bands]).mean(axis=0)
    return Band(float(values[0]), float(values[1]), float(values[2]))


__all__ = ["Band", "band_of", "joined", "window_of"]

"""A sheet of scene light in degrees: what every device looks at, before any optics.

x runs right and y down, in degrees from the axis of the control device.  The sheet holds scene luminance relative to the
scene's light level, with exact area coverage, so that a bar of 3.7 samples weighs 3.7.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from viewer.cv import cv2

HALF_DEG = 22.5
SAMPLES_PER_DEGREE = 48


@dataclass(frozen=True)
class Canvas:
    """A square sheet reaching `half_deg` to each side of the axis; ``light[row, col]`` float32."""

    half_deg: float = HALF_DEG
    per_degree: int = SAMPLES_PER_DEGREE
    light: np.ndarray = field(default_factory=lambda: np.zeros(0, np.float32))

    def __post_init__(self) -> None:
        if self.light.size == 0:
            object.__setattr__(self, "light", np.zeros((self.size, self.size), np.float32))

    @property
    def size(self) -> int:
        """Samples along one side."""
        return round(2 * self.half_deg * self.per_degree)

    def to_samples(self, degrees: np.ndarray | float) -> np.ndarray:
        """Return sample coordinates (sample centres whole numbers) of degrees along x or y."""
        return (np.asarray(degrees, float) + self.half_deg) * self.per_degree - 0.5

    def axes(self) -> tuple[np.ndarray, np.ndarray]:
        """Return x of shape (1, n) and y of shape (n, 1), degrees at the sample centres."""
        line = ((np.arange(self.size) + 0.5) / self.per_degree - self.half_deg).astype(np.float32)
        return line[None, :], line[:, None]

    def rect(self, x: float, y: float, w: float, h: float, value: float) -> None:
        """Paint an upright rectangle (degrees) with exact coverage of the samples that it cuts."""
        cover_x, columns = self._cover(x, w)
        cover_y, rows = self._cover(y, h)
        cover = cover_y[:, None] * cover_x[None, :]
        part = self.light[rows, columns]
        part += cover * (np.float32(value) - part)

    def _cover(self, start: float, length: float) -> tuple[np.ndarray, slice]:
        a = (start + self.half_deg) * self.per_degree
        b = a + length * self.per_degree
        first, last = max(0, int(np.floor(a))), min(self.size, int(np.ceil(b)))
        edges = np.arange(first, last + 1)
        cover = np.clip(np.minimum(edges[1:], b) - np.maximum(edges[:-1], a), 0, 1)
        return cover.astype(np.float32), slice(first, last)

    def mask(self, points: np.ndarray, *, fine: int = 4) -> tuple[np.ndarray, tuple[slice, slice]]:
        """Return the coverage of a polygon of shape (N, 2), degrees, and where it lies on the sheet."""
        p = (np.asarray(points, float) + self.half_deg) * self.per_degree
        low = np.maximum(np.floor(p.min(0)).astype(int) - 1, 0)
        high = np.minimum(np.ceil(p.max(0)).astype(int) + 1, self.size)
        w, h = np.maximum(high - low, 1)
        image = np.zeros((h * fine, w * fine), np.uint8)
        shifted = np.round(((p - low) * fine - 0.5) * 16).astype(np.int32)
        cv2.fillPoly(image, [shifted], 255, lineType=cv2.LINE_8, shift=4)
        cover = cv2.resize(image, (int(w), int(h)), interpolation=cv2.INTER_AREA).astype(np.float32) / 255
        return cover, (slice(low[1], high[1]), slice(low[0], high[0]))

    def polygon(self, points: np.ndarray, value: float | np.ndarray, *, fine: int = 4) -> None:
        """Paint a polygon; `value` may be an image of the whole sheet's shape."""
        cover, where = self.mask(points, fine=fine)
        part = self.light[where]
        paint = value[where] if isinstance(value, np.ndarray) else np.float32(value)
        part += cover[: part.shape[0], : part.shape[1]] * (paint - part)

    def edge(self, x: float, y: float, angle_deg: float) -> np.ndarray:
        """Return the exact share of each sample on the far side of a straight edge through (x, y).

        The far side is where the normal points: `angle_deg` from +x towards +y.  Coverage along the normal is exact for
        normals near an axis and within 1e-3 elsewhere.
        """
        cx, cy = self.axes()
        n = np.deg2rad(angle_deg)
        distance = ((cx - x) * np.cos(n) + (cy - y) * np.sin(n)) * self.per_degree
        reach = 0.5 * (abs(np.cos(n)) + abs(np.sin(n)))
        return np.asarray(np.clip(0.5 + distance / (2 * reach), 0, 1), np.float32)

    def text(self, words: str, x: float, y: float, height_deg: float, value: float, *, weight: float = 0.11) -> None:
        """Write words in a plain stroke face with the baseline's left end at (x, y)."""
        fine = 4
        scale = height_deg * self.per_degree * fine / 21.0
        stroke = max(1, round(height_deg * self.per_degree * fine * weight))
        (w, h), below = cv2.getTextSize(words, cv2.FONT_HERSHEY_SIMPLEX, scale, stroke)
        pad = stroke + 8
        rows, cols = -(-(h + below + 2 * pad) // fine), -(-(w + 2 * pad) // fine)
        image = np.zeros((rows * fine, cols * fine), np.uint8)
        cv2.putText(image, words, (pad, pad + h), cv2.FONT_HERSHEY_SIMPLEX, scale, 255, stroke, cv2.LINE_AA)
        cover = cv2.resize(image, (cols, rows), interpolation=cv2.INTER_AREA).astype(np.float32) / 255
        left = round(float(self.to_samples(x)) - pad / fine)
        top = round(float(self.to_samples(y)) - (pad + h) / fine)
        part = self.light[top : top + rows, left : left + cols]
        part += cover[: part.shape[0], : part.shape[1]] * (np.float32(value) - part)


def smooth_noise(size: int, scale: float, rng: np.random.Generator, *, aspect: float = 1.0) -> np.ndarray:
    """Return unit-variance noise of shape (size, size), blurred over `scale` samples (`aspect` times that along x)."""
    shrink = max(1, int(min(scale, scale * aspect) / 3))
    small = -(-size // shrink) + 8
    noise = np.asarray(rng.standard_normal((small, small)), np.float32)
    soft = cv2.GaussianBlur(noise, (0, 0), sigmaX=max(0.3, scale * aspect / shrink), sigmaY=max(0.3, scale / shrink))
    big = cv2.resize(soft, (small * shrink, small * shrink), interpolation=cv2.INTER_CUBIC)[:size, :size]
    return np.asarray((big - big.mean()) / big.std(), np.float32)


__all__ = ["HALF_DEG", "SAMPLES_PER_DEGREE", "Canvas", "smooth_noise"]

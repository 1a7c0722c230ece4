"""Pictures of known geometry for the tests of this folder: scenes as functions of place, so that any pose is exact."""

from __future__ import annotations

import numpy as np

from viewer.cv import cv2


class Scene:
    """A random scene of blobs and bars, evaluated exactly at any (x, y): no resampling stands between pose and picture."""

    def __init__(self, seed: int, *, size: float = 900.0, blobs: int = 420, contrast: float = 0.8, finest: float = 3.0) -> None:
        rng = np.random.default_rng(seed)
        self.place = rng.uniform(-size, size, (blobs, 2))
        self.width = np.exp(rng.uniform(np.log(finest), np.log(40.0), blobs))
        self.stretch = np.exp(rng.normal(0, 0.5, blobs))
        self.turn = rng.uniform(0, np.pi, blobs)
        self.height = contrast * rng.normal(0, 1.0, blobs)

    def light(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Linear light at the places, about 1."""
        total = np.zeros(x.shape, np.float32)
        for (cx, cy), w, s, t, h in zip(self.place, self.width, self.stretch, self.turn, self.height, strict=True):
            u = ((x - cx) * np.cos(t) + (y - cy) * np.sin(t)) / (w * s)
            v = (-(x - cx) * np.sin(t) + (y - cy) * np.cos(t)) / (w / s)
            d = u * u + v * v
            near = d < 25.0
            total[near] += (h * np.exp(-0.5 * d[near])).astype(np.float32)
        return np.exp(0.5 * total)

    def seen(self, matrix: np.ndarray, size: tuple[int, int], nudge: np.ndarray | None = None) -> np.ndarray:
        """Linear light on the pixels of a picture (width, height) whose pose is `matrix` (2 x 3), its middle on place (0, 0).

        `nudge`, shape (blobs, 2), moves the blobs.  The same as `light` at the pixels' places, without looking at blobs that
        are far from a pixel.
        """
        cols, rows = size
        linear, shift = matrix[:, :2], matrix[:, 2] - (cols / 2, rows / 2)
        scale = np.sqrt(abs(np.linalg.det(linear)))
        place = self.place if nudge is None else self.place + nudge
        total = np.zeros((rows, cols), np.float32)
        there = np.linalg.solve(linear, (place - shift).T).T
        reach = 5.0 * self.width * np.maximum(self.stretch, 1.0 / self.stretch) / scale
        for (cx, cy), (px, py), r, w, s, t, h in zip(
            place, there, reach, self.width, self.stretch, self.turn, self.height, strict=True
        ):
            x0, x1 = max(0, int(px - r)), min(cols, int(px + r) + 2)
            y0, y1 = max(0, int(py - r)), min(rows, int(py + r) + 2)
            if x0 >= x1 or y0 >= y1:
                continue
            row, col = np.mgrid[y0:y1, x0:x1]
            x = linear[0, 0] * col + linear[0, 1] * row + (shift[0] - cx)
            y = linear[1, 0] * col + linear[1, 1] * row + (shift[1] - cy)
            u, v = (x * np.cos(t) + y * np.sin(t)) / (w * s), (y * np.cos(t) - x * np.sin(t)) / (w / s)
            d = u * u + v * v
            total[y0:y1, x0:x1] += np.where(d < 25.0, h * np.exp(-0.5 * d), 0.0).astype(np.float32)
        return np.exp(0.5 * total)


def disc(shape: tuple[int, int], cx: float, cy: float, radius: float, blur: float) -> np.ndarray:
    """A disc of light 1 with an edge blurred by a Gaussian, exact but for 8 x 8 samples a pixel."""
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]].astype(np.float32)
    fine = (np.arange(8) - 3.5) / 8
    total = sum((np.hypot(x + dx - cx, y + dy - cy) < radius).astype(np.float32) for dx in fine for dy in fine)
    mask = np.asarray(total, np.float32) / 64
    return cv2.GaussianBlur(mask, (0, 0), blur) if blur > 0 else mask


def rough(shape: tuple[int, int], rng: np.random.Generator, *, strength: float = 1.0) -> np.ndarray:
    """A rough scene: log-light noise of four sizes."""
    total = np.zeros(shape, np.float32)
    for sigma in (3, 8, 25, 60):
        layer = cv2.GaussianBlur(rng.normal(size=shape).astype(np.float32), (0, 0), sigma)
        total += 0.25 * layer / layer.std()
    return np.exp(strength * total)

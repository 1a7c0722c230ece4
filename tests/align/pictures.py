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

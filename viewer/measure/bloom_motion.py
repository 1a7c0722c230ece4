"""Where a light went from one frame to the next, to a few hundredths of a pixel."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import shift

from viewer.cv import cv2

SMOOTH = 1.5


@dataclass(frozen=True, slots=True)
class Shift:
    """Shift (px) that carries the reference onto the frame, its standard error per axis, and the frame's gain."""

    x: float
    y: float
    sigma: float
    gain: float

    @property
    def length(self) -> float:
        """Distance moved, px."""
        return math.hypot(self.x, self.y)


class Anchor:
    """A patch of the first picture that later ones are compared with.

    Gain and level of every frame are fitted with the shift, so that pulsing light is not taken for motion.  Both pictures are
    smoothed, which keeps noise in the reference from shortening the shifts.
    """

    def __init__(self, light: np.ndarray, centre: tuple[float, float], reach: int = 24) -> None:
        self.x, self.y = round(centre[0]), round(centre[1])
        rows, cols = light.shape
        self.reach = max(6, min(reach, self.x - 2, self.y - 2, cols - 3 - self.x, rows - 3 - self.y))
        self.ready = min(self.x, self.y, cols - 1 - self.x, rows - 1 - self.y) > 8
        if not self.ready:
            return
        part = self._cut(light, 0, 0)
        self.reference = part
        self.slope_y, self.slope_x = np.gradient(part)

    def _cut(self, light: np.ndarray, dx: int, dy: int) -> np.ndarray:
        """Smoothed patch, shifted by whole px (borders repeated)."""
        r, pad = self.reach, 6
        rows, cols = light.shape
        ys = np.clip(np.arange(self.y + dy - r - pad, self.y + dy + r + pad + 1), 0, rows - 1)
        xs = np.clip(np.arange(self.x + dx - r - pad, self.x + dx + r + pad + 1), 0, cols - 1)
        part = np.ascontiguousarray(light[np.ix_(ys, xs)], dtype=np.float32)
        return np.asarray(cv2.GaussianBlur(part, (0, 0), SMOOTH), float)[pad:-pad, pad:-pad]

    def find(self, light: np.ndarray, guess: tuple[float, float] = (0.0, 0.0), *, search: int = 20) -> Shift | None:
        """Return the shift of `light` against the first picture, or None if the patch isn't found again."""
        if not self.ready:
            return None
        gx, gy = self._coarse(light, guess, search)
        dx = dy = 0.0
        ones = np.ones_like(self.reference)
        sigma = gain = 0.0
        for _ in range(12):
            moved = self._cut(light, gx, gy)
            matrix = np.stack([self.reference, ones, self.slope_x, self.slope_y], axis=-1).reshape(-1, 4)
            # first order: moved(p) = gain * reference(p - d) + level
            found, *_ = np.linalg.lstsq(matrix, moved.ravel(), rcond=None)
            gain = float(found[0])
            if gain <= 0.05:
                return None
            dx, dy = -float(found[2]) / gain, -float(found[3]) / gain
            if max(abs(dx), abs(dy)) <= 0.55:
                rest = moved.ravel() - matrix @ found
                # smoothing makes neighbouring residuals alike: one independent value in 4 pi sigma^2 px
                noise = float(rest @ rest) / rest.size * 4.0 * math.pi * SMOOTH**2
                power = float(min((self.slope_x**2).sum(), (self.slope_y**2).sum())) * gain**2
                sigma = math.sqrt(noise / max(power, 1e-300))
                break
            gx, gy = gx + int(np.clip(round(dx), -4, 4)), gy + int(np.clip(round(dy), -4, 4))
        else:
            return None
        fine = self._second_order(light, gx, gy, dx, dy)
        return Shift(gx + fine[0], gy + fine[1], sigma, gain)

    def _coarse(self, light: np.ndarray, guess: tuple[float, float], search: int) -> tuple[int, int]:
        """Whole-pixel shift by normalised correlation near `guess`."""
        r = min(self.reach, 16)
        middle = self.reach
        template = self.reference[middle - r : middle + r + 1, middle - r : middle + r + 1].astype(np.float32)
        x0, y0 = self.x + round(guess[0]) - r - search, self.y + round(guess[1]) - r - search
        rows, cols = light.shape
        size = 2 * (r + search) + 1
        ys = np.clip(np.arange(y0, y0 + size), 0, rows - 1)
        xs = np.clip(np.arange(x0, x0 + size), 0, cols - 1)
        area = cv2.GaussianBlur(np.ascontiguousarray(light[np.ix_(ys, xs)], dtype=np.float32), (0, 0), SMOOTH)
        if float(np.ptp(template)) <= 0 or float(np.ptp(area)) <= 0:
            return round(guess[0]), round(guess[1])
        score = cv2.matchTemplate(area, template, cv2.TM_CCOEFF_NORMED)
        place = np.unravel_index(int(np.argmax(score)), score.shape)
        return round(guess[0]) + int(place[1]) - search, round(guess[1]) + int(place[0]) - search

    def _second_order(self, light: np.ndarray, gx: int, gy: int, dx: float, dy: float) -> tuple[float, float]:
        """Repeat the linear step about the moved reference until it adds nothing."""
        moved = self._cut(light, gx, gy)
        for _ in range(4):
            # warpAffine rounds to 1/32 px, too coarse here
            there = shift(self.reference, (dy, dx), order=3, mode="nearest")
            sy, sx = np.gradient(there)
            m = 3
            inner = slice(m, -m)
            columns = np.stack([a[inner, inner].ravel() for a in (there, np.ones_like(there), sx, sy)], axis=-1)
            found, *_ = np.linalg.lstsq(columns, moved[inner, inner].ravel(), rcond=None)
            if found[0] <= 0.05:
                break
            ex, ey = -float(found[2] / found[0]), -float(found[3] / found[0])
            dx, dy = dx + float(np.clip(ex, -0.5, 0.5)), dy + float(np.clip(ey, -0.5, 0.5))
            if max(abs(ex), abs(ey)) < 1e-3:
                break
        return dx, dy


def carried(image: np.ndarray, by: tuple[float, float]) -> np.ndarray:
    """Return `image` moved back by `by` (x, y; px, rounded to 1/32), by Lanczos interpolation; borders repeated."""
    matrix = np.array([[1.0, 0.0, -by[0]], [0.0, 1.0, -by[1]]])
    rows, cols = image.shape
    return np.asarray(
        cv2.warpAffine(
            np.ascontiguousarray(image, dtype=np.float32),
            matrix,
            (cols, rows),
            flags=cv2.INTER_LANCZOS4,
            borderMode=cv2.BORDER_REPLICATE,
        )
    )


__all__ = ["Anchor", "Shift", "carried"]

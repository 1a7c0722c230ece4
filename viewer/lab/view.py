"""How a camera sits behind an eyepiece: degrees of the scene to pixels of the upright picture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from viewer.cv import cv2
from viewer.lab.canvas import Canvas
from viewer.lab.scene import Patch

FINE = 3


@dataclass(frozen=True, kw_only=True)
class View:
    """Picture size and pose.  ``px = centre + px_per_degree R(rotation) M (degrees - axis)``, R from +x towards +y."""

    width: int
    height: int
    px_per_degree: float
    centre: tuple[float, float]
    rotation_deg: float = 0.0
    mirrored: bool = False
    axis_deg: tuple[float, float] = (0.0, 0.0)

    @property
    def matrix(self) -> np.ndarray:
        """The 2 x 3 matrix, degrees -> px (pixel centres whole numbers)."""
        a = np.radians(self.rotation_deg)
        turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
        linear = self.px_per_degree * turn @ np.diag([-1.0 if self.mirrored else 1.0, 1.0])
        return np.column_stack([linear, np.asarray(self.centre) - linear @ np.asarray(self.axis_deg)])

    def to_px(self, degrees: np.ndarray) -> np.ndarray:
        """Return px of points of shape (N, 2), degrees."""
        m = self.matrix
        return np.asarray(np.atleast_2d(degrees) @ m[:, :2].T + m[:, 2])

    def to_view(self, other: View) -> np.ndarray:
        """Return the 2 x 3 matrix from this picture's px to those of another view of the same scene."""
        mine, theirs = np.vstack([self.matrix, [0, 0, 1]]), np.vstack([other.matrix, [0, 0, 1]])
        return np.asarray((theirs @ np.linalg.inv(mine))[:2])

    def rect(self, x: float, y: float, w: float, h: float) -> tuple[int, int, int, int]:
        """Return the whole-pixel box (x, y, w, h) that keeps the centre and size of a box in degrees, upright in the picture.

        A turned picture turns the box's content; the box is shrunk so that it stays inside what it names.
        """
        centre = self.to_px(np.array([[x + w / 2, y + h / 2]]))[0]
        angle = np.radians(self.rotation_deg)
        grown = abs(np.cos(angle)) + abs(np.sin(angle)) * max(w / h, h / w)
        half = 0.5 * self.px_per_degree * np.array([w, h]) / grown
        low, high = np.ceil(centre - half).astype(int), np.floor(centre + half).astype(int)
        return int(low[0]), int(low[1]), int(high[0] - low[0] + 1), int(high[1] - low[1] + 1)

    def sheet_to_px(self, canvas: Canvas) -> np.ndarray:
        """Return the 2 x 3 matrix, samples of a sheet -> px."""
        m = self.matrix
        linear = m[:, :2] / canvas.per_degree
        offset = m[:, :2] @ np.full(2, 0.5 / canvas.per_degree - canvas.half_deg) + m[:, 2]
        return np.column_stack([linear, offset])

    def patch(
        self, canvas: Canvas, patch: Patch, origin: tuple[int, int], size: tuple[int, int]
    ) -> tuple[np.ndarray, tuple[slice, slice]]:
        """Return the pixels that a repainted part of the sheet touches, and where they lie in the window."""
        rows, cols = patch.light.shape
        pad = 4
        corners = np.array([[patch.col + dx, patch.row + dy] for dx in (pad, cols - 1 - pad) for dy in (pad, rows - 1 - pad)])
        m = self.sheet_to_px(canvas)
        at = corners @ m[:, :2].T + m[:, 2] - origin
        low = np.maximum(np.ceil(at.min(0)).astype(int) + 1, 0)
        high = np.minimum(np.floor(at.max(0)).astype(int) - 1, np.asarray(size) - 1)
        if (high <= low).any():
            return np.zeros((0, 0), np.float32), (slice(0, 0), slice(0, 0))
        w, h = (int(n) for n in high - low + 1)
        window = self._sample(
            canvas, patch.light, (patch.col, patch.row), (origin[0] + int(low[0]), origin[1] + int(low[1])), (w, h)
        )
        return window, (slice(int(low[1]), int(low[1]) + h), slice(int(low[0]), int(low[0]) + w))

    def picture(self, canvas: Canvas, *, origin: tuple[int, int] = (0, 0), size: tuple[int, int] | None = None) -> np.ndarray:
        """Return the mean light over each pixel of the picture, or of the window of `size` (w, h) at `origin`."""
        return self._sample(canvas, canvas.light, (0, 0), origin, size or (self.width, self.height))

    def _sample(
        self, canvas: Canvas, light: np.ndarray, corner: tuple[int, int], origin: tuple[int, int], size: tuple[int, int]
    ) -> np.ndarray:
        """Return pixel means of `light`, whose first sample is (col, row) `corner` of the sheet.

        Each pixel is the mean of FINE x FINE samples of the sheet, which is finer than the picture and blurred a little
        beforehand so that no sample falls between them.
        """
        step = canvas.per_degree / (self.px_per_degree * FINE)
        if step > 1:
            light = cv2.GaussianBlur(light, (0, 0), 0.35 * step)
        m = self.sheet_to_px(canvas)
        m[:, 2] += m[:, :2] @ np.asarray(corner) - origin
        m *= FINE
        m[:, 2] += 0.5 * (FINE - 1)
        w, h = size
        big = cv2.warpAffine(
            light, m, (w * FINE, h * FINE), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_CONSTANT, borderValue=0
        )
        return np.asarray(np.maximum(cv2.resize(big, (w, h), interpolation=cv2.INTER_AREA), 0), np.float32)


__all__ = ["View"]

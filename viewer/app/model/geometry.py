"""Where a clip lies in the common view, in degrees.

Clip pixels are carried to the reference clip by the pose, and from there to degrees about the middle of the reference's
field.  All panes share one view (centre in degrees, pixels per degree), so equal angles are equal sizes.  Matrices are 2 x 3
and act on (x, y), pixel centres whole numbers.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from viewer.align.transform import Pose
from viewer.session.model import Clip, Session

ScaleBy = Literal["field circle", "pose", "assumed"]
NOMINAL_FIELD_DEG = 40.0

Size = tuple[int, int]  # width, height


def compose(second: np.ndarray, first: np.ndarray) -> np.ndarray:
    """Return the 2 x 3 matrix that does `first`, then `second`."""
    a, b = np.vstack([second, [0, 0, 1]]), np.vstack([first, [0, 0, 1]])
    return np.asarray((a @ b)[:2])


def invert(matrix: np.ndarray) -> np.ndarray:
    """Return the 2 x 3 matrix that undoes `matrix`."""
    return np.asarray(np.linalg.inv(np.vstack([matrix, [0, 0, 1]]))[:2])


def apply(matrix: np.ndarray, x: float, y: float) -> tuple[float, float]:
    """Carry one point."""
    return (
        float(matrix[0, 0] * x + matrix[0, 1] * y + matrix[0, 2]),
        float(matrix[1, 0] * x + matrix[1, 1] * y + matrix[1, 2]),
    )


def scale_of(matrix: np.ndarray) -> float:
    """Return the linear scale of a similarity."""
    return float(np.sqrt(abs(matrix[0, 0] * matrix[1, 1] - matrix[0, 1] * matrix[1, 0])))


@dataclass(frozen=True)
class Placement:
    """How one clip is placed: clip px -> reference px -> degrees, and what the scale rests on."""

    to_reference: np.ndarray
    reference_to_deg: np.ndarray
    scale_by: ScaleBy
    size: Size
    is_reference: bool = False

    @property
    def to_deg(self) -> np.ndarray:
        """Clip px -> degrees."""
        return compose(self.reference_to_deg, self.to_reference)

    @property
    def px_per_degree(self) -> float:
        """Clip pixels in one degree."""
        return 1.0 / scale_of(self.to_deg)


def circle_scale(session: Session, clip: Clip) -> float | None:
    """Return a clip's own px per degree from its field circle and its device's stated field, or None."""
    if clip.circle is None or clip.device is None:
        return None
    field_deg = session.device(clip.device).field_deg
    return clip.circle.px_per_degree(field_deg) if field_deg else None


def _centre(clip: Clip, size: Size) -> tuple[float, float]:
    if clip.circle is not None:
        return clip.circle.cx, clip.circle.cy
    return 0.5 * (size[0] - 1), 0.5 * (size[1] - 1)


def place(session: Session, clip: Clip, sizes: dict[str, Size]) -> Placement:
    """Return the placement of a clip; `sizes` holds the picture sizes known so far (by clip id)."""
    reference = session.reference_of(clip.scene) or clip
    size = sizes.get(clip.id, (1920, 1080))
    ref_size = sizes.get(reference.id, size)
    ref_scale = circle_scale(session, reference)
    cx, cy = _centre(reference, ref_size)
    assumed = ref_scale is None
    scale = ref_scale or ref_size[0] / NOMINAL_FIELD_DEG
    to_deg = np.array([[1 / scale, 0, -cx / scale], [0, 1 / scale, -cy / scale]])
    by: ScaleBy = "assumed" if assumed else "field circle"
    if clip.id == reference.id:
        return Placement(Pose().matrix, to_deg, by, size, True)
    if clip.pose is not None:
        return Placement(clip.pose.matrix, to_deg, by if assumed else "pose", size)
    own = circle_scale(session, clip)
    ratio = scale / own if own and not assumed else ref_size[0] / size[0]
    ox, oy = _centre(clip, size)
    carried = np.array([[ratio, 0, cx - ratio * ox], [0, ratio, cy - ratio * oy]])
    return Placement(carried, to_deg, "field circle" if own and not assumed else "assumed", size)


@dataclass(frozen=True)
class View:
    """What part of the world the panes show: centre in degrees, screen px per degree."""

    x_deg: float = 0.0
    y_deg: float = 0.0
    px_per_degree: float = 20.0

    def to_screen(self, width: float, height: float) -> np.ndarray:
        """Degrees -> pane px."""
        s = self.px_per_degree
        return np.array([[s, 0, 0.5 * width - s * self.x_deg], [0, s, 0.5 * height - s * self.y_deg]])

    def clip_to_screen(self, placement: Placement, width: float, height: float) -> np.ndarray:
        """Clip px -> pane px."""
        return compose(self.to_screen(width, height), placement.to_deg)

    def moved(self, dx_px: float, dy_px: float) -> View:
        """Return the view after the picture was dragged by screen px."""
        return View(self.x_deg - dx_px / self.px_per_degree, self.y_deg - dy_px / self.px_per_degree, self.px_per_degree)

    def zoomed(self, factor: float, at: tuple[float, float], size: tuple[float, float]) -> View:
        """Return the view zoomed so that what lies under screen point `at` stays there."""
        scale = min(20000.0, max(0.5, self.px_per_degree * factor))
        dx, dy = at[0] - 0.5 * size[0], at[1] - 0.5 * size[1]
        x_deg = self.x_deg + dx / self.px_per_degree - dx / scale
        y_deg = self.y_deg + dy / self.px_per_degree - dy / scale
        return View(x_deg, y_deg, scale)


def fitting(placement: Placement, clip: Clip, width: float, height: float) -> View:
    """Return the view that shows the whole field of a clip (its circle, else its picture)."""
    matrix = placement.to_deg
    if clip.circle is not None:
        c = clip.circle
        x_deg, y_deg = apply(matrix, c.cx, c.cy)
        span = 2.06 * c.radius * scale_of(matrix)
        return View(x_deg, y_deg, max(0.5, min(width, height) / span))
    w, h = placement.size
    x_deg, y_deg = apply(matrix, 0.5 * (w - 1), 0.5 * (h - 1))
    return View(x_deg, y_deg, max(0.5, min(width / (w * scale_of(matrix)), height / (h * scale_of(matrix)))))


def grid_shape(count: int, width: float, height: float, *, aspect: float = 1.0, strip: float = 44.0) -> tuple[int, int]:
    """Return (rows, columns) that make `count` pictures of an aspect (width over height) largest."""
    best, shape = -1.0, (1, max(1, count))
    for columns in range(1, max(1, count) + 1):
        rows = -(-count // columns)
        w, h = width / columns, height / rows - strip
        side = min(w / aspect, h)
        if side > best + 1e-6:
            best, shape = side, (rows, columns)
    return shape


__all__ = [
    "NOMINAL_FIELD_DEG",
    "Placement",
    "ScaleBy",
    "Size",
    "View",
    "apply",
    "circle_scale",
    "compose",
    "fitting",
    "grid_shape",
    "invert",
    "place",
    "scale_of",
]

"""How a clip lies in its scene: clock map, pose, field circle."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockMap:
    """Clip time -> scene time: ``scene = offset_s + (1 + rate_ppm / 1e6) * clip``.

    ``offset_low_s`` .. ``offset_high_s`` is the 95 % interval of the offset at the middle of the evidence.
    """

    offset_s: float = 0.0
    rate_ppm: float = 0.0
    offset_low_s: float | None = None
    offset_high_s: float | None = None
    sync_by: str = "none"
    residual_s: float | None = None

    @property
    def half_width_s(self) -> float | None:
        """Half of the offset's 95 % interval, s; None where no error is known."""
        if self.offset_low_s is None or self.offset_high_s is None:
            return None
        return 0.5 * (self.offset_high_s - self.offset_low_s)

    def scene_time(self, clip_s: float) -> float:
        """Return the scene time (s) of a clip time (s)."""
        return self.offset_s + (1.0 + 1e-6 * self.rate_ppm) * clip_s

    def clip_time(self, scene_s: float) -> float:
        """Return the clip time (s) of a scene time (s)."""
        return (scene_s - self.offset_s) / (1.0 + 1e-6 * self.rate_ppm)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pose:
    """Clip pixels -> reference clip pixels: ``p_ref = scale * R(rotation) @ M @ p + shift``.

    ``R`` turns from +x towards +y (clockwise on the screen), ``M = diag(-1, 1)`` if mirrored, ``shift`` is where the clip's
    pixel (0, 0) lands.
    """

    scale: float = 1.0
    rotation_deg: float = 0.0
    shift_x: float = 0.0
    shift_y: float = 0.0
    mirrored: bool = False
    pose_by: str = "none"
    residual_px: float | None = None

    @property
    def matrix(self) -> np.ndarray:
        """The 2 x 3 matrix, clip px -> reference px."""
        angle = math.radians(self.rotation_deg)
        c, s = self.scale * math.cos(angle), self.scale * math.sin(angle)
        m = -1.0 if self.mirrored else 1.0
        return np.array([[c * m, -s, self.shift_x], [s * m, c, self.shift_y]])

    @classmethod
    def from_matrix(cls, matrix: np.ndarray, *, pose_by: str = "none", residual_px: float | None = None) -> Pose:
        """Return the similarity nearest to a 2 x 3 matrix."""
        a = np.asarray(matrix, float)
        mirrored = bool(a[0, 0] * a[1, 1] - a[0, 1] * a[1, 0] < 0)
        m = -1.0 if mirrored else 1.0
        c = 0.5 * (m * a[0, 0] + a[1, 1])
        s = 0.5 * (m * a[1, 0] - a[0, 1])
        return cls(
            scale=math.hypot(c, s),
            rotation_deg=math.degrees(math.atan2(s, c)),
            shift_x=float(a[0, 2]),
            shift_y=float(a[1, 2]),
            mirrored=mirrored,
            pose_by=pose_by,
            residual_px=residual_px,
        )

    def to_reference(self, points: np.ndarray) -> np.ndarray:
        """Carry points of shape (N, 2), (x, y), from the clip to the reference clip."""
        p = np.atleast_2d(np.asarray(points, float))
        matrix = self.matrix
        return np.asarray(p @ matrix[:, :2].T + matrix[:, 2])

    def to_clip(self, points: np.ndarray) -> np.ndarray:
        """Carry points of shape (N, 2), (x, y), from the reference clip to the clip."""
        p = np.atleast_2d(np.asarray(points, float))
        matrix = self.matrix
        return np.asarray(np.linalg.solve(matrix[:, :2], (p - matrix[:, 2]).T).T)


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldCircle:
    """The round edge of the eyepiece image in a clip, px."""

    cx: float
    cy: float
    radius: float
    residual_px: float | None = None
    arc_deg: float = 360.0

    def px_per_degree(self, field_deg: float) -> float:
        """Return the scale for a device whose stated field is `field_deg` across (nominal, centre to edge averaged)."""
        return 2.0 * self.radius / field_deg


__all__ = ["ClockMap", "FieldCircle", "Pose"]

"""Which part of a scene the panes show, and how each clip's pixels get there: equal degrees are equal sizes."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from viewer.align.transform import FieldCircle, Pose
from viewer.cv import cv2
from viewer.session.model import Clip, Device, Session

MARGIN = 1.03


@dataclass(frozen=True, slots=True, kw_only=True)
class Angles:
    """How many px of the reference clip a degree spans, and how that is known.  None: not known."""

    px_per_degree: float | None = None
    source: str = "no stated field: scale in px"


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """A rectangle of the reference clip's plane, px, edges at pixel edges: pixel (0, 0) covers -0.5 .. 0.5."""

    x: float
    y: float
    w: float
    h: float

    def fitted(self, width: float, height: float) -> View:
        """Return the smallest view about the same centre that has the shape of `width` x `height`."""
        scale = max(self.w / width, self.h / height)
        w, h = scale * width, scale * height
        return View(x=self.x + 0.5 * (self.w - w), y=self.y + 0.5 * (self.h - h), w=w, h=h)

    def matrix(self, width: float) -> np.ndarray:
        """Return the 2 x 3 matrix, reference px -> px of a picture `width` px wide (pixel centres whole numbers)."""
        s = width / self.w
        return np.array([[s, 0.0, -self.x * s - 0.5], [0.0, s, -self.y * s - 0.5]])


def angles(device: Device | None, circle: FieldCircle | None) -> Angles:
    """Return the scale of a clip from its field circle and its device's stated field."""
    if device is None or device.field_deg is None or circle is None:
        return Angles()
    return Angles(px_per_degree=circle.px_per_degree(device.field_deg), source=f"nominal: stated field {device.field_deg:g}°")


@dataclass(frozen=True, slots=True, kw_only=True)
class Placing:
    """How one clip lies in the scene: `matrix` clip px -> reference px, and what a viewer must know about it."""

    matrix: np.ndarray
    remark: str = ""


def placing(session: Session, clip: Clip) -> Placing:
    """Return how a clip is carried to the reference clip: by its pose, else by the field circles, else as it is."""
    reference = session.reference_of(clip.scene)
    if reference is None or reference.id == clip.id:
        return Placing(matrix=Pose().matrix)
    if clip.pose is not None:
        return Placing(matrix=clip.pose.matrix)
    if clip.circle is not None and reference.circle is not None:
        ours, theirs = (angles(_device(session, c), c.circle).px_per_degree for c in (clip, reference))
        known = ours is not None and theirs is not None
        scale = float(theirs) / float(ours) if known and ours and theirs else reference.circle.radius / clip.circle.radius
        pose = Pose(
            scale=scale,
            shift_x=reference.circle.cx - scale * clip.circle.cx,
            shift_y=reference.circle.cy - scale * clip.circle.cy,
        )
        return Placing(matrix=pose.matrix, remark="not lined up: placed by its field circle")
    return Placing(matrix=Pose().matrix, remark="not lined up")


def _device(session: Session, clip: Clip) -> Device | None:
    return session.device(clip.device) if clip.device else None


def default_view(clip: Clip, size: tuple[int, int]) -> View:
    """Return the view that holds the field circle, or the whole picture where there is none."""
    if clip.circle is None:
        return View(x=-0.5, y=-0.5, w=size[0], h=size[1])
    reach = MARGIN * clip.circle.radius
    return View(x=clip.circle.cx - reach, y=clip.circle.cy - reach, w=2 * reach, h=2 * reach)


def chosen_view(session: Session, scene: str, size: tuple[int, int], settings: dict[str, str | float]) -> View:
    """Return the view that a still asks for (settings ``view_x``, ``view_y``, ``view_w``, ``view_h``, reference px)."""
    keys = ("view_x", "view_y", "view_w", "view_h")
    if all(key in settings for key in keys):
        x, y, w, h = (float(settings[key]) for key in keys)
        return View(x=x - 0.5, y=y - 0.5, w=max(w, 1.0), h=max(h, 1.0))
    reference = session.reference_of(scene)
    if reference is None:
        return View(x=-0.5, y=-0.5, w=size[0], h=size[1])
    return default_view(reference, size)


def resample(
    light: Any, clipped: np.ndarray, matrix: np.ndarray, width: int, height: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Carry a picture by ``matrix`` (source px -> target px) to `width` x `height`.

    Shrinking averages areas first, so fine bars fade instead of turning into false ones; nothing is sharpened.

    Returns
    -------
    light, clipped, inside : ndarrays
        (height, width, 3) float32, and two bool masks; `inside` is where the source has pixels.
    """
    rows, cols = light.shape[:2]
    scale = math.sqrt(abs(float(np.linalg.det(matrix[:, :2]))))
    m = matrix.astype(float).copy()
    mask: Any = clipped.astype(np.float32)
    if scale < 0.95:
        w, h = max(1, round(cols * scale)), max(1, round(rows * scale))
        sx, sy = w / cols, h / rows
        light = cv2.resize(light, (w, h), interpolation=cv2.INTER_AREA)
        mask = cv2.resize(mask, (w, h), interpolation=cv2.INTER_AREA)
        # small px -> source px: (p + 0.5) / s - 0.5
        back = np.array([[1 / sx, 0.0, 0.5 / sx - 0.5], [0.0, 1 / sy, 0.5 / sy - 0.5], [0.0, 0.0, 1.0]])
        m = (np.vstack([m, [0, 0, 1]]) @ back)[:2]
    inside = cv2.warpAffine(np.ones(light.shape[:2], np.float32), m, (width, height), flags=cv2.INTER_LINEAR)
    edge = cv2.BORDER_REPLICATE
    shown = cv2.warpAffine(light, m, (width, height), flags=cv2.INTER_LINEAR, borderMode=edge)
    mask = cv2.warpAffine(mask, m, (width, height), flags=cv2.INTER_LINEAR)
    return np.asarray(shown), np.asarray(mask > 0.25), np.asarray(inside > 0.5)


def combined(view: View, width: int, place: Placing) -> np.ndarray:
    """Return the 2 x 3 matrix clip px -> picture px."""
    first, then = (np.vstack([m, [0.0, 0.0, 1.0]]) for m in (place.matrix, view.matrix(width)))
    return np.asarray((then @ first)[:2])


def moved(view: View, **changes: float) -> View:
    """Return the view with some members changed."""
    return replace(view, **changes)


__all__ = ["Angles", "Placing", "View", "angles", "chosen_view", "combined", "default_view", "moved", "placing", "resample"]

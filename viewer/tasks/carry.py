"""Regions of a scene, carried from the reference clip's pixels into a clip's own; lengths measured there, carried back."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from viewer.align.transform import Pose
from viewer.errors import RegionError
from viewer.measure.regions import Rect
from viewer.session.model import Clip, Region, Session, StoredReading

_RECTS = ("rect", "ellipse", "edge", "bars")


def carried(region: Region, clip: Clip) -> tuple[float, ...]:
    """Return the geometry of `region` in the pixels of `clip`: its own override, else carried by the clip's pose.

    Rectangles keep their centre and are scaled; under a quarter turn their sides change places.
    """
    own = region.overrides.get(clip.id)
    if own is not None:
        return own
    pose = clip.pose or Pose()
    geometry = region.geometry
    if region.kind in _RECTS:
        x, y, w, h = geometry
        centre = pose.to_clip(np.array([[x + 0.5 * (w - 1.0), y + 0.5 * (h - 1.0)]]))[0]
        turned = abs(math.sin(math.radians(pose.rotation_deg))) > math.sqrt(0.5)
        across, along = (h, w) if turned else (w, h)
        across, along = across / pose.scale, along / pose.scale
        return float(centre[0] - 0.5 * (across - 1.0)), float(centre[1] - 0.5 * (along - 1.0)), across, along
    points = pose.to_clip(np.array(geometry, float).reshape(-1, 2))
    return tuple(float(number) for number in points.ravel())


def carried_rect(region: Region, clip: Clip, size: tuple[int, int], *, inside: bool = False) -> Rect:
    """Return the region as whole pixels of a clip of `size` (width, height).

    Parameters
    ----------
    inside : bool
        For patches: shrink the rectangle so that it stays within the patch when the clip is turned.

    Raises
    ------
    RegionError
        If no pixel of it lies in the picture.
    """
    x, y, w, h = carried(region, clip)
    if inside and clip.pose is not None and clip.id not in region.overrides:
        angle = math.radians(clip.pose.rotation_deg)
        small, large = sorted((abs(math.sin(angle)), abs(math.cos(angle))))
        factor = 1.0 / (large + small * max(w / h, h / w)) if w > 0 and h > 0 else 1.0
        x, y, w, h = x + 0.5 * w * (1 - factor), y + 0.5 * h * (1 - factor), w * factor, h * factor
    left, top = max(0, math.floor(x + 0.5)), max(0, math.floor(y + 0.5))
    right, bottom = min(size[0], math.floor(x + w + 0.5)), min(size[1], math.floor(y + h + 0.5))
    if right <= left or bottom <= top:
        raise RegionError(f"region {region.name!r} lies outside the picture of this clip.", where=clip.name)
    return Rect(left, top, right - left, bottom - top)


def carried_point(region: Region, clip: Clip) -> tuple[float, float]:
    """Return where a light or point is in the clip; the middle of anything else."""
    geometry = carried(region, clip)
    if region.kind in _RECTS:
        x, y, w, h = geometry
        return x + 0.5 * (w - 1.0), y + 0.5 * (h - 1.0)
    return geometry[0], geometry[1]


# Units of lengths in a clip's own px: the name in the reference clip's px, and the power of the pose's scale.
_LENGTHS = {"px": ("reference px", 1), "cycles/px": ("cycles/reference px", -1)}


def in_reference(session: Session, reading: StoredReading) -> StoredReading:
    """Return a reading with lengths in px of the scene's reference clip; as it stands where it is no length or has no pose.

    Zoom and the distance to the eyepiece differ from clip to clip: a px of one is another angle than a px of the other.
    """
    if reading.unit not in _LENGTHS:
        return reading
    clip = session.clip(reading.clip)
    reference = session.reference_of(clip.scene)
    pose = Pose() if reference is not None and reference.id == clip.id else clip.pose
    if pose is None:
        return reading
    unit, power = _LENGTHS[reading.unit]
    factor = pose.scale**power
    value, low, high = (None if v is None else v * factor for v in (reading.value, reading.low, reading.high))
    budget = {source: sigma * factor for source, sigma in reading.budget.items()}
    return replace(reading, value=value, low=low, high=high, unit=unit, budget=budget)


__all__ = ["carried", "carried_point", "carried_rect", "in_reference"]

"""The factor that brings one device's light of a patch to another's."""

from __future__ import annotations

import math
from dataclasses import dataclass

from viewer.measure.beat import level_without_beat
from viewer.measure.contrast import CLIPPED_SHARE, matching_factor
from viewer.measure.noiseparts import clean_temporal_var
from viewer.measure.patches import Common
from viewer.measure.readings import Flag, Reading
from viewer.measure.regions import Rect
from viewer.media import ClipReader
from viewer.tasks.encoder import encoder_of, light_sigma
from viewer.tasks.patches import Span, Stop, gather, step_light

METHOD = "light of the patch in this clip over that in the other; for looking only: readings are never scaled by it"


@dataclass(frozen=True, slots=True)
class _Level:
    value: float
    sigma: float
    frames: int
    flags: Flag
    reason: str | None


def measure_match(
    clip: ClipReader,
    region: Rect,
    other: ClipReader,
    other_region: Rect,
    *,
    frames: Span = (0, None),
    other_frames: Span = (0, None),
    cancelled: Stop = None,
) -> Reading:
    """Return ``matching_factor`` (1): by how much to brighten the other clip for its patch to be as light as this one's.

    Parameters
    ----------
    clip, region, frames
        The device to match, and the patch in its clip.
    other, other_region, other_frames
        The device to brighten, and the same patch in its clip.

    Raises
    ------
    RegionError
        If a region reaches outside its picture.
    """
    one = _level(clip, region, frames, "this clip", cancelled)
    two = _level(other, other_region, other_frames, "the other clip", cancelled)
    common = Common(
        of="this/other", flags=one.flags | two.flags | Flag.ONE_TAKE, frames=min(one.frames, two.frames), pixels=region.area
    )
    reason = one.reason or two.reason
    if reason:
        return common.refusal("matching_factor", reason, method=METHOD)
    value = matching_factor(one.value, two.value)
    half = 1.96 * value * math.hypot(one.sigma / one.value, two.sigma / two.value)
    return common.reading("matching_factor", value, max(0.0, value - half), value + half, method=METHOD)


def _level(clip: ClipReader, region: Rect, frames: Span, name: str, cancelled: Stop) -> _Level:
    found = gather(clip, {"patch": region}, frames=frames, limits=True, cancelled=cancelled)
    patch = found.patches["patch"]
    level = level_without_beat(patch.frame_means).estimate
    reason = None
    if patch.clipped_share > CLIPPED_SHARE:
        reason = f"The patch is clipped in {name}: mark a darker one, or film with a shorter exposure."
    elif patch.black > 0.5 or level.value <= 3.0 * level.sigma:
        reason = f"The patch holds no light in {name}: mark a brighter one, or film with a longer exposure."
    blurred = math.sqrt(clean_temporal_var(patch)) > 0.5 * step_light(clip, patch.level)
    moved = light_sigma(clip, encoder_of(clip), found.signals["patch"], pixels=patch.pixels, blurred=blurred)
    low, high = level.interval()
    return _Level(level.value, math.hypot((high - low) / 3.92, moved), patch.frames, found.flags, reason)


__all__ = ["METHOD", "measure_match"]

"""Tri-bar results as readings: values, intervals, refusals with what to film instead."""

from __future__ import annotations

import math
from collections.abc import Sequence

from viewer.measure.bars import LEAST_WIDTH_PX, TargetResult
from viewer.measure.patches import Common
from viewer.measure.readings import Flag, Reading
from viewer.measure.resolution import Limit

CLIPPED_SHARE = 0.05
MODULATION = "(gap - bar) / (gap + bar) in linear light, middle thirds, a bar width off the ends; negative if reversed"
TOGETHER = "weighed by its error against the transfer curve that the targets of the chart share"
LIMIT = "finest element with all coarser ones resolved in both orientations, interpolated in log frequency"


def modulation_reading(result: TargetResult, flags: Flag = Flag.NONE) -> Reading:
    """Return the modulation of a target as a reading, or a refusal."""
    common = Common(of=result.target.of, flags=flags | result.flags, frames=result.frames)
    reason = why_not(result)
    if reason:
        return common.refusal("modulation", reason, method=MODULATION)
    low, high = result.interval
    method = MODULATION if result.lone_modulation is None else f"{MODULATION}; {TOGETHER}"
    return common.reading("modulation", result.modulation, low, high, method=method)


def why_not(result: TargetResult) -> str | None:
    """Return why no modulation can be given."""
    if result.place.width < LEAST_WIDTH_PX:
        return f"A bar is {result.place.width:.1f} px wide, under {LEAST_WIDTH_PX}: the camera decides. Film closer."
    if result.clipped > CLIPPED_SHARE:
        return "The target is clipped: film with a shorter exposure or less gain."
    if result.why == "no light":
        return "No light is left in the target above the dark level: film with more light, or average more frames."
    if math.hypot(result.sigma, result.coding_sigma) > 0.5:
        return "Noise is larger than any modulation could be: average more frames, or film with more light."
    return None


def limit_reading(limit: Limit, name: str, of: str, results: Sequence[TargetResult], flags: Flag = Flag.NONE) -> Reading:
    """Return the limiting resolution as a reading, a limit, or a refusal."""
    for result in results:
        flags |= result.flags & (Flag.CLIPPED | Flag.FEW_FRAMES | Flag.GATED | Flag.LOW_SIGNAL)
    frames = max((result.frames for result in results), default=0)
    common = Common(of=of, flags=flags, frames=frames)
    if limit.state == "refused":
        return common.refusal(name, limit.reason, "lp/mm", method=LIMIT)
    if limit.state == "limit":
        common = Common(of=of, flags=flags, frames=frames, state="limit", reason=limit.reason)
        return common.reading(name, limit.value, limit.value, None, "lp/mm", method=LIMIT)
    return common.reading(name, limit.value, limit.low, limit.high, "lp/mm", method=LIMIT)


__all__ = ["limit_reading", "modulation_reading", "why_not"]

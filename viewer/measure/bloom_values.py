"""Radii of a fitted light with their errors, or why there is none; several fits averaged by their weights."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from viewer.measure.bloom_fit import Fit
from viewer.measure.bloom_group import Member
from viewer.measure.bloom_profile import HALF, disc_half_radius
from viewer.measure.bloom_round import half_level, misfit
from viewer.measure.readings import Flag

BURNT = "clipping reaches as far as any edge that could be seen. Film with a shorter exposure or a dimmer lamp."
NO_EDGE = "the glow falls off smoothly and has no edge; half_radius tells its size. For an edge, film a brighter point lamp."
UNCLEAR = "what lies round the light hides its edge. Film it against a plainer background, or mark one that stands alone."
FAINT = "no light stands out of its surroundings here. Mark a light, or film more frames or a brighter lamp."
NOT_FIXED = "the unclipped part of the glow does not fix its size. Film with a shorter exposure, or more frames."
NO_HALO = "there is no halo's edge to relate it to. Film a brighter point lamp, or with a shorter exposure."
SOFT = "the blur is wider than the halo. Focus better, or film the lamp larger."
CORRELATED = 1.12  # enlarges errors under correlated noise (tests/benchmarks/bench_bloom.py, coverage)
CURVE_ERROR = 0.003  # error of an edge's place as a share of its blur, from what is left of light curves and encoders


@dataclass(frozen=True, slots=True)
class Value:
    """A value with its standard errors below and above, or why there is none.

    `low` and `high`, where given, are the ends of the 95 % interval itself; a `limit` is a lower bound, open towards larger.
    """

    value: float | None
    sigma: float = 0.0
    reason: str = ""
    limit: bool = False
    flags: Flag = Flag.NONE
    low: float | None = None
    high: float | None = None


def faint(found: Fit, i: int) -> str:
    """Return a reason if there is no light that stands out of the noise, else an empty string."""
    weights = found.solution.amplitudes[i]
    best = max(
        (w / max(found.amplitude_sigma(found.amplitude_index(i, k)), 1e-9 * w) for k, w in enumerate(weights) if w > 0),
        default=0.0,
    )
    if best < 5.0:
        return FAINT
    if max(found.sigma(i, 0), found.sigma(i, 1)) > max(1.0, 0.05 * half_level(found.shapes[i])):
        return UNCLEAR
    return ""


def centre(found: Fit, i: int, axis: int) -> Value:
    """Return the centre of light `i` along x (0) or y (1)."""
    # the tail of the noise's correlation sinks into chance before it ends
    more = CORRELATED if found.inflation > 1.3 else 1.0
    return Value(float(found.shapes[i].params[axis]), more * found.sigma(i, axis))


def halo(found: Fit, i: int, member: Member, seen: float, extra: float) -> Value:
    """Return the disc's radius, or why there is none; `seen` is the share of its edge in the field, `extra` a further error."""
    shape = found.shapes[i]
    if shape.kind != "disc":
        return Value(None, reason=BURNT if member.inner > 8.0 else NO_EDGE)
    radius, blur = float(shape.params[2]), float(shape.params[3])
    if member.inner > radius - 1.5 * blur:
        burnt = (
            f"clipping reaches the halo's edge (out to {member.inner:.1f} px). Film with a shorter exposure or a dimmer lamp."
        )
        return Value(None, reason=burnt)
    if seen < 0.25:
        return Value(
            None, reason=f"only {100 * seen:.0f} % of the halo's edge lies in the field. Move the lamp towards the middle."
        )
    sigma = math.sqrt(found.sigma(i, 2) ** 2 + extra**2 + (CURVE_ERROR * blur) ** 2)
    if sigma > 0.05 * radius or misfit(found, i) > 0.5:
        return Value(None, reason=UNCLEAR, flags=Flag.FIT_POOR)
    return Value(radius, sigma)


def half(found: Fit, i: int, seen: float, extra: float) -> Value:
    """Return the half-level radius of the glow, or why there is none.

    How far a pixel's own width (variance at most 1/12 px^2) blurs the light is not known and enters the error.
    """
    shape = found.shapes[i]
    pixel = 0.0
    if shape.kind == "disc":
        radius, blur = float(shape.params[2]), float(shape.params[3])
        value = disc_half_radius(radius, blur)
        if value <= 0.0:
            return Value(None, reason=SOFT)
        pixel = CURVE_ERROR * blur
        parts = [(disc_half_radius(radius + d, blur + e) - value) / 1e-3 for d, e in ((1e-3, 0.0), (0.0, 1e-3))]
    elif shape.kind == "gauss":
        value, parts = HALF * float(shape.params[2]), [HALF]
        pixel = HALF**2 / 48.0 / value
    else:
        a, b = float(shape.params[2]), float(shape.params[3])
        value = a * math.sqrt(2.0 ** (1.0 / b) - 1.0)
        slope = -a * 2.0 ** (1.0 / b) * math.log(2.0) / (2.0 * b * b * math.sqrt(2.0 ** (1.0 / b) - 1.0))
        parts = [value / a, slope]
        pixel = HALF**2 / 48.0 / value
    sigma = math.sqrt(propagate(found, i, parts) ** 2 + extra**2 + pixel**2)
    if seen < 0.25:
        return Value(None, reason=f"only {100 * seen:.0f} % of the glow lies in the field. Move the lamp towards the middle.")
    if sigma > 0.15 * value:
        return Value(None, reason=NOT_FIXED)
    if misfit(found, i) > 0.25:
        return Value(None, reason=UNCLEAR, flags=Flag.FIT_POOR)
    return Value(value, sigma, flags=Flag.FEW_PIXELS if value < 1.5 else Flag.NONE)


def propagate(found: Fit, i: int, parts: list[float]) -> float:
    """Return the standard error of a quantity from its derivatives after the size parameters of light `i`."""
    first = sum(shape.params.size for shape in found.shapes[:i]) + 2
    rows = slice(first, first + len(parts))
    gradient = np.array(parts)
    return math.sqrt(max(0.0, float(gradient @ found.covariance[rows, rows] @ gradient)))


def ground(found: Fit, i: int) -> float:
    """Return the fitted background at the place of light `i`."""
    mx, my = found.patch.middle
    level, place = found.solution.background, found.shapes[i].params
    return float(level[0] + level[1] * (place[0] - mx) / 50.0 + level[2] * (place[1] - my) / 50.0)


def veil_at_edge(found: Fit, i: int, edge: Value) -> Value:
    """Return the smooth glow at the halo's edge as a share of the halo's own height, per cent."""
    shape, weights = found.shapes[i], found.solution.amplitudes[i]
    if shape.kind != "disc" or edge.value is None or weights[0] <= 0:
        return Value(None, reason=NO_HALO)
    spot = np.array([float(shape.params[2])])
    still = replace(shape, params=np.concatenate([[0.0, 0.0], shape.params[2:]]))
    parts = np.array(still.columns(spot, np.zeros(1)))[:, 0]
    parts[weights.size - bool(shape.camera.size) :] = 0.0  # the camera's own light is no veil of the device
    share = float(weights[1:] @ parts[1:]) / float(weights[0])
    first, size = found.amplitude_index(i, 0), sum(s.params.size for s in found.shapes)
    gradient = np.zeros(found.covariance.shape[0])
    for place, index in enumerate(found.free):
        column = int(index) - first
        if 0 <= column < weights.size:
            gradient[size + place] = (parts[column] if column else -share) / float(weights[0])
    sigma = math.sqrt(max(0.0, float(gradient @ found.covariance @ gradient)))
    return Value(100.0 * share, 100.0 * sigma)


def averaged(values: Sequence[Value], weights: Sequence[float]) -> Value:
    """Return the weighted mean of what several fits say; how far they disagree enters the error.

    The first is the likeliest: if it refuses, so does the mean; others that refuse are passed over.
    """
    first = values[0]
    if first.value is None or len(values) == 1:
        return first
    kept = [(v.value, v.sigma, w) for v, w in zip(values, weights, strict=True) if v.value is not None]
    total = sum(w for _, _, w in kept)
    mean = sum(w * x for x, _, w in kept) / total
    variance = sum(w * (s**2 + (x - mean) ** 2) for x, s, w in kept) / total
    return replace(first, value=mean, sigma=math.sqrt(variance))


__all__ = [
    "BURNT",
    "FAINT",
    "NO_EDGE",
    "UNCLEAR",
    "Value",
    "averaged",
    "centre",
    "faint",
    "ground",
    "half",
    "halo",
    "propagate",
    "veil_at_edge",
]

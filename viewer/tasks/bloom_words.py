"""What a measured light says beside its readings: other units, extras, notes for the reader, curves for plots."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from viewer.measure.bloom import LightBloom
from viewer.measure.bloom_tenth import by_source, encircled_radii, three_sigma
from viewer.measure.readings import Flag, Reading

RADII = ("core_radius", "halo_radius", "half_radius", "bloom_radius")
SPOKEN = 8  # lights that notes are written for


def scaled(readings: Sequence[Reading], per_degree: float | None, objective_mm: float | None) -> list[Reading]:
    """Return radii in degrees and mrad, and in mm at the tube where the objective is known (none without a scale)."""
    if per_degree is None:
        return []
    made = []
    for reading in (r for r in readings if r.name in RADII):
        made.append(_converted(reading, "deg", lambda v: v / per_degree))
        made.append(_converted(reading, "mrad", lambda v: 1000.0 * math.radians(v / per_degree)))
        if objective_mm is not None:
            made.append(_converted(reading, "mm", lambda v: objective_mm * math.tan(math.radians(v / per_degree))))
    return made


def _converted(reading: Reading, unit: str, change: Callable[[float], float]) -> Reading:
    value, low, high = (None if v is None else change(v) for v in (reading.value, reading.low, reading.high))
    method = f"{reading.method}; scale from the field circle and the stated field"
    flags = reading.flags | Flag.NOMINAL_SCALE
    name = f"{reading.name}_{unit}"
    return replace(reading, name=name, unit=unit, flags=flags, method=method, value=value, low=low, high=high)


def fits_of(bloom: LightBloom) -> dict[str, Any]:
    """Return the extras of one light.

    ``shape``, ``misfit``; ``veil_share`` (light of the smooth glow at the halo's edge over the halo's height); ``sector_deg``,
    ``sector_radius_px``, ``sector_sigma_px``, ``long_px``, ``short_px``, ``axis_deg``, ``axis_sigma_px`` (roundness);
    ``background``, ``background_sigma``, ``reach_px`` (level at the light's place, how far rings were followed), ``uneven``
    (scatter of the surroundings where they stopped that, else 0);
    ``bloom_radius_by_source`` {ten_times, a_tenth}; ``three_sigma_px``; ``encircled`` {r50_px, r80_px, and their change per
    1 % of background}; ``camera_share`` (the camera's own light at the halo's edge or half level, over all added light).
    """
    shape, around = bloom.round, bloom.around
    veil = bloom.reading("veil_at_edge").value
    found: dict[str, Any] = {
        "shape": bloom.kind,
        "misfit": bloom.misfit,
        "veil_share": None if veil is None else veil / 100.0,
        "sector_deg": _sector_deg(bloom),
        "sector_radius_px": shape.radius_px,
        "sector_sigma_px": shape.sigma_px,
        "long_px": shape.long_px,
        "short_px": shape.short_px,
        "axis_deg": shape.axis_deg,
        "axis_sigma_px": shape.axis_sigma_px,
        "camera_share": _camera_share(bloom),
    }
    if around is not None:
        found |= {
            "background": around.level,
            "background_sigma": around.level_sigma,
            "reach_px": around.reach_px,
            "uneven": around.uneven,
            "bloom_radius_by_source": by_source(around, bloom.dark),
            "three_sigma_px": three_sigma(around),
            "encircled": encircled_radii(around),
        }
    return found


def _sector_deg(bloom: LightBloom) -> np.ndarray:
    return np.arange(bloom.round.radius_px.size) * 360.0 / max(1, bloom.round.radius_px.size)


def _camera_share(bloom: LightBloom) -> float | None:
    """The camera's own light at the edge of halo or glow, as a share of all added light there."""
    if not bloom.camera.size or bloom.profile is None or bloom.around is None:
        return None
    radius = next((bloom.reading(n).value for n in ("halo_radius", "half_radius") if bloom.reading(n).value), None)
    if radius is None:
        return None
    alone = float(np.interp(radius, bloom.profile.radius_px, bloom.camera))
    return alone / max(alone + float(bloom.around.added(np.array([radius]))[0]), 1e-300)


def notes_of(blooms: Sequence[LightBloom], joints: Sequence[dict[str, Any]]) -> list[str]:
    """Return sentences on what the readings depend on: source, shape, the camera, other exposures."""
    notes = [_of_exposure(joint) for joint in joints]
    for bloom in blooms[:SPOKEN]:
        notes += [note for note in (_of_source(bloom), _of_shape(bloom), _of_camera(bloom)) if note]
    return notes


def _of_exposure(joint: dict[str, Any]) -> str:
    return (
        f"{Path(joint['path']).name}: {joint['ratio']:.4g} times the light of the first clip, {joint['pixels']} burnt-out px "
        f"filled from it, {100 * joint['misfit']:.1f} % misfit."
    )


def _of_source(bloom: LightBloom) -> str:
    """How the threshold radius would move with the lamp."""
    reading = bloom.reading("bloom_radius")
    if bloom.around is None or reading.value is None or reading.state != "measured":
        return ""
    moved = by_source(bloom.around, bloom.dark)
    words = {key: f"{value:.1f} px" if value else "none" for key, value in moved.items() if value is not None}
    uneven = " A wide veil counts as background here: the surroundings are uneven." if bloom.around.uneven else ""
    more = words.get("ten_times", "beyond what is seen")
    return (
        f"{bloom.of}: bloom_radius depends on the lamp: {more} for one ten times as bright, "
        f"{words.get('a_tenth', 'beyond what is seen')} for one a tenth as bright.{uneven}"
    )


def _of_shape(bloom: LightBloom) -> str:
    """The long and short axis of a glow that is not round."""
    shape = bloom.round
    if not shape.differs:
        return ""
    what = "halo" if bloom.kind == "disc" else "glow"
    good = np.isfinite(shape.radius_px)
    span = f"{np.min(shape.radius_px[good]):.1f} to {np.max(shape.radius_px[good]):.1f} px over sectors"
    if not shape.elongated:
        return f"{bloom.of}: the {what} is not round: {span}."
    return (
        f"{bloom.of}: the {what} is longer one way: {shape.long_px:.2f} px along {shape.axis_deg:.0f} degrees (from +x towards "
        f"+y), {shape.short_px:.2f} px across, {1.96 * shape.axis_sigma_px:.2f} px either way; {span}."
    )


def _of_camera(bloom: LightBloom) -> str:
    share = _camera_share(bloom)
    if share is None:
        return ""
    return (
        f"{bloom.of}: the camera alone makes {100 * share:.0f} % of the added light at the glow's edge; it was taken off. The "
        "burnt core is the recording's."
    )


def curves(bloom: LightBloom) -> dict[str, Any]:
    """Return the curves of one light for plots."""
    profile, empty = bloom.profile, np.zeros(0)
    return {
        "radius_px": profile.radius_px if profile else empty,
        "profile": profile.light if profile else empty,
        "sigma": profile.sigma if profile else empty,
        "model": bloom.model,
        "glow": bloom.glow,
        "camera": bloom.camera,
        "centre": bloom.centre,
        "sector_deg": _sector_deg(bloom),
        "sector_radius_px": bloom.round.radius_px,
        "sector_sigma_px": bloom.round.sigma_px,
        **{name: bloom.reading(name).value for name in RADII},
    }


__all__ = ["RADII", "curves", "fits_of", "notes_of", "scaled"]

"""The usual regions of each kind of scene, laid out for the user to drag into place, and what is measured in them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from viewer.app.i18n import mark, tr
from viewer.session.model import Clip, MeasureKind, Region, RegionKind, Request, SceneKind, Session, new_id

FRAMES, MOST_LAMPS = 12, 8


@dataclass(frozen=True)
class Spot:
    """One region: its name, kind, and box about the middle of the field, in shares of the field's radius."""

    name: str
    kind: RegionKind
    x: float
    y: float
    w: float = 0.0
    h: float = 0.0


@dataclass(frozen=True)
class Preset:
    """Regions of a kind of scene, and measures: (measure, {role: names of regions})."""

    spots: tuple[Spot, ...]
    measures: tuple[tuple[MeasureKind, dict[str, tuple[str, ...]]], ...]


BRIGHT, DARK, EDGE = mark("bright patch"), mark("dark patch"), mark("edge")
SKY, TREES, WHITE, BLACK = mark("sky"), mark("trees"), mark("white field"), mark("black field")
FIGURE, OUTSIDE = mark("figure"), mark("outside the field")

_CHART = (
    Spot(BRIGHT, "rect", 0.1, -0.12, 0.2, 0.14),
    Spot(DARK, "rect", 0.1, 0.1, 0.2, 0.14),
    Spot(EDGE, "edge", -0.35, -0.1, 0.2, 0.22),
    Spot(OUTSIDE, "rect", -0.98, -0.98, 0.16, 0.16),
)
_SCREEN = (Spot(WHITE, "rect", -0.3, -0.1, 0.2, 0.16), Spot(BLACK, "rect", 0.1, -0.1, 0.2, 0.16))
_TREES = (
    Spot(EDGE, "edge", -0.12, -0.12, 0.24, 0.24),
    Spot(SKY, "rect", -0.2, -0.6, 0.4, 0.2),
    Spot(TREES, "rect", -0.2, 0.3, 0.4, 0.2),
)
_OTHER = (Spot(BRIGHT, "rect", -0.3, -0.1, 0.2, 0.2), Spot(DARK, "rect", 0.1, -0.1, 0.2, 0.2))

PRESETS: dict[SceneKind, Preset] = {
    "chart": Preset(
        _CHART,
        (
            ("contrast", {"bright": (BRIGHT,), "dark": (DARK,), "black": (OUTSIDE,)}),
            ("edge", {"region": (EDGE,)}),
            ("noise", {"region": (BRIGHT,)}),
        ),
    ),
    "screen": Preset(_SCREEN, (("flicker", {}), ("contrast", {"bright": (WHITE,), "dark": (BLACK,)}))),
    "lamps": Preset((Spot(SKY, "rect", -0.3, -0.6, 0.6, 0.2),), (("bloom", {}), ("noise", {"region": (SKY,)}))),
    "edge": Preset(_TREES, (("edge", {"region": (EDGE,)}), ("contrast", {"bright": (SKY,), "dark": (TREES,)}))),
    "figure": Preset((Spot(FIGURE, "rect", -0.08, -0.2, 0.16, 0.4),), (("figure", {"figure": (FIGURE,)}),)),
    "other": Preset(_OTHER, (("contrast", {"bright": (BRIGHT,), "dark": (DARK,)}),)),
}


def find_lamps(
    folder: Path, clip: Clip, *, progress: Callable[[int, int], None] | None = None, cancelled: Callable[[], bool] | None = None
) -> list[tuple[float, float]]:
    """Return the point lights of a clip (px), left to right, from the mean of frames about its middle.

    Marked once in the reference and carried by the pose, a lamp is the same lamp in every clip; numbers given to lights
    that each clip finds for itself are not.
    """
    from viewer.measure.lights import find_lights
    from viewer.tasks.clip_files import open_session_clip

    with open_session_clip(folder, clip, threads=1) as reader:
        middle = len(reader) // 2
        first = max(0, middle - FRAMES // 2)
        total = None
        for frame in reader.frames(first, min(len(reader), first + FRAMES), progress=progress, cancelled=cancelled):
            light = frame.luminance().light
            total = light.astype(np.float64) if total is None else total + light
    if total is None:
        return []
    valid = None
    if clip.circle is not None:
        rows, cols = np.ogrid[: total.shape[0], : total.shape[1]]
        valid = np.hypot(cols - clip.circle.cx, rows - clip.circle.cy) < 0.96 * clip.circle.radius
    found, _ = find_lights((total / FRAMES).astype(np.float32), valid=valid, most=MOST_LAMPS)
    return sorted((float(light.x), float(light.y)) for light in found)


def lay_out(
    session: Session, scene_id: str, clip: Clip, size: tuple[int, int], *, lamps: Sequence[tuple[float, float]] = ()
) -> tuple[Session, list[str]]:
    """Return the session with the usual regions and requests of a scene, and the ids of the regions that were added.

    Regions that are there already (by name) are used as they are.  `clip` is the reference, `size` its picture (px),
    `lamps` its point lights (px).
    """
    preset = PRESETS[session.scene(scene_id).kind]
    if clip.circle is not None:
        cx, cy, radius = clip.circle.cx, clip.circle.cy, clip.circle.radius
    else:
        cx, cy, radius = 0.5 * (size[0] - 1), 0.5 * (size[1] - 1), 0.48 * min(size)
    known = {region.name: region.id for region in session.regions_of(scene_id)}
    added: list[str] = []
    for spot in preset.spots:
        name = tr(spot.name)
        if name in known:
            continue
        x, y = max(0.0, cx + spot.x * radius), max(0.0, cy + spot.y * radius)
        w, h = max(4.0, spot.w * radius), max(4.0, spot.h * radius)
        place = tuple(round(float(v), 1) for v in (x, y, w, h))
        made = Region(id=new_id("region"), scene=scene_id, kind=spot.kind, name=name, geometry=place)
        session = session.put(made)
        known[name] = made.id
        added.append(made.id)
    lights = tuple(r.id for r in session.regions_of(scene_id) if r.kind in ("light", "point"))
    if lamps and not lights:
        for n, (x, y) in enumerate(lamps, 1):
            at = (round(x, 1), round(y, 1))
            made = Region(id=new_id("region"), scene=scene_id, kind="light", name=tr("lamp {n}", n=n), geometry=at)
            session = session.put(made)
            added.append(made.id)
            lights = (*lights, made.id)
    for measure, roles in preset.measures:
        regions = {role: tuple(known[tr(name)] for name in names) for role, names in roles.items()}
        if measure == "bloom" and lights:
            regions["light"] = lights
        request = Request(id=new_id("request"), scene=scene_id, measure=measure, regions=regions)
        if not any(replace(other, id=request.id) == request for other in session.requests):
            session = session.put(request)
    return session, added


__all__ = ["PRESETS", "Preset", "Spot", "find_lamps", "lay_out"]

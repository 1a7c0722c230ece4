"""The usual regions of each kind of scene, laid out for the user to drag into place, and what is measured in them."""

from __future__ import annotations

from dataclasses import dataclass, replace

from viewer.app.i18n import mark, tr
from viewer.session.model import Clip, MeasureKind, Region, RegionKind, Request, SceneKind, Session, new_id


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


def lay_out(session: Session, scene_id: str, clip: Clip, size: tuple[int, int]) -> tuple[Session, list[str]]:
    """Return the session with the usual regions and requests of a scene, and the ids of the regions that were added.

    Regions that are there already (by name) are used as they are.  `clip` is the reference, `size` its picture (px).
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
    for measure, roles in preset.measures:
        regions = {role: tuple(known[tr(name)] for name in names) for role, names in roles.items()}
        request = Request(id=new_id("request"), scene=scene_id, measure=measure, regions=regions)
        if not any(replace(other, id=request.id) == request for other in session.requests):
            session = session.put(request)
    return session, added


__all__ = ["PRESETS", "Preset", "Spot", "lay_out"]

"""Which readings stand under the pictures, in one order for all panes, and the letters of the regions."""

from __future__ import annotations

from dataclasses import dataclass

from viewer.publish.words import label, value_words
from viewer.session.model import Region, Request, Session, StoredReading

# measure -> readings worth a line under a picture, most telling first; a name with "|" stands for the first that exists.
PRINCIPAL: dict[str, tuple[str, ...]] = {
    "contrast": ("michelson", "cnr"),
    "bloom": ("halo_radius_deg|halo_radius", "bloom_radius_deg|bloom_radius"),
    "flicker": ("modulation_frequency", "modulation_depth"),
    "edge": ("rise_10_90", "glow_radius"),
    "bars": ("limiting_resolution", "modulation"),
    "noise": ("snr",),
    "figure": ("detectability", "contrast"),
    "tint": ("u_prime", "v_prime"),
    "ramp": ("mean",),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One line under every picture: the reading ``name`` of ``of`` of a request, with the letters of its regions."""

    request: str
    name: str
    of: str
    label: str
    letters: str


def letters(session: Session, scene: str) -> dict[str, str]:
    """Return region id -> letter, for the regions of a scene that some request uses, in the order of the requests."""
    used: list[str] = []
    for request in session.requests:
        if request.scene == scene:
            for idents in request.regions.values():
                used += [ident for ident in idents if ident not in used]
    known = {region.id for region in session.regions}
    names = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
    return {ident: names[n] if n < 26 else str(n) for n, ident in enumerate(i for i in used if i in known)}


def rows(session: Session, scene: str, *, most: int, wanted: str = "", time_s: float | None = None) -> list[Row]:
    """Return the rows of a scene's still.

    `wanted` lists names of readings to show instead of the principal ones; requests that are bound to another time than
    `time_s` are left out.
    """
    marks = letters(session, scene)
    found: list[Row] = []
    for depth in range(2):
        for request in session.requests:
            if request.scene != scene or not _holds(request, time_s):
                continue
            names = [name.strip() for name in wanted.split(",") if name.strip()] or list(PRINCIPAL.get(request.measure, ()))
            for place, name in enumerate(names):
                # The first reading of every request comes before the second of any.
                if (place > 0) == bool(depth):
                    found += _of(session, request, name, marks)
    return found[:most]


def _holds(request: Request, time_s: float | None) -> bool:
    if time_s is None:
        return True
    after = request.first_s is None or request.first_s <= time_s + 1e-6
    return after and (request.last_s is None or time_s <= request.last_s + 1e-6)


def _of(session: Session, request: Request, choice: str, marks: dict[str, str]) -> list[Row]:
    mine = [reading for reading in session.readings if reading.request == request.id]
    for name in choice.split("|"):
        objects = list(dict.fromkeys(reading.of for reading in mine if reading.name == name))
        measured = [of for of in objects if any(r.of == of and r.name == name and r.state != "refused" for r in mine)]
        if not objects or ("|" in choice and not measured and name != choice.split("|")[-1]):
            continue
        several = len(objects) > 1
        return [
            Row(
                request=request.id,
                name=name,
                of=of,
                label=label(name) + (f" {_short(of)}" if several and not _own_letter(session, request, marks) else ""),
                letters=_letters(session, request, of, number, marks),
            )
            for number, of in enumerate(objects[:3])
        ]
    return []


def _own_letter(session: Session, request: Request, marks: dict[str, str]) -> bool:
    """Whether every object of a request has a region, and so a letter, of its own."""
    return request.measure == "bloom" and any(ident in marks for group in request.regions.values() for ident in group)


def _short(of: str) -> str:
    return of.replace("light-", "lamp ")


def _letters(session: Session, request: Request, of: str, number: int, marks: dict[str, str]) -> str:
    idents = [ident for group in request.regions.values() for ident in group if ident in marks]
    if request.measure == "bloom" and number < len(idents):
        return marks[idents[number]]
    named = [ident for ident in idents if session.region(ident).name == of]
    return "/".join(marks[ident] for ident in (named or idents)[:2])


def cell_of(session: Session, row: Row, clip: str) -> StoredReading | None:
    """Return the reading of a row for a clip, or None."""
    for reading in session.readings:
        if (reading.request, reading.name, reading.of, reading.clip) == (row.request, row.name, row.of, clip):
            return reading
    return None


def drawn_regions(session: Session, scene: str) -> list[tuple[Region, str]]:
    """Return the regions to draw, each with its letter."""
    marks = letters(session, scene)
    return [(region, marks[region.id]) for region in session.regions_of(scene) if region.id in marks]


__all__ = ["PRINCIPAL", "Row", "cell_of", "drawn_regions", "letters", "rows", "value_words"]

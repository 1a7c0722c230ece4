"""Which readings stand under the pictures, in one order for all panes, and the letters of the regions."""

from __future__ import annotations

from dataclasses import dataclass, replace

from viewer.publish.words import label, short_label, value_words
from viewer.session.model import Region, Request, Session, StoredReading
from viewer.tasks.lines import LINE_NAMES, OWN, SCENE

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


_WHOSE = {OWN: "of the gate", SCENE: "of the scene"}
# A role of a request with more regions than this shares one letter: forty letters on a picture tell nothing.
MOST_LETTERS = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One line under every picture: the reading ``name`` of ``of`` of a request, with the letters of its regions.

    With ``whose`` it is the strongest line of flicker that comes from there, whatever it is called in each clip.
    """

    request: str
    name: str
    of: str
    label: str
    short: str
    letters: str
    whose: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A letter and the regions it stands for; a `group` is drawn as four corners, or as the member of a moment."""

    letter: str
    regions: tuple[Region, ...]

    @property
    def group(self) -> bool:
        """Whether several regions share the letter."""
        return len(self.regions) > 1

    @property
    def timed(self) -> bool:
        """Whether each region holds at its own moment only."""
        return all("time_s" in region.settings for region in self.regions)

    def at(self, time_s: float) -> int:
        """Return which member of a timed group belongs to a scene time: the nearest."""
        return min(range(len(self.regions)), key=lambda n: abs(float(self.regions[n].settings["time_s"]) - time_s))


def marks(session: Session, scene: str) -> tuple[Mark, ...]:
    """Return the marks of a scene: for the regions that some request uses, in the order of the requests."""
    known = {region.id: region for region in session.regions}
    groups: list[tuple[Region, ...]] = []
    used: set[str] = set()
    for request in session.requests:
        for idents in request.regions.values() if request.scene == scene else ():
            fresh = tuple(known[ident] for ident in idents if ident in known and ident not in used)
            used.update(region.id for region in fresh)
            together = len(fresh) > MOST_LETTERS or (len(fresh) > 1 and all("time_s" in r.settings for r in fresh))
            groups += [fresh] if together else [(region,) for region in fresh]
    names = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
    return tuple(
        Mark(letter=names[n] if n < 26 else f"{names[n // 26 - 1]}{names[n % 26]}", regions=g) for n, g in enumerate(groups)
    )


def letters(session: Session, scene: str) -> dict[str, str]:
    """Return region id -> letter, for the regions of a scene that some request uses."""
    return {region.id: mark.letter for mark in marks(session, scene) for region in mark.regions}


def rows(session: Session, scene: str, *, most: int, wanted: str = "", time_s: float | None = None) -> list[Row]:
    """Return the rows of a scene's still.

    `wanted` lists names of readings to show instead of the principal ones; requests that are bound to another time than
    `time_s` are left out, and of objects that hold at a moment each only the nearest is kept.
    """
    lettered = letters(session, scene)
    names = [name.strip() for name in wanted.split(",") if name.strip()]
    direct = {r.measure for r in session.requests if r.scene == scene and _holds(r, time_s)}
    found: list[tuple[int, Row]] = []
    for request in session.requests:
        if request.scene != scene or not _holds(request, time_s):
            continue
        for place, name in enumerate(names or PRINCIPAL.get(request.measure, ())):
            if request.measure == "ramp" and any(name in PRINCIPAL.get(other, ()) for other in direct - {"ramp"}):
                continue  # a ramp repeats at its levels what another request measures at this moment
            # The first reading of every request comes before the second of any; wished ones come as wished.
            found += [(place, row) for row in _of(session, request, name, lettered, time_s)]
    return [row for _, row in sorted(found, key=lambda item: item[0])][:most]


def _holds(request: Request, time_s: float | None) -> bool:
    if time_s is None:
        return True
    after = request.first_s is None or request.first_s <= time_s + 1e-6
    return after and (request.last_s is None or time_s <= request.last_s + 1e-6)


def _of(session: Session, request: Request, choice: str, lettered: dict[str, str], time_s: float | None) -> list[Row]:
    mine = [reading for reading in session.readings if reading.request == request.id]
    if choice in LINE_NAMES and any(whose in reading.flags for reading in mine for whose in _WHOSE):
        return _by_origin(session, request, choice, mine, lettered)
    for name in choice.split("|"):
        objects = list(dict.fromkeys(reading.of for reading in mine if reading.name == name))
        measured = [of for of in objects if any(r.of == of and r.name == name and r.state != "refused" for r in mine)]
        if not objects or ("|" in choice and not measured and name != choice.split("|")[-1]):
            continue
        objects = _of_moment(session, request, objects, time_s)
        own = len(objects) < 2 or _own_letter(request, lettered)
        lines = any("/line-" in of for of in objects)
        return [
            _row(session, request, name, of, number, "" if own or (lines and "/line-" not in of) else _short(of), lettered)
            for number, of in enumerate(objects[:3])
        ]
    return []


def _by_origin(session: Session, request: Request, name: str, mine: list[StoredReading], lettered: dict[str, str]) -> list[Row]:
    """Return a row for the gates of the devices, and one for the light of the scene: each compares like with like."""
    made = []
    for whose, words in _WHOSE.items():
        found = next((reading for reading in mine if reading.name == name and whose in reading.flags), None)
        if found is not None:
            row = _row(session, request, name, found.of.split("/line-")[0], 0, words, lettered)
            made.append(replace(row, whose=whose))
    return made


def _row(session: Session, request: Request, name: str, of: str, number: int, which: str, lettered: dict[str, str]) -> Row:
    return Row(
        request=request.id,
        name=name,
        of=of,
        label=f"{label(name)} {which}".strip(),
        short=f"{short_label(name)} {which}".strip(),
        letters=_letters(session, request, of, number, lettered),
    )


def _of_moment(session: Session, request: Request, objects: list[str], time_s: float | None) -> list[str]:
    """Return the object of this moment where each has its own (``figure-3``), else all of them."""
    idents = [ident for group in request.regions.values() for ident in group]
    regions = [region for ident in idents for region in session.regions if region.id == ident]
    if time_s is None or len(objects) < 2 or len(regions) != len(idents):
        return objects
    mark = Mark(letter="", regions=tuple(regions))
    if not regions or not mark.timed:
        return objects
    ending = f"-{mark.at(time_s) + 1}"
    return [of for of in objects if of.endswith(ending)] or objects


def _own_letter(request: Request, lettered: dict[str, str]) -> bool:
    """Whether every object of a request has a region, and so a letter, of its own."""
    return request.measure == "bloom" and any(ident in lettered for group in request.regions.values() for ident in group)


def _short(of: str) -> str:
    """Return an object's name as it stands in a row: ``line 2`` for ``table/line-2``."""
    return f"line {of.rsplit('/line-', 1)[1]}" if "/line-" in of else of.replace("light-", "lamp ")


def _letters(session: Session, request: Request, of: str, number: int, lettered: dict[str, str]) -> str:
    idents = [ident for group in request.regions.values() for ident in group if ident in lettered]
    if request.measure == "bloom" and number < len(idents):
        return lettered[idents[number]]
    named = [ident for ident in idents if session.region(ident).name == of.split("/line-")[0]]
    return "/".join(dict.fromkeys(lettered[ident] for ident in (named or idents)[:2]))


def cell_of(session: Session, row: Row, clip: str) -> StoredReading | None:
    """Return the reading of a row for a clip, or None."""
    for reading in session.readings:
        if (reading.request, reading.name, reading.clip) != (row.request, row.name, clip):
            continue
        if row.whose in reading.flags if row.whose else reading.of == row.of:
            return reading
    return None


def missing_words(session: Session, row: Row, clip: str) -> str:
    """Return why a row has no reading for a clip: ``none found`` where a further line of light was looked for."""
    first = row.of.split("/line-")[0]
    looked = (first != row.of or bool(row.whose)) and any(
        (r.request, r.name, r.of, r.clip) == (row.request, row.name, first, clip) for r in session.readings
    )
    return "none found" if looked else "not measured"


def shown_marks(session: Session, scene: str, lines: list[Row]) -> list[Mark]:
    """Return the marks whose readings stand in `lines`: nothing else is drawn on a picture."""
    used = {letter for row in lines for letter in row.letters.split("/")}
    return [mark for mark in marks(session, scene) if mark.letter in used]


__all__ = [
    "PRINCIPAL",
    "Mark",
    "Row",
    "cell_of",
    "letters",
    "marks",
    "missing_words",
    "rows",
    "shown_marks",
    "value_words",
]

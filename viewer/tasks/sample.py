"""The sample session: a harbour trust compares three invented monoculars on five scenes.

Everything that stands in it - devices, figures, clips - is made up; the clips come with truth files (``*.truth.json``) that say
what is true of them, and from which regions are taken here.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Collection
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from viewer.errors import Cancelled, SessionError, UsageError
from viewer.measure.sheet import parse_figure
from viewer.resources import sample_clips
from viewer.session import store
from viewer.session.model import (
    CameraMode,
    Clip,
    Device,
    LightLevel,
    Marker,
    Note,
    Plan,
    Preferences,
    Region,
    Request,
    Scene,
    SceneKind,
    Session,
    SheetEntry,
    StillSpec,
)

SESSION_FILE = "harbour.gloam"
CLIP_FOLDER = "clips"
# scene seconds that are enough for a good interval; the whole clip costs time and gains little
SPAN_S = {"contrast": (0.30, 1.50), "flicker": (0.20, 1.60), "bloom": (0.20, 1.60), "noise": (0.30, 1.90)}
MADE = "2026-03-14"
LEVELS_MFL = (1.0, 0.3, 0.1, 0.03)
# scene seconds between which each light level has settled in every clip
SETTLED_S = ((0.12, 1.20), (2.06, 2.40), (3.22, 3.55), (4.36, 4.66))

# key, name, kind, distance (m), note
SCENES: tuple[tuple[str, str, SceneKind, float, str], ...] = (
    ("chart", "Tri-bar chart", "chart", 2.0, "Light box in a dark room, four levels."),
    ("monitor", "Office monitor", "screen", 1.2, "Shutter 1/1000 s for gating."),
    ("lamps", "Quay lamps", "lamps", 60.0, "Seven lamps, two of them close together."),
    ("reeds", "Reed bank", "edge", 45.0, "Sky against boathouse and reeds."),
    ("figure", "Figure on the slipway", "figure", 16.0, "Overcast, no moon."),
)

# quantity, typed, condition
SHEETS: dict[str, tuple[tuple[str, str, str], ...]] = {
    "Heron": (
        ("gain", "42000 fL/fc", "at 2e-6 fc"),
        ("snr", "24.1", ""),
        ("resolution", "64 lp/mm", ""),
        ("fom", "1542", ""),
        ("ebi", "1.5 e-11 phot", "23 C"),
        ("halo", "0.96 mm", ""),
        ("sensitivity", "800 uA/lm", ""),
        ("field", "40 deg", ""),
        ("focal", "27 mm", ""),
    ),
    "Bittern": (
        ("gain", "16500 cd/m2/lx", "at 20 ulx"),
        ("snr", "29.5", ""),
        ("resolution", "72 lp/mm", ""),
        ("fom", "2124", ""),
        ("ebi", "0.10 ulx", "21 C"),
        ("halo", "0.72 mm", ""),
        ("sensitivity", "1050 uA/lm", ""),
        ("field", "40 deg", ""),
        ("focal", "27 mm", ""),
    ),
    "Plover": (
        ("gain", "48000 fL/fc", ""),
        ("snr", "26.0", ""),
        ("resolution", "64 lp/mm", ""),
        ("fom", "1950", "as printed"),
        ("ebi", "2.2 e-11 phot", ""),
        ("halo", "1.16 mm", ""),
        ("field", "38 deg", ""),
        ("focal", "26 mm", ""),
    ),
}  # fmt: skip

NAMES = {
    "patch-1": "white patch", "patch-2": "patch 2", "patch-3": "grey patch", "patch-4": "patch 4", "patch-5": "black patch",
    "paper": "chart paper", "edge": "slanted edge", "white": "white field", "black": "black field", "grey": "grey field",
    "page": "page", "table": "tide table", "surround": "dark wall", "sky": "sky", "sky-near": "sky at the gable",
    "wall": "boathouse wall", "reeds": "reeds", "ramp": "ramp",
}  # fmt: skip


@dataclass(frozen=True)
class Truth:
    """The truth files by clip name (without ending)."""

    by_clip: dict[str, dict[str, Any]]

    def region(self, clip: str, mark: str) -> dict[str, Any]:
        """Return a mark's place in a clip."""
        found: dict[str, Any] = self.by_clip[clip]["regions"][mark]
        return found


def read_truth(folder: Path) -> Truth:
    """Read every truth file of a folder.

    Raises
    ------
    SessionError
        If one cannot be read.
    """
    found = {}
    for path in sorted(folder.glob("*.truth.json")):
        try:
            found[path.name.removesuffix(".truth.json")] = json.loads(path.read_text(encoding="utf-8"))
        except (OSError, ValueError) as error:
            raise SessionError(f"cannot be read ({error}).", where=path.name, hint="Install the program again.") from error
    return Truth(found)


def make_sample_session(
    folder: Path,
    *,
    only: Collection[str] = (),
    progress: Callable[[int, int], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> tuple[Session, Path]:
    """Copy the sample clips into `folder` and write the sample session beside them.

    Parameters
    ----------
    folder : Path
        Made if need be.
    only : collection of str
        Keys of scenes (``chart``, ``monitor``, ``lamps``, ``reeds``, ``figure``); all if empty.

    Returns
    -------
    Session, Path
        The session, nothing lined up or measured yet, and its file.

    Raises
    ------
    UsageError
        For a scene that is not in the sample.
    SessionError
        If the folder cannot be written.
    """
    keys = [key for key, *_ in SCENES]
    for key in only:
        if key not in keys:
            raise UsageError(f"the sample has no scene {key!r}.", hint=f"Choose from {', '.join(keys)}.")
    source = sample_clips()
    truth = read_truth(source)
    clip_folder = folder / CLIP_FOLDER
    names = list(truth.by_clip)
    try:
        clip_folder.mkdir(parents=True, exist_ok=True)
        for number, name in enumerate(names):
            if cancelled is not None and cancelled():
                raise Cancelled
            for ending in (".mp4", ".truth.json"):
                shutil.copyfile(source / f"{name}{ending}", clip_folder / f"{name}{ending}")
            if progress is not None:
                progress(number + 1, len(names))
    except OSError as error:
        raise SessionError(
            f"cannot be written ({error.strerror}).", where=str(folder), hint="Choose a folder with 25 MB of free space."
        ) from error
    session = _session(folder, truth)
    if only:
        session = session.drop(*(f"scene-{key}" for key in keys if key not in only))
    path = store.save(session, folder / SESSION_FILE)
    return session, path


def _session(folder: Path, truth: Truth) -> Session:
    clips = tuple(_clip(folder, name, entry) for name, entry in truth.by_clip.items())
    regions = _regions(truth)
    return Session(
        id="session-harbour",
        title="Harbour trust: three monoculars",
        created=MADE,
        author="Night pilots' working group",
        interest="Invented data: clips rendered by this program's own lab; no real device, maker, place or person is shown.",
        plan=Plan(
            question="Which of the three monoculars shows a person on the slipway best, and disturbs least at the quay lamps?",
            claim="Bittern has the smaller halo; Plover and Bittern pulse, Heron does not.",
            made=MADE,
            log=(f"{MADE}: Plover was filmed at 29.97 instead of 25 frames a second on the slipway; noticed by the audit.",),
        ),
        preferences=Preferences(
            matters={"michelson": 0.03, "halo_radius": 0.05, "limiting_resolution": 0.12, "contrast": 0.05}, mains_hz=50.0
        ),
        devices=_devices(),
        scenes=(*(_scene(*entry) for entry in SCENES), _bench()),
        clips=clips,
        regions=regions,
        requests=_requests(regions),
        notes=_notes(truth),
        markers=_markers(truth),
        stills=_stills(),
    )


def _devices() -> tuple[Device, ...]:
    field = {"Heron": 40.0, "Bittern": 40.0, "Plover": 38.0}
    lens = {"Heron": 27.0, "Bittern": 27.0, "Plover": 26.0}
    notes = {
        "Heron": "In service with the pilots now; the others are compared with it.",
        "Bittern": "Lent for the trial.",
        "Plover": "Lent for the trial; its sheet's figure of merit does not follow from its own figures.",
    }
    return tuple(
        Device(
            id=f"device-{name.lower()}",
            name=name,
            control=name == "Heron",
            field_deg=field[name],
            objective_mm=lens[name],
            sheet=tuple(_entry(name, *row) for row in rows),
            note=notes[name],
        )
        for name, rows in SHEETS.items()
    )


def _entry(device: str, quantity: str, typed: str, condition: str) -> SheetEntry:
    figure = parse_figure(quantity, typed)
    return SheetEntry(
        quantity=quantity,
        typed=typed,
        low=figure.low,
        high=figure.high,
        unit=figure.unit,
        condition=condition,
        source=f"sheet of {device} (invented)",
    )


def _scene(key: str, name: str, kind: SceneKind, distance_m: float, note: str) -> Scene:
    starts = (0.0, 1.30, 2.45, 3.60, 4.72)
    levels = tuple(
        LightLevel(value=level, unit="mfL", start_s=start, end_s=end)
        for level, start, end in zip(LEVELS_MFL, starts[:-1], starts[1:], strict=True)
    )
    return Scene(
        id=f"scene-{key}",
        name=name,
        kind=kind,
        reference_clip=f"clip-{key}_heron",
        distance_m=distance_m,
        levels=levels if key == "chart" else (),
        note=note,
    )


def _bench() -> Scene:
    return Scene(
        id="scene-bench", name="Bench lamp", kind="other", common_time=False, note="A lamp at 330.0 Hz, for the readout time."
    )


def _clip(folder: Path, name: str, entry: dict[str, Any]) -> Clip:
    camera, video = entry["camera"], entry["video"]
    scene = {"cap": "chart"}.get(entry["scene"], entry["scene"])
    fast = camera["shutter_s"] < 0.005
    return Clip(
        id=f"clip-{name}",
        scene=f"scene-{scene}",
        # the camera's black is the same behind every device
        device=f"device-{entry['device'].lower()}" if entry["device"] and entry["role"] != "dark" else None,
        take=entry["take"],
        role=entry["role"],
        files=(store.refer(folder / CLIP_FOLDER / f"{name}.mp4", folder),),
        camera=CameraMode(
            shutter_s=camera["shutter_s"],
            iso=3200.0 if fast else 1600.0,
            aperture=2.8,
            white_balance="5600 K",
            profile={"hlg": "HLG", "bt709": "standard"}[video["transfer"]],
            focal_length_mm=24.0,
            readout_direction=camera["readout_direction"],
        ),
        note=entry["note"],
    )


def _regions(truth: Truth) -> tuple[Region, ...]:
    wanted = {
        "chart": ("patch-1", "patch-2", "patch-3", "patch-4", "patch-5", "paper", "edge"),
        "monitor": ("white", "black", "grey", "page", "table", "surround"),
        "lamps": ("lamp-1", "lamp-2", "lamp-3", "lamp-4", "lamp-5", "lamp-6", "lamp-7", "sky"),
        "reeds": ("edge", "sky-near", "wall", "sky", "reeds"),
        "figure": (),
    }
    found: list[Region] = []
    for scene, marks in wanted.items():
        clip = f"{scene}_heron"
        found += [_region(scene, mark, truth.region(clip, mark)) for mark in marks]
    for mark, place in truth.by_clip["chart_heron"]["regions"].items():
        if place["kind"] == "bars":
            found.append(_bars(mark, place))
    found += _figures(truth)
    return tuple(found)


def _region(scene: str, mark: str, place: dict[str, Any]) -> Region:
    geometry = tuple(float(number) for number in (place["point"] if place["kind"] == "light" else place["rect"]))
    name = NAMES.get(mark, mark.replace("-", " "))
    return Region(id=f"region-{scene}-{mark}", scene=f"scene-{scene}", kind=place["kind"], name=name, geometry=geometry)


def _bars(mark: str, place: dict[str, Any]) -> Region:
    label, way = mark.split("/")
    return Region(
        id=f"region-chart-{label}-{way}",
        scene="scene-chart",
        kind="bars",
        name=f"{label} lp/mm {'upright' if way == 'v' else 'lying'}",
        geometry=tuple(float(number) for number in place["rect"]),
        settings={"lpmm": label, "way": way},
    )


def _figures(truth: Truth) -> list[Region]:
    values = (v for v in truth.by_clip["figure_heron"]["values"] if v["measure"] == "figure")
    return [
        Region(
            id=f"region-figure-{value['of']}",
            scene="scene-figure",
            kind="rect",
            name=f"figure at {value['scene_s']:g} s",
            geometry=tuple(float(number) for number in value["at"][0]),
            settings={"time_s": float(value["scene_s"])},
        )
        for value in values
    ]


def _requests(regions: tuple[Region, ...]) -> tuple[Request, ...]:
    targets = tuple(region.id for region in regions if region.kind == "bars")
    figures = tuple(region.id for region in regions if region.scene == "scene-figure")

    def ask(scene: str, measure: Any, name: str, level: int | None = None, **roles: tuple[str, ...]) -> Request:
        first, last = SETTLED_S[level] if level is not None else SPAN_S.get(name, (None, None))
        named = {role: tuple(f"region-{scene}-{mark}" for mark in marks) for role, marks in roles.items()}
        return Request(
            id=f"request-{scene}-{name}", scene=f"scene-{scene}", measure=measure, regions=named, first_s=first, last_s=last
        )

    lamps = ("lamp-2", "lamp-4")
    bars = [
        Request(
            id=f"request-chart-bars-{LEVELS_MFL[level]:g}", scene="scene-chart", measure="bars", regions={"target": targets},
            first_s=SETTLED_S[level][0], last_s=SETTLED_S[level][1],
        )
        for level in (0, 3)
    ]  # fmt: skip
    return (
        *(ask("chart", "contrast", f"contrast-{LEVELS_MFL[n]:g}", n, bright=("patch-1",), dark=("patch-5",)) for n in (0, 3)),
        *bars,
        ask("chart", "edge", "edge", 0, region=("edge",)),
        ask("chart", "noise", "noise", 0, region=("patch-3", "paper")),
        ask("chart", "tint", "tint", 0, region=("paper",)),
        ask("chart", "ramp", "ramp", region=("paper",), bright=("patch-1",), dark=("patch-5",)),
        ask("monitor", "contrast", "contrast", bright=("white",), dark=("black",)),
        ask("monitor", "flicker", "flicker", region=("table",)),
        ask("lamps", "bloom", "bloom", light=lamps),
        ask("lamps", "noise", "noise", region=("sky",)),
        ask("reeds", "contrast", "contrast", bright=("sky-near",), dark=("wall",)),
        ask("reeds", "edge", "edge", region=("edge",)),
        ask("reeds", "noise", "noise", region=("sky",)),
        Request(id="request-figure-figure", scene="scene-figure", measure="figure", regions={"figure": figures}),
    )


def _notes(truth: Truth) -> tuple[Note, ...]:
    lamp = truth.region("lamps_heron", "lamp-1")["point"]
    pair = truth.region("lamps_heron", "lamp-6")["point"]
    edge = truth.region("reeds_heron", "edge")["rect"]
    fine = truth.region("chart_heron", "0.125/v")["rect"]
    walk = next(v for v in truth.by_clip["figure_heron"]["values"] if v["measure"] == "figure" and v["scene_s"] == 1.9)["at"][0]
    return (
        Note(id="note-lamp", scene="scene-lamps", kind="arrow",
             geometry=(lamp[0] - 88, lamp[1] - 74, lamp[0] - 18, lamp[1] - 16), text="halo"),
        Note(id="note-pair", scene="scene-lamps", kind="inset", geometry=(pair[0] - 28, pair[1] - 32, 92.0, 62.0),
             text="close pair", settings={"factor": 3.0}),
        Note(id="note-chart", scene="scene-chart", kind="inset", geometry=(fine[0] - 8.0, fine[1] - 6.0, 44.0, 76.0),
             text="group -3", settings={"factor": 3.0}),
        Note(id="note-edge", scene="scene-reeds", kind="arrow",
             geometry=(edge[0] - 64.0, edge[1] - 48.0, edge[0] + 22.0, edge[1] - 2.0), text="sky spills in"),
        Note(id="note-figure", scene="scene-figure", kind="ellipse",
             geometry=(walk[0] - 18.0, walk[1] - 26.0, walk[2] + 36.0, 110.0), text="the figure"),
    )  # fmt: skip


def _markers(truth: Truth) -> tuple[Marker, ...]:
    claps = {"chart": 0.55, "monitor": 0.60, "lamps": 0.70, "reeds": 0.65, "figure": 0.50}
    clapped = [Marker(id=f"marker-{key}-clap", scene=f"scene-{key}", time_s=at, text="clap") for key, at in claps.items()]
    starts = (1.30, 2.45, 3.60)
    steps = [
        Marker(id=f"marker-level-{n}", scene="scene-chart", time_s=start, text=f"{level:g} mfL")
        for n, (start, level) in enumerate(zip(starts, LEVELS_MFL[1:], strict=True), 2)
    ]
    return (*clapped, *steps)


def _stills() -> tuple[StillSpec, ...]:
    def still(key: str, name: str, time_s: float, readings: str, **more: Any) -> StillSpec:
        clips = tuple(f"clip-{key}_{device}" for device in ("heron", "bittern", "plover"))
        settings: dict[str, str | float] = {"readings": readings}
        return StillSpec(
            id=f"still-{key}", scene=f"scene-{key}", name=name, time_s=time_s, clips=clips, settings=settings, **more
        )

    return (
        still("lamps", "Quay lamps", 1.2, "halo_radius_deg,bloom_radius_deg,core_radius_deg"),
        still("chart", "Tri-bar chart at 1 mfL", 0.9, "limiting_resolution,michelson,mtf50"),
        still("monitor", "Office monitor", 1.0, "modulation_frequency,modulation_depth,michelson", rule="mean_over_beats"),
        still("reeds", "Reed bank", 1.0, "rise_10_90,michelson,glow_radius"),
        still("figure", "Figure on the slipway", 1.9, "contrast,cnr,detectability"),
    )


__all__ = ["CLIP_FOLDER", "SESSION_FILE", "Truth", "make_sample_session", "read_truth"]

"""The document as frozen data.

A session is one immutable tree: editing makes a new one that shares what did not change, so undo is a list of trees and a
job can work on a snapshot without locks.  Ids are short strings, unique within their kind.  Times are scene seconds, places
are pixels of the scene's reference clip (pixel centres whole numbers), unless a name says otherwise.
"""

from __future__ import annotations

import math
import uuid
from collections.abc import Iterable
from dataclasses import dataclass, field, fields, replace
from typing import Any, ClassVar, Literal, TypeVar

from viewer.align.transform import ClockMap, FieldCircle, Pose
from viewer.errors import UsageError

SCHEMA = "gloaming/session/1"

T = TypeVar("T")

SceneKind = Literal["chart", "screen", "lamps", "edge", "figure", "other"]
ClipRole = Literal["device", "source", "camera", "flat", "dark", "exposure"]
"""What a clip is for; ``exposure`` is the scene once more at another exposure, for bloom to join."""
RegionKind = Literal["rect", "ellipse", "light", "edge", "bars", "line", "point"]
NoteKind = Literal["arrow", "box", "ellipse", "text", "inset", "scale_bar"]
MeasureKind = Literal["contrast", "bloom", "flicker", "edge", "bars", "noise", "figure", "tint", "ramp"]
FrameRule = Literal["scene_time", "sharpest_typical", "mean_over_beats"]
Rendering = Literal["as_filmed", "neutral_grey", "brightness_matched", "false_luminance"]


def new_id(prefix: str) -> str:
    """Return a fresh id such as ``clip-3f9a01bc``."""
    return f"{prefix}-{uuid.uuid4().hex[:8]}"


class Record:
    """Base of all that stands in a session file: unknown members are faults, and numbers are finite."""

    __pydantic_config__: ClassVar[Any] = {"extra": "forbid", "allow_inf_nan": False}


@dataclass(frozen=True, kw_only=True)
class SheetEntry(Record):
    """One figure of a data sheet: what was typed is kept beside what it means."""

    quantity: str
    typed: str
    low: float | None = None
    high: float | None = None
    unit: str = ""
    condition: str = ""
    source: str = ""


@dataclass(frozen=True, kw_only=True)
class Device(Record):
    """One night-vision device.  `field_deg` is the stated field of view, `objective_mm` the focal length of its objective."""

    id: str
    name: str
    control: bool = False
    field_deg: float | None = None
    objective_mm: float | None = None
    units_tested: int = 1
    sheet: tuple[SheetEntry, ...] = ()
    note: str = ""


@dataclass(frozen=True, kw_only=True)
class LightLevel(Record):
    """One light level of a series: as typed, with the start of its step in scene time when known."""

    value: float
    unit: str = "mfL"
    start_s: float | None = None
    end_s: float | None = None


@dataclass(frozen=True, kw_only=True)
class Scene(Record):
    """What every device looks at.  All clips of a scene are carried to its reference clip."""

    id: str
    name: str
    kind: SceneKind = "other"
    reference_clip: str | None = None
    distance_m: float | None = None
    levels: tuple[LightLevel, ...] = ()
    loop_in_s: float | None = None
    loop_out_s: float | None = None
    common_time: bool = True
    note: str = ""


@dataclass(frozen=True, kw_only=True)
class FileRef(Record):
    """A source file: relative to the session's folder where possible, known by its hash."""

    path: str
    sha256: str = ""
    size: int = 0


@dataclass(frozen=True, kw_only=True)
class LightOverride(Record):
    """What the user says of a clip's code values, against or in place of its tags.  None: as tagged, or as assumed."""

    transfer: str | None = None
    range: str | None = None
    matrix: str | None = None
    primaries: str | None = None


@dataclass(frozen=True, kw_only=True)
class CameraMode(Record):
    """How the camera ran: typed or calibrated.  `readout_ms` is delivered rows (or columns) of the upright picture
    x row time."""

    shutter_s: float | None = None
    iso: float | None = None
    aperture: float | None = None
    white_balance: str | None = None
    profile: str | None = None
    focal_length_mm: float | None = None
    capture_rate: float | None = None
    readout_ms: float | None = None
    readout_error_ms: float | None = None
    readout_direction: Literal["down", "up", "left", "right"] | None = None
    readout_by: str = ""
    readout_mode: str = ""


@dataclass(frozen=True, kw_only=True)
class MotionTrack(Record):
    """How a handheld clip moved: what stands at p usually stands at p + shift (px of the clip) from ``time_s`` on."""

    time_s: tuple[float, ...] = ()
    shift_px: tuple[tuple[float, float], ...] = ()
    sigma_px: float = 0.0

    @property
    def rms_px(self) -> float:
        """Rms of the movement."""
        return math.sqrt(sum(x * x + y * y for x, y in self.shift_px) / max(1, len(self.shift_px)))


@dataclass(frozen=True, kw_only=True)
class Clip(Record):
    """One recording.  Several files are parts of one recording, in order.  Its regions follow its `track`, if it has one."""

    id: str
    scene: str
    device: str | None
    take: int = 1
    role: ClipRole = "device"
    files: tuple[FileRef, ...] = ()
    light: LightOverride = field(default_factory=LightOverride)
    camera: CameraMode = field(default_factory=CameraMode)
    clock: ClockMap | None = None
    pose: Pose | None = None
    circle: FieldCircle | None = None
    track: MotionTrack | None = None
    note: str = ""

    @property
    def name(self) -> str:
        """File name of the first part."""
        return self.files[0].path.replace("\\", "/").rsplit("/", 1)[-1] if self.files else self.id


@dataclass(frozen=True, kw_only=True)
class Region(Record):
    """A place that is measured, kept once in the reference clip's coordinates.

    `geometry`: rect and ellipse ``(x, y, w, h)``; light and point ``(x, y)``; line ``(x0, y0, x1, y1)``; edge and bars as
    rect.  Bars carry their ``lpmm`` and ``way`` (``v`` upright bars, ``h`` lying bars) in `settings`.  `overrides` maps a
    clip id to a geometry in that clip's own pixels.
    """

    id: str
    scene: str
    kind: RegionKind
    name: str
    geometry: tuple[float, ...]
    settings: dict[str, str | float] = field(default_factory=dict)
    overrides: dict[str, tuple[float, ...]] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Request(Record):
    """What is to be measured in a scene, for every clip of it.

    `regions` maps a role of the measure to region ids: contrast ``bright``, ``dark`` (and ``black``, ``local``); bloom
    ``light``; edge, noise, tint, ramp, flicker ``region``; bars ``target`` (and ``black``); figure ``figure``.  A ramp with
    ``bright`` and ``dark``, ``target``, ``noise``, ``edge`` or ``tint`` regions also measures these at every light level.
    `first_s`, `last_s` bound the scene time.  `settings` are the measure's options by name.
    """

    id: str
    scene: str
    measure: MeasureKind
    regions: dict[str, tuple[str, ...]] = field(default_factory=dict)
    first_s: float | None = None
    last_s: float | None = None
    settings: dict[str, str | float] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class StoredReading(Record):
    """A reading as it stands in the document, with the fingerprint of all that it was made from.

    `budget` maps a source of error to its standard uncertainty in `unit`.
    """

    id: str
    request: str
    clip: str
    name: str
    of: str
    value: float | None
    unit: str
    low: float | None = None
    high: float | None = None
    coverage: float = 0.95
    state: Literal["measured", "refused", "limit"] = "measured"
    reason: str | None = None
    flags: tuple[str, ...] = ()
    frames: int = 0
    pixels: int = 0
    method: str = ""
    budget: dict[str, float] = field(default_factory=dict)
    made_from: str = ""


@dataclass(frozen=True, kw_only=True)
class StoredVerdict(Record):
    """A decision about two devices on one reading."""

    request: str
    name: str
    of: str
    first: str
    second: str
    word: str
    sentence: str
    difference: float | None = None
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, kw_only=True)
class Note(Record):
    """Something drawn on the picture, anchored in the reference clip's pixels.

    `geometry`: arrow ``(x0, y0, x1, y1)`` with the tip last; box and ellipse ``(x, y, w, h)``; text ``(x, y)``; inset
    ``(x, y, w, h)`` of what is magnified; scale bar ``(x, y)`` of its left end.
    """

    id: str
    scene: str
    kind: NoteKind
    geometry: tuple[float, ...]
    text: str = ""
    settings: dict[str, str | float] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Marker(Record):
    """A named moment of a scene."""

    id: str
    scene: str
    time_s: float
    text: str = ""


@dataclass(frozen=True, kw_only=True)
class StillSpec(Record):
    """A still to publish: which moment, which devices, how rendered and laid out."""

    id: str
    scene: str
    name: str = ""
    time_s: float = 0.0
    rule: FrameRule = "scene_time"
    rendering: Rendering = "as_filmed"
    layout: str = "row"
    shape: str = "16:9"
    clips: tuple[str, ...] = ()
    settings: dict[str, str | float] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Plan(Record):
    """What was to be tested, written down before measuring; `log` holds later changes as ``date: text``."""

    question: str = ""
    claim: str = ""
    made: str = ""
    log: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Preferences(Record):
    """Choices that belong to the session: `matters` maps a reading name to the difference that matters."""

    matters: dict[str, float] = field(default_factory=dict)
    mains_hz: float = 50.0
    display_nits: float = 1000.0


@dataclass(frozen=True, kw_only=True)
class Session(Record):
    """The whole document."""

    id: str
    title: str = "Untitled comparison"
    schema: str = SCHEMA
    created: str = ""
    author: str = ""
    interest: str = ""
    plan: Plan = field(default_factory=Plan)
    preferences: Preferences = field(default_factory=Preferences)
    devices: tuple[Device, ...] = ()
    scenes: tuple[Scene, ...] = ()
    clips: tuple[Clip, ...] = ()
    regions: tuple[Region, ...] = ()
    requests: tuple[Request, ...] = ()
    readings: tuple[StoredReading, ...] = ()
    verdicts: tuple[StoredVerdict, ...] = ()
    notes: tuple[Note, ...] = ()
    markers: tuple[Marker, ...] = ()
    stills: tuple[StillSpec, ...] = ()

    def device(self, ident: str) -> Device:
        """Return the device with this id; `UsageError` if there is none."""
        return _pick(self.devices, ident, "device")

    def scene(self, ident: str) -> Scene:
        """Return the scene with this id; `UsageError` if there is none."""
        return _pick(self.scenes, ident, "scene")

    def clip(self, ident: str) -> Clip:
        """Return the clip with this id; `UsageError` if there is none."""
        return _pick(self.clips, ident, "clip")

    def region(self, ident: str) -> Region:
        """Return the region with this id; `UsageError` if there is none."""
        return _pick(self.regions, ident, "region")

    def request(self, ident: str) -> Request:
        """Return the request with this id; `UsageError` if there is none."""
        return _pick(self.requests, ident, "request")

    def clips_of(self, scene: str, *, device: str | None = None, role: ClipRole | None = "device") -> tuple[Clip, ...]:
        """Return the clips of a scene, by device order and take; of one device, or one role, if named."""
        order = {d.id: n for n, d in enumerate(self.devices)}
        found = (
            clip
            for clip in self.clips
            if clip.scene == scene and (device is None or clip.device == device) and (role is None or clip.role == role)
        )
        return tuple(sorted(found, key=lambda clip: (order.get(clip.device or "", len(order)), clip.take)))

    def regions_of(self, scene: str) -> tuple[Region, ...]:
        """Return the regions of a scene."""
        return tuple(region for region in self.regions if region.scene == scene)

    def reference_of(self, scene: str) -> Clip | None:
        """Return the clip that the scene's coordinates belong to: the chosen one, else the control's, else the first."""
        wanted = self.scene(scene).reference_clip
        clips = self.clips_of(scene)
        for clip in clips:
            if clip.id == wanted:
                return clip
        control = {device.id for device in self.devices if device.control}
        return next((clip for clip in clips if clip.device in control), clips[0] if clips else None)

    def put(self, *items: Any) -> Session:
        """Return a session in which each item replaces the one of its kind and id, or is added at the end."""
        changed: dict[str, tuple[Any, ...]] = {}
        for item in items:
            name = _COLLECTION[type(item)]
            old = changed.get(name, getattr(self, name))
            if any(other.id == item.id for other in old):
                changed[name] = tuple(item if other.id == item.id else other for other in old)
            else:
                changed[name] = (*old, item)
        return replace(self, **changed)  # type: ignore[arg-type]

    def drop(self, *idents: str) -> Session:
        """Return a session without the things of these ids, nor what hangs on them (clips of a scene, ...)."""
        gone = set(idents)
        gone |= {clip.id for clip in self.clips if clip.scene in gone or clip.device in gone}
        for name in ("regions", "requests", "notes", "markers", "stills"):
            gone |= {item.id for item in getattr(self, name) if item.scene in gone}
        kept: dict[str, tuple[Any, ...]] = {
            name: tuple(item for item in getattr(self, name) if item.id not in gone) for name in _COLLECTION.values()
        }
        kept["readings"] = tuple(r for r in self.readings if not gone & {r.id, r.request, r.clip})
        kept["verdicts"] = tuple(v for v in self.verdicts if not gone & {v.request, v.first, v.second})
        return replace(self, **kept)  # type: ignore[arg-type]


_COLLECTION: dict[type, str] = {
    Device: "devices",
    Scene: "scenes",
    Clip: "clips",
    Region: "regions",
    Request: "requests",
    StoredReading: "readings",
    Note: "notes",
    Marker: "markers",
    StillSpec: "stills",
}


def _pick(items: Iterable[T], ident: str, kind: str) -> T:
    for item in items:
        if item.id == ident:  # type: ignore[attr-defined]
            return item
    raise UsageError(f"there is no {kind} {ident!r} in this session.")


def new_session(title: str = "Untitled comparison", *, created: str = "") -> Session:
    """Return an empty session."""
    return Session(id=new_id("session"), title=title, created=created)


assert {f.name for f in fields(Session)} >= set(_COLLECTION.values())

__all__ = [
    "SCHEMA",
    "CameraMode",
    "Clip",
    "ClipRole",
    "Device",
    "FileRef",
    "FrameRule",
    "LightLevel",
    "LightOverride",
    "Marker",
    "MeasureKind",
    "MotionTrack",
    "Note",
    "NoteKind",
    "Plan",
    "Preferences",
    "Region",
    "RegionKind",
    "Rendering",
    "Request",
    "Scene",
    "SceneKind",
    "Session",
    "SheetEntry",
    "StillSpec",
    "StoredReading",
    "StoredVerdict",
    "new_id",
    "new_session",
]

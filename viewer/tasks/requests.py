"""What a session asks for, done on one clip: regions are carried, the measure's task is called, objects get their names."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from viewer.errors import UsageError
from viewer.measure.readings import Reading
from viewer.session.model import CameraMode, Clip, ClipRole, Device, Region, Request, Session
from viewer.tasks.carry import carried_point, carried_rect
from viewer.tasks.clip_files import open_session_clip
from viewer.tasks.document import Result
from viewer.tasks.follow import following

if TYPE_CHECKING:
    from viewer.measure.regions import Rect
    from viewer.media import ClipReader
    from viewer.tasks.bars import Target

Stop = Callable[[], bool] | None


@dataclass(frozen=True)
class Work:
    """Everything that an adapter needs: the request on one open clip of a session."""

    session: Session
    folder: Path
    request: Request
    clip: Clip
    reader: ClipReader
    allow_outside: bool
    cancelled: Stop

    @property
    def device(self) -> Device | None:
        """The device behind the clip."""
        return self.session.device(self.clip.device) if self.clip.device else None

    @property
    def steady(self) -> ClipReader:
        """The clip with regions that follow the picture, if it was handheld."""
        return following(self.reader, self.clip.track)

    @property
    def frames(self) -> tuple[int, int | None]:
        """The frames between the request's scene times; all without them."""
        return frames_between(self.reader, self.clip, self.request.first_s, self.request.last_s)

    def regions(self, role: str) -> list[Region]:
        """The regions that play a role in the measure."""
        return [self.session.region(ident) for ident in self.request.regions.get(role, ())]

    def one(self, role: str) -> Region:
        """The one region of a role; `UsageError` without."""
        found = self.regions(role)
        if not found:
            raise UsageError(f"{self.request.measure} in this scene has no {role} region.", hint="Draw one on the wall.")
        return found[0]

    def rect(self, region: Region, *, inside: bool = False) -> Rect:
        """The region in this clip, whole pixels."""
        return carried_rect(region, self.clip, (self.reader.info.width, self.reader.info.height), inside=inside)

    def number(self, name: str) -> float | None:
        """A setting of the request as a number."""
        value = self.request.settings.get(name)
        return float(value) if value is not None else None

    def optional(self, role: str, *, inside: bool = False) -> Rect | None:
        """The first region of a role as a rectangle; None without."""
        found = self.regions(role)
        return self.rect(found[0], inside=inside) if found else None

    @property
    def px_per_degree(self) -> float | None:
        """The nominal scale of the clip, from its field circle and the device's stated field; None if either is unknown."""
        device, circle = self.device, self.clip.circle
        if device is None or device.field_deg is None or circle is None:
            return None
        return circle.px_per_degree(device.field_deg)

    @contextmanager
    def helper_clip(self, role: ClipRole) -> Iterator[tuple[Clip, ClipReader] | tuple[None, None]]:
        """Open the scene's first clip of a helper role (source, flat, dark, camera) made for this device, or for all."""
        found = [c for c in self.session.clips_of(self.request.scene, role=role) if c.device in (None, self.clip.device)]
        if not found:
            yield None, None
            return
        with open_session_clip(self.folder, found[0], allow_outside=self.allow_outside) as opened:
            yield found[0], opened

    @contextmanager
    def helper(self, role: ClipRole) -> Iterator[ClipReader | None]:
        """The reader of `helper_clip`."""
        with self.helper_clip(role) as (_, opened):
            yield opened

    @contextmanager
    def exposures(self) -> Iterator[list[ClipReader]]:
        """Open the clips that show this scene through this device once more at other exposures, in order of take."""
        found = self.session.clips_of(self.request.scene, role="exposure")
        with ExitStack() as stack:
            yield [
                stack.enter_context(open_session_clip(self.folder, clip, allow_outside=self.allow_outside))
                for clip in found
                if clip.device == self.clip.device
            ]

    @contextmanager
    def other_rates(self) -> Iterator[list[ClipReader]]:
        """Open the takes of this device in this scene that were filmed at another frame rate, one of each rate."""
        with ExitStack() as stack:
            rates = [float(self.reader.info.average_rate)]
            chosen = []
            for clip in self.session.clips_of(self.request.scene, device=self.clip.device):
                if clip.id == self.clip.id:
                    continue
                with ExitStack() as held:
                    opened = held.enter_context(open_session_clip(self.folder, clip, allow_outside=self.allow_outside))
                    rate = float(opened.info.average_rate)
                    if all(abs(rate / other - 1.0) > 1e-3 for other in rates):
                        rates.append(rate)
                        chosen.append(opened)
                        stack.push(held.pop_all())
            yield chosen


def frames_between(reader: ClipReader, clip: Clip, first_s: float | None, last_s: float | None) -> tuple[int, int | None]:
    """Return the range of frames (start, stop) between two scene times."""
    if first_s is None and last_s is None:
        return 0, None
    times = reader.index.times_s
    scene = [clip.clock.scene_time(float(t)) if clip.clock else float(t) for t in times]
    inside = [number for number, t in enumerate(scene) if (first_s is None or t >= first_s) and (last_s is None or t <= last_s)]
    if not inside:
        raise UsageError(
            f"no frame of this clip lies between {first_s} and {last_s} s of scene time.",
            where=clip.name,
            hint="Line the clip up, or widen the span.",
        )
    return inside[0], inside[-1] + 1


def perform(
    session: Session,
    folder: Path,
    request: Request,
    clip: Clip,
    *,
    reader: ClipReader | None = None,
    allow_outside: bool = False,
    cancelled: Stop = None,
) -> Result:
    """Do one request on one clip and return its result, objects named after the session's regions.

    The clip is opened unless its open `reader` is given.

    Raises
    ------
    ViewerError
        If the clip cannot be read, or a region does not lie in its picture.
    """
    with ExitStack() as stack:
        opened = reader
        if opened is None:
            opened = stack.enter_context(open_session_clip(folder, clip, allow_outside=allow_outside))
        work = Work(session, folder, request, clip, opened, allow_outside, cancelled)
        return _ADAPTERS[request.measure](work)


def renamed(result: Result, names: dict[str, str]) -> Result:
    """Return the result with its objects called by the names of the session."""

    def name(reading: Reading) -> Reading:
        return replace(reading, of=names.get(reading.of, reading.of))

    plots = {names.get(key, key): value for key, value in result.plots.items()}
    return replace(result, readings=tuple(name(reading) for reading in result.readings), plots=plots)


def _contrast(work: Work) -> Result:
    from viewer.tasks.contrast import measure_contrast

    bright, dark = work.one("bright"), work.one("dark")
    with work.helper("dark") as dark_clip, work.helper("flat") as flat_clip:
        result = measure_contrast(
            work.steady,
            work.rect(bright, inside=True),
            work.rect(dark, inside=True),
            frames=work.frames,
            black=work.optional("black", inside=True),
            dark_clip=dark_clip,
            flat_clip=flat_clip,
            local=work.optional("local", inside=True),
            px_per_degree=work.px_per_degree,
            cancelled=work.cancelled,
        )
    budget = tuple((str(part["source"]), float(part["sigma"])) for part in result.extras.get("budget", ()))
    readings = tuple(replace(r, budget=r.budget or budget) if r.name == "michelson" else r for r in result.readings)
    return renamed(replace(result, readings=readings), {"bright/dark": f"{bright.name}/{dark.name}"})


def _bloom(work: Work) -> Result:
    from viewer.tasks.bloom import measure_bloom

    lights = work.regions("light")
    device = work.device
    with work.helper("camera") as camera, work.exposures() as stack:
        result = measure_bloom(
            work.reader,
            [carried_point(region, work.clip) for region in lights] or None,
            field_deg=device.field_deg if device else None,
            objective_mm=device.objective_mm if device else None,
            camera=camera,
            stack=stack,
            frames=work.frames,
            cancelled=work.cancelled,
        )
    return renamed(result, {f"light-{number}": region.name for number, region in enumerate(lights, 1)})


def _flicker(work: Work) -> Result:
    from viewer.tasks.flicker import measure_flicker

    regions = work.regions("region")
    camera = work.clip.camera
    readout_ms, expired = valid_readout(work.reader, camera)
    with work.helper("source") as source, work.helper("flat") as flat, work.other_rates() as also:
        result = measure_flicker(
            work.reader,
            work.rect(regions[0]) if regions else None,
            readout_ms=readout_ms,
            readout_direction=camera.readout_direction,
            shutter_s=camera.shutter_s,
            capture_rate=camera.capture_rate,
            source=source,
            flat=flat,
            also=also,
            frames=work.frames,
            cancelled=work.cancelled,
        )
    name = regions[0].name if regions else "field"

    def named(reading: Reading) -> Reading:
        _, line, number = reading.of.partition("/line-")
        return replace(reading, of=f"{name}{line}{number}")

    warnings = (*result.warnings, *([expired] if expired else []))
    return replace(result, readings=tuple(named(reading) for reading in result.readings), warnings=warnings)


def valid_readout(reader: ClipReader, camera: CameraMode) -> tuple[float | None, str]:
    """Return the readout time (ms) that holds for a clip, and why a stored one does not, as one line.

    A calibrated value holds for the camera mode it was made in; a typed one (without a mode) for what it was typed for.
    """
    from viewer.measure.readout_modes import still_holds
    from viewer.tasks.readout import readout_mode

    if camera.readout_ms is None:
        return None, ""
    mode = readout_mode(reader, capture_rate=camera.capture_rate)
    holds, _ = still_holds(camera.readout_mode, mode)
    if holds:
        return camera.readout_ms, ""
    return None, (
        f"the readout time of {camera.readout_ms:g} ms was calibrated for {camera.readout_mode} and has expired: "
        f"this clip was filmed in {mode.text}. Calibrate this mode on a lamp."
    )


def _edge(work: Work) -> Result:
    from viewer.tasks.edge import measure_edge

    with work.helper_clip("camera") as (clip, reader):

        def one(region: Region) -> Result:
            alone = None
            if clip is not None and reader is not None:
                alone = (reader, carried_rect(region, clip, (reader.info.width, reader.info.height)))
            return measure_edge(work.steady, work.rect(region), camera=alone, frames=work.frames, cancelled=work.cancelled)

        return _joined(work, one)


def _noise(work: Work) -> Result:
    from viewer.tasks.noise import measure_noise

    return _joined(
        work,
        lambda region: measure_noise(
            work.steady,
            work.rect(region, inside=True),
            frames=work.frames,
            px_per_degree=work.px_per_degree,
            disc_deg=work.number("disc_deg"),
            cancelled=work.cancelled,
        ),
    )


def _tint(work: Work) -> Result:
    from viewer.tasks.tint import measure_tint

    return _joined(
        work,
        lambda region: measure_tint(work.steady, work.rect(region, inside=True), frames=work.frames, cancelled=work.cancelled),
    )


def _joined(work: Work, measure: Callable[[Region], Result]) -> Result:
    """Return the results of a measure of single regions as one: each region apart, readings joined."""
    readings: list[Reading] = []
    plots: dict[str, Any] = {}
    extras: dict[str, Any] = {}
    warnings: list[str] = []
    last: Result | None = None
    for region in work.regions("region") or [work.one("region")]:
        last = measure(region)
        readings += [replace(reading, of=region.name) for reading in last.readings]
        plots[region.name] = dict(last.plots)
        extras[region.name] = dict(last.extras)
        warnings += last.warnings
    assert last is not None
    return replace(last, readings=tuple(readings), plots=plots, extras=extras, warnings=tuple(dict.fromkeys(warnings)))


def _targets(work: Work) -> list[Target]:
    from viewer.tasks.bars import Target, with_ways

    marked = [
        (
            Target(str(region.settings.get("lpmm", region.name)), work.rect(region), str(region.settings.get("way", "v"))),
            "way" not in region.settings,
        )
        for region in work.regions("target")
    ]
    return with_ways(work.reader, marked, work.frames) if any(unsure for _, unsure in marked) else [t for t, _ in marked]


def _bars(work: Work) -> Result:
    from viewer.tasks.bars import measure_bars

    with work.helper("dark") as dark_clip:
        return measure_bars(
            work.steady,
            _targets(work),
            frames=work.frames,
            black=work.optional("black", inside=True),
            dark_clip=dark_clip,
            cancelled=work.cancelled,
        )


def _ramp(work: Work) -> Result:
    from viewer.tasks.ramp import measure_ramp
    from viewer.tasks.ramp_curves import measure_curves

    region = work.optional("region", inside=True)
    scene = work.session.scene(work.request.scene)
    levels = [level.value for level in scene.levels]
    unit = scene.levels[0].unit if scene.levels else "mfL"
    bright, dark = work.optional("bright", inside=True), work.optional("dark", inside=True)
    pair = (bright, dark) if bright is not None and dark is not None else None
    targets = _targets(work)
    noise, edge, tint = work.optional("noise", inside=True), work.optional("edge"), work.optional("tint", inside=True)
    if levels and (pair or targets or noise or edge or tint):
        result = measure_curves(
            work.steady,
            region,
            levels=levels,
            unit=unit,
            contrast=pair,
            targets=targets,
            noise=noise,
            edge=edge,
            tint=tint,
            cancelled=work.cancelled,
        )
        if pair:
            words = f"{work.one('bright').name}/{work.one('dark').name}"
            readings = tuple(replace(r, of=r.of.replace("bright/dark", words)) for r in result.readings)
            result = replace(result, readings=readings)
        return result
    return measure_ramp(work.steady, region, levels=levels or None, unit=unit, cancelled=work.cancelled)


def _figure(work: Work) -> Result:
    from viewer.tasks.figure import measure_figure

    marks = []
    for region in work.regions("figure"):
        at = region.settings.get("time_s")
        clip_s = None
        if at is not None:
            clip_s = work.clip.clock.clip_time(float(at)) if work.clip.clock else float(at)
        marks.append((work.rect(region), clip_s))
    return measure_figure(
        work.reader,
        marks,
        around_px=work.number("around_px"),
        limit_cycles_px=work.number("limit_cycles_px"),
        frames=work.frames,
        cancelled=work.cancelled,
    )


_ADAPTERS: dict[str, Callable[[Work], Result]] = {
    "contrast": _contrast,
    "bloom": _bloom,
    "flicker": _flicker,
    "edge": _edge,
    "noise": _noise,
    "tint": _tint,
    "bars": _bars,
    "ramp": _ramp,
    "figure": _figure,
}

__all__ = ["Work", "frames_between", "perform", "renamed", "valid_readout"]

"""What a session asks for, done on one clip: regions are carried, the measure's task is called, objects get their names."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from viewer.errors import UsageError
from viewer.measure.readings import Reading
from viewer.session.model import Clip, ClipRole, Device, Region, Request, Session
from viewer.tasks.carry import carried_point, carried_rect
from viewer.tasks.document import Result

if TYPE_CHECKING:
    from viewer.measure.regions import Rect
    from viewer.media import ClipReader

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

    @contextmanager
    def helper(self, role: ClipRole) -> Iterator[ClipReader | None]:
        """Open the scene's first clip of a helper role (source, flat, dark, camera) made for this device, or for all."""
        from viewer.tasks.session import open_session_clip

        found = [c for c in self.session.clips_of(self.request.scene, role=role) if c.device in (None, self.clip.device)]
        with ExitStack() as stack:
            opened = None
            if found:
                opened = stack.enter_context(open_session_clip(self.folder, found[0], allow_outside=self.allow_outside))
            yield opened


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
    allow_outside: bool = False,
    cancelled: Stop = None,
) -> Result:
    """Do one request on one clip and return its result, objects named after the session's regions.

    Raises
    ------
    ViewerError
        If the clip cannot be read, or a region does not lie in its picture.
    """
    from viewer.tasks.session import open_session_clip

    with open_session_clip(folder, clip, allow_outside=allow_outside) as reader:
        work = Work(session, folder, request, clip, reader, allow_outside, cancelled)
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
    black = work.regions("black")
    with work.helper("dark") as dark_clip, work.helper("flat") as flat_clip:
        result = measure_contrast(
            work.reader,
            work.rect(bright, inside=True),
            work.rect(dark, inside=True),
            frames=work.frames,
            black=work.rect(black[0], inside=True) if black else None,
            dark_clip=dark_clip,
            flat_clip=flat_clip,
            cancelled=work.cancelled,
        )
    return renamed(result, {"bright/dark": f"{bright.name}/{dark.name}"})


def _bloom(work: Work) -> Result:
    from viewer.tasks.bloom import measure_bloom

    lights = work.regions("light")
    device = work.device
    result = measure_bloom(
        work.reader,
        [carried_point(region, work.clip) for region in lights] or None,
        field_deg=device.field_deg if device else None,
        objective_mm=device.objective_mm if device else None,
        frames=work.frames,
        cancelled=work.cancelled,
    )
    return renamed(result, {f"light-{number}": region.name for number, region in enumerate(lights, 1)})


def _flicker(work: Work) -> Result:
    from viewer.tasks.flicker import measure_flicker

    regions = work.regions("region")
    camera = work.clip.camera
    with work.helper("source") as source, work.helper("flat") as flat:
        result = measure_flicker(
            work.reader,
            work.rect(regions[0]) if regions else None,
            readout_ms=camera.readout_ms,
            readout_direction=camera.readout_direction,
            shutter_s=camera.shutter_s,
            capture_rate=camera.capture_rate,
            source=source,
            flat=flat,
            frames=work.frames,
            cancelled=work.cancelled,
        )
    return replace(result, readings=tuple(replace(r, of=regions[0].name if regions else "field") for r in result.readings))


def _single(module: str, function: str, *, inside: bool) -> Callable[[Work], Result]:
    """An adapter for a measure of single regions: each region apart, readings joined."""

    def adapter(work: Work) -> Result:
        import importlib

        measure: Callable[..., Result] = getattr(importlib.import_module(f"viewer.tasks.{module}"), function)
        readings: list[Reading] = []
        plots: dict[str, Any] = {}
        extras: dict[str, Any] = {}
        warnings: list[str] = []
        last: Result | None = None
        for region in work.regions("region") or [work.one("region")]:
            last = measure(work.reader, work.rect(region, inside=inside), frames=work.frames, cancelled=work.cancelled)
            readings += [replace(reading, of=region.name) for reading in last.readings]
            plots[region.name] = dict(last.plots)
            extras[region.name] = dict(last.extras)
            warnings += last.warnings
        assert last is not None
        return replace(last, readings=tuple(readings), plots=plots, extras=extras, warnings=tuple(dict.fromkeys(warnings)))

    return adapter


def _bars(work: Work) -> Result:
    from viewer.tasks.bars import Target, measure_bars

    targets = []
    for region in work.regions("target"):
        label = str(region.settings.get("lpmm", region.name))
        targets.append(Target(label, work.rect(region), str(region.settings.get("way", "v"))))
    return measure_bars(work.reader, targets, frames=work.frames, cancelled=work.cancelled)


def _ramp(work: Work) -> Result:
    from viewer.tasks.ramp import measure_ramp

    regions = work.regions("region")
    scene = work.session.scene(work.request.scene)
    return measure_ramp(
        work.reader,
        work.rect(regions[0], inside=True) if regions else None,
        levels=[level.value for level in scene.levels] or None,
        unit=scene.levels[0].unit if scene.levels else "mfL",
        cancelled=work.cancelled,
    )


def _figure(work: Work) -> Result:
    from viewer.tasks.figure import measure_figure

    marks = []
    for region in work.regions("figure"):
        at = region.settings.get("time_s")
        clip_s = None
        if at is not None:
            clip_s = work.clip.clock.clip_time(float(at)) if work.clip.clock else float(at)
        marks.append((work.rect(region), clip_s))
    return measure_figure(work.reader, marks, around_px=work.number("around_px"), cancelled=work.cancelled)


_ADAPTERS: dict[str, Callable[[Work], Result]] = {
    "contrast": _contrast,
    "bloom": _bloom,
    "flicker": _flicker,
    "edge": _single("edge", "measure_edge", inside=False),
    "noise": _single("noise", "measure_noise", inside=True),
    "tint": _single("tint", "measure_tint", inside=True),
    "bars": _bars,
    "ramp": _ramp,
    "figure": _figure,
}

__all__ = ["Work", "frames_between", "perform", "renamed"]

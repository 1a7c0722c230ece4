"""Gating and flicker of a clip: frames to row light, the measure, the result document."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from viewer.align.circle import fit_field_circle
from viewer.errors import RegionError, UsageError
from viewer.measure import flicker as measure
from viewer.measure.flicker_planner import Plan
from viewer.measure.flicker_rows import RowLight
from viewer.measure.flicker_sampling import Clock, read_clock
from viewer.measure.readings import Flag, Reading, Verdict, refused
from viewer.measure.regions import Rect
from viewer.tasks.document import Result

if TYPE_CHECKING:
    from viewer.media.frame import Light
    from viewer.media.reader import ClipReader

DIRECTIONS = ("down", "up", "left", "right")
BLOCKS = 16
SCOUTED = 8
"""Frames whose mean shows where the field ends."""
FIELD_EDGE = 0.97
MOST_CLIPPED = 0.03
"""Rows of a block are left out if more of their pixels and frames clip: light cut at the top has a false depth."""
MOST_FRAMES = 1800
METHOD = "joint least squares of still scene, frame gain and travelling wave over rows and frames"

Progress = Callable[[int, int], None] | None
Cancelled = Callable[[], bool] | None


@dataclass(frozen=True)
class Gathered:
    """Row light of a clip and what was noticed on the way."""

    rows: RowLight
    whole: RowLight | None
    direction: str
    assumed_direction: bool
    frames: int
    repeated: int
    clipped_share: float
    warnings: tuple[str, ...] = ()
    flags: Flag = Flag.NONE
    map_scale: dict[str, Any] = field(default_factory=dict)


def stored_direction(clip: ClipReader) -> str:
    """Return where the readout runs in the upright picture if the sensor is read from the top of the stored picture."""
    turn = clip.frame(0).setting.orientation
    if turn.transpose:
        return "left" if turn.flip_x else "right"
    return "up" if turn.flip_y else "down"


@dataclass(frozen=True)
class FieldMask:
    """Where the eyepiece image is, and the light that the camera records where there is none.

    `inside` is of the shape of the picture; None where no round field was found.
    """

    inside: NDArray[np.bool_] | None
    black: float


def field_mask(mean: NDArray[np.float32]) -> FieldMask:
    """Return the field of a mean picture: the round edge of the eyepiece, else all of it with black from dark, even corners."""
    rows, cols = mean.shape
    circle = fit_field_circle(mean)
    if circle is not None:
        y, x = np.ogrid[:rows, :cols]
        distance = np.hypot(x - circle.cx, y - circle.cy)
        inside = distance < FIELD_EDGE * circle.radius
        outside = distance > 1.06 * circle.radius
        if inside.mean() > 0.05:
            lit = float(np.quantile(mean[inside], 0.95))
            black = float(np.median(mean[outside])) if outside.mean() > 0.01 else 0.0
            return FieldMask(inside, black if black < 0.1 * lit else 0.0)
    h, w = max(2, rows // 16), max(2, cols // 16)
    corners = [float(np.median(mean[a, b])) for a in (slice(0, h), slice(-h, None)) for b in (slice(0, w), slice(-w, None))]
    bright = float(np.quantile(mean, 0.95))
    even = max(corners) < 0.02 * bright and max(corners) - min(corners) < 0.5 * max(abs(np.median(corners)), 1e-4)
    return FieldMask(None, float(np.median(corners)) if even else 0.0)


class _Strips:
    """Collects the rows of one rectangle, first-read row first, in blocks across."""

    def __init__(self, rect: Rect, direction: str, width: int, height: int, mask: FieldMask) -> None:
        self.rect, self.direction, self.mask = rect, direction, mask
        self.along = rect.h if direction in ("down", "up") else rect.w
        across = rect.w if direction in ("down", "up") else rect.h
        self.blocks = max(1, min(BLOCKS, across // 4))
        self.edges = np.linspace(0, across, self.blocks + 1).astype(int)
        self.delivered = float(height if direction in ("down", "up") else width)
        self.frames: list[NDArray[np.float32]] = []
        self.hits = np.zeros((self.along, across), np.uint16)
        inside = np.ones((rect.h, rect.w), bool) if mask.inside is None else mask.inside[rect.slices]
        self.inside = np.ascontiguousarray(self._turn(inside))
        self.count = self._sums(self.inside.astype(np.float32))

    def _turn(self, part: NDArray[Any]) -> NDArray[Any]:
        """Return a part of the upright picture with the readout running down."""
        if self.direction in ("left", "right"):
            part = part.T
        return part[::-1] if self.direction in ("up", "left") else part

    def _sums(self, turned: NDArray[Any]) -> NDArray[np.float32]:
        return np.asarray(np.add.reduceat(turned, self.edges[:-1], axis=1, dtype=np.float32), np.float32)

    def add(self, light: NDArray[np.float32], clipped: NDArray[np.bool_]) -> None:
        """Take a whole picture."""
        part = self._turn(light[self.rect.slices])
        sums = self._sums(part if self.mask.inside is None else part * self.inside)
        self.frames.append(np.asarray(sums / np.maximum(self.count, 1.0) - self.mask.black, np.float32))
        self.hits += self._turn(clipped[self.rect.slices])

    def _clipped(self) -> NDArray[np.float32]:
        """Return the share of pixels and frames that clip, per row and block."""
        share = self._sums((self.hits * self.inside).astype(np.float32)) / np.maximum(self.count, 1.0)
        return np.asarray(share / max(len(self.frames), 1), np.float32)

    def rows(self, clock: Clock, keep: NDArray[np.bool_]) -> RowLight:
        """Return what was collected."""
        light = np.stack(self.frames)[keep]
        usable = (self._clipped() < MOST_CLIPPED) & (self.count >= 0.3 * np.diff(self.edges))
        return RowLight(clock, light, usable, self.delivered)

    def clipped_share(self) -> float:
        """Return the part of the lit rectangle that clips at some time."""
        mean = np.mean(self.frames, axis=0)
        lit = (mean > 0.02 * max(float(mean.max()), 1e-9)) & (self.count > 0)
        return float(self._clipped()[lit].mean()) if lit.any() else 0.0


def gather(
    clip: ClipReader,
    region: Rect | None = None,
    *,
    direction: str | None = None,
    capture_rate: float | None = None,
    frames: tuple[int, int | None] = (0, None),
    whole: bool = True,
    progress: Progress = None,
    cancelled: Cancelled = None,
) -> Gathered:
    """Read a clip once and return the light of its rows.

    Parameters
    ----------
    clip : ClipReader
    region : Rect, optional
        Upright px; the whole picture if left out.
    direction : {"down", "up", "left", "right"}, optional
        Of the readout in the upright picture.  Without it the sensor is taken to be read from the top of the stored picture.
    capture_rate : float, optional
        Frames per second at which the camera ran, where the file plays slower.
    frames : (start, stop)
    whole : bool
        Keep the rows of the whole picture beside those of the region.

    Raises
    ------
    UsageError
        For a direction that is none, or fewer than 3 frames.
    RegionError
        For a region outside the picture or with fewer than 16 rows.
    """
    info = clip.info
    if direction is not None and direction not in DIRECTIONS:
        raise UsageError(f"{direction!r} is no direction of readout.", hint="Use down, up, left or right.")
    assumed = direction is None
    way = direction or stored_direction(clip)
    field_rect = Rect(0, 0, info.width, info.height)
    rect = field_rect if region is None else region.check(info.width, info.height, where=info.path.name)
    along = rect.h if way in ("down", "up") else rect.w
    if along < 16:
        raise RegionError(f"region {rect} has {along} rows along the readout; at least 16 are needed.", where=info.path.name)
    rects = [rect, field_rect] if whole and rect != field_rect else [rect]
    start, stop = frames
    end = min(len(clip), len(clip) if stop is None else stop)
    warnings: list[str] = []
    flags = Flag.NONE
    if end - start > MOST_FRAMES:
        warnings.append(f"Only the first {MOST_FRAMES} of {end - start} frames were used.")
        end = start + MOST_FRAMES
    numbers = []
    strips: list[_Strips] = []
    held: list[Light] = []

    def begin() -> None:
        mask = field_mask(np.mean([one.light for one in held], axis=0, dtype=np.float32))
        strips.extend(_Strips(each, way, info.width, info.height, mask) for each in rects)
        for strip in strips:
            for one in held:
                strip.add(one.light, one.clipped)
        held.clear()

    for frame in clip.frames(start, end, progress=progress, cancelled=cancelled):
        light = frame.luminance()
        numbers.append(frame.number)
        if frame.damaged:
            flags |= Flag.DAMAGED
        if strips:
            for strip in strips:
                strip.add(light.light, light.clipped)
            continue
        # the field's edge is needed before anything is summed
        held.append(light)
        if len(held) == SCOUTED:
            begin()
    if held:
        begin()
    if len(numbers) < 3:
        raise UsageError(
            f"{len(numbers)} frames are too few to see anything pulse.", where=info.path.name, hint="Film 4 s or more."
        )
    times = np.asarray(clip.index.times_s, float)[np.asarray(numbers)]
    keep, repeated = fresh(strips[-1].frames)
    if repeated:
        flags |= Flag.REPEATED
        warnings.append(f"{repeated} frames repeat the one before exactly and were left out.")
    rate = capture_rate or (float(info.capture_rate) if info.capture_rate else None)
    scale = 1.0
    if rate:
        scale = float(info.average_rate) / rate
        warnings.append(f"Times count as filmed at {rate:g} fps; the file plays at {float(info.average_rate):.5g} fps.")
    clock = read_clock(times[keep] * scale, tick_s=float(clip.index.time_base) * scale)
    if clip.index.variable_rate:
        flags |= Flag.VARIABLE_RATE
    if info.interlaced:
        flags |= Flag.INTERLACED
        warnings.append("The clip is interlaced: the two fields of a frame are different times, and rows of both are mixed.")
    if assumed:
        warnings.append(f"Direction of readout assumed: {way} in the upright picture (--readout-direction says otherwise).")
    return Gathered(
        rows=strips[0].rows(clock, keep),
        whole=strips[1].rows(clock, keep) if len(strips) > 1 else None,
        direction=way,
        assumed_direction=assumed,
        frames=int(keep.sum()),
        repeated=repeated,
        clipped_share=strips[0].clipped_share(),
        warnings=tuple(warnings),
        flags=flags,
    )


def fresh(frames: Sequence[NDArray[np.float32]]) -> tuple[NDArray[np.bool_], int]:
    """Return which frames differ from the one before; all of them if most do not (a still clip)."""
    keep = np.ones(len(frames), bool)
    for i in range(1, len(frames)):
        keep[i] = not np.array_equal(frames[i], frames[i - 1])
    repeated = int((~keep).sum())
    if repeated > 0.5 * len(frames) or len(frames) - repeated < 3:
        return np.ones(len(frames), bool), 0
    return keep, repeated


def codec_limit(bits_per_pixel: float, bit_depth: int) -> float:
    """Return the relative amplitude that encoders keep in nineteen of twenty clips.

    From clips with known truth: H.264 at 8 bit lost 5 % at 0.03 bit per pixel and kept it nearly always from 0.3; HEVC at
    10 bit keeps 2 % from 0.3.  Rates of 0 are unknown and give 0.
    """
    if bits_per_pixel <= 0:
        return 0.0
    base = 0.025 if bit_depth <= 8 else 0.01
    # a still clip needs few bits whatever its quality, so few bits alone never say that everything was lost
    return float(min(base * max(1.0, 0.3 / bits_per_pixel) ** 0.5, 0.08))


def _clip_of(clip: ClipReader, rows: Gathered, readout_s: float | None, shutter_s: float | None) -> measure.Clip:
    info = clip.info
    return measure.Clip(
        rows=rows.rows,
        whole=rows.whole,
        readout_s=readout_s,
        exposure_s=shutter_s,
        direction_known=not rows.assumed_direction,
        codec_limit=codec_limit(info.bits_per_pixel, info.bit_depth),
        clipped_share=rows.clipped_share,
        bits_per_pixel=info.bits_per_pixel,
    )


def measure_flicker(
    clip: ClipReader,
    region: Rect | None = None,
    *,
    readout_ms: float | None = None,
    readout_direction: str | None = None,
    shutter_s: float | None = None,
    capture_rate: float | None = None,
    source: ClipReader | None = None,
    flat: ClipReader | None = None,
    also: Sequence[ClipReader] = (),
    frames: tuple[int, int | None] = (0, None),
    progress: Progress = None,
    cancelled: Cancelled = None,
) -> Result:
    """Measure gating and flicker of a region.

    Parameters
    ----------
    clip : ClipReader
    region : Rect, optional
        Upright px; the whole field if left out.
    readout_ms : float, optional
        Delivered rows (or columns) of the upright picture x row time.
    readout_direction : {"down", "up", "left", "right"}, optional
    shutter_s : float, optional
    capture_rate : float, optional
        Frames per second of the camera, where the file plays slower.
    source : ClipReader, optional
        The lamp or screen without the device.
    flat : ClipReader, optional
        An even field without bands, same camera mode.
    also : sequence of ClipReader
        Same device and scene at other frame rates.
    frames : (start, stop)

    Returns
    -------
    Result
        As in the contract of the command.  ``plots``: ``spectrum_hz`` and ``spectrum`` (highest amplitude per frequency
        or alias), ``spectrum_is`` ("frequency" or "alias"), ``rows_by_time`` (frames x rows, relative light minus one),
        ``times_s``, ``blind_hz``, ``candidates_hz``, ``waveform`` {phase, recorded, light}, ``depth_map`` {share, light,
        depth_percent} (row parts along the readout x blocks, share of the line's depth), ``direction``.
    """
    if readout_ms is not None and not 0.0 < readout_ms < 1000.0:
        raise UsageError(f"a readout of {readout_ms} ms is not possible.", hint="It lies between 1 and 40 ms for most cameras.")
    readout_s = None if readout_ms is None else readout_ms / 1e3
    rows = gather(
        clip,
        region,
        direction=readout_direction,
        capture_rate=capture_rate,
        frames=frames,
        progress=progress,
        cancelled=cancelled,
    )
    direction = None if rows.assumed_direction else rows.direction
    helpers = [
        gather(other, None, direction=readout_direction, whole=False, cancelled=cancelled)
        for other in (*also, *([source] if source else []), *([flat] if flat else []))
    ]
    same_mode = [other.info.height == clip.info.height and other.info.width == clip.info.width for other in also]
    main = _clip_of(clip, rows, readout_s, shutter_s)
    extra = [_clip_of(other, helpers[i], None, shutter_s) for i, other in enumerate(also)]
    origin = _clip_of(source, helpers[len(also)], readout_s, shutter_s) if source is not None else None
    flat_rows = helpers[-1].rows if flat is not None else None
    analysis = measure.analyse(main, also=extra, source=origin, flat=flat_rows, cancelled=cancelled)
    warnings = [*rows.warnings, *analysis.notes, *analysis.advice]
    if readout_s is None and analysis.modulations:
        warnings.append("The readout time is not known: the frequency follows from alias and plausible readouts only.")
    if not all(same_mode):
        warnings.append("A clip of --also has another picture size: its readout may differ.")
    if region is not None and direction is None and clip.info.rotation:
        warnings.append("The clip is turned: give --readout-direction if the camera was not.")
    place = "field" if region is None else str(region)
    inputs = tuple(c.info.input_record() for c in (clip, *also, *([source] if source else []), *([flat] if flat else [])))
    return Result(
        command="flicker",
        inputs=inputs,
        readings=tuple(_readings(analysis, place, rows, clip)),
        verdict=Verdict(analysis.word, analysis.sentence),
        warnings=tuple(dict.fromkeys(warnings)),
        extras=_extras(analysis, rows),
        plots=_plots(analysis, rows),
    )


def _readings(analysis: measure.Analysis, place: str, rows: Gathered, clip: ClipReader) -> list[Reading]:
    flags = rows.flags | Flag.ONE_TAKE
    if clip.info.bits_per_pixel and clip.info.bits_per_pixel < 0.1:
        flags |= Flag.COMPRESSED
    if rows.clipped_share > 0.02:
        flags |= Flag.CLIPPED
    if clip.info.assumed:
        flags |= Flag.ASSUMED_LIGHT
    out: list[Reading] = []
    for index, item in enumerate(analysis.modulations):
        out += _of_line(item, place if index == 0 else f"{place}/line-{index + 1}", rows, flags)
    if not analysis.modulations:
        reason = analysis.sentence
        for name, unit in (
            ("modulation_frequency", "Hz"),
            ("modulation_depth", "%"),
            ("flicker_index", "1"),
            ("alias_frequency", "Hz"),
        ):
            out.append(refused(name, place, unit, reason, flags=flags, frames=rows.frames, method=METHOD))
            # once is enough: the others follow from it
            reason = "Nothing was found to measure; see modulation_frequency."
    out.append(
        Reading(
            name="detection_limit",
            of=place,
            value=100.0 * analysis.limit,
            unit="%",
            flags=flags,
            frames=rows.frames,
            method="smallest relative amplitude, as recorded, that would have been reported in 19 of 20 clips",
        )
    )
    return out


def _of_line(item: measure.Modulation, place: str, rows: Gathered, flags: Flag) -> list[Reading]:
    out = []
    if item.wander_hz:
        flags |= Flag.DRIFT
    common = {"frames": rows.frames, "pixels": 0, "method": METHOD}
    if item.frequency_hz is not None:
        half = 1.96 * item.sigma_hz
        out.append(
            Reading(
                name="modulation_frequency",
                of=place,
                value=item.frequency_hz,
                unit="Hz",
                low=item.frequency_hz - half,
                high=item.frequency_hz + half,
                flags=flags,
                **common,  # type: ignore[arg-type]
            )
        )
    else:
        count = len(item.choice.candidates)
        reason = f"{count} frequencies fit: film at a second, unrelated frame rate, or calibrate the readout."
        out.append(refused("modulation_frequency", place, "Hz", reason, flags=flags, frames=rows.frames, method=METHOD))
    shape = item.waveform
    relative = item.recorded_sigma / max(item.recorded, 1e-9)
    spread = 1.96 * float(np.hypot(relative, 0.02))
    depth_flags = flags | (Flag.SHUTTER_LOSS if item.lower_bound else Flag.NONE)
    bound = "The exposure removed part of it: give the shutter time, or film with a shorter one." if item.lower_bound else None
    for name, value, unit in (("modulation_depth", shape.depth_percent, "%"), ("flicker_index", shape.index, "1")):
        out.append(
            Reading(
                name=name,
                of=place,
                value=value,
                unit=unit,
                low=value * (1.0 - spread),
                high=value * (1.0 + spread),
                state="limit" if item.lower_bound else "measured",
                reason=bound,
                flags=depth_flags,
                **common,  # type: ignore[arg-type]
            )
        )
    if item.alias_hz is None:
        reason = "Frames are so uneven that there is no alias."
        out.append(refused("alias_frequency", place, "Hz", reason, flags=flags, frames=rows.frames))
    else:
        half = 1.96 * item.line.wave.sigma_hz
        out.append(
            Reading(
                name="alias_frequency",
                of=place,
                value=item.alias_hz,
                unit="Hz",
                low=max(0.0, item.alias_hz - half),
                high=item.alias_hz + half,
                flags=flags,
                **common,  # type: ignore[arg-type]
            )
        )
    return out


def _extras(analysis: measure.Analysis, rows: Gathered) -> dict[str, Any]:
    first = analysis.strongest
    lines = []
    for item in analysis.modulations:
        likeliest = item.choice.candidates[0].frequency_hz
        lines.append(
            {
                "frequency_hz": item.frequency_hz if item.frequency_hz is not None else likeliest,
                "certain": item.frequency_hz is not None,
                "depth_percent": item.waveform.depth_percent,
                "recorded": item.recorded,
                "origin": item.origin,
                "label": item.label,
                "reason": item.reason,
                "duty": item.waveform.duty,
                "candidates_hz": [c.frequency_hz for c in item.choice.candidates],
            }
        )
    return {
        "candidates_hz": [c.frequency_hz for c in first.choice.candidates] if first else [],
        "candidates": [
            {"frequency_hz": c.frequency_hz, "weight": c.weight, "readout_ms": 1e3 * c.readout_s}
            for c in (first.choice.candidates if first else ())
        ],
        "blind_hz": [[low, high] for low, high in analysis.blind_hz],
        "blind_share": analysis.blind_share,
        "fundamental_recorded": first.recorded if first else None,
        "lines": lines,
        "origin": first.origin if first else "unknown",
        "advice": list(analysis.advice),
        "readout_direction": rows.direction,
    }


def _plots(analysis: measure.Analysis, rows: Gathered) -> dict[str, Any]:
    relative = analysis.relative
    mean, _ = relative.combine()
    first = analysis.strongest
    out: dict[str, Any] = {
        "rows_by_time": mean.astype(np.float32),
        "times_s": relative.clock.times_s,
        "blind_hz": [list(zone) for zone in analysis.blind_hz],
        "direction": rows.direction,
    }
    if analysis.found is not None:
        out |= spectrum(analysis)
    if first is not None:
        out["candidates_hz"] = [c.frequency_hz for c in first.choice.candidates]
        wave = first.waveform
        out["waveform"] = {"phase": wave.phase, "recorded": wave.recorded, "light": wave.light}
        out["depth_map"] = {"share": first.place.share, "light": first.place.light, "depth_percent": wave.depth_percent}
    return out


def spectrum(analysis: measure.Analysis) -> dict[str, Any]:
    """Return the amplitude spectrum: over frequency where the readout is known, else over the alias."""
    assert analysis.found is not None
    plane, clock = analysis.found.plane, analysis.relative.clock
    readout_s = analysis.clip.readout_s
    if readout_s is None:
        return {"spectrum_hz": plane.g_hz, "spectrum": plane.amplitude.max(axis=1), "spectrum_is": "alias"}
    span = readout_s * analysis.relative.share
    step = plane.g_hz[1] - plane.g_hz[0]
    frequency = np.arange(2.0, 3000.0, step)
    fold_hz = clock.fold_hz
    signed = frequency - np.round(frequency / fold_hz) * fold_hz if np.isfinite(fold_hz) else frequency
    periods = np.where(signed >= 0, 1.0, -1.0) * frequency * span
    i = np.clip(np.round(np.abs(signed) / step).astype(int), 0, plane.g_hz.size - 1)
    j = np.clip(np.searchsorted(plane.q, periods), 0, plane.q.size - 1)
    inside = np.abs(periods) < plane.q[-1]
    return {"spectrum_hz": frequency[inside], "spectrum": plane.amplitude[i, j][inside], "spectrum_is": "frequency"}


def plan_result(plan: Plan) -> Result:
    """Return a plan as a result document: settings with their blind frequencies."""
    settings = [
        {
            "fps": item.frame_rate,
            "shutter_s": item.exposure_s,
            "blind_hz": [list(zone) for zone in item.blind_hz],
            "share_blind": item.share_blind,
        }
        for item in plan.settings
    ]
    return Result(
        command="flicker",
        warnings=plan.notes,
        extras={"plan": settings, "blind_hz": [list(zone) for zone in plan.blind_in_all_hz]},
        plots={"frequencies_hz": plan.frequencies_hz, "settings": plan.settings},
    )


__all__ = [
    "DIRECTIONS",
    "FieldMask",
    "Gathered",
    "codec_limit",
    "field_mask",
    "fresh",
    "gather",
    "measure_flicker",
    "plan_result",
    "spectrum",
    "stored_direction",
]

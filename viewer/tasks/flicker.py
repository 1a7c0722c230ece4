"""Gating and flicker of a clip: row light, the measure, the result document; and plans of what to film."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable, Sequence
from typing import TYPE_CHECKING

from viewer.errors import UsageError
from viewer.measure import flicker as measure
from viewer.measure.flicker_planner import Plan
from viewer.measure.readings import Verdict
from viewer.measure.regions import Rect
from viewer.tasks.document import Result
from viewer.tasks.flicker_document import CLIPPED_TOLD, extras, plots, readings
from viewer.tasks.flicker_encoder import clip_limit
from viewer.tasks.flicker_gather import Gathered, gather

if TYPE_CHECKING:
    from viewer.media.reader import ClipReader

Progress = Callable[[int, int], None] | None
Cancelled = Callable[[], bool] | None


def _clip_of(clip: ClipReader, rows: Gathered, readout_s: float | None, shutter_s: float | None) -> measure.Clip:
    info = clip.info
    return measure.Clip(
        rows=rows.rows,
        whole=rows.whole,
        readout_s=readout_s,
        exposure_s=shutter_s,
        direction_known=not rows.assumed_direction,
        codec_limit=clip_limit(clip, rows.rows),
        clipped_share=rows.clipped_share,
        bits_per_pixel=info.bits_per_pixel,
        key=rows.key,
    )


class _Helpers:
    """Clips that stand beside others (source, other rates), looked at once: one source serves all devices of a scene."""

    def __init__(self, most: int = 8) -> None:
        self._found: OrderedDict[Hashable, measure.Look] = OrderedDict()
        self._most = most
        self._lock = threading.Lock()

    def look(
        self, clip: ClipReader, direction: str | None, readout_s: float | None, shutter_s: float | None, cancelled: Cancelled
    ) -> measure.Look:
        info = clip.info
        light = (info.transfer, info.range, info.matrix, info.primaries)
        key = (info.sha256, info.parts, light, direction, readout_s, shutter_s)
        with self._lock:
            if key in self._found:
                self._found.move_to_end(key)
                return self._found[key]
        rows = gather(clip, None, direction=direction, whole=False, cancelled=cancelled)
        look = measure.look_at(_clip_of(clip, rows, readout_s, shutter_s), cancelled)
        with self._lock:
            self._found[key] = look
            while len(self._found) > self._most:
                self._found.popitem(last=False)
        return look


_HELPERS = _Helpers()


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
        ``times_s``, ``blind_hz`` [[low, high] ..], ``candidates_hz`` and ``candidate_weights``, ``lines`` [{hz, alias_hz,
        recorded, origin}], ``waveform`` {phase, recorded, light} (one period, mean 1), ``depth_map`` {percent, share, light
        (down x across, upright), depth_percent, rect [x, y, w, h] px}, ``direction``.
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
    same_mode = [other.info.height == clip.info.height and other.info.width == clip.info.width for other in also]
    main = _clip_of(clip, rows, readout_s, shutter_s)
    extra = [_HELPERS.look(other, readout_direction, None, shutter_s, cancelled) for other in also]
    origin = None if source is None else _HELPERS.look(source, readout_direction, readout_s, shutter_s, cancelled)
    flat_rows = None
    if flat is not None:
        flat_rows = gather(flat, None, direction=readout_direction, whole=False, cancelled=cancelled).rows
    analysis = measure.analyse(main, also=extra, source=origin, flat=flat_rows, cancelled=cancelled)
    warnings = [*rows.warnings, *analysis.notes, *analysis.advice]
    if readout_s is None and analysis.modulations:
        warnings.append("The readout time is not known: the frequency follows from alias and plausible readouts only.")
    if not all(same_mode):
        warnings.append("A clip of --also has another picture size: its readout may differ.")
    if region is not None and direction is None and clip.info.rotation:
        warnings.append("The clip is turned: give --readout-direction if the camera was not.")
    if rows.clipped_share > CLIPPED_TOLD:
        warnings.append(
            f"{100 * rows.clipped_share:.0f} % of the lit picture clips and was left out: "
            "what pulses only there is not seen. Film darker."
        )
    place = "field" if region is None else str(region)
    inputs = tuple(c.info.input_record() for c in (clip, *also, *([source] if source else []), *([flat] if flat else [])))
    return Result(
        command="flicker",
        inputs=inputs,
        readings=tuple(readings(analysis, place, rows, clip)),
        verdict=Verdict(analysis.word, analysis.sentence),
        warnings=tuple(dict.fromkeys(warnings)),
        extras=extras(analysis, rows),
        plots=plots(analysis, rows),
    )


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
    "measure_flicker",
    "plan_result",
]

"""Calibration of a camera's readout time on a lamp of known frequency."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

from viewer.errors import RegionError, UsageError
from viewer.measure.flicker_readout import Readout, calibrate
from viewer.measure.readings import Flag, Reading, refused
from viewer.measure.readout_modes import Direction, JoinedReadout, ReadoutMode, join_readouts
from viewer.measure.regions import Rect
from viewer.tasks.document import Result
from viewer.tasks.flicker_gather import Gathered, gather, stored_direction

if TYPE_CHECKING:
    from viewer.media.reader import ClipReader

METHOD = "band spacing of a lamp of known frequency, fitted over rows and frames"
OPPOSITE: dict[str, Direction] = {"down": "up", "up": "down", "left": "right", "right": "left"}


def camera_mode(clip: ClipReader) -> str:
    """Return what a calibration holds for, as one line: size, rate, codec and turn by the file."""
    return readout_mode(clip).text


def readout_mode(
    clip: ClipReader, *, capture_rate: float | None = None, crop: str = "", stabilisation: str = ""
) -> ReadoutMode:
    """Return what a calibration holds for: size, rate, codec by the file; the camera's rate and the rest as typed."""
    info = clip.info
    rate = float(capture_rate or info.capture_rate or info.average_rate)
    return ReadoutMode(info.width, info.height, rate, info.codec, info.rotation, crop, stabilisation)


def measure_readout(
    clip: ClipReader,
    lamp_hz: float,
    *,
    also: Sequence[ClipReader] = (),
    region: Rect | None = None,
    readout_direction: str | None = None,
    capture_rate: float | None = None,
    frames: tuple[int, int | None] = (0, None),
    progress: Callable[[int, int], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> Result:
    """Measure readout and row time of a camera mode.

    Parameters
    ----------
    clip : ClipReader
        A lamp that pulses at `lamp_hz`, filmed without the device, best out of focus and filling the picture.
    lamp_hz : float
        Twice the mains frequency for ordinary lamps.
    also : sequence of ClipReader
        Further clips of that lamp in the same mode: the readouts of all that show its bands are joined.
    region, readout_direction, capture_rate, frames
        As for `viewer.tasks.flicker.measure_flicker`.

    Returns
    -------
    Result
        Readings ``readout_time`` (ms; delivered rows or columns of the upright picture x row time) and ``row_time`` (us).
        Extras: ``readout_direction`` (in the upright picture of `clip`), ``direction_sure`` (the bands tell it), ``agree``
        (False where clips contradict each other), ``reversed`` (against the order of stored rows or columns), ``lamp_hz``
        (by the clip's own clock), ``mode``.

    Raises
    ------
    UsageError
        If a clip of `also` was filmed in another mode.
    """
    mode = readout_mode(clip, capture_rate=capture_rate)
    for other in also:
        change = readout_mode(other, capture_rate=capture_rate).differs(mode)
        if change:
            raise UsageError(f"the lamp clips are not of one camera mode: {change}.", where=other.info.path.name)
    rows = gather(
        clip,
        region,
        direction=readout_direction,
        capture_rate=capture_rate,
        frames=frames,
        whole=False,
        progress=progress,
        cancelled=cancelled,
    )
    warnings = [text for text in rows.warnings if "assumed" not in text]
    extras: dict[str, object] = {"mode": mode.text, "readout_direction": rows.direction, "direction_sure": False}
    seen, reason, failed = _calibrated(clip, rows, lamp_hz, also, region, capture_rate, cancelled)
    if not seen:
        readings = tuple(
            refused(name, "camera", unit, reason, flags=rows.flags, frames=rows.frames, method=METHOD)
            for name, unit in (("readout_time", "ms"), ("row_time", "us"))
        )
        warnings += failed[1:]
    else:
        joined = _joined(seen)
        warnings += failed
        if joined.note:
            warnings.append(f"Check: {joined.note}.")
        direction = joined.direction or rows.direction
        found = seen[0].found
        extras |= {
            "readout_direction": direction,
            "direction_sure": joined.direction is not None and joined.agree,
            "agree": joined.agree,
            "reversed": direction == OPPOSITE[stored_direction(clip)],
            "lamp_hz": found.lamp_hz,
        }
        if joined.direction is not None and readout_direction not in (None, joined.direction):
            warnings.append(f"The bands say that the readout runs {direction}, not {readout_direction}.")
        if joined.direction is None and joined.agree:
            warnings.append(
                "At this frame rate the bands do not tell the direction of readout: film the lamp at another one too."
            )
        warnings.append(f"The lamp pulses at {found.lamp_hz:.3f} Hz by the clip's own clock.")
        warnings.append("This holds for the same size, rate, crop and stabilisation only: calibrate again after any change.")
        readings = tuple(_readings(joined, rows.rows.rows_delivered, seen))
    return Result(
        command="readout",
        inputs=tuple(each.info.input_record() for each in (clip, *also)),
        readings=readings,
        warnings=tuple(warnings),
        extras=extras,
    )


@dataclass(frozen=True, slots=True)
class _Seen:
    """One lamp clip that gave a readout; `way` is the direction that its bands tell, in the first clip's upright picture."""

    found: Readout
    way: Direction | None
    flags: Flag
    frames: int


def _calibrated(
    clip: ClipReader,
    rows: Gathered,
    lamp_hz: float,
    also: Sequence[ClipReader],
    region: Rect | None,
    capture_rate: float | None,
    cancelled: Callable[[], bool] | None,
) -> tuple[list[_Seen], str, list[str]]:
    """Return what each lamp clip gave, why the first one failed ("" if not), and a line for each clip that failed.

    A clip that shows no bands does not stop the others: any of them will do.
    """
    seen: list[_Seen] = []
    failed: list[str] = []
    reason = ""
    known = not rows.assumed_direction
    for other in (clip, *also):
        first = other is clip
        try:
            # a clip held another way up is read along its own picture
            way = _as_in(other, rows.direction, clip)
            more = (
                rows
                if first
                else gather(other, region, direction=way, capture_rate=capture_rate, whole=False, cancelled=cancelled)
            )
            found, why = calibrate(more.rows, lamp_hz, direction_known=known, cancelled=cancelled)
        except RegionError as error:
            if not also:
                raise
            found, why = None, str(error)
        if found is not None:
            seen.append(_Seen(found, _way(found, rows.direction), more.flags, more.frames))
            continue
        failed.append(why if why.startswith(other.info.path.name) else f"{other.info.path.name}: {why}")
        reason = why if first else reason
    return seen, reason, failed


def _joined(seen: Sequence[_Seen]) -> JoinedReadout:
    """Return the readout of all clips that gave one."""
    measured = [(each.found.readout_s, each.found.sigma_s, each.way) for each in seen]
    if len(measured) == 1:
        value, sigma, direction = measured[0]
        return JoinedReadout(value, sigma, direction, True, "")
    return join_readouts(measured)


def _way(found: Readout, assumed: str) -> Direction | None:
    """Return the direction that the bands tell, None where they look alike both ways."""
    if found.symmetric:
        return None
    return OPPOSITE[assumed] if found.backwards else cast("Direction", assumed)


def _as_in(other: ClipReader, direction: str, clip: ClipReader) -> str:
    """Return a direction of `clip`'s upright picture in that of `other`, whose file may be turned another way."""
    mine, theirs = stored_direction(clip), stored_direction(other)
    if direction in (mine, OPPOSITE[mine]):
        return theirs if direction == mine else OPPOSITE[theirs]
    return direction


def _readings(joined: JoinedReadout, rows: float, seen: Sequence[_Seen]) -> list[Reading]:
    out = []
    flags, frames = seen[0].flags, sum(each.frames for each in seen)
    for name, unit, scale in (("readout_time", "ms", 1e3), ("row_time", "us", 1e6 / rows)):
        value, half = scale * joined.readout_s, 1.96 * scale * joined.sigma_s
        out.append(
            Reading(
                name=name,
                of="camera",
                value=value,
                unit=unit,
                low=value - half,
                high=value + half,
                flags=flags,
                frames=frames,
                method=METHOD,
            )
        )
    return out


__all__ = ["OPPOSITE", "camera_mode", "measure_readout", "readout_mode"]

"""Calibration of a camera's readout time on a lamp of known frequency."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, cast

from viewer.errors import UsageError
from viewer.measure.flicker_readout import calibrate
from viewer.measure.readings import Flag, Reading, refused
from viewer.measure.readout_modes import Direction, ReadoutMode, join_readouts
from viewer.measure.regions import Rect
from viewer.tasks.document import Result
from viewer.tasks.flicker_gather import gather

if TYPE_CHECKING:
    from viewer.media.reader import ClipReader

METHOD = "band spacing of a lamp of known frequency, fitted over rows and frames"
Measured = tuple[float, float, Direction | None]
OPPOSITE = {"down": "up", "up": "down", "left": "right", "right": "left"}


def camera_mode(clip: ClipReader) -> str:
    """Return what a calibration holds for, as one line: size, rate, codec and turn by the file."""
    return readout_mode(clip).text


def readout_mode(clip: ClipReader, *, crop: str = "", stabilisation: str = "") -> ReadoutMode:
    """Return what a calibration holds for: size, rate and codec by the file, crop and stabilisation as typed."""
    info = clip.info
    rate = float(info.capture_rate or info.average_rate)
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
        Further clips of that lamp in the same mode: their readouts are joined.
    region, readout_direction, capture_rate, frames
        As for `viewer.tasks.flicker.measure_flicker`.

    Returns
    -------
    Result
        Readings ``readout_time`` (ms; delivered rows or columns of the upright picture x row time) and ``row_time`` (us).
        Extras: ``readout_direction``, ``direction_sure``, ``lamp_hz`` (by the clip's own clock), ``mode``.

    Raises
    ------
    UsageError
        If a clip of `also` was filmed in another mode.
    """
    mode = readout_mode(clip)
    for other in also:
        change = readout_mode(other).differs(mode)
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
    found, reason = calibrate(rows.rows, lamp_hz, cancelled=cancelled)
    place = "camera"
    warnings = [text for text in rows.warnings if "assumed" not in text]
    extras: dict[str, object] = {"mode": mode.text, "readout_direction": rows.direction, "direction_sure": False}
    if found is None:
        readings = tuple(
            refused(name, place, unit, reason, flags=rows.flags, frames=rows.frames, method=METHOD)
            for name, unit in (("readout_time", "ms"), ("row_time", "us"))
        )
    else:
        direction = OPPOSITE[rows.direction] if found.backwards else rows.direction
        measured: list[Measured] = [(found.readout_s, found.sigma_s, cast("Direction", direction))]
        counted = rows.frames
        for other in also:
            more = gather(other, region, direction=rows.direction, capture_rate=capture_rate, whole=False, cancelled=cancelled)
            again, why = calibrate(more.rows, lamp_hz, cancelled=cancelled)
            if again is None:
                warnings.append(f"{other.info.path.name}: {why}")
                continue
            way = OPPOSITE[rows.direction] if again.backwards else rows.direction
            measured.append((again.readout_s, again.sigma_s, cast("Direction", way)))
            counted += more.frames
        joined = join_readouts(measured) if len(measured) > 1 else None
        whole, sigma = (joined.readout_s, joined.sigma_s) if joined else (found.readout_s, found.sigma_s)
        agree = joined is None or joined.agree
        if joined and joined.note:
            warnings.append(f"Check: {joined.note}.")
        extras |= {"readout_direction": direction, "direction_sure": agree, "lamp_hz": found.lamp_hz}
        if found.backwards and readout_direction is not None:
            warnings.append(f"The bands say that the readout runs {direction}, not {readout_direction}.")
        warnings.append(f"The lamp pulses at {found.lamp_hz:.3f} Hz by the clip's own clock.")
        warnings.append("This holds for the same size, rate, crop and stabilisation only: calibrate again after any change.")
        readings = tuple(_readings(whole, sigma, rows.rows.rows_delivered, rows.flags, counted))
    return Result(
        command="readout",
        inputs=tuple(each.info.input_record() for each in (clip, *also)),
        readings=readings,
        warnings=tuple(warnings),
        extras=extras,
    )


def _readings(whole_s: float, sigma_s: float, rows: float, flags: Flag, frames: int) -> list[Reading]:
    out = []
    for name, unit, scale in (("readout_time", "ms", 1e3), ("row_time", "us", 1e6 / rows)):
        value, half = scale * whole_s, 1.96 * scale * sigma_s
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


__all__ = ["camera_mode", "measure_readout", "readout_mode"]

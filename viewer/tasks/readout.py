"""Calibration of a camera's readout time on a lamp of known frequency."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from viewer.measure.flicker_readout import Readout, calibrate
from viewer.measure.readings import Flag, Reading, refused
from viewer.measure.regions import Rect
from viewer.tasks.document import Result
from viewer.tasks.flicker_gather import gather

if TYPE_CHECKING:
    from viewer.media.reader import ClipReader

METHOD = "band spacing of a lamp of known frequency, fitted over rows and frames"
OPPOSITE = {"down": "up", "up": "down", "left": "right", "right": "left"}


def camera_mode(clip: ClipReader) -> str:
    """Return what a calibration holds for: size, rate and codec.  It ends with any change of mode, crop or stabilisation."""
    info = clip.info
    return f"{info.width}x{info.height} {float(info.average_rate):.5g} fps {info.codec} turn {info.rotation}"


def measure_readout(
    clip: ClipReader,
    lamp_hz: float,
    *,
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
    region, readout_direction, capture_rate, frames
        As for `viewer.tasks.flicker.measure_flicker`.

    Returns
    -------
    Result
        Readings ``readout_time`` (ms; delivered rows or columns of the upright picture x row time) and ``row_time`` (us).
        Extras: ``readout_direction``, ``direction_sure``, ``lamp_hz`` (by the clip's own clock), ``mode``.
    """
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
    extras: dict[str, object] = {"mode": camera_mode(clip), "readout_direction": rows.direction, "direction_sure": False}
    if found is None:
        readings = tuple(
            refused(name, place, unit, reason, flags=rows.flags, frames=rows.frames, method=METHOD)
            for name, unit in (("readout_time", "ms"), ("row_time", "us"))
        )
    else:
        direction = OPPOSITE[rows.direction] if found.backwards else rows.direction
        extras |= {"readout_direction": direction, "direction_sure": True, "lamp_hz": found.lamp_hz}
        if found.backwards and readout_direction is not None:
            warnings.append(f"The bands say that the readout runs {direction}, not {readout_direction}.")
        warnings.append(f"The lamp pulses at {found.lamp_hz:.3f} Hz by the clip's own clock.")
        warnings.append("This holds for the same size, rate, crop and stabilisation only: calibrate again after any change.")
        readings = tuple(_readings(found, place, rows.flags, rows.frames))
    return Result(
        command="readout", inputs=(clip.info.input_record(),), readings=readings, warnings=tuple(warnings), extras=extras
    )


def _readings(found: Readout, place: str, flags: Flag, frames: int) -> list[Reading]:
    out = []
    for name, unit, value, sigma in (
        ("readout_time", "ms", 1e3 * found.readout_s, 1e3 * found.sigma_s),
        ("row_time", "us", 1e6 * found.row_time_s, 1e6 * found.row_time_sigma_s),
    ):
        out.append(
            Reading(
                name=name,
                of=place,
                value=value,
                unit=unit,
                low=value - 1.96 * sigma,
                high=value + 1.96 * sigma,
                flags=flags,
                frames=frames,
                method=METHOD,
            )
        )
    return out


__all__ = ["camera_mode", "measure_readout"]

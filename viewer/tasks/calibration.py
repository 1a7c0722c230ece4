"""A calibrated readout time, stored in a session for every clip that was filmed in the same camera mode."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from viewer.errors import ViewerError
from viewer.session.model import CameraMode, Clip, Session
from viewer.tasks.clip_files import open_session_clip
from viewer.tasks.document import Result
from viewer.tasks.readout import camera_mode


def store_readout(
    session: Session,
    folder: Path,
    result: Result,
    *,
    lamp: str,
    allow_outside: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[Session, tuple[str, ...], tuple[str, ...]]:
    """Enter a readout time into the session's clips of the same camera mode.

    Parameters
    ----------
    result : Result
        As `viewer.tasks.readout.measure_readout` returns it.
    lamp : str
        What it was calibrated on, for the record ("bench_lamp.mp4, lamp at 100 Hz").

    Returns
    -------
    session : Session
        Unchanged if the reading was refused.
    names : tuple of str
        The clips that got it.
    troubles : tuple of str
        One line for each clip that could not be opened, and for a refusal.
    """
    reading = result.reading("readout_time")
    if reading.value is None:
        return session, (), (f"readout time: {reading.reason}",)
    mode = str(result.extras["mode"])
    fresh: list[Clip] = []
    troubles: list[str] = []
    for number, clip in enumerate(session.clips, 1):
        try:
            with open_session_clip(folder, clip, allow_outside=allow_outside) as reader:
                same = camera_mode(reader) == mode
        except ViewerError as error:
            troubles.append(str(error))
            continue
        if same:
            fresh.append(replace(clip, camera=_calibrated(clip.camera, result, mode, lamp)))
        if progress:
            progress(number, len(session.clips))
    return session.put(*fresh), tuple(clip.name for clip in fresh), tuple(troubles)


def _calibrated(camera: CameraMode, result: Result, mode: str, lamp: str) -> CameraMode:
    reading = result.reading("readout_time")
    direction = camera.readout_direction
    if result.extras.get("direction_sure"):
        direction = result.extras["readout_direction"]
    return replace(
        camera,
        readout_ms=reading.value,
        readout_error_ms=(reading.half_width or 0.0) / 1.96,
        readout_direction=direction,
        readout_by=lamp,
        readout_mode=mode,
    )


__all__ = ["store_readout"]

"""A calibrated readout time, stored in a session for every clip that was filmed in the same camera mode."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from viewer.errors import UsageError, ViewerError
from viewer.measure.readout_modes import Direction, ReadoutMode, parse_mode
from viewer.session.model import CameraMode, Clip, Session
from viewer.tasks.clip_files import open_session_clip
from viewer.tasks.document import Result
from viewer.tasks.flicker_gather import stored_direction
from viewer.tasks.readout import OPPOSITE, readout_mode


def store_readout(
    session: Session,
    folder: Path,
    result: Result,
    *,
    lamp: str,
    only: Sequence[str] = (),
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
    only : sequence of str, optional
        File names of clips: enter it into these alone, where two cameras film in one mode.

    Returns
    -------
    session : Session
        Unchanged if the reading was refused, or the lamp clips contradict each other.
    names : tuple of str
        The clips that got it.
    troubles : tuple of str
        One line for each clip that could not be opened or, if it was asked for by name, is of another mode; and for a refusal.

    Raises
    ------
    UsageError
        If the session has no clip of a name in `only`.
    """
    chosen = _chosen(session, only)
    reading = result.reading("readout_time")
    if reading.value is None:
        return session, (), (f"readout time: {reading.reason}",)
    mode = parse_mode(str(result.extras["mode"]))
    if not result.extras.get("agree", True) or mode is None:
        return session, (), ("readout time: the lamp clips contradict each other, so nothing was stored.",)
    fresh: list[Clip] = []
    troubles: list[str] = []
    for number, clip in enumerate(chosen, 1):
        try:
            camera, change = _calibrated(clip, folder, result, mode, lamp, allow_outside)
        except ViewerError as error:
            troubles.append(str(error))
            continue
        if not change:
            fresh.append(replace(clip, camera=camera))
        elif only:
            troubles.append(f"{clip.name}: not the lamp clip's camera mode: {change}.")
        if progress:
            progress(number, len(chosen))
    return session.put(*fresh), tuple(clip.name for clip in fresh), tuple(troubles)


def _chosen(session: Session, only: Sequence[str]) -> list[Clip]:
    known = [clip.name for clip in session.clips]
    for name in only:
        if name not in known:
            raise UsageError(f"the session has no clip {name!r}.", hint=f"Its clips: {', '.join(known) or 'none'}.")
    return [clip for clip in session.clips if not only or clip.name in only]


def _calibrated(
    clip: Clip, folder: Path, result: Result, mode: ReadoutMode, lamp: str, allow_outside: bool
) -> tuple[CameraMode, str]:
    """Return the camera with the readout, and what differs from the lamp's mode, nothing if it is the same."""
    camera = clip.camera
    with open_session_clip(folder, clip, allow_outside=allow_outside) as reader:
        own = readout_mode(reader, capture_rate=camera.capture_rate)
        change = own.differs(mode)
        natural = stored_direction(reader)
    reading = result.reading("readout_time")
    direction = camera.readout_direction
    if result.extras.get("direction_sure"):
        direction = _direction(result, mode, own, natural)
    stored = replace(
        camera,
        readout_ms=reading.value,
        readout_error_ms=(reading.half_width or 0.0) / 1.96,
        readout_direction=direction,
        readout_by=lamp,
        readout_mode=own.text,
    )
    return stored, change


def _direction(result: Result, mode: ReadoutMode, own: ReadoutMode, natural: str) -> Direction:
    """Return the lamp's direction in the upright picture of a clip that may be turned another way."""
    if own.rotation == mode.rotation:
        return result.extras["readout_direction"]  # type: ignore[no-any-return]
    return OPPOSITE[natural] if result.extras.get("reversed") else natural  # type: ignore[return-value]


__all__ = ["store_readout"]

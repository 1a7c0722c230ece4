"""``gloaming readout``: calibrate a camera's readout time."""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from viewer.cli.common import CLIP, FRAMES, RECT, emit, json_option, light_options, progress_bar

if TYPE_CHECKING:
    from viewer.tasks.document import Result


@click.command("readout")
@click.argument("clip", type=CLIP)
@click.option(
    "--lamp-hz",
    type=click.FloatRange(min=1, max=20000),
    required=True,
    help="Frequency at which the lamp pulses: twice the mains for ordinary lamps.",
)
@click.option("--also", type=CLIP, metavar="CLIP", multiple=True, help="Further clips of the lamp in the same camera mode.")
@click.option("--region", type=RECT, help="Use only this region.")
@click.option("--readout-direction", type=click.Choice(["down", "up", "left", "right"]), help="In the upright picture.")
@click.option("--capture-rate", type=click.FloatRange(min=1), help="Frames per second of the camera, for slow motion.")
@click.option("--frames", type=FRAMES, default="0:", help="Use only these frames.")
@click.option("--into", type=CLIP, metavar="SESSION", help="Store it for all clips of SESSION that were filmed in this mode.")
@click.option("--clip", "only", metavar="NAME", multiple=True, help="With --into: for this clip only (file name; repeatable).")
@click.option("--allow-outside", is_flag=True, help="Let the session open clips outside its own folder.")
@light_options
@json_option
def command(
    clip: Path,
    lamp_hz: float,
    also: tuple[Path, ...],
    region: Any,
    readout_direction: str | None,
    capture_rate: float | None,
    frames: Any,
    into: Path | None,
    only: tuple[str, ...],
    allow_outside: bool,
    transfer: str | None,
    range: str | None,
    matrix: str | None,
    json_to: str | None,
) -> None:
    """Calibrate the readout time of a camera mode on a lamp of known frequency.

    Film the lamp without the device, out of focus, filling the picture, at a shutter of 1/1000 s or less, in the very mode of
    the clips to be measured. An LED on a function generator is better than the mains.

    With --into the session is saved with the readout and its direction; readings that it changes count as out of date until
    `gloaming measure SESSION --stale`.
    """
    if only and into is None:
        raise click.UsageError("--clip names a clip of a session: give --into SESSION.")
    from viewer.media import LightChoice, open_clip
    from viewer.tasks.readout import measure_readout

    choice = LightChoice(transfer=transfer, range=range, matrix=matrix)
    with ExitStack() as stack, progress_bar("readout") as progress:
        opened = stack.enter_context(open_clip(clip, light=choice))
        others = [stack.enter_context(open_clip(path, light=choice)) for path in also]
        result = measure_readout(
            opened,
            lamp_hz,
            also=others,
            region=region,
            readout_direction=readout_direction,
            capture_rate=capture_rate,
            frames=frames,
            progress=progress,
        )
    if into is not None:
        lamp = f"{' and '.join(path.name for path in (clip, *also))}, lamp at {lamp_hz:g} Hz"
        result = _store(result, into, lamp, only, allow_outside)
    emit(result, json_to)


def _store(result: Result, into: Path, lamp: str, only: tuple[str, ...], allow_outside: bool) -> Result:
    """Store the readout in a session; return the result with the names of the clips that got it."""
    from viewer.session import store
    from viewer.tasks.calibration import store_readout

    with store.locked(into):
        session = store.load(into)
        fresh, names, troubles = store_readout(
            session, into.resolve().parent, result, lamp=lamp, only=only, allow_outside=allow_outside
        )
        if names:
            store.save(fresh, into)
    said = f"Stored in {into.name} for {', '.join(names)}." if names else f"Stored for no clip of {into.name}."
    return replace(result, warnings=(*result.warnings, said, *troubles), extras={**result.extras, "stored_for": list(names)})


__all__ = ["command"]

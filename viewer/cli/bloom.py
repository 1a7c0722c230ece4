"""``gloaming bloom``: halo and bloom of point lights."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from viewer.cli.common import CLIP, FRAMES, POINT, emit, json_option, light_options, progress_bar


@click.command("bloom")
@click.argument("clip", type=CLIP)
@click.option(
    "--light", "lights", type=POINT, multiple=True, help="A light, X,Y in upright px; may be given again. Else found."
)
@click.option("--field-deg", type=float, help="The device's stated field of view in degrees, for radii in degrees.")
@click.option("--objective-mm", type=float, help="Focal length of the device's objective, for radii in mm at the tube.")
@click.option(
    "--camera", type=CLIP, metavar="CLIP", help="A point light without the device: the camera's own glow is taken off."
)
@click.option("--camera-light", type=POINT, help="The light in that clip, X,Y. Else the strongest found.")
@click.option(
    "--stack",
    type=CLIP,
    metavar="CLIP",
    multiple=True,
    help="Another exposure of the same scene, from the same place; may be given again. What one burns out another shows.",
)
@click.option("--frames", type=FRAMES, default="0:", help="Use only these frames.")
@light_options
@json_option
def command(
    clip: Path,
    lights: tuple[Any, ...],
    field_deg: float | None,
    objective_mm: float | None,
    camera: Path | None,
    camera_light: Any,
    stack: tuple[Path, ...],
    frames: Any,
    transfer: str | None,
    range: str | None,
    matrix: str | None,
    json_to: str | None,
) -> None:
    """Measure halo and bloom of point lights in CLIP.

    Per light: centre, clipped core, radius of the halo's edge, half-level radius of the glow, and the radius at which the added
    light falls under a tenth of the background. The last grows with the lamp: compare devices on one lamp at one exposure.
    With the device's field, radii are also given in degrees and mrad, with its objective in mm at the tube.
    """
    from contextlib import ExitStack

    from viewer.errors import UsageError
    from viewer.media import LightChoice, open_clip
    from viewer.tasks.bloom import measure_bloom

    choice = LightChoice(transfer=transfer, range=range, matrix=matrix)
    if camera_light is not None and camera is None:
        raise UsageError("--camera-light names a light in a clip that is not given.", hint="Give it with --camera.")
    with ExitStack() as held, progress_bar("bloom") as progress:
        reader = held.enter_context(open_clip(clip, light=choice))
        result = measure_bloom(
            reader,
            lights or None,
            field_deg=field_deg,
            objective_mm=objective_mm,
            camera=held.enter_context(open_clip(camera, light=choice)) if camera else None,
            camera_light=camera_light,
            stack=[held.enter_context(open_clip(path, light=choice)) for path in stack],
            frames=frames,
            progress=progress,
        )
    emit(result, json_to)


__all__ = ["command"]

"""Renders sample clips to files."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np

from viewer.errors import Cancelled
from viewer.lab.clips import Recipe
from viewer.lab.render import Renderer
from viewer.lab.sound import RATE_HZ, make_sound
from viewer.media.writer import VideoWriter

MATRIX = {"hlg": "bt2020", "bt709": "bt709"}
Watch = Callable[[int, np.ndarray], None]


def write_clip(
    recipe: Recipe,
    folder: Path,
    *,
    watch: Watch | None = None,
    progress: Callable[[int, int], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> tuple[Path, Renderer]:
    """Render one clip into `folder` and return its path and renderer.

    `watch(number, light)` is handed every frame's recorded linear light, pedestal included, before the curve and the codec.
    The encoder runs on one thread with fixed settings, so the same libraries write the same bytes.
    """
    take = recipe.make()
    renderer = Renderer(take)
    camera, view = take.camera, take.view
    path = folder / f"{recipe.name}.mp4"
    hevc = camera.codec == "hevc"
    fixed = "pools=none:frame-threads=1:no-wpp=1:info=0:aq-mode=1:psy-rd=1.0:rdoq-level=1"
    options = {"preset": "medium", "x265-params": fixed} if hevc else {"preset": "medium", "x264-params": "threads=1"}
    with VideoWriter(
        path,
        width=view.width,
        height=view.height,
        rate=camera.rate,
        codec=camera.codec,
        bit_depth=camera.bit_depth,
        transfer=camera.transfer,
        range="narrow",
        matrix=MATRIX[camera.transfer],
        primaries=camera.primaries,
        crf=recipe.crf,
        options=options,
        rotation=recipe.rotation,
        sound_rate=RATE_HZ,
        threads=1,
    ) as writer:
        writer.write_sound(sound_of(renderer, seed=take.seed))
        for number in range(take.frames):
            if cancelled is not None and cancelled():
                raise Cancelled(where=recipe.name)
            signal = renderer.frame(number)
            if watch is not None:
                watch(number, renderer.light)
            writer.write(np.ascontiguousarray(np.rot90(signal, recipe.rotation // 90)))
            if progress is not None:
                progress(number + 1, take.frames)
    path.chmod(0o644)
    return path, renderer


def sound_of(renderer: Renderer, *, seed: int) -> np.ndarray:
    """Return the sound of a take on the clip's own clock."""
    take = renderer.take
    scale = 1 + 1e-6 * take.clock.rate_ppm
    claps, ticks = (
        tuple((at - take.clock.offset_s) / scale for at in times) for times in (take.scene.claps_s, take.scene.ticks_s)
    )
    return make_sound(take.duration_s, claps, ticks, seed=seed)


__all__ = ["sound_of", "write_clip"]

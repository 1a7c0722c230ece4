"""Tint of a region of a clip as a result document."""

from __future__ import annotations

import numpy as np

from viewer.errors import UsageError
from viewer.measure.readings import Flag
from viewer.measure.regions import Rect
from viewer.measure.tint import measure
from viewer.media import ClipReader
from viewer.media.light import from_linear
from viewer.tasks.document import Result
from viewer.tasks.encoder import code_sigmas, code_slopes, encoder_of
from viewer.tasks.patches import Progress, Span, Stop, black_code, clip_flags, new_pictures


def measure_tint(
    clip: ClipReader,
    region: Rect,
    *,
    frames: Span = (0, None),
    progress: Progress = None,
    cancelled: Stop = None,
) -> Result:
    """Measure the tint of a lit region.

    Returns
    -------
    Result
        Readings ``u_prime``, ``v_prime`` (1) of ``region``.  Extras: ``luminance_shares`` {r, g, b} or null, ``linear_rgb``,
        ``primaries``.  Plots: ``frame_times_s``, ``frame_rgb`` (frames, 3).

    Raises
    ------
    RegionError
        If the region reaches outside the picture or is smaller than 16 px.
    UsageError
        If the clip holds no colour.
    """
    if clip.info.chroma == "400":
        raise UsageError("the clip is black and white: it holds no tint.", where=clip.info.path.name, hint="Film in colour.")
    region.check(clip.info.width, clip.info.height, least=16, where=clip.info.path.name)
    black = black_code(clip)
    means, times, clipped, dark = [], [], [], []
    flags = clip_flags(clip) | Flag.ONE_TAKE
    for frame, repeat in new_pictures(clip, frames, progress, cancelled):
        if repeat:
            flags |= Flag.REPEATED
            continue
        light = frame.rgb(region)
        means.append(light.light.reshape(-1, 3).mean(axis=0, dtype=np.float64))
        clipped.append(float(light.clipped.mean()))
        dark.append(float(np.mean(frame.luma(region) <= black)))
        times.append(frame.time_s)
    rgb = np.array(means)
    signal = from_linear(clip.info.transfer, np.maximum(rgb.mean(axis=0), 0.0))
    found = measure(
        rgb,
        primaries=clip.info.primaries,
        clipped=float(np.mean(clipped)),
        black=float(np.mean(dark)),
        code_errors=code_slopes(clip, signal) * code_sigmas(clip, encoder_of(clip), pixels=region.area, blurred=True),
        pixels=region.area,
        flags=flags,
    )
    shares = None if found.shares is None else dict(zip("rgb", found.shares))
    return Result(
        command="tint",
        inputs=(clip.info.input_record(),),
        readings=found.readings,
        warnings=clip.info.warnings,
        extras={"luminance_shares": shares, "linear_rgb": rgb.mean(axis=0), "primaries": clip.info.primaries},
        plots={"frame_times_s": np.array(times), "frame_rgb": rgb},
    )


__all__ = ["measure_tint"]

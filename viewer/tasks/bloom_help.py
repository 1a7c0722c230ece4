"""Clips that help with bloom: other exposures of the scene, and a point light filmed without the device."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from viewer.errors import UsageError
from viewer.measure.bloom import camera_profile, measure_bloom
from viewer.measure.bloom_stack import Exposure, join
from viewer.measure.encoder import DOUBT
from viewer.measure.lights import find_lights, refine_centre
from viewer.measure.stats import robust_sigma
from viewer.tasks.encoder import encoder_of
from viewer.tasks.mean_picture import Look, MeanPicture, chosen, mean_picture, scout
from viewer.tasks.patches import bend_of, step_light

if TYPE_CHECKING:
    from viewer.media.reader import ClipReader

Stop = Callable[[], bool] | None
ALL = (0, None)
# Of the noise that is left, what was lost beside it: from encodes of smooth glows in noise (bench_bloom.py, glow).
LOST_SHARE = {"hevc": 1.0}


def _mean(clip: ClipReader, mark: tuple[float, float], cancelled: Stop) -> MeanPicture:
    look = Look.at(clip, None, ALL)
    return mean_picture(clip, anchors=[mark], look=look, steady=True, cancelled=cancelled)


def joined(
    mean: MeanPicture, stack: Sequence[ClipReader], mark: tuple[float, float], cancelled: Stop
) -> tuple[np.ndarray, np.ndarray, list[dict[str, Any]]]:
    """Join a mean picture with those of other exposures.

    Returns light and clipped share (the first clip's own without a stack) and a record of each exposure: path, ratio to the
    first with its error, shift (px), misfit (share) and how many clipped pixels it filled.

    Raises
    ------
    UsageError
        If a clip does not go with the first, named by its file.
    """
    first = Exposure(mean.light, mean.clipped)
    others: list[Exposure] = []
    records: list[dict[str, Any]] = []
    result = first
    for clip in stack:
        if (clip.info.height, clip.info.width) != mean.light.shape:
            size = f"{mean.light.shape[1]} x {mean.light.shape[0]}"
            what = f"it is {clip.info.width} x {clip.info.height} px, the first clip {size} px."
            raise UsageError(what, where=clip.info.path.name, hint="Film every exposure with the same camera settings.")
        other = _mean(clip, mark, cancelled)
        others.append(Exposure(other.light, other.clipped))
        try:
            result, joints = join(first, others, mark)
        except UsageError as error:
            raise UsageError(error.what, where=clip.info.path.name, hint=error.hint) from error
        last = joints[-1]
        records.append(
            {
                "path": str(clip.info.path),
                "ratio": last.ratio,
                "ratio_sigma": last.ratio_sigma,
                "shift_px": list(last.shift_px),
                "misfit": last.misfit,
                "pixels": last.pixels,
            }
        )
    return result.light, result.clipped, records


def smoothed_away(clip: ClipReader, look: Look, frames: tuple[int, int | None], level: float) -> float:
    """Return by how much the dark near `level` may read low because the encoder smoothed its noise (1 sigma, units of light).

    A smoothed signal reads low by half the lost variance times the bend of the curve (as `viewer.measure.lostlight` has it).
    What was lost is bounded by the encoder's level of distortion and by a share of the noise that is left.
    """
    start, stop, _ = chosen(len(clip.index), frames)
    encoder = encoder_of(clip)
    if encoder.lossless or stop - start < 2 or level <= 0.0:
        return 0.0
    middle = (start + stop) // 2
    first, second = (np.asarray(look.light(frame)[0], float) for frame in clip.frames(middle - 1, middle + 1))
    dark = np.abs(0.5 * (first + second) - level) < 0.5 * level
    if np.count_nonzero(dark) < 100:
        return 0.0
    left = 0.5 * robust_sigma((second - first)[dark]) ** 2
    lost = LOST_SHARE.get(encoder.codec, 0.5) * left + DOUBT * encoder.water * step_light(clip, level) ** 2
    return min(0.5 * bend_of(clip, level) * lost, 0.1 * level)


def camera_alone(clip: ClipReader, mark: tuple[float, float] | None, cancelled: Stop) -> np.ndarray:
    """Return what the camera alone makes of a point light: radii (px) and light, shape (2, N).

    Raises
    ------
    UsageError
        If the clip shows no light that can be fitted.
    """
    look = Look.at(clip, None, ALL)
    first = scout(clip, ALL, look)
    if mark is None:
        found, _ = find_lights(first, most=1)
        if not found:
            raise UsageError(
                "no point light was found in the clip filmed without the device.",
                where=clip.info.path.name,
                hint="Name it with --camera-light X,Y.",
            )
        place = found[0].centre
    else:
        place = refine_centre(first, mark)
    mean = _mean(clip, place, cancelled)
    bloom = measure_bloom(mean.light, [place], clipped=mean.clipped, limit=look.limit, frames=mean.frames)[0]
    profile = camera_profile(bloom)
    if profile is None:
        reason = next((r.reason for r in bloom.readings if r.reason), "it could not be fitted.")
        raise UsageError(f"the light filmed without the device was not measured: {reason}", where=clip.info.path.name)
    return profile


__all__ = ["camera_alone", "joined", "smoothed_away"]

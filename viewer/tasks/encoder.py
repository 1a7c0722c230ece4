"""The encoder of a clip, judged from a few pairs of pictures; what its rounding and quantising do to light."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from viewer.measure.encoder import Encoder, block_power, water_level
from viewer.media import ClipReader
from viewer.media.light import chroma_scale, luma_scale, rgb_from_ycbcr, to_linear

PAIRS = 5
Signal = np.ndarray | Sequence[float]


def encoder_of(clip: ClipReader, *, pairs: int = PAIRS) -> Encoder:
    """Return the encoder of a clip from pairs of neighbouring pictures spread over the whole of it.

    The whole clip counts, whatever part is measured: the bits of the file are those of all its pictures, and encoders hold
    their quantiser rather than their rate.
    """
    info = clip.info
    plain = Encoder(codec=info.codec, bit_depth=info.bit_depth, bits_per_pixel=info.bits_per_pixel)
    if plain.lossless or info.bits_per_pixel <= 0 or info.frames < 2:
        return plain
    numbers = sorted({int(n) for n in np.linspace(0, info.frames - 2, pairs)})
    powers: list[np.ndarray] = []
    count = 0
    for number in numbers:
        first, second = clip.frame(number), clip.frame(number + 1)
        found = [block_power(first.plane(index), second.plane(index)) for index in range(_planes(clip))]
        if not any(part.any() for part in found):
            continue
        powers = found if not powers else [total + part for total, part in zip(powers, found)]
        count += 1
    if not count:
        return plain
    area = clip.frame(numbers[0]).plane(0).size
    shares = [clip.frame(numbers[0]).plane(index).size / area for index in range(len(powers))]
    water = water_level([power / count for power in powers], shares, info.bits_per_pixel)
    return Encoder(codec=info.codec, bit_depth=info.bit_depth, bits_per_pixel=info.bits_per_pixel, water=water)


def _planes(clip: ClipReader) -> int:
    return 1 if clip.info.chroma == "400" else 3


def code_slopes(clip: ClipReader, signal: Signal) -> np.ndarray:
    """Return the change of linear R, G, B per code of luma, Cb and Cr at a signal.

    Parameters
    ----------
    signal : sequence of 3 floats
        R'G'B' of the patch.

    Returns
    -------
    ndarray of shape (3, 3)
        Rows R, G, B; columns luma, Cb, Cr.  Of clips coded as R'G'B' the columns are R, G, B.
    """
    info = clip.info
    span = luma_scale(info.bit_depth, info.range)[1]
    at = np.asarray(signal, float)
    # Light of 8-bit codes bends within a code: the slope is that over a code each way.
    reach = 1.0 / span
    slope = (to_linear(info.transfer, at + reach) - to_linear(info.transfer, at - reach)) / (2.0 * reach)
    if info.chroma in ("rgb", "400"):
        return np.asarray(np.diag(slope) / span)
    chroma = chroma_scale(info.bit_depth, info.range)[1]
    return np.asarray(slope[:, None] * rgb_from_ycbcr(info.matrix) / np.array([span, chroma, chroma]))


def code_sigmas(clip: ClipReader, encoder: Encoder, *, pixels: int, blurred: bool) -> np.ndarray:
    """Return by how much the mean codes of a patch are off (1 sigma): luma, Cb, Cr.

    `blurred`: whether noise of more than half a code is left, so that rounding averages out.
    """
    rounding = 0.0 if blurred else 0.29
    if clip.info.chroma in ("rgb", "400"):
        return np.full(3, math.hypot(encoder.luma_sigma(pixels), rounding))
    chroma = encoder.chroma_sigma(pixels)
    return np.array([math.hypot(encoder.luma_sigma(pixels), rounding), chroma, chroma])


def light_sigma(clip: ClipReader, encoder: Encoder, signal: Signal, *, pixels: int, blurred: bool) -> float:
    """Return by how much the mean luminance of a patch is off through the encoder (1 sigma)."""
    slopes = np.array(clip.frame(0).setting.weights) @ code_slopes(clip, signal)
    return float(np.linalg.norm(slopes * code_sigmas(clip, encoder, pixels=pixels, blurred=blurred)))


__all__ = ["code_sigmas", "code_slopes", "encoder_of", "light_sigma"]

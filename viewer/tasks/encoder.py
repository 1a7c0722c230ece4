"""The encoder of a clip, judged from a few pairs of pictures; what its rounding and quantising do to light."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from weakref import WeakKeyDictionary

import numpy as np

from viewer.measure.encoder import Encoder, block_power, water_level
from viewer.media import ClipReader, Frame
from viewer.media.light import chroma_scale, from_linear, luma_scale, rgb_from_ycbcr, to_linear

PAIRS = 5
# Up to so many frames without key pictures between, one pass costs less than going to each pair.
ONE_PASS = 600
Signal = np.ndarray | Sequence[float]
# A clip is judged once while it is open, however many measures ask.
_judged: WeakKeyDictionary[ClipReader, Encoder] = WeakKeyDictionary()


def encoder_of(clip: ClipReader) -> Encoder:
    """Return the encoder of a clip from pairs of neighbouring pictures spread over the whole of it.

    The whole clip counts, whatever part is measured: the bits of the file are those of all its pictures, and encoders hold
    their quantiser rather than their rate.
    """
    if clip not in _judged:
        _judged[clip] = _judge(clip)
    return _judged[clip]


def _judge(clip: ClipReader) -> Encoder:
    info = clip.info
    plain = Encoder(codec=info.codec, bit_depth=info.bit_depth, bits_per_pixel=info.bits_per_pixel)
    if plain.lossless or info.bits_per_pixel <= 0 or info.frames < 2:
        return plain
    powers: list[np.ndarray] = []
    shares: list[float] = []
    count = 0
    for first, second in _pairs(clip):
        planes = [(first.plane(index), second.plane(index)) for index in range(1 if info.chroma == "400" else 3)]
        found = [block_power(a, b) for a, b in planes]
        if not any(part.any() for part in found):
            continue
        shares = [a.size / planes[0][0].size for a, _ in planes]
        powers = found if not powers else [total + part for total, part in zip(powers, found)]
        count += 1
    water = water_level([power / count for power in powers], shares, info.bits_per_pixel) if count else 0.0
    return replace(plain, water=water)


def _pairs(clip: ClipReader) -> Iterator[tuple[Frame, Frame]]:
    """Yield pairs of neighbouring pictures, evenly spread."""
    frames = clip.info.frames
    numbers = sorted({int(n) for n in np.linspace(0, frames - 2, PAIRS)})
    if frames <= ONE_PASS and int(clip.index.key.sum()) < 2 * PAIRS:
        before: Frame | None = None
        for frame in clip.frames():
            if before is not None and before.number in numbers:
                yield before, frame
            before = frame
        return
    for number in numbers:
        pair = list(clip.frames(number, number + 2))
        if len(pair) == 2:
            yield pair[0], pair[1]


def code_slopes(clip: ClipReader, signal: Signal) -> np.ndarray:
    """Return the change of linear R, G, B per code of luma, Cb and Cr at a signal.

    Parameters
    ----------
    signal : sequence of 3 floats, or of one for grey clips
        R'G'B' of the patch.

    Returns
    -------
    ndarray of shape (3, 3)
        Rows R, G, B; columns luma, Cb, Cr.  Of clips coded as R'G'B' the columns are R, G, B; of grey ones luma alone counts.
    """
    info = clip.info
    span = luma_scale(info.bit_depth, info.range)[1]
    at = np.broadcast_to(np.asarray(signal, float), (3,))
    # Light of 8-bit codes bends within a code: the slope is that over a code each way.
    reach = 1.0 / span
    slope = (to_linear(info.transfer, at + reach) - to_linear(info.transfer, at - reach)) / (2.0 * reach)
    if info.chroma == "400":
        return np.column_stack([slope / span, np.zeros(3), np.zeros(3)])
    if info.chroma == "rgb":
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


def grey_sigma(clip: ClipReader, encoder: Encoder, level: float, *, pixels: int, blurred: bool) -> float:
    """Return the same as `light_sigma` for a grey patch of a level of light."""
    signal = float(from_linear(clip.info.transfer, max(level, 0.0)))
    return light_sigma(clip, encoder, (signal, signal, signal), pixels=pixels, blurred=blurred)


__all__ = ["code_sigmas", "code_slopes", "encoder_of", "grey_sigma", "light_sigma"]

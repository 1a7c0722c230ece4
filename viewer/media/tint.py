"""Single-colour pictures: luminance from luma alone, at full resolution.

An intensifier's screen glows in one colour.  Where that holds, linear R, G, B keep their ratios, and luma then determines
luminance: through the ratios to R'G'B', through the matrix weights to luma.  The table is that relation inverted.  Decoding
subsampled chroma to R'G'B' would widen edges; luma does not.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from viewer.cv import cv2
from viewer.errors import RegionError
from viewer.media.frame import Frame, Light, Setting
from viewer.media.light import code_to_signal, from_linear, rgb_to_ycbcr, to_linear
from viewer.media.linearise import HIGH, TABLES_OF_16_BITS, apply_table

if TYPE_CHECKING:
    from viewer.media.reader import ClipReader

CURVE_POINTS = 8192


@dataclass(frozen=True)
class Tint:
    """The constant-tint model of a clip or region.

    Parameters
    ----------
    ratios : tuple of float
        Linear R, G, B per unit of luminance.
    table : ndarray of shape (2**bits,), float32
        Luminance of each luma code.
    clip_code : int
        Luma code at which the first channel reaches its clip level.
    error : float
        Root mean square difference to the exact path on blocks of 4 x 4 px of the region it was made from, as a share of
        their luminance (its own 2 x 2 chroma grid averaged out).
    worst : float
        The 99th percentile of the same difference.
    frames : int
        Pictures that entered.
    """

    ratios: tuple[float, float, float]
    table: NDArray[np.float32] = field(repr=False)
    clip_code: int
    error: float
    worst: float
    frames: int = 1

    def luminance(self, frame: Frame, rect: Any = None) -> Light:
        """Return linear luminance of a rectangle by the model."""
        light, clipped = self.stored_luminance(frame, rect)
        turn = frame.setting.orientation.apply
        return Light(np.ascontiguousarray(turn(light)), np.ascontiguousarray(turn(clipped)))

    def stored_luminance(self, frame: Frame, rect: Any = None) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
        """Return luminance and clip mask of an upright rectangle as stored, not turned."""
        codes = frame.stored_luma(rect)
        return self.of_codes(codes), codes >= self.clip_code

    def of_codes(self, codes: NDArray[Any]) -> NDArray[np.float32]:
        """Return luminance of luma codes, of the same shape."""
        if codes.dtype != np.uint8:
            return apply_table(codes, self._wide)
        pairs = _in_pairs(codes)
        if pairs is None:
            return np.asarray(cv2.LUT(codes, self.table), dtype=np.float32)
        return np.asarray(cv2.LUT(pairs, self._of_pairs)).view(np.float32)

    @cached_property
    def _wide(self) -> NDArray[np.float32]:
        """The table continued to 65,536 entries, as 16-bit samples ask for."""
        return np.concatenate([self.table, np.full(65_536 - len(self.table), self.table[-1], dtype=np.float32)])

    @cached_property
    def _of_pairs(self) -> NDArray[np.float64]:
        """Luminance of two 8-bit codes at once: two numbers of single precision, held as one of double."""
        high, low = np.divmod(np.arange(65_536), 256)
        order = (low, high) if sys.byteorder == "little" else (high, low)
        return np.stack([self.table[codes] for codes in order], axis=-1).view(np.float64).ravel()


def _in_pairs(codes: NDArray[np.uint8]) -> NDArray[np.uint16] | None:
    """Return rows of 8-bit codes as 16-bit numbers, in place; None where that cannot be."""
    if not TABLES_OF_16_BITS or codes.shape[1] % 2 or codes.strides[1] != 1:
        return None
    pairs = codes.view(np.uint16)
    return pairs if pairs.flags.aligned else None


def fit_tint(clip: ClipReader, rect: Any = None, frames: tuple[int, int | None] = (0, None), *, samples: int = 3) -> Tint:
    """Return the tint of a region, from a few pictures spread over the range.

    Raises
    ------
    RegionError
        If nothing in it is lit and unclipped.
    """
    first, last = frames[0], min(len(clip.index), len(clip.index) if frames[1] is None else frames[1]) - 1
    numbers = sorted({round(n) for n in np.linspace(first, max(first, last), samples)})
    pictures = [clip.frame(number) for number in numbers]
    total = np.zeros(3)
    for picture in pictures:
        part = picture.rgb(rect)
        total += part.light[~part.clipped].sum(axis=0, dtype=np.float64)
    setting = pictures[0].setting
    mixed = float(total @ np.array(setting.weights))
    if not mixed > 0:
        raise RegionError("nothing in the region is lit and unclipped.", hint="Choose a lit region for the tint.")
    ratios = np.maximum(total / mixed, 0.0)
    table, clip_code = _table(setting, ratios)
    tint = Tint((float(ratios[0]), float(ratios[1]), float(ratios[2])), table, clip_code, 0.0, 0.0, len(pictures))
    error, worst = _errors(pictures, rect, tint)
    return Tint(tint.ratios, table, clip_code, error, worst, len(pictures))


def _table(setting: Setting, ratios: NDArray[np.float64]) -> tuple[NDArray[np.float32], int]:
    """Luminance of each luma code, and the code where a channel reaches its clip level."""
    spec = setting.spec
    signal = np.linspace(0.0, HIGH, CURVE_POINTS)
    light = to_linear(spec.transfer, signal) / max(float(ratios.max()), 1e-9)
    channels = from_linear(spec.transfer, light[:, None] * ratios[None, :])
    luma = channels[:, 1] if spec.matrix == "rgb" else rgb_to_ycbcr(channels, spec.matrix)[:, 0]
    codes = code_to_signal(np.arange(1 << spec.bits), spec.bits, spec.range)
    values = np.sign(codes) * np.interp(np.abs(codes), luma, light)
    levels = np.array([setting.levels.red, setting.levels.green, setting.levels.blue])
    over = np.flatnonzero((channels >= levels).any(axis=1))
    at = float(luma[over[0]]) if len(over) else np.inf
    above = np.flatnonzero(codes >= at)
    return values.astype(np.float32), int(above[0]) if len(above) else 1 << spec.bits


def _errors(pictures: list[Frame], rect: Any, tint: Tint) -> tuple[float, float]:
    """Compare with the exact path on blocks of 4 x 4 px."""
    rest = []
    for picture in pictures:
        exact, model = picture.luminance(rect), tint.luminance(picture, rect)
        good = ~(exact.clipped | model.clipped)
        a, b, share = _blocks(exact.light * good), _blocks(model.light * good), _blocks(good.astype(np.float32))
        use = (share > 0.99) & (a > 0.02 * a.max(initial=0.0)) & (a > 0)
        rest.append(((b - a)[use]) / a[use])
    joined = np.concatenate(rest) if rest else np.zeros(0)
    if not len(joined):
        return float("inf"), float("inf")
    return float(np.sqrt(np.mean(joined**2))), float(np.percentile(np.abs(joined), 99))


def _blocks(values: NDArray[Any], size: int = 4) -> NDArray[np.float64]:
    size = min(size, *values.shape)
    rows, cols = values.shape[0] // size, values.shape[1] // size
    cut = values[: rows * size, : cols * size].astype(np.float64)
    return np.asarray(cut.reshape(rows, size, cols, size).mean(axis=(1, 3)))


__all__ = ["Tint", "fit_tint"]

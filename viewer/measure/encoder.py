r"""What a lossy encoder does to light: how much noise it takes, and by how much the level of a patch may be off.

**Noise.** Reverse water-filling: an encoder that spends b bits a sample drops all that lies under a common level D of
distortion, and codes the rest, :math:`b = \overline{\tfrac12 \log_2(S / D)}` over all places and frequencies whose spectrum S
lies above D.  What is left in the file is :math:`R = S - D`, so the level follows from what the file holds and the bits of it:
:math:`b = \overline{\tfrac12 \log_2(1 + R / D)}`.  Noise of a patch was then about :math:`R + D`; something that stands still
under it comes through with the gain :math:`R / (R + D)`.  Real encoders spend some bits on structure and are less thrifty than
the bound, so D is a guide, not a certainty: intervals allow for two and a half times as much.

**Levels.** Mean codes of a patch come back off by a little more than rounding.  The sizes were measured on encodes of known
noise (tests/benchmarks/bench_patches.py: x264 and x265, 8 and 10 bits, two presets, constant quality 14 to 30).

References
----------
.. [1] T. M. Cover, J. A. Thomas, *Elements of Information Theory* (2006), 10.3.3: parallel Gaussian sources.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.fft import dctn
from scipy.ndimage import uniform_filter
from scipy.optimize import brentq

SIDE = 8
LOSSLESS = ("ffv1", "huffyuv", "ffvhuff", "rawvideo", "utvideo", "v210", "magicyuv", "png")
# What averaging of whole codes adds in prediction (ITU-T H.264, 8.4.2.3.1), which residuals of noisy light leave there.
HALVES_UP = 0.045
# The water level may be this many times higher than found.
DOUBT = 2.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Encoder:
    """The encoder of a clip, as far as the file tells.

    Parameters
    ----------
    codec : str
    bit_depth : int
    bits_per_pixel : float
        All bits over all pixels; 0 if unknown.
    water : float
        Level of distortion in squared codes of luma; 0 for lossless or unknown.
    """

    codec: str = ""
    bit_depth: int = 8
    bits_per_pixel: float = 0.0
    water: float = 0.0

    @property
    def lossless(self) -> bool:
        """Whether nothing is lost but by rounding to codes."""
        return self.codec in LOSSLESS

    def kept(self, power: float) -> float:
        """Return the share of the standard deviation of noise that is left, 0 .. 1, by the power left in squared codes."""
        if self.water <= 0:
            return 1.0
        return math.sqrt(max(power, 0.0) / (max(power, 0.0) + self.water))

    def luma_sigma(self, pixels: int = 576) -> float:
        """Return by how much the mean luma of a patch of so many pixels is off beyond rounding, codes (1 sigma)."""
        if self.lossless:
            return 0.0
        # What `luma_shift` leaves: rounding in prediction adds up over pictures.
        own = 0.0 if self.codec == "hevc" else 0.05
        return math.hypot(max(0.036 * self._coarseness(), 0.22 * self._hunger()) * _blocks(pixels), own)

    @property
    def luma_shift(self) -> float:
        """By how much mean luma reads high through prediction that rounds halves up, codes: 0.02 to 0.17 were found."""
        return HALVES_UP if self.codec == "h264" else 0.0

    def chroma_sigma(self, pixels: int = 576) -> float:
        """Return the same for chroma, codes, rounding included: noise that would blur it seldom survives there."""
        if self.lossless:
            return 0.29
        coarse = max(0.125 * self._coarseness(), 0.45 * self._hunger()) * _blocks(pixels)
        return math.sqrt(coarse**2 + 0.19**2 + (0.1 * self._fine()) ** 2)

    @property
    def _bits(self) -> float:
        return float(np.clip(self.bits_per_pixel if self.bits_per_pixel > 0 else 0.1, 0.003, 4.0))

    def _coarseness(self) -> float:
        """Coarseness of the quantiser as noise tells it, codes; errors of levels last longer where few bits go on."""
        return float(math.sqrt(self.water) * (0.4 / self._bits) ** 0.2)

    def _hunger(self) -> float:
        """Coarseness of the quantiser where so few bits are left that no noise tells of it, codes."""
        return float(((0.012 if self.codec == "hevc" else 0.028) / self._bits) ** 1.5 * self._fine())

    def _fine(self) -> float:
        """Codes of this depth in one of 8 bits: encoders quantise alike at any depth."""
        return float(2 ** max(0, self.bit_depth - 8))


def _blocks(pixels: int) -> float:
    """Share of an error of blocks that is left in the mean of a patch, against one of 24 x 24 px."""
    return float(np.clip(math.sqrt(576.0 / max(pixels, 1)), 0.4, 1.5))


def block_power(first: np.ndarray, second: np.ndarray, *, most: int = 4000) -> np.ndarray:
    """Return the power of the noise of two pictures of one plane, block by block and frequency by frequency.

    Parameters
    ----------
    first, second : ndarrays of shape (h, w)
        Codes of two new pictures that follow each other.
    most : int
        Rows of blocks are left out evenly so that no more blocks are looked at.

    Returns
    -------
    ndarray of shape (rows, cols, 8, 8)
        Squared codes: half the power of the difference, orthonormal cosine transform.
    """
    rows, cols = first.shape[0] // SIDE, first.shape[1] // SIDE
    if rows < 1 or cols < 1:
        return np.zeros((0, 0, SIDE, SIDE))
    take = np.arange(0, rows, max(1, math.ceil(rows * cols / most)))
    a, b = (plane[: rows * SIDE, : cols * SIDE].reshape(rows, SIDE, cols, SIDE)[take] for plane in (first, second))
    change = (a.astype(np.float64) - b).transpose(0, 2, 1, 3)
    return np.asarray(0.5 * dctn(change, axes=(2, 3), norm="ortho") ** 2)


def water_level(powers: Sequence[np.ndarray], samples: Sequence[float], bits_per_pixel: float) -> float:
    """Return the level of distortion at which the powers left in the file cost as many bits as the file has.

    Parameters
    ----------
    powers : sequence of ndarrays of shape (rows, cols, 8, 8)
        One a plane, from `block_power`, averaged over pairs of pictures.
    samples : sequence of float
        Samples of each plane for one pixel (1 for luma, 0.25 for each chroma plane of 4:2:0).
    bits_per_pixel : float

    Returns
    -------
    float
        Squared codes; 0 if there is nothing to go by.
    """
    if bits_per_pixel <= 0:
        return 0.0
    smooth = [np.maximum(uniform_filter(power, (3, 3, 1, 1)), 0.0) for power in powers]

    def cost(level: float) -> float:
        d = math.exp(level)
        return sum(float(np.log2(1.0 + power / d).mean()) * 0.5 * share for power, share in zip(smooth, samples) if power.size)

    low, high = math.log(1e-9), math.log(1e9)
    if cost(low) <= bits_per_pixel:
        return 0.0
    if cost(high) >= bits_per_pixel:
        return math.exp(high)
    return math.exp(float(brentq(lambda level: cost(level) - bits_per_pixel, low, high, xtol=1e-3)))


NO_ENCODER = Encoder()

__all__ = ["DOUBT", "LOSSLESS", "NO_ENCODER", "SIDE", "Encoder", "block_power", "water_level"]

r"""What an encoder takes from fine detail, judged from the decoded pictures.

An encoder rounds the amplitudes of patterns to steps of Q code values and drops what is smaller.  At R bits a pixel noise of
variance :math:`\sigma^2` keeps :math:`\sigma^2 (1 - 2^{-2R})` and loses a distortion D, so the noise that is left, with the
bits spent, gives :math:`D = \sigma_{left}^2 / (2^{2R} - 1)` and :math:`Q = \sqrt{12 D}`.  Where an encoder left no noise at
all, Q is unknown; then what it left standing along lines that should be alike, and a floor, bound it.

References
----------
.. [1] T. Berger, *Rate Distortion Theory*, 1971: the distortion of normal noise at a rate.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

# From encodes of known bars, H.264 8 bit and HEVC 10 bit, quantiser 16 to 28 (tests/benchmarks/bench_bars.py): what is lost or
# added of the amplitude of bars w px wide is 0.12 Q / w, as a standard deviation; thin bars lose some 0.2 Q / w more where no
# noise lifts them over the step.
SPREAD_OF_STEP = 0.12
LOST_OF_STEP = 0.18
THIN_PX = (2.4, 4.0)  # bars up to the first lose all of that, wider than the second nothing
STANDING = 6.0  # steps a unit of what is left standing along lines
NO_NOISE = 0.3  # 8-bit codes of noise below which it was all taken
FLOOR = 15.0  # 8-bit codes: the step of a coder that takes usual noise whole


@dataclass(frozen=True, slots=True)
class Coding:
    """How coarsely a clip is coded.

    Parameters
    ----------
    step : float
        Quantiser step Q, in luma code values of the clip; 0 for lossless.
    dithered : bool
        Whether noise is left that lifts weak detail over the step.
    """

    step: float
    dithered: bool

    def amplitude_error(self, width_px: float) -> tuple[float, float]:
        """Return standard error and likely loss of the amplitude of bars of a width (px), in luma code values.

        The loss is of one sign: an encoder takes contrast of thin bars and gives none.
        """
        width = max(width_px, 1.0)
        thin = min(1.0, max(0.0, (THIN_PX[1] - width) / (THIN_PX[1] - THIN_PX[0])))
        lost = 0.0 if self.dithered else LOST_OF_STEP * self.step / width * thin
        return SPREAD_OF_STEP * self.step / width, lost


LOSSLESS = Coding(0.0, True)


def coding_of(noise: float, bits_per_pixel: float, *, standing: float = 0.0, bit_depth: int = 8) -> Coding:
    """Judge how coarsely pictures are coded.

    Parameters
    ----------
    noise : float
        Standard deviation of pixels over frames in the decoded pictures, luma codes.
    bits_per_pixel : float
        Bits spent per pixel and frame; 0 if unknown (0.1 is taken).
    standing : float, optional
        Rms in the mean picture along lines that should be alike, noise taken off, luma codes.
    bit_depth : int, optional
        Of the clip.

    Returns
    -------
    Coding
    """
    unit = 2.0 ** (bit_depth - 8)
    rate = bits_per_pixel if bits_per_pixel > 0 else 0.1
    step = math.sqrt(12.0 / (2.0 ** (2.0 * rate) - 1.0)) * max(noise, 0.0)
    if noise < NO_NOISE * unit:
        step = max(FLOOR * unit, min(step, 3.0 * FLOOR * unit), STANDING * standing)
        return Coding(step, False)
    step = min(step, 4.0 * FLOOR * unit)
    return Coding(step, noise > 0.3 * step)


__all__ = ["LOSSLESS", "Coding", "coding_of"]

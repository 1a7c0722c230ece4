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

# From encodes of known bars against the same pictures kept whole, H.264 8 bit and HEVC 10 bit, quality 14 to 29, two presets,
# noise from none to a third of the light, two kinds of scenes (tests/benchmarks/bench_bars.py loss): of bars w px wide the step
# from bar to gap loses k (Q / w) sqrt(3 / w) codes.  k falls with the noise left, in units of Q, that lifts detail over the
# step.  Single encoders take half or twice that, and so do single targets.
TAKEN_OF_STEP = 0.035
TAKEN_UNLIFTED, TAKEN_NOISE = 0.023, 0.015
TAKEN_BARE = 0.2  # where no noise is left
TAKEN_WIDTH_PX = 3.0
DOUBT = 1.4  # standard error of what was taken, in units of itself
STANDING = 6.0  # steps a unit of what is left standing along lines
NO_NOISE = 0.3  # 8-bit codes of noise below which it was all taken
OVER_WHOLE, ENOUGH_NOISE = 1.7, 0.28  # of encodes with noise everywhere: their step over that of the whole clip's noise
FLOOR = 15.0  # 8-bit codes: the step of a coder that takes usual noise whole


@dataclass(frozen=True, slots=True)
class Coding:
    """How coarsely a clip is coded.

    Parameters
    ----------
    step : float
        Quantiser step Q, in luma code values of the clip; 0 for lossless.
    noise : float
        Noise that is left, luma code values; 0 where none is left that lifts weak detail over the step.
    """

    step: float
    noise: float

    @property
    def dithered(self) -> bool:
        """Whether noise is left that lifts weak detail over the step."""
        return self.noise > 0.3 * self.step or self.step == 0.0

    def taken(self, width_px: float) -> float:
        """Return what is likely taken of the step from bar to gap, for bars of a width (px), in luma code values.

        An encoder takes contrast and gives none; what it took is known to about `DOUBT` of itself.
        """
        if self.step <= 0.0:
            return 0.0
        share = TAKEN_BARE
        if self.noise > 0.0:
            share = TAKEN_OF_STEP + TAKEN_UNLIFTED / (self.noise / self.step + TAKEN_NOISE)
        width = max(width_px, 1.0)
        return share * self.step / width * math.sqrt(TAKEN_WIDTH_PX / width)


def given_back(seen: float, taken: float) -> float:
    """Return by how much an amplitude was larger before an encoder took from it, 0 .. `taken`.

    Strong detail loses `taken`; weak detail cannot lose more than it had, so that of an amplitude a is left a^2 / (a + taken).

    Parameters
    ----------
    seen : float
        Amplitude that is left; any sign, any unit.
    taken : float
        As from `Coding.taken`, in the same unit, 0 or more.
    """
    left = abs(seen)
    return 0.5 * (math.sqrt(left * left + 4.0 * left * taken) - left)


LOSSLESS = Coding(0.0, 0.0)


def coding_of(noise: float, bits_per_pixel: float, *, standing: float = 0.0, bit_depth: int = 8, whole: float = 0.0) -> Coding:
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
    whole : float, optional
        Quantiser step that the noise of the whole clip tells, luma codes; 0 if unknown.  Encoders hold their step: where this
        part alone is noisy, the bits of the clip are not its own, and the step is no more than about that of the whole.

    Returns
    -------
    Coding
    """
    unit = 2.0 ** (bit_depth - 8)
    rate = bits_per_pixel if bits_per_pixel > 0 else 0.1
    step = math.sqrt(12.0 / (2.0 ** (2.0 * rate) - 1.0)) * max(noise, 0.0)
    if noise < NO_NOISE * unit:
        step = max(FLOOR * unit, min(step, 3.0 * FLOOR * unit), STANDING * standing)
        return Coding(step, 0.0)
    step = min(step, 4.0 * FLOOR * unit)
    if whole > 0.0:
        # little noise left tells nothing about the step: then the cap is loose
        step = min(step, OVER_WHOLE * whole / min(1.0, noise / (ENOUGH_NOISE * whole)) ** 2)
    return Coding(step, noise)


__all__ = ["DOUBT", "LOSSLESS", "Coding", "coding_of", "given_back"]

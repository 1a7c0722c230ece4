"""What pictures that are coded on their own keep of a modulation, and predicted ones lose.

An encoder codes key pictures on their own and more finely, and takes the others from their neighbours: bands that travel must
be coded anew in each, and where bits are short they are passed over a little in every predicted picture.  The key pictures of
a clip then show more of the same light.  Nothing else in a scene changes with them, so the difference is the encoder's.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from viewer.measure.flicker_fit import wave_phase
from viewer.measure.flicker_places import Line

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

BLOCK_ROWS = 32.0
"""Delivered rows over which an encoder's errors last: blocks of 16 (ITU-T H.264) to 64 rows (ITU-T H.265)."""


@dataclass(frozen=True, slots=True)
class KeyGain:
    """By how much the fundamental is larger in key pictures (relative amplitude), and the 1-sigma error of that."""

    gain: float
    sigma: float

    @property
    def believed(self) -> float:
        """The gain as far as it stands out of its error; an encoder takes modulation and gives none."""
        if self.gain <= self.sigma:
            return 0.0
        return self.gain * (1.0 - (self.sigma / self.gain) ** 2)


def amplitudes_by_frame(line: Line) -> tuple[Floats, Floats]:
    """Return the fundamental of every frame, in phase with the fit, and what it leaves over rows (root mean square).

    Returns
    -------
    amplitude, left : ndarrays of shape (N,)
        Relative light.
    """
    wave, sheet = line.wave, line.sheet
    first = wave.amplitudes[0]
    psi = wave_phase(sheet, wave.g_hz, wave.q) + float(np.angle(first))
    weight = sheet.weight / sheet.weight.sum()
    shown = wave.rest + abs(first) * np.cos(psi)
    columns = np.stack([np.ones_like(psi), np.cos(psi), np.sin(psi)], axis=2)
    normal = np.einsum("nri,nrj,r->nij", columns, columns, weight, optimize=True)
    # less than half a period in the picture: level and wave cannot be told apart in one frame
    normal += 1e-9 * np.eye(3)
    right = np.einsum("nri,nr,r->ni", columns, shown, weight, optimize=True)
    found = np.linalg.solve(normal, right[:, :, None])[:, :, 0]
    left = shown - np.einsum("nri,ni->nr", columns, found, optimize=True)
    return found[:, 1], np.sqrt(np.square(left) @ weight)


def key_gain(line: Line, key: Bools | None, rows_delivered: float) -> KeyGain | None:
    """Return what key pictures show more than the clip as a whole; None where there are none, or nothing else.

    Parameters
    ----------
    line : Line
    key : ndarray of shape (N,) or None
        Which frames are coded on their own.
    rows_delivered : float
        Delivered rows that the line's rows cover.
    """
    if key is None or key.shape != line.sheet.times_s.shape or not 0 < key.sum() < 0.5 * key.size:
        return None
    if abs(line.wave.q) < 0.8:
        return None
    amplitude, left = amplitudes_by_frame(line)
    lit = float(np.mean(line.sheet.weight > 0))
    blocks = max(rows_delivered * lit / BLOCK_ROWS, 1.0)
    count = int(key.sum())
    within = float(np.mean(left[key])) * math.sqrt(2.0 / blocks)
    others = amplitude[~key]
    # frames of one kind scatter among themselves by the middle of their changes, whatever the trend within a group of pictures
    scatter = float(np.median(np.abs(np.diff(others)))) / 0.6745 / math.sqrt(2.0)
    sigma = math.hypot(within, scatter) / math.sqrt(count)
    return KeyGain(float(amplitude[key].mean() - line.wave.amplitude), sigma)


__all__ = ["KeyGain", "amplitudes_by_frame", "key_gain"]

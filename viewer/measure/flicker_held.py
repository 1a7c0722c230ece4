"""Clips whose encoder renewed the bands in some pictures only and held them in between.

Where bits are very short, the pictures between two anchors repeat the bands of their neighbours.  Light is then sampled at the
anchors alone, a small part of the frame rate: the line has images at multiples of that rate, all with the band spacing of the
light, and the image that moves least is the strongest, wherever the light's own alias lies.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from viewer.measure.flicker_fit import Wave
from viewer.measure.flicker_sampling import Clock
from viewer.measure.flicker_search import Plane

STRIDES = (2, 3, 4, 5, 6, 8)
"""Pictures from anchor to anchor that encoders use."""
IMAGE_LEAST, IMAGE_IN_DOUBT = 0.2, 0.08
"""Images of this share of the line say that bands were held; less is enough where no readout agrees.
Clips of two simulators that hold none show up to 0.06, those that hold some up to 0.15."""
NEAR_Q = 0.25
OWN_HZ = 2.0
"""Images nearer than this to the line or to its mirror image are not told from it."""


def held_pictures(plane: Plane, wave: Wave, clock: Clock, *, doubt: bool) -> int:
    """Return from how many pictures to the next the encoder renewed the bands: 1 if in each, or if it cannot be told.

    Parameters
    ----------
    plane : Plane
        Of the untouched clip.
    wave : Wave
    clock : Clock
    doubt : bool
        Whether no known readout agrees with the alias: then less is enough.
    """
    fold_hz = clock.fold_hz
    if not math.isfinite(fold_hz) or abs(wave.q) < 1.0:
        return 1
    best, found = IMAGE_IN_DOUBT if doubt else IMAGE_LEAST, 1
    for stride in STRIDES:
        images = [_image(plane, wave, side * fold_hz / stride, fold_hz) for side in (-1.0, 1.0)]
        size = math.sqrt(images[0] * images[1])
        if size > best:
            best, found = size, stride
    return found


def _image(plane: Plane, wave: Wave, shift_hz: float, fold_hz: float) -> float:
    """Return the amplitude of the line's image at a shift, over that of the line; 0 where it cannot be told from the line."""
    g = wave.g_hz + shift_hz
    g -= round(g / fold_hz) * fold_hz
    q = wave.q if g >= 0 else -wave.q
    g = abs(g)
    if abs(g - abs(wave.g_hz)) < OWN_HZ or g < OWN_HZ:
        return 0.0
    step = plane.g_hz[1] - plane.g_hz[0]
    rows = np.abs(plane.g_hz - g) <= 1.5 * step
    columns = np.abs(plane.q - q) <= NEAR_Q
    if not rows.any() or not columns.any():
        return 0.0
    return float(plane.amplitude[np.ix_(rows, columns)].max()) / max(wave.amplitude, 1e-12)


def anchors_clock(clock: Clock, stride: int) -> Clock:
    """Return the clock whose aliases repeat at the rate of the anchors."""
    return clock if stride == 1 else replace(clock, comb_hz=clock.fold_hz / stride)


__all__ = ["anchors_clock", "held_pictures"]

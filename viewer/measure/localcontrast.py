r"""Local, band-limited contrast: how much light varies about its local mean, octave by octave of spatial frequency.

The band of an octave is the picture filtered with :math:`\tfrac12 (1 + \cos(\pi \log_2(r / r_i)))` within one octave of its
centre :math:`r_i`; divided by the picture low-passed an octave below, it is contrast in the sense of Michelson for a grating:
a sine of contrast m at the centre gives an amplitude of m, an rms of :math:`m / \sqrt 2`.

References
----------
.. [1] E. Peli, "Contrast in complex images", J. Opt. Soc. Am. A 7 (1990) 2032.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from viewer.errors import RegionError
from viewer.measure.readings import Flag, Reading, refused


@dataclass(frozen=True, slots=True)
class Band:
    """One octave.

    ``frequency`` is the centre in cycles/degree (cycles/px without a scale), ``map`` the contrast of each pixel (NaN where
    the ground is too dark), ``rms`` its root mean square with noise taken off, ``sigma`` the error of it, ``noise`` the rms
    that noise alone would show.
    """

    name: str
    frequency: float
    cycles_px: float
    map: np.ndarray
    rms: float
    sigma: float
    noise: float
    used: float


@dataclass(frozen=True, slots=True)
class LocalContrast:
    """All octaves of one region, coarse to fine."""

    bands: tuple[Band, ...]
    px_per_degree: float | None


def cosine_log_gain(r: np.ndarray | float, centre: float) -> np.ndarray:
    """Return the gain at radial frequency `r` of the octave about `centre`."""
    ratio = np.asarray(r, float) / centre
    place = np.log2(np.maximum(ratio, 1e-12))
    return np.asarray(np.where(np.abs(place) < 1.0, 0.5 * (1.0 + np.cos(math.pi * place)), 0.0))


def _low_gain(r: np.ndarray, centre: float) -> np.ndarray:
    """Return the gain of everything below the octave about `centre`: 1 minus the rising half of that octave."""
    place = np.log2(np.maximum(r / centre, 1e-12))
    return np.asarray(np.where(place <= -1.0, 1.0, np.where(place >= 0.0, 0.0, 0.5 * (1.0 - np.cos(math.pi * place)))))


def local_contrast(
    light: np.ndarray, *, px_per_degree: float | None = None, noise_sigma: float = 0.0, least_ground: float | None = None
) -> LocalContrast:
    """Return the local contrast of a picture by octaves.

    Parameters
    ----------
    light : ndarray of shape (h, w)
        Linear light, dark level subtracted; at least 16 px each way.
    px_per_degree : float, optional
        Scale; octaves are then placed at powers of 2 cycles/degree, else at powers of 2 cycles/px.
    noise_sigma : float
        Noise of a pixel of `light`; its share is taken off each octave (white noise).
    least_ground : float, optional
        Light below which the ground is too dark to divide by; three times the noise by default.

    Raises
    ------
    RegionError
        If the picture is too small or holds no light.
    """
    x = np.asarray(light, float)
    h, w = x.shape
    if min(h, w) < 16:
        raise RegionError(f"a region of {w} x {h} px is too small for octaves.", hint="Use at least 16 x 16 px.")
    if not x.mean() > 0:
        raise RegionError("the region holds no light.", hint="Choose a lit region, or film brighter.")
    # Mirrored, the borders join without a step.
    tile = np.block([[x, x[:, ::-1]], [x[::-1], x[::-1, ::-1]]])
    fy, fx = np.fft.fftfreq(2 * h)[:, None], np.fft.rfftfreq(2 * w)[None, :]
    radius = np.hypot(fy, fx)
    spectrum = np.fft.rfft2(tile)
    floor = least_ground if least_ground is not None else 3.0 * noise_sigma
    scale = px_per_degree or 1.0
    lowest, highest = 2.0 / min(h, w) * scale, 0.36 * scale
    bands = []
    for power in range(math.ceil(math.log2(lowest)), math.floor(math.log2(highest)) + 1):
        centre = 2.0**power
        bands.append(_band(spectrum, radius, centre, scale, (h, w), noise_sigma, floor, px_per_degree is not None))
    return LocalContrast(tuple(bands), px_per_degree)


def _band(
    spectrum: np.ndarray,
    radius: np.ndarray,
    centre: float,
    scale: float,
    shape: tuple[int, int],
    noise_sigma: float,
    floor: float,
    angular: bool,
) -> Band:
    h, w = shape
    at = centre / scale
    gain = cosine_log_gain(radius, at)
    band = np.fft.irfft2(spectrum * gain, s=(2 * h, 2 * w))[:h, :w]
    ground = np.fft.irfft2(spectrum * _low_gain(radius, at), s=(2 * h, 2 * w))[:h, :w]
    good = ground > max(floor, 1e-9)
    contrast = np.where(good, band / np.where(good, ground, 1.0), np.nan)
    used = float(good.mean())
    fy, fx = np.fft.fftfreq(256)[:, None], np.fft.fftfreq(256)[None, :]
    passed = math.sqrt(float((cosine_log_gain(np.hypot(fy, fx), at) ** 2).mean()))
    noise = noise_sigma * passed * math.sqrt(float(np.mean(1.0 / ground[good] ** 2))) if good.any() else 0.0
    power = float(np.nanmean(contrast**2)) if good.any() else 0.0
    rms = math.sqrt(max(0.0, power - noise**2))
    # Independent places: one a period each way, times the width of the band.
    places = max(1.0, used * h * w * at**2 * 2.0)
    sigma = math.sqrt(power) / math.sqrt(2.0 * places)
    unit = "cycles/degree" if angular else "cycles/px"
    return Band(f"{centre:g} {unit}", centre, at, contrast, rms, sigma, noise, used)


def band_readings(found: LocalContrast, *, flags: Flag = Flag.NONE, angular: bool = False) -> tuple[Reading, ...]:
    """Return the rms of each octave as readings ``local_contrast``."""
    method = "rms of the octave over the local mean an octave below (Peli 1990), white noise taken off"
    own = flags | (Flag.NONE if angular else Flag.NOT_CALIBRATED)
    readings = []
    for band in found.bands:
        if band.used < 0.5:
            reason = "Over half of the region is darker than three times the noise: film brighter or average more frames."
            readings.append(refused("local_contrast", band.name, "1", reason, flags=own, method=method))
        elif band.noise > 2.0 * band.rms:
            reason = "Noise hides this octave: average more frames, or film brighter."
            readings.append(refused("local_contrast", band.name, "1", reason, flags=own | Flag.LOW_SIGNAL, method=method))
        else:
            low, high = max(0.0, band.rms - 1.96 * band.sigma), band.rms + 1.96 * band.sigma
            readings.append(
                Reading(
                    name="local_contrast",
                    of=band.name,
                    value=band.rms,
                    unit="1",
                    low=low,
                    high=high,
                    flags=own,
                    pixels=int(band.map.size * band.used),
                    method=method,
                )
            )
    return tuple(readings)


__all__ = ["Band", "LocalContrast", "band_readings", "cosine_log_gain", "local_contrast"]

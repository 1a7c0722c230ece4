"""Spread of light, in the frequency domain: exact for any radius and sub-pixel place."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
from scipy.special import j1


@dataclass(frozen=True, kw_only=True)
class Spread:
    """What a point of light becomes between scene and phosphor, lengths in px.

    A share ``1 - halo_share - veil_share`` stays in a Gaussian of `sigma_px`; `halo_share` fills a disc of `halo_radius_px`
    whose edge is blurred by `halo_sigma_px` (electrons scattered back from the channel plate); `veil_share` falls off as
    ``exp(-r / veil_px)`` (glare of lenses and cathode).  Without `with_core` only halo and veil are left.
    """

    sigma_px: float
    halo_radius_px: float = 0.0
    halo_sigma_px: float = 1.0
    halo_share: float = 0.0
    veil_px: float = 1.0
    veil_share: float = 0.0
    with_core: bool = True

    def transfer(self, shape: tuple[int, int]) -> np.ndarray:
        """Return the optical transfer function on the half-plane grid of `scipy.fft.rfft2`, real, 1 at zero frequency."""
        return self.response(np.hypot(scipy.fft.fftfreq(shape[0])[:, None], scipy.fft.rfftfreq(shape[1])[None, :]))

    def response(self, f: np.ndarray) -> np.ndarray:
        """Return the transfer function at radial frequencies f, cycles/px."""
        core = 1 - self.halo_share - self.veil_share if self.with_core else 0.0
        total = core * gauss_mtf(f, self.sigma_px)
        if self.halo_share:
            total = total + self.halo_share * disc_mtf(f, self.halo_radius_px) * gauss_mtf(f, self.halo_sigma_px)
        if self.veil_share:
            total = total + self.veil_share * exponential_mtf(f, self.veil_px)
        return np.asarray(total)


def gauss_mtf(f: np.ndarray, sigma_px: float) -> np.ndarray:
    """Return ``exp(-2 pi^2 sigma^2 f^2)``, f in cycles/px."""
    return np.asarray(np.exp(-2 * (np.pi * sigma_px * f) ** 2))


def disc_mtf(f: np.ndarray, radius_px: float) -> np.ndarray:
    """Return ``2 J1(x) / x`` with ``x = 2 pi R f``: a uniform disc."""
    x = 2 * np.pi * radius_px * np.asarray(f, float)
    safe = np.where(x == 0, 1.0, x)
    return np.asarray(np.where(x == 0, 1.0, 2 * j1(safe) / safe))


def exponential_mtf(f: np.ndarray, scale_px: float) -> np.ndarray:
    """Return ``(1 + (2 pi s f)^2)^(-3/2)``: the transform of ``exp(-r / s) / (2 pi s^2)`` in the plane."""
    return np.asarray((1 + (2 * np.pi * scale_px * np.asarray(f, float)) ** 2) ** -1.5)


class Lens:
    """Applies one `Spread` to many images of one shape, padded so that nothing wraps round."""

    def __init__(self, spread: Spread, shape: tuple[int, int]) -> None:
        reach = int(np.ceil(max(8 * spread.sigma_px, spread.halo_radius_px + 6 * spread.halo_sigma_px, 8.0))) + 2
        if spread.veil_share:
            reach = max(reach, int(3 * spread.veil_px))
        self.shape = shape
        self._padded = (scipy.fft.next_fast_len(shape[0] + reach), scipy.fft.next_fast_len(shape[1] + reach, real=True))
        self._transfer = spread.transfer(self._padded)

    def apply(self, light: np.ndarray) -> np.ndarray:
        """Return the spread light, float32, never negative."""
        spectrum = scipy.fft.rfft2(np.asarray(light, np.float64), self._padded)
        spectrum *= self._transfer
        out = scipy.fft.irfft2(spectrum, self._padded)[: self.shape[0], : self.shape[1]]
        return np.asarray(np.maximum(out, 0), np.float32)


__all__ = ["Lens", "Spread", "disc_mtf", "exponential_mtf", "gauss_mtf"]

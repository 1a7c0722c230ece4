"""A night-vision device: from scene light to the glow behind its eyepiece."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import erf

from viewer.cv import cv2
from viewer.lab.canvas import smooth_noise
from viewer.lab.optics import Spread
from viewer.lab.waves import Pulse

ELECTRON = 1.602176634e-19


@dataclass(frozen=True, kw_only=True)
class Tube:
    """One device.  Lengths at the tube in mm, angles in degrees, light in lx at the cathode.

    `gap_mm` is the distance from cathode to channel plate: back-scattered electrons land up to twice that far away, so the
    halo's radius is ``2 gap`` at the tube.  `noise_factor` is the excess of the variance over Poisson's.  `gate` None means
    that the supply does not pulse.
    """

    name: str
    seed: int
    field_deg: float = 40.0
    objective_mm: float = 27.0
    f_number: float = 1.2
    transmission: float = 0.9
    sensitivity_ua_lm: float = 900.0
    noise_factor: float = 1.8
    optics_sigma_deg: float = 0.045
    spot_sigma_deg: float = 0.05
    gap_mm: float = 0.2
    halo_softness_deg: float = 0.09
    halo_share: float = 0.12
    veil_share: float = 0.06
    veil_deg: float = 3.0
    ebi_lx: float = 0.02e-6
    gate: Pulse | None = None
    knee_lx: float = 1e-3
    settle_s: float = 0.18
    fixed_pattern: float = 0.02
    dark_spots: int = 4
    vignette: float = 0.25
    phosphor_xy: tuple[float, float] = (0.333, 0.556)

    @property
    def halo_radius_deg(self) -> float:
        """Angle that the halo's radius subtends through the objective."""
        return float(np.degrees(np.arctan(2 * self.gap_mm / self.objective_mm)))

    def spread(self, px_per_degree: float) -> Spread:
        """Return the spread between scene and cathode current, in clip px."""
        return Spread(
            sigma_px=self.optics_sigma_deg * px_per_degree,
            halo_radius_px=self.halo_radius_deg * px_per_degree,
            halo_sigma_px=self.halo_softness_deg * px_per_degree,
            halo_share=self.halo_share,
            veil_px=self.veil_deg * px_per_degree,
            veil_share=self.veil_share,
        )

    def cathode_lx(self, luminance: float | np.ndarray) -> float | np.ndarray:
        """Return the illuminance of the cathode for a scene luminance in cd/m2: ``pi L T / (4 N^2)``."""
        return np.pi * luminance * self.transmission / (4 * self.f_number**2)

    def electrons(self, lux: float | np.ndarray, px_per_degree: float, seconds: float) -> float | np.ndarray:
        """Return photoelectrons a clip pixel collects in `seconds` at a cathode illuminance."""
        pixel_mm = self.objective_mm * np.tan(np.radians(1 / px_per_degree))
        current_density = lux * 1e-6 * self.sensitivity_ua_lm * 1e-6  # lx = 1e-6 lm/mm2; A/mm2
        electrons: float | np.ndarray = current_density / ELECTRON * pixel_mm**2 * seconds
        return electrons

    def gain(self, mean_lux: float | np.ndarray) -> np.ndarray:
        """Return the gain, relative to that at low light, that brightness control settles at."""
        return np.asarray(1 / (1 + np.asarray(mean_lux) / self.knee_lx))

    def pattern(self, shape: tuple[int, int], px_per_degree: float) -> np.ndarray:
        """Return the fixed pattern: fine grain, faint honeycomb, slow shading, a few dark spots; mean 1."""
        rng = np.random.default_rng([self.seed, 11])
        size = max(shape)
        grain = smooth_noise(size, 1.1, rng)
        shading = smooth_noise(size, 5 * px_per_degree, rng)
        y, x = np.mgrid[:size, :size].astype(np.float32) / (0.62 * px_per_degree)
        comb = sum(np.cos(2 * np.pi * (x * np.cos(a) + y * np.sin(a))) for a in (0.2, 0.2 + np.pi / 3, 0.2 + 2 * np.pi / 3))
        out = 1 + self.fixed_pattern * (0.8 * grain + 0.22 * comb) + 0.012 * shading
        for _ in range(self.dark_spots):
            r, turn = 0.46 * size * np.sqrt(rng.uniform(0.35, 1)), rng.uniform(0, 2 * np.pi)
            at = (
                (0.5 * size + r * np.cos(turn)) / (0.62 * px_per_degree),
                (0.5 * size + r * np.sin(turn)) / (0.62 * px_per_degree),
            )
            d2 = (x - at[0]) ** 2 + (y - at[1]) ** 2
            out *= 1 - rng.uniform(0.25, 0.7) * np.exp(-d2 / (2 * rng.uniform(0.06, 0.13) ** 2))
        return np.asarray(out[: shape[0], : shape[1]], np.float32)

    def sample(
        self, electrons: np.ndarray, rng: np.random.Generator, *, spot_sigma_px: float, inside: np.ndarray | None = None
    ) -> np.ndarray:
        """Return one noisy exposure with the mean of `electrons`, each event spread over a spot.

        Events come by Poisson's law at ``electrons / noise_factor``, each worth `noise_factor`: mean and variance
        (``noise_factor x electrons``) are those of a multiplier with that excess noise, and dim parts sparkle as they should.
        """
        rate = electrons / self.noise_factor
        counts = poisson(rate if inside is None else rate[inside], rng)
        if inside is None:
            events = counts
        else:
            events = np.zeros(electrons.shape, np.float32)
            events[inside] = counts
        events *= np.float32(self.noise_factor)
        return blur(events, spot_sigma_px)


def poisson(rate: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return Poisson samples as float32; above 60 the normal law with the same mean and variance stands in."""
    rate = np.asarray(rate, np.float32)
    normal = rng.standard_normal(rate.shape, dtype=np.float32)
    out = np.maximum(rate + np.sqrt(rate) * normal, 0)
    few = rate < 60
    if few.any():
        out[few] = rng.poisson(rate[few])
    return np.asarray(out, np.float32)


def blur(image: np.ndarray, sigma_px: float) -> np.ndarray:
    """Return the image under a Gaussian spot; a spot below 0.3 px leaves it alone."""
    if sigma_px < 0.3:
        return image
    reach = 2 * int(np.ceil(4 * sigma_px)) + 1
    return np.asarray(cv2.GaussianBlur(image, (reach, reach), sigma_px, borderType=cv2.BORDER_REPLICATE))


def field_stop(
    shape: tuple[int, int], centre: tuple[float, float], radius_px: float, *, softness_px: float, vignette: float
) -> np.ndarray:
    """Return the eyepiece's transmission: round, half at `radius_px`, falling by `vignette` from centre to edge."""
    y, x = np.ogrid[: shape[0], : shape[1]]
    r = np.hypot(x - centre[0], y - centre[1])
    edge = 0.5 * (1 - erf((r - radius_px) / (np.sqrt(2) * softness_px)))
    return np.asarray(edge * (1 - vignette * np.clip(r / radius_px, 0, 1.1) ** 2.5), np.float32)


__all__ = ["ELECTRON", "Tube", "blur", "field_stop", "poisson"]

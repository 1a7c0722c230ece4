"""The camera behind the eyepiece: rolling shutter, noise, curve."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

import numpy as np

from viewer.lab.tube import blur

# CIE xy of the primaries, ITU-R BT.709-6 and BT.2020-2, white D65.
PRIMARIES = {
    "bt709": ((0.640, 0.330), (0.300, 0.600), (0.150, 0.060)),
    "bt2020": ((0.708, 0.292), (0.170, 0.797), (0.131, 0.046)),
}
WHITE = (0.3127, 0.3290)


@dataclass(frozen=True, kw_only=True)
class Camera:
    """A camera mode.  Row r of frame n is exposed from ``n / rate + r row_time_s`` for `exposure_s`.

    Rows count in the order of readout: from the top of the upright picture if `direction` is ``down``.  Light of 1.0 fills
    the curve; `full_well` electrons make that light, `read_noise` is its share that reading adds.  `black` is the pedestal.
    """

    rate: Fraction
    exposure_s: float
    readout_s: float
    direction: Literal["down", "up"] = "down"
    transfer: Literal["hlg", "bt709"] = "hlg"
    bit_depth: Literal[8, 10] = 10
    codec: Literal["hevc", "h264"] = "hevc"
    lens_sigma_px: float = 0.55
    full_well: float = 30000.0
    read_noise: float = 3e-4
    black: float = 8e-4
    sharpening: float = 0.0

    @property
    def primaries(self) -> str:
        """Primaries and matrix that go with the curve."""
        return "bt2020" if self.transfer == "hlg" else "bt709"

    def row_time_s(self, rows: int) -> float:
        """Time between the starts of two delivered rows."""
        return self.readout_s / rows

    def row_starts(self, number: int, rows: int) -> np.ndarray:
        """Return when each row of the upright picture begins its exposure in frame `number`, clip time (s)."""
        order = np.arange(rows) if self.direction == "down" else np.arange(rows)[::-1]
        return float(number / self.rate) + order * self.row_time_s(rows)

    def expose(self, light: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        """Return what the sensor makes of light (1.0 fills the curve): lens, shot and read noise, pedestal, sharpening."""
        seen = blur(light, self.lens_sigma_px)
        sigma = np.sqrt(np.maximum(seen, 0) / self.full_well + self.read_noise**2)
        seen = seen + sigma * rng.standard_normal(seen.shape, dtype=np.float32) + np.float32(self.black)
        return self.sharpen(seen)

    def sharpen(self, light: np.ndarray) -> np.ndarray:
        """Return the light with the camera's edge enhancement."""
        return light + self.sharpening * (light - blur(light, 1.2)) if self.sharpening else light

    def signal(self, light: np.ndarray, tint: np.ndarray) -> np.ndarray:
        """Return R'G'B' of shape (h, w, 3), float32, for luminance and the linear RGB of its unit."""
        out = np.empty((*light.shape, 3), np.float32)
        for channel in range(3):
            out[..., channel] = encode(self.transfer, np.minimum(light * np.float32(tint[channel]), 1.0))
        return out


def encode(transfer: str, light: np.ndarray) -> np.ndarray:
    """Return the signal of scene light by ITU-R BT.2100-2 table 5 (HLG) or BT.709-6 item 1.2; odd below zero."""
    e = np.abs(light)
    if transfer == "hlg":
        a, b, c = 0.17883277, 0.28466892, 0.55991073
        out = np.where(e <= 1 / 12, np.sqrt(3 * e), a * np.log(np.maximum(12 * e - b, 1e-9)) + c)
    else:
        out = np.where(e < 0.018, 4.5 * e, 1.099 * np.maximum(e, 1e-9) ** 0.45 - 0.099)
    return np.asarray(np.copysign(out, light), np.float32)


def rgb_matrix(primaries: str) -> np.ndarray:
    """Return the 3 x 3 matrix, linear RGB -> CIE XYZ with white Y = 1 (SMPTE RP 177 method)."""
    columns = np.array([[x / y, 1.0, (1 - x - y) / y] for x, y in PRIMARIES[primaries]]).T
    x, y = WHITE
    weights = np.linalg.solve(columns, [x / y, 1.0, (1 - x - y) / y])
    return np.asarray(columns * weights)


def tint_of(xy: tuple[float, float], primaries: str) -> np.ndarray:
    """Return linear R, G, B of a chromaticity at luminance 1, negatives cut (outside the triangle)."""
    x, y = xy
    rgb = np.maximum(np.linalg.solve(rgb_matrix(primaries), [x / y, 1.0, (1 - x - y) / y]), 0)
    return np.asarray(rgb / (rgb_matrix(primaries)[1] @ rgb))


def uv_prime(rgb: np.ndarray, primaries: str) -> tuple[float, float]:
    """Return CIE 1976 u', v' of linear RGB."""
    x, y, z = rgb_matrix(primaries) @ np.asarray(rgb, float)
    total = x + 15 * y + 3 * z
    return float(4 * x / total), float(9 * y / total)


__all__ = ["PRIMARIES", "Camera", "encode", "rgb_matrix", "tint_of", "uv_prime"]

"""Clips with known light for the tests of the measures: a small simulator of its own, written through real codecs.

Curves are typed here from the standards (BT.2100-2, BT.709-6, IEC 61966-2-1), not taken from the package.
"""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import numpy as np
from scipy.ndimage import gaussian_filter

from viewer.media.writer import VideoWriter

GREEN = (0.22, 1.0, 0.30)
WHITE = (0.80, 1.0, 0.95)
WEIGHTS = {"bt709": (0.2126, 0.7152, 0.0722), "bt2020": (0.2627, 0.6780, 0.0593)}


def encode_hlg(light: np.ndarray) -> np.ndarray:
    """BT.2100-2, table 5."""
    a, c = 0.17883277, 0.55991073
    b = 1 - 4 * a
    x = np.maximum(light, 0.0)
    return np.where(x <= 1 / 12, np.sqrt(3 * x), a * np.log(np.maximum(12 * x - b, 1e-9)) + c)


def encode_709(light: np.ndarray) -> np.ndarray:
    """BT.709-6, item 1.2, continued below black."""
    return np.where(light < 0.018, 4.5 * light, 1.099 * np.maximum(light, 0.0) ** 0.45 - 0.099)


def encode_srgb(light: np.ndarray) -> np.ndarray:
    """IEC 61966-2-1."""
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 0.0) ** (1 / 2.4) - 0.055)


CURVES: dict[str, Callable[[np.ndarray], np.ndarray]] = {"hlg": encode_hlg, "bt709": encode_709, "srgb": encode_srgb}


def write_clip(
    path: Path,
    scene: np.ndarray,
    *,
    frames: int = 24,
    rate: int = 30,
    noise: float = 0.0,
    grain_px: float = 0.7,
    read_noise: float = 0.0,
    seed: int = 1,
    level: Callable[[int], float | np.ndarray] = lambda number: 1.0,
    transfer: str = "hlg",
    range: str = "narrow",
    bits: int = 10,
    codec: str = "hevc",
    crf: float | None = 18,
    tint: tuple[float, float, float] = WHITE,
    matrix: str = "bt2020",
    white_clip: bool = True,
    options: dict[str, str] | None = None,
) -> Path:
    """Write a scene (rows, cols) of linear luminance as a clip.

    Parameters
    ----------
    noise : float
        Standard deviation of a pixel at light 1; it grows as the square root of light (photon noise), with a grain of
        ``grain_px`` (scaled so that the pixel's deviation holds).
    read_noise : float
        Of the camera, in light, per pixel and channel.
    level : callable
        Factor on the light of each frame: a number, or a column of one factor a row.
    white_clip : bool
        Whether signals are cut at 0 and 1.
    """
    rng = np.random.default_rng(seed)
    rows, cols = scene.shape
    weights = np.array(WEIGHTS[matrix])
    colour = np.array(tint) / (np.array(tint) @ weights)
    norm = 1.0
    if grain_px > 0:
        sample = gaussian_filter(np.random.default_rng(0).standard_normal((256, 256)), grain_px, mode="wrap")
        norm = 1.0 / float(sample.std())
    with VideoWriter(
        path,
        width=cols,
        height=rows,
        rate=Fraction(rate),
        codec=codec,
        bit_depth=bits,
        transfer=transfer,
        range=range,
        matrix=matrix,
        crf=crf,
        options=options or {"preset": "veryfast"},
    ) as writer:
        for number in np.arange(frames):
            light = scene * level(int(number))
            if noise:
                grain = rng.standard_normal((rows, cols))
                if grain_px > 0:
                    grain = gaussian_filter(grain, grain_px, mode="wrap") * norm
                light = light + noise * np.sqrt(np.maximum(light, 0.0)) * grain
            rgb = light[..., None] * colour
            if read_noise:
                rgb = rgb + read_noise * rng.standard_normal(rgb.shape)
            signal = CURVES[transfer](rgb)
            writer.write((np.clip(signal, 0.0, 1.0) if white_clip else signal).astype(np.float32))
    return path


def patches(rows: int, cols: int, ground: float, *rects: tuple[int, int, int, int, float]) -> np.ndarray:
    """A ground with rectangles (x, y, w, h, light), slightly soft."""
    scene = np.full((rows, cols), ground)
    for x, y, w, h, light in rects:
        scene[y : y + h, x : x + w] = light
    return gaussian_filter(scene, 0.6)


def eyepiece(scene: np.ndarray, radius: float, *, outside: float = 0.0) -> np.ndarray:
    """The scene inside a round field."""
    rows, cols = scene.shape
    y, x = np.ogrid[:rows, :cols]
    inside = np.clip(radius - np.hypot(x - (cols - 1) / 2, y - (rows - 1) / 2) + 0.5, 0.0, 1.0)
    return scene * inside + outside * (1 - inside)

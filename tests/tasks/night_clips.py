"""Clips with known light for the tests of the measures: a small simulator of its own, written through real codecs.

Curves are typed here from the standards (BT.2100-2, BT.709-6, IEC 61966-2-1), not taken from the package.
"""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import numpy as np
from scipy.ndimage import gaussian_filter
from scipy.special import erf, gammaincinv

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
    counts: bool = False,
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
    counts : bool
        Whether the noise is of counted events (gamma, never below zero) rather than normal; slow.
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
                light = counted(light, noise, grain) if counts else light + noise * np.sqrt(np.maximum(light, 0.0)) * grain
            rgb = light[..., None] * colour
            if read_noise:
                rgb = rgb + read_noise * rng.standard_normal(rgb.shape)
            signal = CURVES[transfer](rgb)
            writer.write((np.clip(signal, 0.0, 1.0) if white_clip else signal).astype(np.float32))
    return path


def counted(light: np.ndarray, noise: float, grain: np.ndarray) -> np.ndarray:
    """Light of mean `light` and variance ``noise^2 light``, gamma distributed, with the ranks of `grain`."""
    shape = np.maximum(light, 1e-7) / noise**2
    share = 0.5 * (1 + erf(grain / np.sqrt(2.0)))
    return np.asarray(gammaincinv(shape, np.clip(share, 1e-12, 1 - 1e-12)) * noise**2)


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


def chart(
    rows: int,
    cols: int,
    places: list[tuple[float, float, float, float, str]],
    *,
    paper: float,
    ink: float,
    blur_px: float,
    fine: int = 8,
) -> tuple[np.ndarray, list[float]]:
    """A tri-bar chart, drawn `fine` times finer than the pixels, blurred and averaged over pixels; and the true modulations.

    `places` holds (lpmm, x, y, bar width, way) with x, y the left upper corner of the first bar's outer edge, px (pixel centres
    whole numbers).  The truth is taken on the fine grid: middle thirds of bars and gaps, one bar width off their ends.
    """
    scene = np.full((rows * fine, cols * fine), paper, np.float32)

    def span(start: float, length: float) -> slice:
        return slice(round((start + 0.5) * fine), round((start + length + 0.5) * fine))

    for _, x, y, w, way in places:
        for n in (0, 2, 4):
            if way == "v":
                scene[span(y, 5 * w), span(x + n * w, w)] = ink
            else:
                scene[span(y + n * w, w), span(x, 5 * w)] = ink
    scene = gaussian_filter(scene, blur_px * fine)
    kernel = np.ones(fine) / fine
    seen = np.apply_along_axis(np.convolve, 0, np.apply_along_axis(np.convolve, 1, scene, kernel, "same"), kernel, "same")
    truths = []
    for _, x, y, w, way in places:
        part = (seen if way == "v" else seen.T)[span((y if way == "v" else x) + w, 3 * w)].mean(axis=0)
        start = x if way == "v" else y
        means = [float(part[span(start + (n + 1 / 3) * w, w / 3)].mean()) for n in range(5)]
        bar, gap = (means[0] + means[2] + means[4]) / 3, (means[1] + means[3]) / 2
        truths.append((gap - bar) / (gap + bar))
    pixels = scene.reshape(rows, fine, cols, fine).mean(axis=(1, 3))
    return pixels, truths

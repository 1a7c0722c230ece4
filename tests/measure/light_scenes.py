"""A small simulator for tests of bloom, edge and glow: its profiles come from scipy, not from the code under test.

Light is averaged over each pixel by a 3 x 3 Gauss-Legendre rule.  Loaded by path (see `load` in the test files), because test
folders are no packages.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.ndimage import gaussian_filter
from scipy.special import erf
from scipy.stats import ncx2

NODES = np.array([-np.sqrt(0.6), 0.0, np.sqrt(0.6)]) / 2
WEIGHTS = np.array([5.0, 8.0, 5.0]) / 18


def over_pixels(function: Callable[[np.ndarray, np.ndarray], np.ndarray], rows: int, cols: int) -> np.ndarray:
    """Average function(x, y) over each pixel."""
    yy, xx = np.mgrid[:rows, :cols].astype(float)
    total = np.zeros((rows, cols))
    for dy, wy in zip(NODES, WEIGHTS):
        for dx, wx in zip(NODES, WEIGHTS):
            total += wy * wx * function(xx + dx, yy + dy)
    return total


def disc(radius: float, sigma: float) -> Callable[[np.ndarray], np.ndarray]:
    """Disc of `radius` blurred by `sigma`, by scipy's noncentral chi-square."""
    grid = np.linspace(0, radius + 8 * sigma, 3000)
    level = ncx2.cdf((radius / sigma) ** 2, 2, (grid / sigma) ** 2)
    return lambda r: np.interp(r, grid, level, right=0.0)


def gauss(sigma: float) -> Callable[[np.ndarray], np.ndarray]:
    return lambda r: np.exp(-0.5 * (r / sigma) ** 2)


def wing(scale: float, power: float) -> Callable[[np.ndarray], np.ndarray]:
    return lambda r: (1 + (r / scale) ** 2) ** (-power / 2)


def lamp(
    rows: int,
    cols: int,
    centre: tuple[float, float],
    parts: list[tuple[float, Callable[[np.ndarray], np.ndarray]]],
) -> np.ndarray:
    """Light of one lamp: the sum of amplitude times profile."""
    x0, y0 = centre

    def light(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        r = np.hypot(x - x0, y - y0)
        return sum(a * profile(r) for a, profile in parts)

    return over_pixels(light, rows, cols)


def field_stop(rows: int, cols: int, centre: tuple[float, float], radius: float, sigma: float = 1.5) -> np.ndarray:
    """Transmission of a round field stop with a soft edge."""
    return over_pixels(
        lambda x, y: 0.5 * (1 - erf((np.hypot(x - centre[0], y - centre[1]) - radius) / sigma / 2**0.5)), rows, cols
    )


def trees(rows: int, cols: int, seed: int, *, level: float, depth: float, grain: float = 3.0) -> np.ndarray:
    """A leafy texture: positive, correlated over `grain` px, relative depth `depth`."""
    noise = gaussian_filter(np.random.default_rng(seed).standard_normal((rows, cols)), grain)
    return level * np.clip(1 + depth * noise / noise.std(), 0.05, None)


def edge(
    rows: int,
    cols: int,
    *,
    angle_deg: float,
    sigma: float,
    dark: float,
    bright: float,
    offset: float = 0.0,
    curvature: float = 0.0,
) -> np.ndarray:
    """A straight (or parabolic) edge of Gaussian blur, bright on the side of the normal at `angle_deg` from +x towards +y."""
    a = np.deg2rad(angle_deg)
    cx, cy = 0.5 * (cols - 1), 0.5 * (rows - 1)

    def light(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        d = (x - cx) * np.cos(a) + (y - cy) * np.sin(a) - offset
        t = -(x - cx) * np.sin(a) + (y - cy) * np.cos(a)
        return dark + (bright - dark) * 0.5 * (1 + erf((d - 0.5 * curvature * t**2) / sigma / 2**0.5))

    return over_pixels(light, rows, cols)


# --- clips ---------------------------------------------------------------------------------------------------------


def write_clip(
    path,
    frames,
    *,
    codec: str = "h264",
    bits: int = 8,
    transfer: str = "bt709",
    tint: tuple[float, float, float] = (0.55, 1.0, 0.62),
    crf: float = 16,
    rate: int = 50,
    options: dict[str, str] | None = None,
):
    """Encode pictures of linear luminance, seen through a phosphor of one colour whose brightest channel burns out at light 1.

    The transfer curves are written out here from BT.709, BT.2100 (HLG) and the sRGB standard, not taken from the program.
    """
    from fractions import Fraction

    from viewer.media.writer import VideoWriter

    curves = {"bt709": oetf_709, "hlg": oetf_hlg, "srgb": oetf_srgb}
    matrix = "bt2020" if transfer == "hlg" else "bt709"
    weights = np.array([0.2627, 0.6780, 0.0593] if transfer == "hlg" else [0.2126, 0.7152, 0.0722])
    ratio = np.array(tint) / (np.array(tint) @ weights)
    ratio /= ratio.max()
    writer = None
    for light in frames:
        picture = curves[transfer](np.clip(light[..., None] * ratio, 0, 1)).astype(np.float32)
        if writer is None:
            rows, cols = light.shape
            writer = VideoWriter(
                path,
                width=cols,
                height=rows,
                rate=Fraction(rate),
                codec=codec,
                bit_depth=bits,
                transfer=transfer,
                matrix=matrix,
                crf=crf,
                options={"preset": "veryfast", **(options or {})},
            )
        writer.write(picture)
    assert writer is not None
    writer.close()
    return path


def oetf_709(e: np.ndarray) -> np.ndarray:
    return np.where(e < 0.018, 4.5 * e, 1.099 * np.power(np.maximum(e, 1e-12), 0.45) - 0.099)


def oetf_srgb(e: np.ndarray) -> np.ndarray:
    return np.where(e <= 0.0031308, 12.92 * e, 1.055 * np.power(np.maximum(e, 1e-12), 1 / 2.4) - 0.055)


def oetf_hlg(e: np.ndarray) -> np.ndarray:
    a = 0.17883277
    b, c = 1 - 4 * a, 0.5 - a * np.log(4 * a)
    return np.where(e <= 1 / 12, np.sqrt(3 * e), a * np.log(np.maximum(12 * e - b, 1e-12)) + c)


def spread_over_disc(image: np.ndarray, radius: float, share: float) -> np.ndarray:
    """Give `share` of all light to a disc of `radius` round where it came from (borders continued)."""
    from scipy.signal import fftconvolve

    reach = int(radius) + 3
    fine = np.hypot(*(np.mgrid[: 5 * (2 * reach + 1), : 5 * (2 * reach + 1)] / 5 - reach - 0.4)) <= radius
    kernel = fine.reshape(2 * reach + 1, 5, 2 * reach + 1, 5).mean(axis=(1, 3))
    padded = np.pad(image, 2 * reach, mode="edge")
    spread = fftconvolve(padded, kernel / kernel.sum(), mode="same")[2 * reach : -2 * reach, 2 * reach : -2 * reach]
    return (1 - share) * image + share * spread


def tree_line(
    rows: int,
    cols: int,
    *,
    radius: float,
    share: float,
    seed: int,
    depth: float = 0.1,
    noise: float = 0.002,
    sky: float = 0.5,
    blur: float = 1.2,
    smooth_sigma: float | None = None,
) -> np.ndarray:
    """A ragged line of trees under a bright sky whose light an intensifier spreads over discs (or a Gaussian)."""
    from scipy.ndimage import gaussian_filter1d

    rng = np.random.default_rng(seed)
    line = np.full(cols, 0.4 * rows) + 0.08 * (np.arange(cols) - cols / 2)
    for scale, height in ((12, 6.0), (2, 2.4)):
        wave = gaussian_filter1d(rng.standard_normal(cols), scale, mode="wrap")
        line += height * wave / wave.std()
    bright = np.mgrid[:rows, :cols][0] < line[None, :]
    image = np.where(bright, sky, trees(rows, cols, seed, level=0.03, depth=depth, grain=2.0))
    if smooth_sigma is not None:
        image = (1 - share) * image + share * gaussian_filter(image, smooth_sigma, mode="nearest")
    elif share > 0:
        image = spread_over_disc(image, radius, share)
    return gaussian_filter(image, blur) + noise * rng.standard_normal((rows, cols))

"""From a decoded frame to the picture of one pane.  For looking only: no reading is ever made from what is rendered here.

No Qt: this runs in the decoding threads.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from viewer.app.model.geometry import compose, scale_of
from viewer.cv import cv2
from viewer.session.model import Rendering

FALSE_LOW, FALSE_HIGH = 1e-3, 1.0  # scale of the false luminance, relative to nominal white
NEAREST_FROM = 3.0  # screen px per clip px from which pixels are shown as squares


@dataclass(frozen=True)
class Inset:
    """A patch to be magnified by whole pixels: key, centre in clip px, half width and height in clip px."""

    key: str
    x: float
    y: float
    w: float
    h: float


@dataclass(frozen=True)
class Target:
    """One pane's wish: where the clip lies on its pixels, and how it is to be rendered.

    `matrix` (a b c d e f, row by row) carries clip px to pane px (device pixels; a pixel covers [n, n+1)).
    """

    pane: str
    matrix: tuple[float, ...]
    size: tuple[int, int]
    rendering: Rendering = "as_filmed"
    gain: float = 1.0
    clipped: bool = False
    light: bool = False
    surround: int = 0x2B
    red: bool = False
    insets: tuple[Inset, ...] = ()

    @property
    def exact(self) -> bool:
        """Whether light itself is shown or handed on, not only a picture for the screen."""
        return self.light or self.clipped or self.rendering == "false_luminance"


@dataclass(frozen=True)
class Picture:
    """What a pane shows: BGRA of its size, and what was seen on the way."""

    array: np.ndarray
    target: Target
    number: int
    time_s: float
    light: np.ndarray | None = None
    inside: np.ndarray | None = None
    clipped_share: float | None = None
    insets: dict[str, np.ndarray] = field(default_factory=dict)


def _encode_table(steps: int = 4096) -> np.ndarray:
    linear = np.linspace(0.0, 1.0, steps)
    signal = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * np.maximum(linear, 1e-12) ** (1 / 2.4) - 0.055)
    return np.round(255 * signal).astype(np.uint8)


def _decode_table() -> np.ndarray:
    signal = np.arange(256) / 255.0
    return np.where(signal <= 0.04045, signal / 12.92, ((signal + 0.055) / 1.055) ** 2.4).astype(np.float32)


ENCODE, DECODE = _encode_table(), _decode_table()  # sRGB, IEC 61966-2-1
WEIGHTS_BGR = np.array([[0.0722, 0.7152, 0.2126]], np.float32)


def encode(linear: np.ndarray) -> np.ndarray:
    """Return sRGB codes of linear light (values outside 0..1 are held)."""
    index = np.clip(linear, 0.0, 1.0) * (len(ENCODE) - 1) + 0.5
    return np.asarray(ENCODE[index.astype(np.uint16)])


def neutral(bgra: np.ndarray) -> np.ndarray:
    """Return the picture without its tint: every pixel the grey of its luminance."""
    linear = cv2.LUT(np.ascontiguousarray(bgra[..., :3]), DECODE)
    grey = encode(cv2.transform(linear, WEIGHTS_BGR).reshape(bgra.shape[:2]))
    return np.asarray(cv2.cvtColor(grey, cv2.COLOR_GRAY2BGRA))


def reddened(bgra: np.ndarray) -> np.ndarray:
    """Return the picture in dim red alone, so that eyes stay adapted to the dark."""
    grey = cv2.cvtColor(bgra, cv2.COLOR_BGRA2GRAY)
    red = np.zeros_like(bgra)
    red[..., 2] = (grey.astype(np.uint16) * 192 >> 8).astype(np.uint8)
    red[..., 3] = 255
    return red


def brightened(bgra: np.ndarray, gain: float) -> np.ndarray:
    """Return the picture multiplied by `gain` in the screen's linear light."""
    table = encode(DECODE * gain)
    return np.asarray(cv2.LUT(bgra, table))


def cividis() -> np.ndarray:
    """Return 256 colours (B, G, R) of the cividis map: a uniform, colour-blind-safe scale (Nunez et al., PLoS ONE 2018)."""
    r, g, b = _CIVIDIS
    stops = np.minimum(np.arange(0, 257, 4), 255)
    t = np.arange(256)
    return np.stack([np.interp(t, stops, channel) for channel in (b, g, r)], axis=1).round().astype(np.uint8)


# Every fourth entry of the published table of 256: red, green, blue.
_CIVIDIS = (
    [
        0, 0, 0, 0, 0, 0, 5, 18, 26, 33, 39, 45, 50, 54, 59, 63, 67, 71, 75, 79, 83, 86,
        90, 94, 97, 101, 104, 108, 111, 114, 118, 121, 125, 128, 132, 136, 140, 144, 147, 151, 155, 159, 163, 167,
        171, 175, 180, 184, 188, 192, 196, 200, 205, 209, 213, 218, 222, 226, 231, 235, 240, 245, 249, 254, 254,
    ],
    [
        34, 37, 40, 43, 46, 48, 51, 53, 56, 59, 62, 65, 67, 70, 73, 76, 78, 81, 84, 87, 90, 92,
        95, 98, 101, 104, 106, 109, 112, 115, 118, 121, 124, 127, 130, 133, 136, 139, 142, 145, 148, 151, 154, 157,
        160, 164, 167, 170, 174, 177, 180, 184, 187, 191, 194, 198, 201, 205, 209, 212, 216, 220, 224, 228, 232,
    ],
    [
        78, 84, 91, 98, 106, 112, 113, 112, 111, 110, 110, 109, 109, 108, 108, 108, 108, 108, 108, 108, 109, 109,
        110, 110, 111, 112, 113, 114, 115, 116, 118, 119, 120, 120, 121, 120, 120, 120, 120, 119, 118, 117, 116, 115,
        114, 113, 111, 110, 108, 106, 104, 102, 99, 97, 94, 91, 88, 84, 80, 75, 70, 65, 58, 52, 56,
    ],
)  # fmt: skip


def false_luminance(light: np.ndarray) -> np.ndarray:
    """Return BGRA of linear luminance on a logarithmic scale from `FALSE_LOW` to `FALSE_HIGH`."""
    low, high = math.log(FALSE_LOW), math.log(FALSE_HIGH)
    t = (np.log(np.maximum(light, FALSE_LOW)) - low) / (high - low)
    index = np.clip(255 * t, 0, 255).astype(np.uint8)
    table = np.concatenate([cividis(), np.full((256, 1), 255, np.uint8)], axis=1)
    return np.asarray(table[index])


def signed_difference(first: np.ndarray, second: np.ndarray, reach: float) -> np.ndarray:
    """Return BGRA of first minus second: mid grey for none, lighter where the first is brighter; `reach` is full scale."""
    signed = (first.astype(np.float32) - second.astype(np.float32)) / reach
    grey = np.clip(127.5 + 127.5 * signed, 0, 255).astype(np.uint8)
    return np.asarray(cv2.cvtColor(grey, cv2.COLOR_GRAY2BGRA))


def nice_reach(first: np.ndarray, second: np.ndarray, inside: np.ndarray | None = None) -> float:
    """Return a round full scale (1, 2, 5, 10 ... % of nominal white) that holds 99 % of the differences."""
    gap = np.abs(first - second)
    values = gap[inside] if inside is not None and inside.any() else gap.ravel()
    top = float(np.quantile(values[:: max(1, values.size // 20000)], 0.99)) if values.size else 1.0
    for reach in (0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0):
        if top <= reach:
            return reach
    return 1.0


def hatch(array: np.ndarray, mask: np.ndarray) -> None:
    """Mark pixels by black and white diagonals, in place."""
    rows, cols = np.nonzero(mask)
    if rows.size:
        stripe = ((rows + cols) // 3) % 2 == 0
        array[rows[stripe], cols[stripe], :3] = 255
        array[rows[~stripe], cols[~stripe], :3] = 0


class Renderer:
    """Renders the frames of one clip; keeps what several panes or a moving view can use again."""

    def __init__(self) -> None:
        self._frame: Any = None
        self._screens: dict[tuple[int, int], np.ndarray] = {}
        self._light: Any = None
        self._small: dict[tuple[int, int], np.ndarray] = {}

    def take(self, frame: Any) -> None:
        """Go on with this frame."""
        if frame is not self._frame:
            self._frame = frame
            self._screens.clear()
            self._small.clear()
            self._light = None

    def _reduced(self, scale: float) -> tuple[int, int]:
        w, h = self._frame.width, self._frame.height
        if scale >= 1.0:
            return w, h
        return max(1, math.ceil(w * scale)), max(1, math.ceil(h * scale))

    def screen(self, size: tuple[int, int]) -> np.ndarray:
        """Return the frame for the screen at a size."""
        if size not in self._screens:
            full = size == (self._frame.width, self._frame.height)
            self._screens[size] = self._frame.display() if full else self._frame.display(*size)
        return self._screens[size]

    def light(self) -> Any:
        """Return linear luminance and clip mask of the whole frame."""
        if self._light is None:
            self._light = self._frame.luminance()
        return self._light

    def _small_light(self, size: tuple[int, int]) -> np.ndarray:
        if size not in self._small:
            light = self.light().light
            full = size == (light.shape[1], light.shape[0])
            self._small[size] = light if full else cv2.resize(light, size, interpolation=cv2.INTER_AREA)
        return self._small[size]

    def render(self, target: Target) -> Picture:
        """Return the picture of one pane."""
        matrix = np.array(target.matrix).reshape(2, 3)
        scale = scale_of(matrix)
        size = self._reduced(scale)
        w, h = self._frame.width, self._frame.height
        # Centres: pixel n of the reduced picture covers [n, n+1) * w / size of the clip's edges.
        shrink = np.array([[w / size[0], 0, 0.5 * w / size[0] - 0.5], [0, h / size[1], 0.5 * h / size[1] - 0.5]])
        warp = compose(np.array([[1, 0, -0.5], [0, 1, -0.5]]), compose(matrix, shrink))
        how = cv2.INTER_NEAREST if scale >= NEAREST_FROM else cv2.INTER_LINEAR
        grey = target.surround
        light = inside = None
        if target.rendering == "false_luminance" or target.light:
            plane = self._small_light(size)
            light = cv2.warpAffine(plane, warp, target.size, flags=how, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
            ones = np.ones(plane.shape, np.uint8)
            inside = cv2.warpAffine(ones, warp, target.size, flags=cv2.INTER_NEAREST).astype(bool)
        if target.rendering == "false_luminance" and light is not None and inside is not None:
            array = false_luminance(light)
            array[~inside] = (grey, grey, grey, 255)
        else:
            array = self._warped(target, warp, size, how)
        share = None
        if target.clipped:
            share = self._mark_clipped(array, matrix, target)
        insets = {inset.key: self._inset(inset, target) for inset in target.insets}
        if target.red:
            array = reddened(array)
            insets = {key: reddened(patch) for key, patch in insets.items()}
        return Picture(
            array=array,
            target=target,
            number=self._frame.number,
            time_s=self._frame.time_s,
            light=light if target.light else None,
            inside=inside if target.light else None,
            clipped_share=share,
            insets=insets,
        )

    def _warped(self, target: Target, warp: np.ndarray, size: tuple[int, int], how: int) -> np.ndarray:
        base = self._styled(self.screen(size), target)
        grey = target.surround
        return np.asarray(
            cv2.warpAffine(
                base, warp, target.size, flags=how, borderMode=cv2.BORDER_CONSTANT, borderValue=(grey, grey, grey, 255)
            )
        )

    def _styled(self, base: np.ndarray, target: Target) -> np.ndarray:
        if target.rendering == "neutral_grey":
            return neutral(base)
        if target.rendering == "brightness_matched" and target.gain != 1.0:
            return brightened(base, target.gain)
        return base

    def _mark_clipped(self, array: np.ndarray, matrix: np.ndarray, target: Target) -> float:
        mask = self.light().clipped
        warp = compose(np.array([[1, 0, -0.5], [0, 1, -0.5]]), matrix)
        grown = mask.astype(np.uint8)
        side = math.ceil(1.0 / max(1e-6, scale_of(matrix)))
        if side > 1:
            grown = cv2.dilate(grown, np.ones((side, side), np.uint8))
        hatch(array, cv2.warpAffine(grown, warp, target.size, flags=cv2.INTER_NEAREST) > 0)
        return float(mask.mean())

    def _inset(self, inset: Inset, target: Target) -> np.ndarray:
        width, height = self._frame.width, self._frame.height
        false = target.rendering == "false_luminance"
        full = false_luminance(self.light().light) if false else self.screen((width, height))
        x0, y0 = math.floor(inset.x + 0.5), math.floor(inset.y + 0.5)
        x1, y1 = math.ceil(inset.x + inset.w), math.ceil(inset.y + inset.h)
        patch = np.full((max(1, y1 - y0), max(1, x1 - x0), 4), target.surround, np.uint8)
        sx0, sy0, sx1, sy1 = max(0, x0), max(0, y0), min(width, x1), min(height, y1)
        if sx1 > sx0 and sy1 > sy0:
            patch[sy0 - y0 : sy1 - y0, sx0 - x0 : sx1 - x0] = full[sy0:sy1, sx0:sx1]
        return self._styled(patch, target)


@dataclass(frozen=True)
class PixelReading:
    """What one pixel holds: luma code, linear R, G, B, linear luminance, whether it is clipped."""

    x: int
    y: int
    code: int
    rgb: tuple[float, float, float]
    luminance: float
    clipped: bool


def read_pixel(frame: Any, x: int, y: int) -> PixelReading | None:
    """Return what the pixel at (x, y) of a frame holds, or None outside."""
    if not (0 <= x < frame.width and 0 <= y < frame.height):
        return None
    box = (x, y, 1, 1)
    code = int(frame.luma(box)[0, 0])
    rgb = frame.rgb(box)
    lum = frame.luminance(box)
    r, g, b = (float(v) for v in rgb.light[0, 0])
    return PixelReading(x, y, code, (r, g, b), float(lum.light[0, 0]), bool(lum.clipped[0, 0]))


@dataclass(frozen=True)
class Scopes:
    """Histogram and waveform of luma codes, and the light along a line."""

    histogram: np.ndarray
    waveform: np.ndarray
    top_code: int
    profile: np.ndarray | None = None
    number: int = 0


def scopes_of(frame: Any, bit_depth: int, line: tuple[float, float, float, float] | None = None) -> Scopes:
    """Return the scopes of a frame; `line` is (x0, y0, x1, y1) in clip px.

    The waveform counts codes (64 bins, first row for the highest) for 256 columns of the picture.
    """
    luma = frame.luma()
    top = (1 << bit_depth) - 1
    shift = max(0, bit_depth - 8)
    codes = (luma >> shift).astype(np.uint8)
    histogram = np.bincount(codes.ravel(), minlength=256)[:256]
    step = max(1, codes.shape[1] // 256)
    thin = codes[::2, ::step]
    columns = np.broadcast_to(np.arange(thin.shape[1]), thin.shape)
    flat = (63 - (thin.astype(np.int64) >> 2)) * thin.shape[1] + columns
    waveform = np.bincount(flat.ravel(), minlength=64 * thin.shape[1]).reshape(64, thin.shape[1])
    profile = None
    if line is not None:
        profile = line_profile(frame, line)
    return Scopes(histogram, waveform, top, profile, frame.number)


def line_profile(frame: Any, line: tuple[float, float, float, float]) -> np.ndarray | None:
    """Return linear luminance along a line, one sample a pixel, bilinear; None if the line leaves the picture."""
    x0, y0, x1, y1 = line
    length = math.hypot(x1 - x0, y1 - y0)
    count = max(2, round(length) + 1)
    xs, ys = np.linspace(x0, x1, count), np.linspace(y0, y1, count)
    left, top = math.floor(min(x0, x1)) - 1, math.floor(min(y0, y1)) - 1
    right, bottom = math.ceil(max(x0, x1)) + 2, math.ceil(max(y0, y1)) + 2
    if left < 0 or top < 0 or right > frame.width or bottom > frame.height:
        return None
    light = frame.luminance((left, top, right - left, bottom - top)).light
    mapped = cv2.remap(light, (xs - left).astype(np.float32)[None], (ys - top).astype(np.float32)[None], cv2.INTER_LINEAR)
    return np.asarray(mapped[0])


__all__ = [
    "FALSE_HIGH",
    "FALSE_LOW",
    "Inset",
    "Picture",
    "PixelReading",
    "Renderer",
    "Scopes",
    "Target",
    "brightened",
    "cividis",
    "encode",
    "false_luminance",
    "hatch",
    "line_profile",
    "neutral",
    "nice_reach",
    "read_pixel",
    "reddened",
    "scopes_of",
    "signed_difference",
]

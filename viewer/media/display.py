"""Pictures for the screen: 8 bit, by a named recipe.  Never used for measuring.

SDR clips are shown by their own curve: codes to R'G'B' by range and matrix, as they are.  HLG and PQ clips are shown as on a
reference display of 1000 cd/m2 (OOTF of BT.2100-2), with 203 cd/m2 (reference white of BT.2408) at SDR white and a shoulder
above 70 % that keeps the hue.  While playing, the same tone curve is applied channel by channel, which is faster and equal for
greys.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
from av.video.reformatter import Interpolation
from numpy.typing import NDArray

from viewer.cv import cv2
from viewer.media import planes
from viewer.media.light import (
    LUMINANCE_WEIGHTS,
    chroma_scale,
    hlg_system_gamma,
    linear_to_srgb,
    luma_scale,
    pq_eotf,
    rgb_from_ycbcr,
    to_linear,
)
from viewer.media.linearise import LOW, SCALE, STEPS, apply_table

if TYPE_CHECKING:
    from viewer.media.frame import Setting

_SPACES = {"bt709": 1, "bt601": 5, "bt2020": 9, "smpte240m": 7, "fcc": 4}
PEAK_CD_M2 = 1000.0
WHITE_CD_M2 = 203.0
KNEE = 0.7
BRIGHTEST = 8.0
STRIP_PIXELS = 65_536
RECIPES = {
    "sdr": "each clip's own curve",
    "hdr": "HLG/PQ to SDR: BT.2100 OOTF at 1000 cd/m², 203 cd/m² = white, shoulder above 70 %",
}
# Linear BT.2020 to BT.709 (Rec. ITU-R BT.2087-0, annex 2, inverted).
BT2020_TO_BT709 = np.array(
    [[1.6605, -0.5876, -0.0728], [-0.1246, 1.1329, -0.0083], [-0.0182, -0.1006, 1.1187]], dtype=np.float32
)


def shoulder(light: NDArray[Any]) -> NDArray[Any]:
    """Return display light relative to white, bent above the knee so that it approaches 1."""
    bent = KNEE + (1.0 - KNEE) * -np.expm1(-(np.maximum(light, KNEE) - KNEE) / (1.0 - KNEE))
    return np.where(light <= KNEE, light, bent)


@lru_cache(maxsize=4)
def _signal_to_shown(transfer: str) -> NDArray[np.float32]:
    """Light of every table index of a signal: scene light of HLG, display light over white of PQ."""
    signal = np.clip(LOW + np.arange(STEPS + 1) / SCALE, 0.0, 1.0)
    if transfer == "pq":
        return (np.minimum(pq_eotf(signal), PEAK_CD_M2) / WHITE_CD_M2).astype(np.float32)
    return to_linear("hlg", signal).astype(np.float32)


@lru_cache(maxsize=1)
def _encode() -> NDArray[np.uint8]:
    """SRGB codes of light in 65,536 steps."""
    return np.asarray(np.round(255.0 * linear_to_srgb(np.linspace(0.0, 1.0, STEPS + 1))), dtype=np.uint8)


@lru_cache(maxsize=1)
def _ootf_gain() -> NDArray[np.float32]:
    """Display light over white per scene light (BT.2100-2, table 5), of scene luminance in 65,536 steps."""
    scene = np.maximum(np.arange(STEPS + 1), 0.5) / STEPS
    return np.asarray(scene ** (hlg_system_gamma(PEAK_CD_M2) - 1.0) * (PEAK_CD_M2 / WHITE_CD_M2), dtype=np.float32)


@lru_cache(maxsize=1)
def _shoulder_gain() -> NDArray[np.float32]:
    """What the shoulder leaves of light in 65,536 steps up to `BRIGHTEST`."""
    light = np.maximum(np.arange(STEPS + 1), 0.5) * (BRIGHTEST / STEPS)
    return np.asarray(shoulder(light) / light, dtype=np.float32)


@lru_cache(maxsize=4)
def _fast_curve(transfer: str) -> NDArray[np.uint8]:
    """Table of 256 signals to sRGB codes, for greys the same as the full recipe."""
    signal = np.linspace(0.0, 1.0, 256)
    if transfer == "hlg":
        light = to_linear("hlg", signal) ** hlg_system_gamma(PEAK_CD_M2) * PEAK_CD_M2 / WHITE_CD_M2
    else:
        light = np.minimum(pq_eotf(signal), PEAK_CD_M2) / WHITE_CD_M2
    return np.asarray(np.round(255.0 * linear_to_srgb(shoulder(light))), dtype=np.uint8)


def _mixed(light: Sequence[NDArray[Any]], weights: Sequence[float], kind: int) -> NDArray[Any]:
    """Return the weighted sum of three planes."""
    part = cv2.addWeighted(light[0], weights[0], light[1], weights[1], 0.0)
    return np.asarray(cv2.addWeighted(part, 1.0, light[2], weights[2], 0.0, dtype=kind))


def _times(plane: NDArray[Any], factor: float) -> NDArray[np.uint16]:
    return np.asarray(cv2.addWeighted(plane, factor, plane, 0.0, 0.0, dtype=cv2.CV_16U))


def hdr_to_srgb(indexes: Sequence[NDArray[np.uint16]], transfer: str, primaries: str) -> list[NDArray[np.uint8]]:
    """Return sRGB codes of R, G, B, as planes, of HLG or PQ signals given as table indexes (see `viewer.media.linearise`)."""
    table = _signal_to_shown(transfer)
    light = [apply_table(index, table) for index in indexes]
    gain: Any = None
    if transfer == "hlg":
        scene = _mixed(light, [weight * STEPS for weight in LUMINANCE_WEIGHTS["bt2020"]], cv2.CV_16U)
        gain = apply_table(scene, _ootf_gain())
    if primaries == "bt2020":
        light = [_mixed(light, row, cv2.CV_32F) for row in BT2020_TO_BT709.tolist()]
    top: Any = cv2.max(cv2.max(light[0], light[1]), light[2])
    if gain is not None:
        top = cv2.multiply(top, gain)
    if cv2.minMaxLoc(top)[1] > KNEE:
        bent = apply_table(_times(top, STEPS / BRIGHTEST), _shoulder_gain())
        gain = bent if gain is None else cv2.multiply(gain, bent)
    codes = []
    for plane in light:
        # Below 0 and above 1 the conversion to 16 bits holds on to the ends.
        place = _times(plane if gain is None else np.asarray(cv2.multiply(plane, gain)), STEPS)
        codes.append(np.asarray(cv2.LUT(place, _encode()), dtype=np.uint8))
    return codes


class Screen:
    """Renders pictures of one clip as BGRA.

    Parameters
    ----------
    setting : Setting
        What the clip's pictures share.
    """

    def __init__(self, setting: Setting) -> None:
        self.spec, self.orientation, self.width, self.height = setting.spec, setting.orientation, setting.width, setting.height
        self._siting, self._linearise, self._layout = setting.siting, setting.linearise, setting.layout

    @property
    def recipe(self) -> str:
        """Name of the recipe, a key of `RECIPES`."""
        return "hdr" if self.spec.transfer in ("hlg", "pq") else "sdr"

    def render(
        self, picture: Any, width: int | None = None, height: int | None = None, *, fast: bool = False
    ) -> NDArray[np.uint8]:
        """Return (height, width, 4) uint8, B G R A, upright; the full size unless a size is given."""
        wide, high = width or self.width, height or self.height
        if self.orientation.transpose:
            wide, high = high, wide
        if self.recipe == "hdr" and not fast:
            out = self._hdr(picture, wide, high)
        else:
            quick = self._halved(picture, wide, high) if fast else None
            out = self._scaled(picture, wide, high, "bgra").reshape(high, wide, 4) if quick is None else quick
            if self.recipe == "hdr":
                out = np.asarray(cv2.LUT(out, _with_alpha(self.spec.transfer)), dtype=np.uint8)
        return np.ascontiguousarray(self.orientation.apply(out))

    def _hdr(self, picture: Any, wide: int, high: int) -> NDArray[np.uint8]:
        """Return BGRA by the full recipe, strip by strip, so that what lies between stays in the processor's cache."""
        same = planes.SAME_SAMPLES.get(picture.format.name)
        native = picture if same is None else picture.reformat(format=same)
        layout = planes.layout_of(native.format)
        parts = [planes.plane_array(native, n, layout.bits) for n in range(1 if layout.kind == "grey" else 3)]
        if (wide, high) != (picture.width, picture.height):
            parts = [np.asarray(cv2.resize(part, (wide, high), interpolation=_kernel(part, wide, high))) for part in parts]
            layout = planes.Layout(layout.name, layout.kind, layout.bits)
        out = np.empty((high, wide, 4), dtype=np.uint8)
        step = max(8, STRIP_PIXELS // wide)
        for top in range(0, high, step):
            rows = slice(top, min(high, top + step))
            indexes = self._indexes(parts, layout, (0, top, wide, rows.stop - top))
            red, green, blue = hdr_to_srgb(indexes, self.spec.transfer, self.spec.primaries)
            cv2.merge([blue, green, red, np.full_like(red, 255)], dst=out[rows])
        return out

    def _indexes(
        self, parts: Sequence[NDArray[Any]], layout: planes.Layout, box: tuple[int, int, int, int]
    ) -> tuple[NDArray[np.uint16], ...]:
        x, y, w, h = box
        if layout.kind == "grey":
            return (self._linearise.of_one(parts[0][y : y + h, x : x + w]),) * 3
        if layout.kind == "rgb":
            green, blue, red = (self._linearise.of_one(part[y : y + h, x : x + w]) for part in parts)
            return red, green, blue
        chroma = planes.upsample_all(parts[1:], box, layout.step_x, layout.step_y, self._siting, self._linearise.chroma)
        return self._linearise.of_ycc(parts[0][y : y + h, x : x + w], *chroma)

    def _halved(self, picture: Any, wide: int, high: int) -> NDArray[np.uint8] | None:
        """Return BGRA at half the size or less, planes shrunk before they are mixed: two to four times faster than `_scaled`.

        None where that does not apply.  Chroma counts as lying midway: a quarter of a px off at most.
        """
        layout = self._layout
        much = picture.width >= 2 * wide and picture.height >= 2 * high
        if not much or layout.kind != "yuv" or self.spec.matrix not in _SPACES or picture.format.name != layout.name:
            return None
        parts = [_shrunk(planes.plane_array(picture, n, layout.bits), wide, high) for n in range(3)]
        out = np.empty((high, wide, 4), dtype=np.uint8)
        step = max(8, STRIP_PIXELS // wide)
        # In strips: large arrays that come and go cost more in fresh memory than the arithmetic does.
        for top in range(0, high, step):
            mixed: Any = cv2.transform(cv2.merge([part[top : top + step] for part in parts]), self._to_bgr)
            codes = mixed if layout.bits == 8 else cv2.convertScaleAbs(mixed)
            cv2.cvtColor(codes, cv2.COLOR_BGR2BGRA, dst=out[top : top + step])
        return out

    @cached_property
    def _to_bgr(self) -> NDArray[np.float64]:
        """3 x 4 matrix from codes of Y', Cb', Cr' to 8-bit codes of B', G', R'."""
        pairs = [scale(self.spec.bits, self.spec.range) for scale in (luma_scale, chroma_scale, chroma_scale)]
        share = 255.0 * rgb_from_ycbcr(self.spec.matrix)[::-1] / [span for _, span in pairs]
        return np.column_stack([share, -share @ [offset for offset, _ in pairs]])

    def _scaled(self, picture: Any, wide: int, high: int, format_: str) -> NDArray[np.uint8]:
        """Return packed rows of the picture at another size and format."""
        smaller = wide < picture.width or high < picture.height
        flags = Interpolation.AREA if smaller else Interpolation.BICUBIC
        if smaller or self.spec.bits > 8:
            # Without it greys come out 1.5 codes too low in green; the path for 8 bits at full size is not affected.
            flags |= Interpolation.FULL_CHR_H_INT
        how: dict[str, Any] = {"interpolation": int(flags)}
        if self.spec.matrix in _SPACES:
            how["src_colorspace"] = _SPACES[self.spec.matrix]
            how["src_color_range"] = "JPEG" if self.spec.range == "full" else "MPEG"
        plane = picture.reformat(width=wide, height=high, format=format_, **how).planes[0]
        size = 4 * wide
        rows = np.frombuffer(plane, np.uint8)[: plane.line_size * high].reshape(high, plane.line_size)
        return np.ascontiguousarray(rows[:, :size])


def _shrunk(part: NDArray[Any], wide: int, high: int) -> NDArray[Any]:
    """Return a plane at another size: by means of 2 x 2 samples as often as they fit, the rest by means of areas."""
    while part.shape[1] >= 2 * wide and part.shape[0] >= 2 * high:
        rows, cols = part.shape[0] // 2, part.shape[1] // 2
        part = np.asarray(cv2.resize(part[: 2 * rows, : 2 * cols], (cols, rows), interpolation=cv2.INTER_AREA))
    if part.shape != (high, wide):
        part = np.asarray(cv2.resize(part, (wide, high), interpolation=_kernel(part, wide, high)))
    return part


def _kernel(part: NDArray[Any], wide: int, high: int) -> int:
    return int(cv2.INTER_AREA if wide < part.shape[1] or high < part.shape[0] else cv2.INTER_LINEAR)


@lru_cache(maxsize=4)
def _with_alpha(transfer: str) -> NDArray[np.uint8]:
    curve = _fast_curve(transfer)
    table = np.stack([curve, curve, curve, np.full(256, 255, dtype=np.uint8)], axis=-1)
    return np.ascontiguousarray(table.reshape(1, 256, 4))


__all__ = ["RECIPES", "Screen", "hdr_to_srgb", "shoulder"]

"""Pictures for the screen: 8 bit, by a named recipe.  Never used for measuring.

SDR clips are shown by their own curve: codes to R'G'B' by range and matrix, as they are.  HLG and PQ clips are shown as on a
reference display of 1000 cd/m2 (OOTF of BT.2100-2), with 203 cd/m2 (reference white of BT.2408) at SDR white and a shoulder
above 70 % that keeps the hue.  While playing, the same tone curve is applied channel by channel, which is faster and equal for
greys.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
from av.video.reformatter import Interpolation
from numpy.typing import NDArray

from viewer.cv import cv2
from viewer.media.geometry import Orientation
from viewer.media.light import LUMINANCE_WEIGHTS, hlg_system_gamma, linear_to_srgb, pq_eotf, to_linear
from viewer.media.linearise import apply_table
from viewer.media.tags import LightSpec

_SPACES = {"bt709": 1, "bt601": 5, "bt2020": 9, "smpte240m": 7, "fcc": 4}
PEAK_CD_M2 = 1000.0
WHITE_CD_M2 = 203.0
KNEE = 0.7
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
    """Table of 65,536 signals: scene light of HLG, display light over white of PQ."""
    signal = np.linspace(0.0, 1.0, 65_536)
    if transfer == "pq":
        return (np.minimum(pq_eotf(signal), PEAK_CD_M2) / WHITE_CD_M2).astype(np.float32)
    return to_linear("hlg", signal).astype(np.float32)


@lru_cache(maxsize=1)
def _encode() -> NDArray[np.float32]:
    return (255.0 * linear_to_srgb(np.linspace(0.0, 1.0, 65_536))).astype(np.float32)


@lru_cache(maxsize=4)
def _fast_curve(transfer: str) -> NDArray[np.uint8]:
    """Table of 256 signals to sRGB codes, for greys the same as the full recipe."""
    light = _signal_to_shown(transfer)[np.linspace(0, 65_535, 256).round().astype(int)].astype(np.float64)
    if transfer == "hlg":
        light = light ** hlg_system_gamma(PEAK_CD_M2) * PEAK_CD_M2 / WHITE_CD_M2
    return np.asarray(np.round(255.0 * linear_to_srgb(shoulder(light))), dtype=np.uint8)


def hdr_to_srgb(codes: NDArray[np.uint16], transfer: str, primaries: str) -> NDArray[np.uint8]:
    """Return (h, w, 3) sRGB codes, R G B, of HLG or PQ signals given as 16-bit full-range codes."""
    light = apply_table(codes, _signal_to_shown(transfer))
    if transfer == "hlg":
        weights = np.array([LUMINANCE_WEIGHTS["bt2020"]], dtype=np.float32)
        scene = np.maximum(cv2.transform(light, weights).reshape(light.shape[:2]), 1e-9)
        gain = cv2.pow(scene, hlg_system_gamma(PEAK_CD_M2) - 1.0) * np.float32(PEAK_CD_M2 / WHITE_CD_M2)
        light = light * gain[..., None]
    if primaries == "bt2020":
        light = np.maximum(cv2.transform(light, BT2020_TO_BT709), 0.0)
    top = light.max(axis=2)
    if float(top.max(initial=0.0)) > KNEE:
        light = light * (shoulder(top) / np.maximum(top, 1e-9))[..., None].astype(np.float32)
    place = np.clip(light * np.float32(65_535) + np.float32(0.5), 0, 65_535).astype(np.uint16)
    return np.asarray(np.round(apply_table(place, _encode())), dtype=np.uint8)


class Screen:
    """Renders pictures of one clip as BGRA.

    Parameters
    ----------
    spec : LightSpec
    orientation : Orientation
    width, height : int
        Upright size in px.
    """

    def __init__(self, spec: LightSpec, orientation: Orientation, width: int, height: int) -> None:
        self.spec, self.orientation, self.width, self.height = spec, orientation, width, height

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
            flat = self._scaled(picture, wide, high, "rgb48le")
            rgb = hdr_to_srgb(flat.view(np.uint16).reshape(high, wide, 3), self.spec.transfer, self.spec.primaries)
            out = np.full((high, wide, 4), 255, dtype=np.uint8)
            out[..., :3] = rgb[..., ::-1]
        else:
            out = self._scaled(picture, wide, high, "bgra").reshape(high, wide, 4)
            if self.recipe == "hdr":
                out = np.asarray(cv2.LUT(out, _with_alpha(self.spec.transfer)), dtype=np.uint8)
        return np.ascontiguousarray(self.orientation.apply(out))

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
        size = {"bgra": 4, "rgb48le": 6}[format_] * wide
        rows = np.frombuffer(plane, np.uint8)[: plane.line_size * high].reshape(high, plane.line_size)
        return np.ascontiguousarray(rows[:, :size])


@lru_cache(maxsize=4)
def _with_alpha(transfer: str) -> NDArray[np.uint8]:
    curve = _fast_curve(transfer)
    table = np.stack([curve, curve, curve, np.full(256, 255, dtype=np.uint8)], axis=-1)
    return np.ascontiguousarray(table.reshape(1, 256, 4))


__all__ = ["RECIPES", "Screen", "hdr_to_srgb", "shoulder"]

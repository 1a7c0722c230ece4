"""From scene light to what a still or an SDR video shows: one named recipe, the same for every pane.

- ``as_filmed``: SDR clips are shown by their own curve.  HLG and PQ clips are shown as on a reference display of 1000 cd/m2
  (BT.2100 OOTF), 203 cd/m2 (BT.2408 reference white) at SDR white, with a shoulder above 70 % that keeps the hue.
- ``neutral_grey``: the same for luminance alone, without tint.
- ``brightness_matched``: as filmed, after light was multiplied by a factor that is printed on the pane.
- ``false_luminance``: luminance as filmed, in the cividis map; clipped pixels hatched.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from viewer.media.light import (
    LUMINANCE_WEIGHTS,
    from_linear,
    hlg_system_gamma,
    linear_to_srgb,
    pq_eotf,
    pq_oetf,
    srgb_to_linear,
)
from viewer.session.model import Rendering
from viewer.tasks.flash import BT2020_TO_BT709

PEAK_CD_M2 = 1000.0
WHITE_CD_M2 = 203.0
KNEE = 0.7
RECIPE_SDR = "each clip's own curve"
RECIPE_HDR = "HLG/PQ to SDR: BT.2100 OOTF at 1000 cd/m², 203 cd/m² = white, shoulder above 70 %"

RENDERING_WORDS: dict[Rendering, str] = {
    "as_filmed": "as filmed",
    "neutral_grey": "tint removed",
    "brightness_matched": "brightness matched",
    "false_luminance": "false luminance",
}


def recipe_words(transfers: set[str]) -> str:
    """Return the name of the recipe that shows clips of these transfers."""
    hdr = transfers & {"hlg", "pq"}
    if hdr and transfers - hdr:
        return f"{RECIPE_HDR}; SDR clips by their own curve"
    return RECIPE_HDR if hdr else RECIPE_SDR


def weights(primaries: str) -> np.ndarray:
    """Return the luminance weights of linear R, G, B."""
    return np.array(LUMINANCE_WEIGHTS.get(primaries, LUMINANCE_WEIGHTS["bt709"]), np.float32)


def shoulder(x: np.ndarray) -> np.ndarray:
    """Return display light relative to white, bent above the knee so that it approaches 1 (slope 1 at the knee)."""
    return np.where(x <= KNEE, x, KNEE + (1.0 - KNEE) * -np.expm1(-(x - KNEE) / (1.0 - KNEE)))


def to_srgb(light: np.ndarray, transfer: str, primaries: str) -> np.ndarray:
    """Return the sRGB signal (0..1) that shows linear scene light of shape (h, w, 3).

    Parameters
    ----------
    light : ndarray, float
        As from `viewer.media`: relative to nominal white of the clip's own transfer.
    transfer, primaries : str
        Of the clip.
    """
    light = np.maximum(np.asarray(light, np.float32), 0.0)
    if transfer not in ("hlg", "pq"):
        if primaries == "bt2020":
            light = np.maximum(light @ BT2020_TO_BT709.T.astype(np.float32), 0.0)
        return np.clip(from_linear(transfer, light), 0.0, 1.0)
    if transfer == "hlg":
        scene = light @ weights("bt2020")
        shown = PEAK_CD_M2 * light * (np.maximum(scene, 1e-9) ** (hlg_system_gamma(PEAK_CD_M2) - 1.0))[..., None]
    else:
        shown = np.minimum(pq_eotf(pq_oetf(light)), PEAK_CD_M2)
    relative = np.asarray(shown, np.float32) / WHITE_CD_M2
    if primaries == "bt2020":
        relative = np.maximum(relative @ BT2020_TO_BT709.T.astype(np.float32), 0.0)
    top = relative.max(axis=2, keepdims=True)
    relative = relative * (shoulder(top) / np.maximum(top, 1e-9))
    return np.clip(linear_to_srgb(relative), 0.0, 1.0)


def show(
    light: np.ndarray, clipped: np.ndarray, transfer: str, primaries: str, *, rendering: Rendering, gain: float = 1.0
) -> np.ndarray:
    """Return a picture as uint16 sRGB (h, w, 3).

    Parameters
    ----------
    light : ndarray of shape (h, w, 3)
        Linear scene light.
    clipped : ndarray of shape (h, w), bool
        Marked by hatching in the false-luminance rendering.
    gain : float
        Factor on the light, for the brightness-matched rendering.
    """
    if rendering in ("neutral_grey", "false_luminance"):
        light = np.repeat((light @ weights(primaries))[..., None], 3, axis=2)
    signal = to_srgb(light * np.float32(gain), transfer, primaries)
    if rendering == "false_luminance":
        signal = false_colour(signal.max(axis=2))
        rows, cols = np.indices(clipped.shape)
        signal[clipped & ((rows + cols) % 8 < 3)] = 1.0
    return np.asarray(np.round(signal * 65535.0), np.uint16)


@lru_cache(maxsize=1)
def _cividis() -> np.ndarray:
    from matplotlib import colormaps

    return np.asarray(colormaps["cividis"](np.linspace(0, 1, 256))[:, :3], np.float64)


def false_colour(signal: np.ndarray) -> np.ndarray:
    """Return the cividis colours of a signal 0..1, shape (h, w) -> (h, w, 3)."""
    place = np.clip(signal, 0, 1) * 255.0
    low = np.minimum(place.astype(int), 254)
    part = (place - low)[..., None]
    table = _cividis()
    return np.asarray(table[low] * (1 - part) + table[low + 1] * part)


__all__ = [
    "RECIPE_HDR",
    "RECIPE_SDR",
    "RENDERING_WORDS",
    "false_colour",
    "recipe_words",
    "shoulder",
    "show",
    "srgb_to_linear",
    "to_srgb",
    "weights",
]

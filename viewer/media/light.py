"""Transfer functions, matrices and code values: what a number in a file says about light.

Everything a measure needs runs from code values to *scene-linear* light: range, matrix, then the inverse of the camera's
transfer function, channel by channel, without clipping.  Display curves are in `viewer.media.display`.

References
----------
.. [1] Recommendation ITU-R BT.2100-2, tables 4 (PQ), 5 (HLG) and 9 (code values).
.. [2] Recommendation ITU-R BT.709-6, item 1.2; the same curve in BT.601-7 and, for up to 10 bits, BT.2020-2.
.. [3] IEC 61966-2-1 (sRGB); IEC 61966-2-4 (xvYCC: the curve of BT.709, odd about zero).
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from viewer.errors import UsageError

Array = NDArray[np.float64]

HLG_A = 0.17883277
HLG_B = 1.0 - 4.0 * HLG_A
HLG_C = 0.55991073
PQ_M1, PQ_M2 = 2610 / 16384, 2523 / 4096 * 128
PQ_C1, PQ_C2, PQ_C3 = 3424 / 4096, 2413 / 4096 * 32, 2392 / 4096 * 32
# Scale of scene light inside the reference OOTF of PQ, BT.2100-2 table 4.
PQ_OOTF_SCALE = 59.5208
PQ_PEAK = 10000.0

LUMA_WEIGHTS: dict[str, tuple[float, float, float]] = {
    "bt601": (0.299, 0.587, 0.114),
    "bt709": (0.2126, 0.7152, 0.0722),
    "bt2020": (0.2627, 0.6780, 0.0593),
    "smpte240m": (0.212, 0.701, 0.087),
    "fcc": (0.30, 0.59, 0.11),
}

# Relative luminance of the primaries at their white point: the middle row of the RGB -> XYZ matrix, from the chromaticities
# of ITU-R BT.709, BT.601-7 (525 and 625 lines), BT.2020 and SMPTE EG 432-1.
LUMINANCE_WEIGHTS: dict[str, tuple[float, float, float]] = {
    "bt709": (0.2126, 0.7152, 0.0722),
    "bt2020": (0.2627, 0.6780, 0.0593),
    "bt601-525": (0.2124, 0.7011, 0.0866),
    "bt601-625": (0.2220, 0.7067, 0.0713),
    "p3": (0.2290, 0.6917, 0.0793),
    "film": (0.2536, 0.6784, 0.0680),
    "bt470m": (0.2990, 0.5864, 0.1146),
}


def hlg_oetf(linear: ArrayLike) -> Array:
    """Return the HLG signal of scene light in 0..1 (BT.2100-2 normalisation); odd about zero."""
    x = np.asarray(linear, dtype=np.float64)
    size = np.abs(x)
    upper = HLG_A * np.log(np.maximum(12.0 * size - HLG_B, 1e-12)) + HLG_C
    return np.copysign(np.where(size <= 1 / 12, np.sqrt(3.0 * size), upper), x)


def hlg_inverse_oetf(signal: ArrayLike) -> Array:
    """Return scene light of an HLG signal; continues above 1 and, odd about zero, below black."""
    x = np.asarray(signal, dtype=np.float64)
    size = np.abs(x)
    with np.errstate(over="ignore"):
        upper = (np.exp((size - HLG_C) / HLG_A) + HLG_B) / 12.0
    return np.copysign(np.where(size <= 0.5, size * size / 3.0, upper), x)


def pq_eotf(signal: ArrayLike) -> Array:
    """Return display light in cd/m2 of a PQ signal (SMPTE ST 2084)."""
    x = np.maximum(np.asarray(signal, dtype=np.float64), 0.0) ** (1.0 / PQ_M2)
    ratio = np.maximum(x - PQ_C1, 0.0) / np.maximum(PQ_C2 - PQ_C3 * x, 1e-9)
    return np.asarray(PQ_PEAK * ratio ** (1.0 / PQ_M1))


def pq_inverse_eotf(display_cd_m2: ArrayLike) -> Array:
    """Return the PQ signal of display light in cd/m2."""
    y = (np.maximum(np.asarray(display_cd_m2, dtype=np.float64), 0.0) / PQ_PEAK) ** PQ_M1
    return np.asarray(((PQ_C1 + PQ_C2 * y) / (1.0 + PQ_C3 * y)) ** PQ_M2)


def pq_inverse_oetf(signal: ArrayLike) -> Array:
    """Return scene light in 0..1 of a PQ signal, through the inverse of the reference OOTF of BT.2100-2 table 4."""
    shown = pq_eotf(np.abs(np.asarray(signal, dtype=np.float64)))
    dash = (shown / 100.0) ** (1.0 / 2.4)
    curve = np.where(
        dash <= 1.099 * (0.018**0.45) - 0.099,
        dash / 4.5,
        ((np.maximum(dash, 0.0) + 0.099) / 1.099) ** (1.0 / 0.45),
    )
    return np.copysign(curve / PQ_OOTF_SCALE, np.asarray(signal, dtype=np.float64))


def pq_oetf(linear: ArrayLike) -> Array:
    """Return the PQ signal of scene light in 0..1, through the reference OOTF of BT.2100-2 table 4."""
    x = np.asarray(linear, dtype=np.float64)
    dash = bt709_oetf(np.abs(x) * PQ_OOTF_SCALE)
    return np.copysign(pq_inverse_eotf(100.0 * np.abs(dash) ** 2.4), x)


def bt709_oetf(linear: ArrayLike) -> Array:
    """Return the BT.709 signal of light; odd about zero as in xvYCC."""
    x = np.asarray(linear, dtype=np.float64)
    size = np.abs(x)
    return np.copysign(np.where(size < 0.018, 4.5 * size, 1.099 * size**0.45 - 0.099), x)


def bt709_inverse_oetf(signal: ArrayLike) -> Array:
    """Return light of a BT.709, BT.601 or BT.2020 signal, with the published constants; odd about zero."""
    x = np.asarray(signal, dtype=np.float64)
    size = np.abs(x)
    return np.copysign(np.where(size < 0.081, size / 4.5, ((size + 0.099) / 1.099) ** (1.0 / 0.45)), x)


def bt1886_eotf(signal: ArrayLike, *, white_cd_m2: float = 100.0, black_cd_m2: float = 0.0) -> Array:
    """Return display light in cd/m2 of a BT.709 signal on a BT.1886 display (Annex 1)."""
    root_white, root_black = white_cd_m2 ** (1 / 2.4), black_cd_m2 ** (1 / 2.4)
    gain = (root_white - root_black) ** 2.4
    lift = root_black / (root_white - root_black)
    return np.asarray(gain * np.maximum(np.asarray(signal, dtype=np.float64) + lift, 0.0) ** 2.4)


def srgb_to_linear(signal: ArrayLike) -> Array:
    """Return light of an sRGB signal; odd about zero."""
    x = np.asarray(signal, dtype=np.float64)
    size = np.abs(x)
    return np.copysign(np.where(size <= 0.04045, size / 12.92, ((size + 0.055) / 1.055) ** 2.4), x)


def linear_to_srgb(linear: ArrayLike) -> Array:
    """Return the sRGB signal of light; odd about zero."""
    x = np.asarray(linear, dtype=np.float64)
    size = np.abs(x)
    return np.copysign(np.where(size <= 0.0031308, 12.92 * size, 1.055 * size ** (1 / 2.4) - 0.055), x)


def hlg_system_gamma(peak_cd_m2: float) -> float:
    """Return the system gamma of HLG for a display of nominal peak `peak_cd_m2` (BT.2100-2 table 5, note 5f)."""
    return 1.2 + 0.42 * float(np.log10(peak_cd_m2 / 1000.0))


def _power(exponent: float) -> tuple[Callable[[ArrayLike], Array], Callable[[ArrayLike], Array]]:
    def decode(signal: ArrayLike) -> Array:
        x = np.asarray(signal, dtype=np.float64)
        return np.copysign(np.abs(x) ** exponent, x)

    def encode(linear: ArrayLike) -> Array:
        x = np.asarray(linear, dtype=np.float64)
        return np.copysign(np.abs(x) ** (1.0 / exponent), x)

    return decode, encode


def _same(values: ArrayLike) -> Array:
    return np.array(values, dtype=np.float64)


# name -> (signal to light, light to signal)
TRANSFER_FUNCTIONS: dict[str, tuple[Callable[[ArrayLike], Array], Callable[[ArrayLike], Array]]] = {
    "hlg": (hlg_inverse_oetf, hlg_oetf),
    "pq": (pq_inverse_oetf, pq_oetf),
    "bt709": (bt709_inverse_oetf, bt709_oetf),
    "bt601": (bt709_inverse_oetf, bt709_oetf),
    "bt2020": (bt709_inverse_oetf, bt709_oetf),
    "srgb": (srgb_to_linear, linear_to_srgb),
    "gamma2.2": _power(2.2),
    "gamma2.4": _power(2.4),
    "gamma2.6": _power(2.6),
    "gamma2.8": _power(2.8),
    "linear": (_same, _same),
}


def _pair(name: str) -> tuple[Callable[[ArrayLike], Array], Callable[[ArrayLike], Array]]:
    try:
        return TRANSFER_FUNCTIONS[name]
    except KeyError:
        raise UsageError(
            f"unknown transfer function {name!r}.", hint=f"Choose one of {', '.join(TRANSFER_FUNCTIONS)}."
        ) from None


def to_linear(name: str, signal: ArrayLike) -> Array:
    """Return scene-linear light of a non-linear signal.

    Parameters
    ----------
    name : str
        Transfer function, a key of `TRANSFER_FUNCTIONS`.
    signal : array_like
        Nominal range 0..1; values outside continue the curve, below zero as an odd function, so that noise about black
        keeps its mean.

    Returns
    -------
    ndarray of float64
        Light relative to nominal white (HLG and PQ: in the 0..1 normalisation of BT.2100).

    Raises
    ------
    UsageError
        If the name is unknown.
    """
    return _pair(name)[0](signal)


def from_linear(name: str, linear: ArrayLike) -> Array:
    """Return the non-linear signal of scene-linear light; the inverse of `to_linear`."""
    return _pair(name)[1](linear)


@lru_cache(maxsize=32)
def rgb_from_ycbcr(matrix: str) -> Array:
    """Return the 3 x 3 matrix that takes (Y', Cb', Cr') to (R', G', B').

    Parameters
    ----------
    matrix : str
        A key of `LUMA_WEIGHTS`, or ``rgb`` for the unit matrix.

    References
    ----------
    .. [1] ITU-R BT.601-7, BT.709-6, BT.2020-2: the luma weights; the rest follows from them.
    """
    if matrix == "rgb":
        return np.eye(3)
    try:
        red, green, blue = LUMA_WEIGHTS[matrix]
    except KeyError:
        raise UsageError(f"unknown matrix {matrix!r}.", hint=f"Choose one of {', '.join(LUMA_WEIGHTS)}, rgb.") from None
    to_red, to_blue = 2.0 * (1.0 - red), 2.0 * (1.0 - blue)
    return np.array(
        [
            [1.0, 0.0, to_red],
            [1.0, -to_blue * blue / green, -to_red * red / green],
            [1.0, to_blue, 0.0],
        ]
    )


def luma_scale(bits: int, code_range: str) -> tuple[float, float]:
    """Return ``(offset, span)`` in codes: signal = (code - offset) / span, for luma and for R', G', B'."""
    if code_range == "full":
        return 0.0, float((1 << bits) - 1)
    return float(16 << (bits - 8)), float(219 << (bits - 8))


def chroma_scale(bits: int, code_range: str) -> tuple[float, float]:
    """Return ``(offset, span)`` in codes for Cb', Cr'."""
    if code_range == "full":
        return float(1 << (bits - 1)), float((1 << bits) - 1)
    return float(128 << (bits - 8)), float(224 << (bits - 8))


def code_to_signal(code: ArrayLike, bits: int, code_range: str, *, chroma: bool = False) -> Array:
    """Return the signal of code values; nothing is clipped."""
    offset, span = (chroma_scale if chroma else luma_scale)(bits, code_range)
    return np.asarray((np.asarray(code, dtype=np.float64) - offset) / span)


def signal_to_code(signal: ArrayLike, bits: int, code_range: str, *, chroma: bool = False) -> NDArray[np.int64]:
    """Return code values, rounded half up and held inside what `bits` can carry."""
    offset, span = (chroma_scale if chroma else luma_scale)(bits, code_range)
    code = np.floor(np.asarray(signal, dtype=np.float64) * span + offset + 0.5)
    return np.clip(code, 0, (1 << bits) - 1).astype(np.int64)


def rgb_to_ycbcr(rgb: ArrayLike, matrix: str) -> Array:
    """Return (Y', Cb', Cr') of (..., 3) R'G'B' signals."""
    return np.asarray(rgb, dtype=np.float64) @ np.linalg.inv(rgb_from_ycbcr(matrix)).T


__all__ = [
    "HLG_A",
    "HLG_B",
    "HLG_C",
    "LUMA_WEIGHTS",
    "LUMINANCE_WEIGHTS",
    "TRANSFER_FUNCTIONS",
    "bt709_inverse_oetf",
    "bt709_oetf",
    "bt1886_eotf",
    "chroma_scale",
    "code_to_signal",
    "from_linear",
    "hlg_inverse_oetf",
    "hlg_oetf",
    "hlg_system_gamma",
    "linear_to_srgb",
    "luma_scale",
    "pq_eotf",
    "pq_inverse_eotf",
    "pq_inverse_oetf",
    "pq_oetf",
    "rgb_from_ycbcr",
    "rgb_to_ycbcr",
    "signal_to_code",
    "srgb_to_linear",
    "to_linear",
]

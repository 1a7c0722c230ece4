"""Decoded pictures as arrays: native planes without copies, chroma carried to the luma grid."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from viewer.cv import cv2
from viewer.errors import MediaError
from viewer.media.linearise import ChromaCodes

# Packed or unusual formats, each with the planar format that holds the same samples.
SAME_SAMPLES = {
    "nv12": "yuv420p",
    "nv21": "yuv420p",
    "nv16": "yuv422p",
    "nv24": "yuv444p",
    "p010le": "yuv420p10le",
    "p010be": "yuv420p10le",
    "p012le": "yuv420p12le",
    "p016le": "yuv420p16le",
    "p210le": "yuv422p10le",
    "yuyv422": "yuv422p",
    "uyvy422": "yuv422p",
    "yvyu422": "yuv422p",
    "rgb24": "gbrp",
    "bgr24": "gbrp",
    "rgb0": "gbrp",
    "bgr0": "gbrp",
    "0rgb": "gbrp",
    "0bgr": "gbrp",
    "rgba": "gbrp",
    "bgra": "gbrp",
    "argb": "gbrp",
    "abgr": "gbrp",
    "gbrap": "gbrp",
    "pal8": "gbrp",
    "rgb555le": "gbrp",
    "rgb565le": "gbrp",
    "rgb48le": "gbrp16le",
    "rgb48be": "gbrp16le",
    "bgr48le": "gbrp16le",
    "rgba64le": "gbrp16le",
    "rgba64be": "gbrp16le",
    "gbrap10le": "gbrp10le",
    "gbrap12le": "gbrp12le",
    "gbrap16le": "gbrp16le",
    "gray16be": "gray16le",
    "gray10be": "gray10le",
    "gray12be": "gray12le",
    "ya8": "gray",
    "ya16le": "gray16le",
    "monow": "gray",
    "monob": "gray",
    "yuva420p": "yuv420p",
    "yuva422p": "yuv422p",
    "yuva444p": "yuv444p",
    "yuva444p10le": "yuv444p10le",
    "yuva444p12le": "yuv444p12le",
}


@dataclass(frozen=True, slots=True)
class Layout:
    """How a pixel format holds its samples: `kind` yuv, rgb or grey; `step_x`, `step_y` luma px per chroma sample."""

    name: str
    kind: str
    bits: int
    step_x: int = 1
    step_y: int = 1

    @property
    def chroma(self) -> str:
        """Subsampling in the usual figures (420, 422, 444 ...); ``rgb`` or ``400`` without chroma planes."""
        if self.kind == "rgb":
            return "rgb"
        if self.kind == "grey":
            return "400"
        known = {(1, 1): "444", (2, 1): "422", (2, 2): "420", (4, 1): "411", (4, 4): "410", (1, 2): "440"}
        return known.get((self.step_x, self.step_y), f"{self.step_x}x{self.step_y}")


def layout_of(format_: Any, *, where: str = "") -> Layout:
    """Return the layout of a pixel format of the media library.

    Raises
    ------
    MediaError
        If its samples cannot be had as planes of 8 to 16 bits.
    """
    name = format_.name
    components = format_.components
    same = SAME_SAMPLES.get(name)
    if same is not None:
        import av

        width, height = max(format_.width, 16), max(format_.height, 16)
        return layout_of(av.VideoFormat(same, width, height), where=where)
    bits = components[0].bits if components else 0
    usable = 8 <= bits <= 16 and not format_.is_bayer and not name.endswith("be")
    if usable and len(components) == 1:
        return Layout(name, "grey", bits)
    if usable and len(components) >= 3 and format_.is_planar and format_.is_rgb:
        return Layout(name, "rgb", bits)
    if usable and len(components) >= 3 and format_.is_planar:
        width, height = 64, 64
        step_x = max(1, round(width / max(1, _scaled(format_, 1, width, True))))
        step_y = max(1, round(height / max(1, _scaled(format_, 1, height, False))))
        return Layout(name, "yuv", bits, step_x, step_y)
    raise MediaError(
        f"holds pixels as {name}, which cannot be measured.",
        where=where,
        hint="Convert a copy to yuv, rgb or grey, 8 to 16 bit.",
    )


def _scaled(format_: Any, plane: int, length: int, horizontal: bool) -> int:
    return int(format_.chroma_width(length) if horizontal else format_.chroma_height(length))


def plane_array(frame: Any, index: int, bits: int) -> NDArray[Any]:
    """Return one decoded plane as a (rows, cols) view of uint8 or uint16; no copy is made."""
    plane = frame.planes[index]
    kind: Any = np.uint16 if bits > 8 else np.uint8
    size = np.dtype(kind).itemsize
    stride = plane.line_size
    rows, cols = plane.height, plane.width
    flat = np.frombuffer(plane, dtype=np.uint8)
    need = (rows - 1) * abs(stride) + cols * size
    if flat.size < need or stride <= 0:
        raise MediaError("a decoded plane is shorter than its size says.")
    return np.lib.stride_tricks.as_strided(flat[: cols * size].view(kind), (rows, cols), (stride, size), writeable=False)


def one_field(plane: NDArray[Any], *, first: int) -> NDArray[Any]:
    """Return a plane in which the lines of the other field are replaced by the mean of their neighbours.

    Parameters
    ----------
    plane : ndarray of shape (rows, cols)
    first : {0, 1}
        The line with which the kept field begins.
    """
    out = plane.copy()
    field = plane[first::2]
    if not len(field):
        return out
    lost = out[1 - first :: 2]
    below = field[: len(lost)] if first else field[1:]
    above = np.concatenate([field[:1], field])[: len(lost)] if first else field[: len(lost)]
    if len(below) < len(lost):
        below = np.concatenate([below, field[-1:]])
    mean = (above.astype(np.uint32) + below.astype(np.uint32) + 1) // 2
    lost[...] = mean.astype(plane.dtype)
    return out


# Codes as they are.
FLOATS = ChromaCodes(np.float32, 0, 1)
# Where chroma samples lie, in luma px from the first luma sample, as a fraction of (step - 1): 0 on it, 0.5 midway.
SITING = {
    "left": (0.0, 0.5),
    "center": (0.5, 0.5),
    "topleft": (0.0, 0.0),
    "top": (0.5, 0.0),
    "bottomleft": (0.0, 1.0),
    "bottom": (0.5, 1.0),
}


def upsample(plane: NDArray[Any], box: tuple[int, int, int, int], step_x: int, step_y: int, siting: str) -> NDArray[np.float32]:
    """Return one chroma plane on the luma grid inside a box; see `upsample_all`."""
    return upsample_all((plane,), box, step_x, step_y, siting)[0]


def upsample_all(
    planes: Sequence[NDArray[Any]],
    box: tuple[int, int, int, int],
    step_x: int,
    step_y: int,
    siting: str,
    codes: ChromaCodes = FLOATS,
) -> list[NDArray[Any]]:
    """Return chroma planes on the luma grid inside a box, by linear interpolation at the true sample places.

    Parameters
    ----------
    planes : sequence of ndarray of shape (rows, cols)
        Chroma codes; all of one shape.
    box : (x, y, w, h)
        Stored luma px.
    step_x, step_y : int
        Luma px per chroma sample.
    siting : str
        Key of `SITING`; counts only along subsampled axes.
    codes : ChromaCodes, optional
        The kind of numbers to return; the codes themselves in single precision if left out.
    """
    x, y, w, h = box
    if step_x == 1 and step_y == 1:
        return list(_stacked([plane[y : y + h, x : x + w] for plane in planes], codes))
    along, down = SITING[siting]
    off_x, off_y = along * (step_x - 1), down * (step_y - 1)
    rows, cols = planes[0].shape
    first_x, last_x = _span(x, w, step_x, off_x, cols)
    first_y, last_y = _span(y, h, step_y, off_y, rows)
    parts = _stacked([plane[first_y:last_y, first_x:last_x] for plane in planes], codes)
    if step_x > 2 or step_y > 2:
        matrix = np.array(
            [
                [1 / step_x, 0.0, (x - off_x) / step_x - first_x],
                [0.0, 1 / step_y, (y - off_y) / step_y - first_y],
            ]
        )
        flags, edge = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, cv2.BORDER_REPLICATE
        return [np.asarray(cv2.warpAffine(part, matrix, (w, h), flags=flags, borderMode=edge)) for part in parts]
    # All planes as one tall array: along x on the few rows first, then down; both as sums of whole arrays.
    part = parts.reshape(-1, parts.shape[-1])
    wide = _doubled_along(part, along) if step_x == 2 else part
    full = _doubled_down(wide, down, len(parts)) if step_y == 2 else wide
    left, top = x - first_x * step_x, y - first_y * step_y
    tall = len(full) // len(parts)
    return [full[n * tall + top : n * tall + top + h, left : left + w] for n in range(len(parts))]


def _stacked(parts: Sequence[NDArray[Any]], codes: ChromaCodes) -> NDArray[Any]:
    """Return parts of planes as one array of shape (planes, rows, cols), their codes as `codes` says."""
    out = np.empty((len(parts), *parts[0].shape), dtype=codes.kind)
    for part, place in zip(parts, out, strict=True):
        if codes.middle:
            np.subtract(part, part.dtype.type(codes.middle), out=place, dtype=codes.kind, casting="unsafe")
        else:
            place[...] = part
    if codes.gain != 1:
        out *= codes.gain
    return out


def _doubled_along(part: NDArray[Any], place: float) -> NDArray[Any]:
    """Return twice as many columns: samples lie on even columns (0), midway (0.5) or on odd ones (1)."""
    rows, cols = part.shape
    if place == 0.5:
        return np.asarray(cv2.resize(part, (2 * cols, rows), interpolation=cv2.INTER_LINEAR))
    after = np.concatenate([part[:, 1:], part[:, -1:]], axis=1)
    between = np.asarray(cv2.addWeighted(part, 0.5, after, 0.5, 0.0))
    if place == 0.0:
        return np.asarray(cv2.merge([part, between])).reshape(rows, 2 * cols)
    between = np.concatenate([part[:, :1], between[:, :-1]], axis=1)
    return np.asarray(cv2.merge([between, part])).reshape(rows, 2 * cols)


def _doubled_down(part: NDArray[Any], place: float, count: int = 1) -> NDArray[Any]:
    """Return twice as many rows of `count` planes that lie one below the other; see `_doubled_along`."""
    rows, cols = part.shape
    out = np.empty((rows, 2, cols), dtype=part.dtype)
    ends = range(rows // count - 1, rows, rows // count)
    # Written straight into every other row.  What is mixed across the seam of two planes is set to their own edges after.
    if place == 0.5:
        if rows > 1:
            cv2.addWeighted(part[:-1], 0.25, part[1:], 0.75, 0.0, dst=out[1:, 0])
            cv2.addWeighted(part[:-1], 0.75, part[1:], 0.25, 0.0, dst=out[:-1, 1])
        for end in ends:
            out[end + 1 - rows // count, 0], out[end, 1] = part[end + 1 - rows // count], part[end]
        return out.reshape(2 * rows, cols)
    at = int(place)
    out[:, at] = part
    if rows > 1:
        cv2.addWeighted(part[:-1], 0.5, part[1:], 0.5, 0.0, dst=out[:-1, 1] if at == 0 else out[1:, 0])
    for end in ends:
        edge = end if at == 0 else end + 1 - rows // count
        out[edge, 1 - at] = part[edge]
    return out.reshape(2 * rows, cols)


def _span(start: int, length: int, step: int, offset: float, limit: int) -> tuple[int, int]:
    """Chroma samples that a run of luma px needs, one spare on each side."""
    first = math.floor((start - offset) / step) - 1
    last = math.floor((start + length - 1 - offset) / step) + 3
    return max(0, min(first, limit - 1)), max(1, min(last, limit))


__all__ = ["SAME_SAMPLES", "SITING", "Layout", "layout_of", "one_field", "plane_array", "upsample", "upsample_all"]

"""What changes from frame to frame of a side-by-side video: pictures, their insets, captions, times, the light level."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal

import numpy as np

from viewer.media.light import hlg_oetf, hlg_system_gamma, srgb_to_linear
from viewer.media.writer import VideoWriter
from viewer.publish.canvas import Canvas
from viewer.publish.gather import Gathered, Pane
from viewer.publish.layout import Box
from viewer.publish.overlay import Place, inset_light, inset_place
from viewer.publish.rendering import PEAK_CD_M2, WHITE_CD_M2, show
from viewer.publish.still import Stage
from viewer.publish.text import fit
from viewer.publish.view import combined, resample
from viewer.session.model import Rendering, Scene, Session

Master = Literal["sdr", "hlg"]
MARKER_S = 3.0
# Rows: BT.2020 R, G, B of BT.709 R, G, B; Recommendation ITU-R BT.2087-0, table 1.
BT709_TO_BT2020 = np.array([[0.6274, 0.3293, 0.0433], [0.0691, 0.9195, 0.0114], [0.0164, 0.0880, 0.8956]])


@dataclass(frozen=True, slots=True, kw_only=True)
class Caption:
    """A line shown from `start_s` to `stop_s`, scene seconds."""

    start_s: float
    stop_s: float
    text: str


def picture(
    page: Stage, box: Box, pane: Pane, light: np.ndarray, clipped: np.ndarray, master: Master, *, matched: bool
) -> np.ndarray:
    """Return the signal of one pane with what is drawn on it, (h, w, 3) float32."""
    matrix = combined(page.view, box.w, pane.place)
    shown, mask, inside = resample(light, clipped, matrix, box.w, box.h)
    gain = pane.gain if matched else 1.0
    part = (slice(box.y, box.bottom), slice(box.x, box.right))
    signal = _signal(shown, mask, pane, master, gain, matched=matched)
    signal[~inside] = 0.0
    place = Place(box=box, view=page.view, em=page.em)
    for note in page.insets:
        x, y, w, h, factor = inset_place(place, note, pane)
        if factor:
            piece = _signal(*inset_light(pane, note.geometry, light, clipped), pane, master, gain, matched=matched)
            rows, cols = slice(max(0, y - box.y), y - box.y + h), slice(max(0, x - box.x), x - box.x + w)
            signal[rows, cols] = piece.repeat(factor, axis=0).repeat(factor, axis=1)[: box.h, : box.w]
    drawn = graphics_to_hlg(page.base[part]) if master == "hlg" else page.base[part]
    return np.asarray(drawn + page.share[part] * signal, np.float32)


def _signal(light: np.ndarray, clipped: np.ndarray, pane: Pane, master: Master, gain: float, *, matched: bool) -> np.ndarray:
    """Return the signal that shows light in a master, (h, w, 3) float32."""
    if master == "hlg":
        return _to_hlg(light * np.float32(gain), pane)
    rendering: Rendering = "brightness_matched" if matched else "as_filmed"
    sixteen = show(light, clipped, pane.transfer, pane.primaries, rendering=rendering, gain=gain)
    return np.asarray(sixteen.astype(np.float32) / np.float32(65535.0))


def _to_hlg(light: np.ndarray, pane: Pane) -> np.ndarray:
    """Return the HLG signal of a clip's light: an HLG clip's own, anything else as it looks on an SDR display."""
    if pane.transfer == "hlg":
        return np.clip(hlg_oetf(np.maximum(light, 0.0)), 0.0, 1.0).astype(np.float32)
    mask = np.zeros(light.shape[:2], bool)
    shown = show(light, mask, pane.transfer, pane.primaries, rendering="as_filmed").astype(np.float32) / 65535.0
    return graphics_to_hlg(shown)


def graphics_to_hlg(signal: np.ndarray) -> np.ndarray:
    """Return the HLG signal that shows sRGB graphics with white at 203 cd/m2 on a display of 1000 cd/m2 (BT.2408)."""
    display = np.asarray(srgb_to_linear(signal) @ BT709_TO_BT2020.T) * (WHITE_CD_M2 / PEAK_CD_M2)
    luminance = np.maximum(display @ np.array([0.2627, 0.6780, 0.0593]), 1e-9)
    gamma = hlg_system_gamma(PEAK_CD_M2)
    scene = display * (luminance ** ((1.0 - gamma) / gamma))[..., None]
    return np.clip(hlg_oetf(scene), 0.0, 1.0).astype(np.float32)


def put(sink: VideoWriter, planes: tuple[Any, ...], base: np.ndarray, signal: np.ndarray, box: Box) -> None:
    """Put a picture into ready planes; only what it covers is encoded again (even px, for the chroma)."""
    x0, y0 = box.x - box.x % 2, box.y - box.y % 2
    x1, y1 = min(box.right + box.right % 2, base.shape[1]), min(box.bottom + box.bottom % 2, base.shape[0])
    part = base[y0:y1, x0:x1].copy()
    part[box.y - y0 : box.bottom - y0, box.x - x0 : box.right - x0] = signal
    _patch(planes, sink.encode(part), x0, y0)


def _patch(planes: tuple[Any, ...], parts: tuple[Any, ...], x: int, y: int) -> None:
    for plane, part, step in zip(planes, parts, (1, 2, 2), strict=True):
        h, w = part.shape
        plane[y // step : y // step + h, x // step : x // step + w] = part


def stamp(
    sink: VideoWriter, planes: tuple[Any, ...], page: Stage, place: int, scene_s: float, *, again: bool, hlg: bool
) -> None:
    """Write scene time, and "repeat" where the frame was shown before, at the right end of a pane's name line."""
    right, top, width = page.stamps[place]
    wide = round(min(9.5 * page.em, 0.45 * width))
    box = Box(right - wide, top + round(0.4 * page.em), wide, 2 * round(0.7 * page.em))
    text = f"{scene_s:.3f} s" + ("  repeat" if again else "")
    write_words(sink, planes, page, box, text, 0.85 * page.em, align="right", hlg=hlg)


def tell(
    sink: VideoWriter,
    planes: tuple[Any, ...],
    page: Stage,
    gathered: Gathered,
    scene_s: float,
    captions: tuple[Caption, ...],
    *,
    hlg: bool,
) -> None:
    """Write the light level at the right of the header, and the caption of this moment under the pictures."""
    if page.readout is not None:
        text = level_words(gathered.scene, scene_s)
        write_words(sink, planes, page, page.readout, text, page.em, align="right", hlg=hlg)
    if page.caption is not None:
        spoken = next((c.text for c in reversed(captions) if c.start_s <= scene_s < c.stop_s), "")
        write_words(sink, planes, page, page.caption, spoken, 1.1 * page.em, align="left", hlg=hlg)


def level_words(scene: Scene, scene_s: float) -> str:
    """Return the light level of a moment as typed: ``light level 0.3 mfL``; empty where none is stated."""
    for level in scene.levels:
        if (level.start_s is None or level.start_s <= scene_s) and (level.end_s is None or scene_s < level.end_s):
            return f"light level {level.value:g} {level.unit}"
    return ""


def write_words(
    sink: VideoWriter,
    planes: tuple[Any, ...],
    page: Stage,
    box: Box,
    text: str,
    size: float,
    *,
    align: Literal["left", "right"],
    hlg: bool,
) -> None:
    """Write one line on the ground of the page; the same words are drawn once."""
    x0, y0 = box.x - box.x % 2, box.y - box.y % 2
    w, h = box.right - x0 + (box.right - x0) % 2, box.h + box.h % 2
    part = _line_pixels(fit(text, w, size), w, h, size, align, page.greys.surround, page.greys.quiet)
    _patch(planes, sink.encode(graphics_to_hlg(part) if hlg else part), x0, y0)


@lru_cache(maxsize=64)
def _line_pixels(text: str, w: int, h: int, size: float, align: Literal["left", "right"], ground: str, ink: str) -> np.ndarray:
    canvas = Canvas(w, h, ground)
    canvas.text(w if align == "right" else 0.0, 0.5 * h + 0.36 * size, text, size, ink, align=align, face="figures")
    return canvas.pixels.astype(np.float32) / 65535.0


def marker_captions(session: Session, scene: str) -> tuple[Caption, ...]:
    """Return the scene's markers as captions, each until the next but no longer than a few seconds."""
    marks = sorted((m for m in session.markers if m.scene == scene and m.text.strip()), key=lambda m: m.time_s)
    ends = [m.time_s for m in marks[1:]] + [float("inf")] * bool(marks)
    return tuple(
        Caption(start_s=m.time_s, stop_s=min(end, m.time_s + MARKER_S), text=m.text) for m, end in zip(marks, ends, strict=True)
    )


__all__ = [
    "Caption",
    "Master",
    "graphics_to_hlg",
    "level_words",
    "marker_captions",
    "picture",
    "put",
    "stamp",
    "tell",
    "write_words",
]

"""Flash scan of a finished video, as a viewer's screen would show it at full size."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import lru_cache
from typing import Any

import numpy as np

from viewer.cv import cv2
from viewer.measure.flash import ACROSS, FlashReport, FlashScan, cell_grid, to_cells
from viewer.media import ClipReader
from viewer.media.light import hlg_inverse_oetf, hlg_system_gamma, pq_eotf, srgb_to_linear
from viewer.tasks.document import Result

PEAK_CD_M2 = 1000.0
# Rows: BT.709 R, G, B of BT.2020 R, G, B; from the chromaticities, Recommendation ITU-R BT.2087-0.
BT2020_TO_BT709 = np.array([[1.6605, -0.5876, -0.0728], [-0.1246, 1.1329, -0.0083], [-0.0182, -0.1006, 1.1187]])
# Averaging code values down to this width first only smooths what a screen of that width could not show.
_FIRST_WIDTH = 4 * ACROSS
_STEPS = 4096


@lru_cache(maxsize=4)
def _table(transfer: str) -> np.ndarray:
    """Return light at 4096 even steps of the signal."""
    signal = np.linspace(0.0, 1.0, _STEPS)
    if transfer == "hlg":
        return np.asarray(hlg_inverse_oetf(signal), np.float32)
    if transfer == "pq":
        return np.asarray(pq_eotf(signal), np.float32)
    return np.asarray(srgb_to_linear(signal), np.float32)


def display_light(signal: np.ndarray, transfer: str, primaries: str) -> np.ndarray:
    """Return the light that leaves the screen for R'G'B' of shape (h, w, 3): linear, BT.709 primaries.

    SDR signals are shown by the sRGB curve and come out relative to white, as WCAG defines relative luminance; HLG and PQ
    come out in cd/m2 on a display of 1000 cd/m2.
    """
    light = _table(transfer)[(np.clip(signal, 0.0, 1.0) * (_STEPS - 1) + 0.5).astype(np.uint16)]
    if transfer == "hlg":
        scene = light @ np.array([0.2627, 0.6780, 0.0593], np.float32)
        gamma = hlg_system_gamma(PEAK_CD_M2)
        light = PEAK_CD_M2 * light * (np.maximum(scene, 1e-9) ** (gamma - 1.0))[..., None]
    elif transfer == "pq":
        light = np.minimum(light, PEAK_CD_M2)
    if primaries == "bt2020":
        light = light @ BT2020_TO_BT709.T.astype(np.float32)
    return np.asarray(np.maximum(light, 0.0))


def frame_cells(frame: Any, transfer: str, primaries: str) -> np.ndarray:
    """Return the cells of one decoded frame, linear light (rows, cols, 3)."""
    signal = frame.signal()
    if signal.shape[2] == 1:
        signal = np.repeat(signal, 3, axis=2)
    height, width = signal.shape[:2]
    if max(width, height) > _FIRST_WIDTH:
        cols, rows = (4 * n for n in cell_grid(width, height))
        signal = cv2.resize(signal, (cols, rows), interpolation=cv2.INTER_AREA)
    cells = to_cells(display_light(signal, transfer, primaries))
    turned = (width > height) != (frame.width > frame.height)
    return np.swapaxes(cells, 0, 1) if turned else cells


def scan_clip(
    clip: ClipReader,
    *,
    frames: tuple[int, int | None] = (0, None),
    progress: Callable[[int, int], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> FlashReport:
    """Scan the frames of an open video."""
    transfer, primaries = clip.info.transfer, clip.info.primaries
    scan = FlashScan(hdr=transfer in ("hlg", "pq"))
    for frame in clip.frames(*frames, progress=progress, cancelled=cancelled):
        scan.add(frame.time_s, frame_cells(frame, transfer, primaries))
    return scan.finish()


def scan_pictures(pictures: Iterable[np.ndarray], seconds: float, *, loops: int = 3) -> FlashReport:
    """Scan 8-bit sRGB pictures (h, w, 3) that are shown `seconds` each, over and over."""
    cells = [to_cells(display_light(picture.astype(np.float32) / 255.0, "srgb", "bt709")) for picture in pictures]
    scan = FlashScan()
    # Between changes nothing turns; the second look at each tells that what turned did so at once.
    for number in range(loops * len(cells)):
        for part in (0.0, 0.5):
            scan.add((number + part) * seconds, cells[number % len(cells)])
    return scan.finish()


def scan_flash(
    clip: ClipReader,
    *,
    frames: tuple[int, int | None] = (0, None),
    progress: Callable[[int, int], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> Result:
    """Scan a finished video for flashes that can harm photosensitive viewers.

    Returns
    -------
    Result
        Readings ``flashes_per_second``, ``red_flashes_per_second`` (1/s) and ``area`` (% of a 10-degree field); verdict word
        ``below limit`` or ``above limit``; extras ``worst_second`` {start_s, rate, area, swing, swing_unit, place, in_turn} and
        ``rule``.
    """
    report = scan_clip(clip, frames=frames, progress=progress, cancelled=cancelled)
    worst = report.worst
    name = clip.info.path.name
    warnings = ["A pass is no medical clearance: put a flash warning beside clips that flicker."]
    if report.duration_s < 1.0:
        warnings.append("The video is shorter than one second; if it loops, scan it looped.")
    if clip.info.interlaced:
        warnings.append("The video is interlaced: whole frames were judged, its fields can flash faster.")
    extras = {
        "rule": "BT.1702 form for HDR, 1000 cd/m2 display" if report.hdr else "WCAG 2.x general and red flash",
        "worst_second": {
            "start_s": worst.start_s,
            "rate": worst.rate,
            "area": 100.0 * worst.area,
            "swing": worst.swing,
            "swing_unit": "cd/m2" if report.hdr else "relative luminance",
            "place": [
                round(value * size) for value, size in zip(worst.place, (clip.info.width, clip.info.height) * 2, strict=True)
            ],
            "in_turn": worst.turns,
        },
    }
    return Result(
        command="flash",
        inputs=(clip.info.input_record(),),
        readings=report.readings(name),
        verdict=report.verdict,
        warnings=tuple(warnings),
        extras=extras,
    )


__all__ = ["display_light", "frame_cells", "scan_clip", "scan_flash", "scan_pictures"]

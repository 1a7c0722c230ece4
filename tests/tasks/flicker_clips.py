"""Small clips of light that pulses, through real codecs: each row is integrated over its own exposure."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from fractions import Fraction
from pathlib import Path
from runpy import run_path

import numpy as np

from viewer.media.writer import VideoWriter

_rows = run_path(str(Path(__file__).parent.parent / "measure" / "flicker_rows_made.py"))
Gate = _rows["Gate"]
TICKS = 90_000


def encode_709(light: np.ndarray) -> np.ndarray:
    """BT.709-6, item 1.2."""
    return np.where(light < 0.018, 4.5 * light, 1.099 * np.maximum(light, 0.018) ** 0.45 - 0.099)


def encode_hlg(light: np.ndarray) -> np.ndarray:
    """BT.2100-2, table 5."""
    a, b, c = 0.17883277, 0.28466892, 0.55991073
    return np.where(light <= 1 / 12, np.sqrt(3 * np.maximum(light, 0)), a * np.log(np.maximum(12 * light - b, 1e-9)) + c)


def monitor(rows: int, cols: int) -> tuple[np.ndarray, np.ndarray]:
    """A dark surround, and a screen with lines of text on it, in a round field."""
    rng = np.random.default_rng(3)
    y, x = np.mgrid[:rows, :cols]
    field = np.hypot(y - rows / 2, x - cols / 2) < 0.48 * rows
    dark = (0.03 + 0.012 * np.sin(x / 17) * np.cos(y / 23)) * field
    lit = np.zeros((rows, cols))
    top, left = rows // 3, cols // 3
    text = rng.uniform(0.35, 0.6, (rows // 3 // 4 + 1, cols // 3 // 6 + 1)).repeat(4, 0).repeat(6, 1)
    lit[top : top + rows // 3, left : left + cols // 3] = text[: rows // 3, : cols // 3]
    return dark, lit


def write_flicker(
    path: Path,
    *,
    rows: int = 240,
    cols: int = 320,
    rate: Fraction = Fraction(60000, 1001),
    seconds: float = 2.0,
    readout_s: float = 0.014,
    exposure_s: float = 1 / 1000,
    direction: str = "down",
    tube: object = None,
    source: object = None,
    codec: str = "h264",
    crf: float = 20,
    noise: float = 0.02,
    rotation: int = 0,
    flat: bool = False,
    bright: float = 1.0,
    file_rate: Fraction | None = None,
    shift: tuple[int, int] = (0, 0),
    change: Callable[[int, np.ndarray], np.ndarray] | None = None,
    times_s: Sequence[float] = (),
    repeat: int = 0,
) -> Path:
    """Write a clip; `direction` is that of the readout in the stored picture, `file_rate` another rate to play at.

    `shift` moves the screen (px, right and down), `bright` multiplies its light; `change` alters the light of
    a frame; `times_s` are uneven frame times; every `repeat`-th picture is that of the frame before.
    """
    rng = np.random.default_rng(5)
    dark, lit = monitor(rows, cols)
    lit = bright * np.roll(lit, shift[::-1], axis=(0, 1))
    if flat:
        dark, lit = np.full((rows, cols), 0.3), np.zeros((rows, cols))
    along = {"down": np.arange(rows), "up": np.arange(rows)[::-1], "right": np.arange(cols), "left": np.arange(cols)[::-1]}
    line = along[direction] * readout_s / len(along[direction])
    turn = (slice(None), None) if direction in ("down", "up") else (None, slice(None))
    ten = codec == "hevc"
    how = {"transfer": "hlg", "bit_depth": 10, "matrix": "bt2020"} if ten else {}
    curve = encode_hlg if ten else encode_709
    options = {"preset": "ultrafast" if ten else "veryfast"}
    with VideoWriter(
        path,
        width=cols,
        height=rows,
        rate=file_rate or rate,
        codec=codec,
        crf=crf,
        rotation=rotation,
        options=options,
        threads=1,
        time_base=Fraction(1, TICKS) if times_s else None,
        **how,
    ) as writer:
        for n in range(len(times_s) or round(seconds * float(rate))):
            at = times_s[n] if times_s else n / float(rate)
            t = at + line
            gate = 1.0 if tube is None else tube.mean(t, exposure_s)[turn]  # type: ignore[attr-defined]
            lamp = 1.0 if source is None else source.mean(t, exposure_s)[turn]  # type: ignore[attr-defined]
            light = (dark + lit * lamp) * gate
            light = light if change is None else change(n, light)
            light = light + noise * np.sqrt(np.maximum(light, 1e-4) * 0.3) * rng.standard_normal((rows, cols))
            if not (repeat and n and n % repeat == 0):
                signal = np.clip(curve(light), 0, 1).astype(np.float32)
            writer.write(np.repeat(signal[..., None], 3, axis=2), round(at * TICKS) if times_s else None)
    return path

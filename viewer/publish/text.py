"""Letters as outlines from the bundled fonts: the same shapes with any screen, with none, and in any thread.

The fonts are read by FreeType without hinting and the outlines are filled like any other shape, so a still has the same
bytes wherever it is made.
"""

from __future__ import annotations

import threading
from functools import lru_cache
from typing import Literal

import numpy as np
from matplotlib import ft2font
from PySide6.QtGui import QPainterPath

from viewer.resources import resource

Face = Literal["regular", "bold", "figures"]

_FILES: dict[Face, str] = {
    "regular": "fonts/Inter-Regular.otf",
    "bold": "fonts/Inter-SemiBold.otf",
    "figures": "fonts/Inter-Regular.otf",
}
_EM = 1000.0
_LOCK = threading.RLock()
_DIGITS = "0123456789"

Outline = tuple[tuple[int, tuple[float, ...]], ...]


@lru_cache(maxsize=8)
def _font(face: Face) -> ft2font.FT2Font:
    font = ft2font.FT2Font(str(resource(_FILES[face])))
    font.set_size(_EM, 72)
    return font


@lru_cache(maxsize=4096)
def _glyph(face: Face, char: str) -> tuple[float, Outline]:
    """Return the advance and the outline of a character at 1000 units to the em, y up."""
    with _LOCK:
        font = _font(face)
        advance = font.load_char(ord(char), flags=ft2font.LoadFlags.NO_HINTING).linearHoriAdvance / 65536.0
        vertices, codes = font.get_path()
    if face == "figures" and char in _DIGITS:
        # All digits get the width of the widest, so that running numbers do not dance.
        cell = max(_glyph("regular", digit)[0] for digit in _DIGITS)
        vertices = vertices + np.array([0.5 * (cell - advance), 0.0])
        advance = cell
    steps: list[tuple[int, tuple[float, ...]]] = []
    number = 0
    while number < len(codes):
        code = int(codes[number])
        count = {1: 1, 2: 1, 3: 2, 4: 3}.get(code, 1)
        points = vertices[number : number + count].ravel().tolist()
        steps.append((code, tuple(points)))
        number += count
    return advance, tuple(steps)


def width(text: str, size: float, face: Face = "regular") -> float:
    """Return how wide a line is, in px, at `size` px to the em."""
    return sum(_glyph(face, char)[0] for char in clean(text)) * size / _EM


def clean(text: str) -> str:
    """Return `text` as one line: control characters and line breaks become spaces."""
    return "".join(char if char.isprintable() else " " for char in text)


def outline(text: str, x: float, y: float, size: float, face: Face = "regular") -> QPainterPath:
    """Return the outline of a line whose baseline starts at (x, y), px."""
    path = QPainterPath()
    scale = size / _EM
    for char in clean(text):
        advance, steps = _glyph(face, char)
        for code, p in steps:
            q = [x + v * scale if n % 2 == 0 else y - v * scale for n, v in enumerate(p)]
            if code == 1:
                path.moveTo(q[0], q[1])
            elif code == 2:
                path.lineTo(q[0], q[1])
            elif code == 3:
                path.quadTo(*q)
            elif code == 4:
                path.cubicTo(*q)
            else:
                path.closeSubpath()
        x += advance * scale
    return path


def fit(text: str, most: float, size: float, face: Face = "regular") -> str:
    """Return `text`, shortened with an ellipsis where it would be wider than `most` px."""
    text = clean(text)
    if width(text, size, face) <= most:
        return text
    while text and width(text.rstrip() + "…", size, face) > most:
        text = text[:-1]
    return text.rstrip() + "…" if text else ""


def wrap(text: str, most: float, size: float, face: Face = "regular", *, lines: int | None = None) -> list[str]:
    """Return `text` broken at spaces into lines of at most `most` px; a last line that holds too much is shortened."""
    done: list[str] = []
    line = ""
    words = clean(text).split()
    for number, word in enumerate(words):
        longer = f"{line} {word}".strip()
        if line and width(longer, size, face) > most:
            if lines is not None and len(done) == lines - 1:
                done.append(fit(" ".join([line, *words[number:]]), most, size, face))
                return done
            done.append(line)
            line = word
        else:
            line = longer
    return [*done, fit(line, most, size, face)] if line else done


__all__ = ["Face", "clean", "fit", "outline", "width", "wrap"]

"""What is known of a clip."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any


@dataclass(frozen=True, kw_only=True)
class ClipInfo:
    """Facts of a clip, as read, measured or assumed.

    `transfer`, `range`, `matrix`, `primaries` are those in use; `assumed` says which of them (and what else) the file did not
    say; `warnings` are oddities in words.  `width`, `height` are of the upright picture.  `capture_rate` is set when the
    metadata names a rate other than that of the file (slow motion).
    """

    path: Path
    sha256: str
    width: int
    height: int
    frames: int
    average_rate: Fraction
    transfer: str
    range: str
    matrix: str
    primaries: str
    assumed: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    bit_depth: int = 8
    codec: str = ""
    pixel_format: str = ""
    chroma: str = ""
    siting: str = "left"
    rotation: int = 0
    mirrored: bool = False
    pixel_aspect: Fraction = Fraction(1)
    interlaced: bool = False
    capture_rate: Fraction | None = None
    bits_per_pixel: float = 0.0
    reencoded: tuple[str, ...] = ()
    has_sound: bool = False
    start_s: float = 0.0
    end_s: float = 0.0
    container: str = ""
    size_bytes: int = 0
    parts: tuple[Path, ...] = ()
    metadata: Mapping[str, str] = field(default_factory=dict)
    tags: tuple[int, int, int, int] = (2, 0, 2, 2)
    streams: tuple[Mapping[str, Any], ...] = ()

    def input_record(self) -> dict[str, Any]:
        """Return the entry for ``inputs`` of a result document."""
        return {
            "path": str(self.path),
            "sha256": self.sha256,
            "width": self.width,
            "height": self.height,
            "frames": self.frames,
            "rate": f"{self.average_rate.numerator}/{self.average_rate.denominator}",
            "transfer": self.transfer,
            "range": self.range,
            "matrix": self.matrix,
            "primaries": self.primaries,
            "assumed": list(self.assumed),
        }


__all__ = ["ClipInfo"]

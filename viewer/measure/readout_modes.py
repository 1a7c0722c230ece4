"""Readout times belong to one mode of a camera: joined from several lamp clips, and dropped when the mode changes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

Direction = Literal["down", "up", "left", "right"]

LEAST_ERROR = 0.0003
"""Relative 1-sigma error of a readout that several clips agree on: lens breathing and stabilisation that was not quite off."""


SAME_RATE = 0.005
"""Relative: 59.94 and 60 fps are one mode, and the average rate of a phone's clips varies by tenths of a per cent."""


@dataclass(frozen=True, slots=True)
class ReadoutMode:
    """What a readout time holds for: delivered size (px, upright), frame rate of the camera, codec, turn of the file (degrees),
    crop and stabilisation as typed (empty for unknown).  `text` is the form that a session stores."""

    width: int
    height: int
    rate: float
    codec: str = ""
    rotation: int = 0
    crop: str = ""
    stabilisation: str = ""

    @property
    def text(self) -> str:
        """The mode as one line."""
        parts = [f"{self.width}x{self.height}", f"{self.rate:.5g} fps", self.codec, f"turn {self.rotation}"]
        parts += [f"crop {self.crop}"] if self.crop else []
        parts += [f"stabilisation {self.stabilisation}"] if self.stabilisation else []
        return " ".join(part for part in parts if part)

    @property
    def stored_size(self) -> tuple[int, int]:
        """Width and height before the file's turn, px."""
        return (self.height, self.width) if self.rotation % 180 else (self.width, self.height)

    def differs(self, other: ReadoutMode) -> str:
        """Return what changed from `other` to this mode in words, nothing if a readout of it still holds.

        A camera held another way up is in the same mode: the sensor is read as before.
        """
        if self.stored_size != other.stored_size:
            return f"the size changed from {other.width} x {other.height} to {self.width} x {self.height} px"
        if abs(self.rate - other.rate) > SAME_RATE * other.rate:
            return f"the frame rate changed from {other.rate:.5g} to {self.rate:.5g} fps"
        for name in ("codec", "crop", "stabilisation"):
            mine, theirs = getattr(self, name), getattr(other, name)
            if mine and theirs and mine != theirs:
                return f"the {name} changed from {theirs} to {mine}"
        return ""


def parse_mode(text: str) -> ReadoutMode | None:
    """Return the mode that `ReadoutMode.text` wrote, None for anything else."""
    words = text.split()
    if len(words) < 3 or words[2] != "fps":
        return None
    try:
        width, height = (int(part) for part in words[0].split("x"))
        rate = float(words[1])
    except ValueError:
        return None
    rest = words[3:]
    codec = rest.pop(0) if rest and rest[0] not in ("turn", "crop", "stabilisation") else ""
    named: dict[str, list[str]] = {}
    key = ""
    for word in rest:
        if word in ("turn", "crop", "stabilisation") and word not in named:
            key = word
            named[key] = []
        elif key:
            named[key].append(word)
    turn = " ".join(named.get("turn", []))
    return ReadoutMode(
        width,
        height,
        rate,
        codec,
        int(turn) if turn.lstrip("-").isdigit() else 0,
        " ".join(named.get("crop", [])),
        " ".join(named.get("stabilisation", [])),
    )


def still_holds(stored: str, now: ReadoutMode) -> tuple[bool, str]:
    """Return whether a stored readout holds for a clip's mode, and why not.

    A readout without a stored mode (typed by hand) holds until it is changed by hand.
    """
    if not stored:
        return True, ""
    before = parse_mode(stored)
    if before is None:
        return False, "the stored mode cannot be read: calibrate again"
    change = now.differs(before)
    return not change, f"{change}: calibrate again" if change else ""


@dataclass(frozen=True, slots=True)
class JoinedReadout:
    """Readouts of several lamp clips joined: seconds, 1-sigma error, direction, and whether they agree."""

    readout_s: float
    sigma_s: float
    direction: Direction | None
    agree: bool
    note: str


def join_readouts(measured: Sequence[tuple[float, float, Direction | None]]) -> JoinedReadout:
    """Join readouts of one camera mode from several lamp clips.

    Parameters
    ----------
    measured : sequence of (readout_s, sigma_s, direction)
        Direction None where a clip could not tell it.

    Raises
    ------
    ValueError
        If nothing is given.
    """
    if not measured:
        raise ValueError("no readouts to join")
    weights = [1.0 / (sigma**2 + (LEAST_ERROR * value) ** 2) for value, sigma, _ in measured]
    total = sum(weights)
    mean = sum(w * value for w, (value, _, _) in zip(weights, measured, strict=True)) / total
    sigma = total**-0.5
    chi2 = sum(w * (value - mean) ** 2 for w, (value, _, _) in zip(weights, measured, strict=True))
    known = {way for _, _, way in measured if way is not None}
    agree = len(known) < 2
    note = "" if agree else "the clips disagree on the direction of readout"
    # more scatter than the errors allow widens the result; far more means different modes or lamps
    if len(measured) > 1:
        excess = chi2 / (len(measured) - 1)
        sigma *= math.sqrt(max(1.0, excess))
        if excess > 16.0:
            agree = False
            note = "the readouts differ by more than their errors: the clips were filmed in different modes, or a lamp is wrong"
    return JoinedReadout(mean, sigma, next(iter(known)) if len(known) == 1 else None, agree, note)


__all__ = ["Direction", "JoinedReadout", "ReadoutMode", "join_readouts", "parse_mode", "still_holds"]

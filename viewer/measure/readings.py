"""What a measure returns: readings with intervals, refusals with reasons, verdicts."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import IntFlag
from typing import Any, Literal

State = Literal["measured", "refused", "limit"]


class Flag(IntFlag):
    """What makes a reading need care.  `FLAG_WORDS` holds the words that every output prints."""

    NONE = 0
    CLIPPED = 1 << 0
    COMPRESSED = 1 << 1
    REPEATED = 1 << 2
    FEW_FRAMES = 1 << 3
    ONE_TAKE = 1 << 4
    NOT_ALIGNED = 1 << 5
    NOT_CALIBRATED = 1 << 6
    NOMINAL_SCALE = 1 << 7
    ASSUMED_LIGHT = 1 << 8
    NO_DARK = 1 << 9
    MOVING = 1 << 10
    GATED = 1 << 11
    BORDER = 1 << 12
    QUANTISED = 1 << 13
    NEIGHBOUR = 1 << 14
    SLOPE = 1 << 15
    NOT_ROUND = 1 << 16
    SHUTTER_LOSS = 1 << 17
    PROCESSED = 1 << 18
    DRIFT = 1 << 19
    LOW_SIGNAL = 1 << 20
    VARIABLE_RATE = 1 << 21
    INTERLACED = 1 << 22
    FEW_PIXELS = 1 << 23
    FIT_POOR = 1 << 24
    CORRELATED = 1 << 25
    OUT_OF_DATE = 1 << 26
    DAMAGED = 1 << 27
    OF_TUBE = 1 << 28
    OF_SOURCE = 1 << 29


FLAG_WORDS: dict[Flag, tuple[str, str]] = {
    Flag.CLIPPED: ("clipped", "Some pixels are at the limit of the recording: their light is not known."),
    Flag.COMPRESSED: ("compressed", "The encoder removed detail or noise that this reading depends on."),
    Flag.REPEATED: ("repeated frames", "Exact repeats were left out; the clip has fewer pictures than frames."),
    Flag.FEW_FRAMES: ("too few frames", "The interval rests on few frames and is wide for that reason."),
    Flag.ONE_TAKE: ("within this take", "The interval covers one mounting only; another take may differ by more."),
    Flag.NOT_ALIGNED: ("not aligned", "The region was not carried by a measured pose."),
    Flag.NOT_CALIBRATED: ("not calibrated", "Given in pixels or with a typed value; no calibration was made."),
    Flag.NOMINAL_SCALE: (
        "nominal scale",
        "Angles rest on the stated field of the device, not on a target of known angle.",
    ),
    Flag.ASSUMED_LIGHT: (
        "assumed light curve",
        "The file does not say how code values relate to light; an assumption was used.",
    ),
    Flag.NO_DARK: ("dark level unknown", "No dark level could be subtracted."),
    Flag.MOVING: ("moving", "The picture moved while it was measured."),
    Flag.GATED: ("gated", "The light is modulated; single frames depend on its phase."),
    Flag.BORDER: ("cut by the border", "Part of what is measured lies outside the picture or the field."),
    Flag.QUANTISED: ("limited by code steps", "The signal spans few code values; their steps limit the reading."),
    Flag.NEIGHBOUR: ("neighbour near", "Another light or structure is close; it was modelled or masked."),
    Flag.SLOPE: ("sloping background", "The background is not level; a slope was removed."),
    Flag.NOT_ROUND: ("not round", "Sectors differ by more than their errors."),
    Flag.SHUTTER_LOSS: (
        "shutter attenuates",
        "The exposure time removed much of the modulation; the depth is a lower bound or uncertain.",
    ),
    Flag.PROCESSED: ("sharpened or smoothed", "Overshoot or missing noise points to processing in the camera."),
    Flag.DRIFT: ("drift", "The level drifted during the clip."),
    Flag.LOW_SIGNAL: ("low signal", "The signal is close to the noise."),
    Flag.VARIABLE_RATE: ("variable rate", "Frames are unevenly spaced; their own timestamps were used."),
    Flag.INTERLACED: ("interlaced", "Fields were measured apart."),
    Flag.FEW_PIXELS: ("few pixels", "The structure spans few pixels."),
    Flag.FIT_POOR: ("poor fit", "The model leaves more than noise behind."),
    Flag.CORRELATED: ("correlated noise", "Pixels or frames are not independent; the interval allows for it."),
    Flag.OUT_OF_DATE: ("out of date", "Clip, region or settings changed after this reading."),
    Flag.DAMAGED: ("damaged clip", "Parts of the clip did not decode; only what did was used."),
    Flag.OF_TUBE: ("from the device", "It pulses everywhere in the field: the device itself is gated."),
    Flag.OF_SOURCE: ("from the scene", "Only the screen or lamp pulses: it is not the device."),
}


def flag_words(flags: Flag) -> list[str]:
    """Return the words of `flags` in a fixed order."""
    return [words for flag, (words, _) in FLAG_WORDS.items() if flag in flags]


def parse_flags(words: list[str] | tuple[str, ...]) -> Flag:
    """Return the flags that `words` name; unknown words are passed over."""
    known = {text: flag for flag, (text, _) in FLAG_WORDS.items()}
    total = Flag.NONE
    for word in words:
        total |= known.get(word, Flag.NONE)
    return total


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One measured value with its interval, or a refusal with its reason.

    Parameters
    ----------
    name : str
        Name of the quantity as in the result document (``michelson``, ``halo_radius`` ...).
    of : str
        What was measured (``bright/dark``, ``light-1``, a file name ...).
    value : float or None
        None if refused.  With state ``limit`` the value is a bound: the truth lies beyond it.
    unit : str
        ``1`` for pure numbers.
    low, high : float or None
        Ends of the interval that covers the truth with probability `coverage`.
    state : {"measured", "refused", "limit"}
    reason : str or None
        For refusals and limits: one sentence, with what to film instead.
    flags : Flag
    frames, pixels : int
        How many entered the reading.
    method : str
        A short sentence: what was computed.
    budget : tuple of (source, sigma)
        What the interval is made of, as standard uncertainties in `unit`; empty if the measure does not split it.

    Raises
    ------
    ValueError
        If a measured value is not finite, or a refusal has no reason.
    """

    name: str
    of: str
    value: float | None
    unit: str
    low: float | None = None
    high: float | None = None
    coverage: float = 0.95
    state: State = "measured"
    reason: str | None = None
    flags: Flag = Flag.NONE
    frames: int = 0
    pixels: int = 0
    method: str = ""
    budget: tuple[tuple[str, float], ...] = ()

    def __post_init__(self) -> None:
        if self.state == "refused":
            if not self.reason:
                raise ValueError(f"{self.name}: a refusal needs a reason")
        elif self.value is None or not math.isfinite(self.value):
            raise ValueError(f"{self.name}: value {self.value} of state {self.state}")
        for end in (self.low, self.high):
            if end is not None and not math.isfinite(end):
                raise ValueError(f"{self.name}: interval end {end}")

    @property
    def half_width(self) -> float | None:
        """Half the interval, or None without one."""
        if self.low is None or self.high is None:
            return None
        return 0.5 * (self.high - self.low)

    def with_flags(self, flags: Flag) -> Reading:
        """Return the reading with `flags` added."""
        return replace(self, flags=self.flags | flags)

    def to_json(self) -> dict[str, Any]:
        """Return the entry of the result document."""
        return {
            "name": self.name,
            "of": self.of,
            "value": self.value,
            "unit": self.unit,
            "low": self.low,
            "high": self.high,
            "coverage": self.coverage,
            "state": self.state,
            "reason": self.reason,
            "flags": flag_words(self.flags),
            "frames": self.frames,
            "pixels": self.pixels,
            "method": self.method,
        }


def refused(
    name: str, of: str, unit: str, reason: str, *, flags: Flag = Flag.NONE, frames: int = 0, method: str = ""
) -> Reading:
    """Return a refusal: no value, and a reason that says what to do instead."""
    return Reading(
        name=name,
        of=of,
        value=None,
        unit=unit,
        state="refused",
        reason=reason,
        flags=flags,
        frames=frames,
        method=method,
    )


def bound_words(value: float, low: float | None, high: float | None) -> str:
    """Return on which side of a bound the truth lies, as its interval tells: "at least", "at most" or "beyond".

    An interval that is open, or much longer, towards one side says so; ends of equal length do not.
    """
    up = math.inf if high is None else high - value
    down = math.inf if low is None else value - low
    if up > 1.2 * down:
        return "at least"
    return "at most" if down > 1.2 * up else "beyond"


@dataclass(frozen=True, slots=True)
class Verdict:
    """A decision in words that never go beyond the interval.

    ``word`` is one of the words of the measure (``differs``, ``no difference beyond error``, ``cannot tell``; ``modulated``,
    ``steady``; ``below limit``, ``above limit``), ``sentence`` the plain statement.
    """

    word: str
    sentence: str

    def to_json(self) -> dict[str, str]:
        """Return the entry of the result document."""
        return {"word": self.word, "sentence": self.sentence}


__all__ = ["FLAG_WORDS", "Flag", "Reading", "State", "Verdict", "bound_words", "flag_words", "parse_flags", "refused"]

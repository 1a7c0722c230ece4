"""What the flicker measure takes and returns."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from viewer.measure.flicker_candidates import Choice
from viewer.measure.flicker_lines import Found
from viewer.measure.flicker_origin import Origin, Place
from viewer.measure.flicker_places import Line
from viewer.measure.flicker_rows import Relative, RowLight
from viewer.measure.flicker_standing import Bands
from viewer.measure.flicker_waveform import Waveform

Word = Literal["modulated", "steady", "cannot tell"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Clip:
    """Row light of one clip and what is known of the camera.

    Parameters
    ----------
    rows : RowLight
        Of the region.
    whole : RowLight, optional
        Of the whole picture, where the region is smaller; tells where it pulses.
    readout_s : float, optional
        First to last delivered row of the whole picture.
    readout_error : float
        Relative 1-sigma error of it.
    exposure_s : float, optional
    direction_known : bool
        False if the direction of the readout was assumed.
    codec_limit : float
        Relative amplitude below which the encoder is known to lose modulation.
    clipped_share : float
        Part of the lit region that clips.
    bits_per_pixel : float
        Of the encoded clip; 0 for unknown.
    key : ndarray of shape (N,), bool, optional
        Which frames are coded on their own.
    """

    rows: RowLight
    whole: RowLight | None = None
    readout_s: float | None = None
    readout_error: float = 0.001
    exposure_s: float | None = None
    direction_known: bool = True
    codec_limit: float = 0.0
    clipped_share: float = 0.0
    bits_per_pixel: float = 0.0
    key: NDArray[np.bool_] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Modulation:
    """One reported line.

    ``frequency_hz`` is None where several candidates fit.  ``recorded`` is the relative amplitude of the fundamental in the
    rows, ``recorded_range`` its 95 % interval, losses of the encoder included;
    ``waveform`` has the exposure undone where the frequency is known.
    """

    line: Line
    choice: Choice
    place: Place
    origin: Origin
    reason: str
    label: str
    frequency_hz: float | None
    sigma_hz: float
    alias_hz: float | None
    recorded: float
    recorded_range: tuple[float, float]
    waveform: Waveform
    lower_bound: bool
    wander_hz: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Analysis:
    """What a clip shows, and what it could not have shown.

    ``limit`` is the smallest relative amplitude, as recorded, that would have been reported.
    """

    clip: Clip
    relative: Relative
    found: Found | None
    modulations: tuple[Modulation, ...]
    word: Word
    sentence: str
    limit: float
    blind_hz: tuple[tuple[float, float], ...]
    blind_share: float
    standing: Bands | None
    advice: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def strongest(self) -> Modulation | None:
        """The line that pulses most over the field, or None."""
        return self.modulations[0] if self.modulations else None


@dataclass(frozen=True, slots=True)
class Look:
    """One clip searched."""

    clip: Clip
    relative: Relative
    found: Found
    choices: tuple[Choice, ...]


__all__ = [
    "Analysis",
    "Clip",
    "Look",
    "Modulation",
    "Word",
]

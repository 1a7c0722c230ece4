"""Is it gated, and how fast?  The decision from row light: lines, frequency or candidates, depth, origin, verdict.

`analyse` is the whole measure; the modules ``flicker_*`` hold its parts.  The order is: still scene, gain and waves are
fitted together (`flicker_lines`); each wave must show that it is light (`flicker_evidence`); its alias and band spacing give
a frequency or candidates (`flicker_candidates`); its place gives the origin (`flicker_origin`); what could not have been seen
is listed in any case (`flicker_planner`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from viewer.measure import flicker_planner as planner
from viewer.measure.flicker_candidates import (
    Candidate,
    Choice,
    aliases,
    choose_known,
    choose_unknown,
    combine,
    mains_label,
    shared_with,
)
from viewer.measure.flicker_fit import Wave
from viewer.measure.flicker_lines import Found, Line, find_lines, resolve, sheet_of
from viewer.measure.flicker_origin import Origin, Place, place_of
from viewer.measure.flicker_rows import Relative, RowLight, bin_rows, relative_light
from viewer.measure.flicker_sampling import Clock, alias_frequency
from viewer.measure.flicker_standing import ALIKE, Bands, standing_bands
from viewer.measure.flicker_waveform import Waveform, fold

Floats = NDArray[np.float64]
Word = Literal["modulated", "steady", "cannot tell"]

LEAST_FRAMES = 24
LEAST_SECONDS = 0.5
MOST_BLIND = 0.5
"""If more than this share of the band of interest (in octaves) is blind, nothing seen means nothing."""
MOST_LIMIT = 0.15
"""If less than this relative amplitude could have been seen, the clip is too coarse for "steady"."""


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Modulation:
    """One reported line.

    ``frequency_hz`` is None where several candidates fit.  ``recorded`` is the relative amplitude of the fundamental in the
    rows; ``waveform`` has the exposure undone where the frequency is known.
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
    recorded_sigma: float
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
class _Look:
    """One clip searched."""

    clip: Clip
    relative: Relative
    found: Found
    choices: tuple[Choice, ...]


def _look(clip: Clip, cancelled: Callable[[], bool] | None) -> _Look:
    """Search a clip and give each line its candidates; what contradicts a known readout is no line."""
    relative = relative_light(bin_rows(clip.rows))
    found = find_lines(relative, cancelled=cancelled)
    lines, choices = [], []
    for index, line in enumerate(found.lines):
        line, choice = _choose(clip, relative, line)
        if not choice.candidates:
            continue
        if index > 0 and (abs(choice.misfit) > 0.15 or line.evidence.strength < 12.0 or line.wave.amplitude < 0.004):
            continue
        lines.append(line)
        choices.append(choice)
    return _Look(clip, relative, replace(found, lines=tuple(lines)), tuple(choices))


def _choose(clip: Clip, relative: Relative, line: Line) -> tuple[Line, Choice]:
    """Return the candidates of a line; with a known readout the wave is fitted again where free spacing decides badly."""
    clock, share = relative.clock, relative.share
    if clip.readout_s is None:
        return line, choose_unknown(line.wave, clock, share, direction_known=clip.direction_known)
    choice = choose_known(line.wave, clock, share, clip.readout_s, readout_error=clip.readout_error)
    q = abs(line.wave.q)
    if (len(choice.candidates) == 1 and abs(choice.misfit) < 0.12) or q > 4.0 or not math.isfinite(clock.fold_hz):
        return line, choice
    span = clip.readout_s * share
    near = sorted((f for f, _ in aliases(line.wave, clock, share)), key=lambda f: abs(f * span - q))[:4]
    tried = resolve(line, near, span)
    least, wave = tried[0]
    samples = 4.0 * clock.times_s.size
    fitting = [(power, other) for power, other in tried if samples * math.log(power / least) < 25.0]
    found = [
        Candidate(other.g_hz, other.sigma_hz, clip.readout_s, math.exp(-0.5 * samples * math.log(power / least)))
        for power, other in fitting
    ]
    if wave.amplitude > 2.0 or not found:
        return line, choice
    total = sum(item.weight for item in found)
    kept = tuple(replace(item, weight=item.weight / total) for item in found)
    return replace(line, wave=wave), Choice(
        kept, 0.0 if len(kept) == 1 else choice.misfit, choice.notes if len(kept) > 1 else ()
    )


def recorded_harmonics(line: Line, relative: Relative) -> NDArray[np.complex128]:
    """Return the amplitudes of harmonics 1 .. K as single rows recorded them: the averaging of rows is undone."""
    rows = relative.x.shape[1]
    orders = np.asarray(line.wave.orders)
    step = relative.row_step
    turns = orders * abs(line.wave.q) / rows
    with np.errstate(invalid="ignore", divide="ignore"):
        kept = np.where(turns * step < 1e-9, 1.0, np.sin(np.pi * turns) / (step * np.sin(np.pi * turns / step)))
    out = np.zeros(int(orders.max()), complex)
    out[orders - 1] = line.wave.amplitudes / np.where(np.abs(kept) > 0.2, kept, 1.0)
    return out


def _codec_error(wave: Wave, clock: Clock) -> float:
    """Return how far encoders alone move the frequency (Hz, 1 sigma): typical of clips with known truth at ordinary bit rates.

    Their errors last as long as a group of pictures, so the scatter of frames shows them only in part; the more so where the
    bands pass by less than once or twice in the clip.
    """
    turns = abs(alias_frequency(wave.g_hz, clock.fold_hz)) * clock.duration_s if math.isfinite(clock.fold_hz) else math.inf
    slow = 1.5e-4 / max(turns, 0.1) if turns < 1.5 else 0.0
    return math.hypot(5e-5, slow) * 4.0 / clock.duration_s


def wander_of(line: Line) -> float:
    """Return how far the rate wandered during the clip (Hz, standard deviation), 0 for a steady one."""
    if line.sheet.wander is None:
        return 0.0
    return float(np.std(np.gradient(line.sheet.wander, line.sheet.times_s))) / (2.0 * math.pi)


def detection_limit(found: Found, clip: Clip) -> float:
    """Return the smallest relative amplitude, as recorded, that would have been reported."""
    plane = found.rest
    inside = (plane.g_hz > 0.02 * plane.g_hz[-1])[:, None] & (np.abs(plane.q) > 0.5)[None, :]
    level = float(np.quantile(plane.amplitude[inside], 0.999)) if inside.any() else 0.0
    seen = [wave.amplitude for wave, evidence in found.doubtful if wave.amplitude < 0.03 and evidence.strength > 4.0]
    return min(1.0, max(0.0015, 3.0 * level, 1.5 * max(seen, default=0.0), clip.codec_limit))


def _modulation(look: _Look, line: Line, choice: Choice, whole: Relative | None) -> Modulation:
    relative = look.relative
    clock = relative.clock
    # the line as the whole picture shows it: same wave, the picture's own rows
    bits = look.clip.bits_per_pixel
    if whole is None:
        place = place_of(relative, line.sheet, line.wave, bits_per_pixel=bits)
    else:
        stretched = replace(line.wave, q=line.wave.q * whole.share / relative.share)
        place = place_of(whole, replace(sheet_of(whole), wander=line.sheet.wander), stretched, bits_per_pixel=bits)
    harmonics = recorded_harmonics(line, relative)
    moves = alias_frequency(line.wave.g_hz, clock.fold_hz) if math.isfinite(clock.fold_hz) else math.inf
    if whole is None and moves * clock.duration_s > 2.0:
        # encoders keep most of it where it is bright
        harmonics = harmonics * float(np.clip(place.bright_share, 0.8, 1.25))
    single = choice.single
    exposure = look.clip.exposure_s if single is not None else None
    frequency = single.frequency_hz if single is not None else None
    wander = wander_of(line)
    systematic = _codec_error(line.wave, clock) if bits > 0 else 0.0
    wave = fold(harmonics, frequency or 1.0, exposure)
    alias = alias_frequency(line.wave.g_hz, clock.fold_hz) if math.isfinite(clock.fold_hz) else None
    return Modulation(
        line=line,
        choice=choice,
        place=place,
        origin=place.origin,
        reason=place.reason,
        label=mains_label(frequency) if frequency is not None else "",
        frequency_hz=frequency,
        sigma_hz=max(math.hypot(single.sigma_hz if single is not None else line.wave.sigma_hz, systematic), 0.5 * wander),
        wander_hz=wander,
        alias_hz=alias,
        recorded=float(abs(harmonics[0])),
        recorded_sigma=line.wave.sigma_amplitude,
        waveform=wave,
        lower_bound=wave.lower_bound,
    )


def _with_others(choice: Choice, line: Line, others: Sequence[_Look]) -> Choice:
    """Narrow the candidates by clips at other frame rates."""
    matches = []
    for look in others:
        best: tuple[float, Choice] | None = None
        for other_line, other in zip(look.found.lines, look.choices, strict=True):
            likeness = abs(math.log(max(other_line.wave.amplitude, 1e-6) / max(line.wave.amplitude, 1e-6)))
            if best is None or likeness < best[0]:
                best = (likeness, other)
        if best is not None:
            matches.append(best[1])
    return combine(choice, matches) if matches else choice


def analyse(
    clip: Clip,
    *,
    also: Sequence[Clip] = (),
    source: Clip | None = None,
    flat: RowLight | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> Analysis:
    """Decide what a clip shows.

    Parameters
    ----------
    clip : Clip
    also : sequence of Clip, optional
        The same device and scene at other frame rates.
    source : Clip, optional
        The lamp or screen filmed without the device.
    flat : RowLight, optional
        An even field without bands in the same camera mode.

    Raises
    ------
    RegionError
        If hardly any row holds light.
    Cancelled
        On request.
    """
    look = _look(clip, cancelled)
    others = [_look(other, cancelled) for other in also]
    whole = None if clip.whole is None else relative_light(bin_rows(clip.whole))
    modulations = []
    notes: list[str] = []
    for line, choice in zip(look.found.lines, look.choices, strict=True):
        narrowed = _with_others(choice, line, others)
        notes += narrowed.notes
        modulations.append(_modulation(look, line, narrowed, whole))
    if source is not None:
        modulations, more = _compare_with_source(modulations, look, _look(source, cancelled))
        notes += more
    modulations = [_mains(item) for item in modulations]
    modulations.sort(key=lambda item: -item.recorded * _spread(item.place))
    standing = None if modulations else _standing(look, None if flat is None else bin_rows(flat))
    return _decide(look, tuple(modulations), standing, flat is not None, notes)


def _spread(place: Place) -> float:
    known = np.isfinite(place.share)
    return float(np.clip(place.share[known], 0.0, 1.2).mean()) if known.any() else 1.0


def _mains(item: Modulation) -> Modulation:
    """A lamp that lights the whole scene pulses everywhere too: at twice the mains frequency the place does not tell."""
    if (
        item.label
        and item.frequency_hz
        and item.frequency_hz < 125.0
        and item.origin == "tube"
        and "without the device" not in item.reason
    ):
        reason = "it pulses everywhere, but at the rate of lamps on the mains"
        return replace(item, origin="unknown", reason=reason)
    return item


def _compare_with_source(items: list[Modulation], look: _Look, source: _Look) -> tuple[list[Modulation], list[str]]:
    """Label each line by whether the clip without the device shows it too."""
    out = []
    notes: list[str] = []
    rates = [other.candidates[0].frequency_hz for other in source.choices if other.single is not None]
    for item in items:
        shared = any(shared_with(item.choice, other) for other in source.choices)
        sideband = "" if shared else _sideband(item, items, rates)
        if shared:
            item = replace(item, origin="source", reason="the clip without the device shows it too")
        elif sideband:
            item = replace(item, origin="unknown", reason=sideband)
            notes.append(sideband)
        elif item.frequency_hz is not None and _visible(item.frequency_hz, source):
            item = replace(item, origin="tube", reason="the clip without the device does not show it")
        out.append(item)
    return out, notes


def _visible(frequency_hz: float, look: _Look) -> bool:
    zones = _blind(look)
    return not any(low <= frequency_hz <= high for low, high in zones)


def _sideband(item: Modulation, items: list[Modulation], source_hz: Sequence[float]) -> str:
    """Return how a line follows from a gate and a source that multiply, or nothing."""
    if item.frequency_hz is None:
        return ""
    for other in items:
        if other is item or other.frequency_hz is None or other.recorded < item.recorded:
            continue
        for rate in source_hz:
            for h in (1, 2):
                for k in (1, 2):
                    for value in (h * other.frequency_hz + k * rate, abs(h * other.frequency_hz - k * rate)):
                        if abs(value - item.frequency_hz) < 0.05:
                            return (
                                f"{item.frequency_hz:.2f} Hz is a mixture of {other.frequency_hz:.2f} Hz and the source's"
                                f" {rate:.2f} Hz"
                            )
    return ""


def _standing(look: _Look, flat: RowLight | None) -> Bands | None:
    """Look for bands in the still scene, against a flat reference of the same mode where there is one."""
    relative, readout_s = look.relative, look.clip.readout_s
    fold_hz = relative.clock.fold_hz
    step = fold_hz * readout_s * relative.share if readout_s is not None and math.isfinite(fold_hz) else None
    if flat is not None and flat.light.shape[1:] == relative.scene.shape:
        shape = flat.light.mean(axis=0, dtype=np.float64)
        return standing_bands(relative.scene, relative.weight, flat=shape, least_q=0.4, step_q=step)
    return standing_bands(relative.scene, relative.weight, step_q=step)


def _blind(look: _Look) -> list[tuple[float, float]]:
    clock = look.relative.clock
    fold_hz = clock.fold_hz if math.isfinite(clock.fold_hz) else None
    rows = look.clip.rows
    row_time = look.clip.readout_s / rows.rows_delivered if look.clip.readout_s else None
    return planner.blind_zones(fold_hz, look.clip.exposure_s, clock.duration_s, row_time_s=row_time)


def _decide(
    look: _Look, modulations: tuple[Modulation, ...], standing: Bands | None, has_flat: bool, notes: list[str]
) -> Analysis:
    clip, clock = look.clip, look.relative.clock
    zones = _blind(look)
    share = planner.blind_share(zones)
    limit = detection_limit(look.found, clip)
    if modulations:
        word, sentence = "modulated", _say_modulated(modulations)
    else:
        word, sentence = _say_nothing(clip, clock, standing, has_flat, share, limit)
    return Analysis(
        clip=clip,
        relative=look.relative,
        found=look.found,
        modulations=modulations,
        word=word,  # type: ignore[arg-type]
        sentence=sentence,
        limit=limit,
        blind_hz=tuple(zones),
        blind_share=share,
        standing=standing,
        advice=tuple(_advise(clip, clock, modulations, word, zones)),
        notes=tuple(dict.fromkeys(notes)),
    )


def _say_modulated(items: Sequence[Modulation]) -> str:
    parts = []
    for item in items:
        who = {"tube": "The tube pulses", "source": "The light source pulses", "unknown": "Something pulses"}[item.origin]
        if item.frequency_hz is not None:
            label = f" ({item.label})" if item.label else ""
            about = f", wandering by {item.wander_hz:.2g} Hz" if item.wander_hz else ""
            parts.append(f"{who} at {item.frequency_hz:.3f} Hz{label}{about}: {item.reason}.")
        else:
            listed = ", ".join(f"{c.frequency_hz:.2f}" for c in item.choice.candidates[:5])
            more = len(item.choice.candidates)
            parts.append(f"{who}; {more} frequencies fit, the likeliest {listed} Hz: {item.reason}.")
    if all(item.origin == "source" for item in items):
        parts.append("No gating of the tube was seen.")
    return " ".join(parts)


def _say_nothing(
    clip: Clip, clock: Clock, standing: Bands | None, has_flat: bool, share: float, limit: float
) -> tuple[str, str]:
    """Return word and sentence where no line convinced."""
    if clock.times_s.size < LEAST_FRAMES or clock.duration_s < LEAST_SECONDS:
        return "cannot tell", (
            f"The clip is too short: {clock.times_s.size} frames in {clock.duration_s:.2f} s; film at least 4 s."
        )
    if clip.clipped_share > 0.8:
        return "cannot tell", "Nearly all of the region is clipped: film again with less exposure."
    if standing is not None and standing.agreement > ALIKE and standing.prominence > 3.0:
        if has_flat and standing.amplitude > 0.01:
            return "cannot tell", (
                f"Bands of {100 * standing.amplitude:.1f} % stand still against the flat reference: something pulses at a"
                f" multiple of {clock.rate:.3f} Hz. Film at another frame rate to learn which."
            )
        if not has_flat and standing.amplitude > 0.015:
            return "cannot tell", (
                f"Regular bands ({standing.q:.1f} in the picture) stand still: light that pulses at a multiple of"
                f" {clock.rate:.3f} Hz, or stripes of the scene. Film at another frame rate, or give a flat reference."
            )
    if share > MOST_BLIND and clip.exposure_s is not None:
        return "cannot tell", (
            f"Nothing was seen, but a shutter of 1/{1 / clip.exposure_s:.4g} s hides {100 * share:.0f} % of the band from"
            f" {planner.BAND_OF_INTEREST_HZ[0]:.0f} to {planner.BAND_OF_INTEREST_HZ[1]:.0f} Hz: film with a shorter shutter."
        )
    if limit > MOST_LIMIT:
        return "cannot tell", (
            f"The clip is compressed so hard that less than {100 * limit:.0f} % could have been lost:"
            " film at a higher bit rate."
        )
    known = "" if clip.exposure_s is not None else " What the shutter hid is not known: give its time."
    return "steady", (
        f"No modulation of {100 * limit:.2g} % or more as recorded, outside the blind frequencies"
        f" ({100 * share:.0f} % of the band of interest).{known}"
    )


def _advise(
    clip: Clip, clock: Clock, items: Sequence[Modulation], word: str, zones: Sequence[tuple[float, float]]
) -> list[str]:
    out = []
    if any(item.frequency_hz is None for item in items):
        rate = 50.0 if abs(clock.rate - 50.0) > 1.0 else 60000 / 1001
        out.append(f"Film the same at an unrelated frame rate ({rate:.5g} fps) and give it with --also.")
        if clip.readout_s is None:
            out.append("Or calibrate the readout on a lamp of known frequency (gloaming readout) and give --readout-ms.")
    if any(item.origin == "unknown" for item in items):
        out.append("Film the lamp or screen without the device, same settings, and give it with --source.")
    if any(item.lower_bound for item in items) and clip.exposure_s is None:
        out.append("Give the shutter time: the depth is a lower bound without it.")
    if word == "steady" and clip.exposure_s is not None and 4.0 * clip.exposure_s > 1.0 / 500.0:
        out.append("A shutter of 1/2000 s or less would show faster gating.")
    if word == "cannot tell":
        out.append("Film 4 s or more at 1/2000 s shutter, at two unrelated frame rates such as 50 and 59.94.")
    return out


__all__ = ["Analysis", "Clip", "Modulation", "analyse", "detection_limit", "recorded_harmonics", "wander_of"]

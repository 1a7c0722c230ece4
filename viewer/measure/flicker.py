"""Is it gated, and how fast?  The decision from row light: lines, frequency or candidates, depth, origin, verdict.

`analyse` is the whole measure; the modules ``flicker_*`` hold its parts.  The order is: still scene, gain and waves are
fitted together (`flicker_lines`); each wave must show that it is light (`flicker_evidence`); its alias and band spacing give
a frequency or candidates (`flicker_candidates`); its place gives the origin (`flicker_origin`); what could not have been seen
is listed in any case (`flicker_planner`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from viewer.measure import flicker_planner as planner
from viewer.measure.flicker_candidates import Candidate, Choice, aliases, choose_known, choose_unknown, combine, mains_label
from viewer.measure.flicker_depth import codec_error, codec_loss, detection_limit, recorded_harmonics, wander_of
from viewer.measure.flicker_fit import Wave
from viewer.measure.flicker_held import anchors_clock, held_pictures
from viewer.measure.flicker_lines import find_lines
from viewer.measure.flicker_model import Analysis, Clip, Look, Modulation
from viewer.measure.flicker_origin import Place, place_of
from viewer.measure.flicker_places import Line
from viewer.measure.flicker_rows import Relative, RowLight, bin_rows, relative_light
from viewer.measure.flicker_sampling import Clock, alias_frequency
from viewer.measure.flicker_search import Plane
from viewer.measure.flicker_source import as_mains, compare_with_source
from viewer.measure.flicker_standing import Bands, standing_bands
from viewer.measure.flicker_waveform import fold
from viewer.measure.flicker_waves import resolve, sheet_of
from viewer.measure.flicker_words import advise, say_modulated, say_nothing

Floats = NDArray[np.float64]

MOSTLY_STARVED = 0.4
"""Encoders that are starved by more than this lose modulation unevenly over the picture."""

HELD = "The encoder renewed the bands in one picture of {} only: film with a higher bit rate to be sure of the frequency."


def look_at(clip: Clip | Look, cancelled: Callable[[], bool] | None = None) -> Look:
    """Search a clip and give each line its candidates; what contradicts a known readout is no line.

    A clip that was looked at before is returned as it is.
    """
    if isinstance(clip, Look):
        return clip
    relative = relative_light(bin_rows(clip.rows))
    found = find_lines(relative, cancelled=cancelled)
    lines: list[Line] = []
    choices: list[Choice] = []
    for index, line in enumerate(found.lines):
        line, choice = _choose(clip, relative, line, found.plane)
        if not choice.candidates:
            continue
        if index > 0 and (abs(choice.misfit) > 0.15 or line.evidence.strength < 12.0 or line.wave.amplitude < 0.004):
            continue
        if any(_one_light(choice, other) for other in choices):
            continue
        lines.append(line)
        choices.append(choice)
    return Look(clip, relative, replace(found, lines=tuple(lines)), tuple(choices))


def _one_light(choice: Choice, other: Choice) -> bool:
    """Whether two lines have one frequency: the weaker is an image that an encoder made of the other."""
    if choice.single is None or other.single is None:
        return False
    near = 0.02 + 3.0 * math.hypot(choice.single.sigma_hz, other.single.sigma_hz)
    return abs(choice.single.frequency_hz - other.single.frequency_hz) < near


def _choose(clip: Clip, relative: Relative, line: Line, plane: Plane) -> tuple[Line, Choice]:
    """Return the candidates of a line; with a known readout the wave is fitted again where free spacing decides badly."""
    clock, share, wave = relative.clock, relative.share, line.wave

    def candidates(at: Clock) -> Choice:
        if clip.readout_s is None:
            return choose_unknown(wave, at, share, direction_known=clip.direction_known)
        return choose_known(wave, at, share, clip.readout_s, readout_error=clip.readout_error)

    choice = candidates(clock)
    # a known readout that fits speaks against; without one all that may be must be listed
    fits = clip.readout_s is not None and (abs(choice.misfit) <= 0.1 or not choice.notes)
    stride = held_pictures(plane, wave, clock, doubt=not fits)
    if stride > 1:
        choice = candidates(anchors_clock(clock, stride))
        return line, replace(choice, notes=(*choice.notes, HELD.format(stride)))
    if clip.readout_s is None:
        return line, choice
    q = abs(line.wave.q)
    if (len(choice.candidates) == 1 and abs(choice.misfit) < 0.12) or q > 4.0 or not math.isfinite(clock.fold_hz):
        return line, choice
    span = clip.readout_s * share
    near = sorted((f for f, _ in aliases(line.wave, clock, share)), key=lambda f: abs(f * span - q))[:4]
    tried = resolve(line.sheet, line.wave, near, span)
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


def _modulation(look: Look, line: Line, choice: Choice, whole: Relative | None) -> Modulation:
    relative = look.relative
    clock = relative.clock
    # the line as the whole picture shows it: same wave, the picture's own rows
    bits, limit = look.clip.bits_per_pixel, look.clip.codec_limit
    if whole is None:
        place = place_of(relative, line.sheet, line.wave, bits_per_pixel=bits, encoder_limit=limit)
    else:
        stretched = _over_whole(line, relative, whole)
        place = place_of(
            whole, replace(sheet_of(whole), wander=line.sheet.wander), stretched, bits_per_pixel=bits, encoder_limit=limit
        )
    covered = relative.share * relative.rows_delivered
    loss = codec_loss(line, bits, key=look.clip.key, rows_delivered=covered)
    harmonics = recorded_harmonics(line, relative, loss)
    moves = alias_frequency(line.wave.g_hz, clock.fold_hz) if math.isfinite(clock.fold_hz) else math.inf
    scale = 1.0
    if whole is None and moves * clock.duration_s > 2.0 and loss.starved > MOSTLY_STARVED:
        # starved encoders keep most of it where it is bright
        scale = float(np.clip(place.bright_share, 0.9, 1.15))
    amplitudes = scale * harmonics.amplitudes
    recorded = float(abs(amplitudes[0]))
    single = choice.single
    exposure = look.clip.exposure_s if single is not None else None
    frequency = single.frequency_hz if single is not None else None
    wander = wander_of(line)
    systematic = codec_error(line, clock, loss) if bits > 0 else 0.0
    wave = fold(amplitudes, frequency or 1.0, exposure, sigma=scale * harmonics.sigma)
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
        recorded=recorded,
        recorded_range=(
            max(recorded - math.hypot(1.96 * line.wave.sigma_amplitude, loss.below), 0.0),
            min(recorded + math.hypot(1.96 * line.wave.sigma_amplitude, loss.above), 2.0),
        ),
        waveform=wave,
        lower_bound=wave.lower_bound,
    )


def _over_whole(line: Line, part: Relative, whole: Relative) -> Wave:
    """Return the wave of a part of the picture as the whole picture's rows show it: phases count from the middle of each."""
    q = line.wave.q * whole.share / part.share
    turn = np.exp(2j * np.pi * np.asarray(line.wave.orders) * q * (whole.middle - part.middle) / whole.share)
    return replace(line.wave, q=q, amplitudes=line.wave.amplitudes * turn)


def _with_others(choice: Choice, line: Line, others: Sequence[Look]) -> Choice:
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
    clip: Clip | Look,
    *,
    also: Sequence[Clip | Look] = (),
    source: Clip | Look | None = None,
    flat: RowLight | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> Analysis:
    """Decide what a clip shows.

    Parameters
    ----------
    clip : Clip or Look
        A `Look` is a clip searched before, with `look_at`.
    also : sequence of Clip or Look, optional
        The same device and scene at other frame rates.
    source : Clip or Look, optional
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
    look = look_at(clip, cancelled)
    others = [look_at(other, cancelled) for other in also]
    whole = None if look.clip.whole is None else relative_light(bin_rows(look.clip.whole))
    modulations = []
    notes: list[str] = []
    for line, choice in zip(look.found.lines, look.choices, strict=True):
        narrowed = _with_others(choice, line, others)
        notes += narrowed.notes
        modulations.append(_modulation(look, line, narrowed, whole))
    if source is not None:
        bare = look_at(source, cancelled)
        hidden = _blind(bare)
        modulations, more = compare_with_source(
            modulations, bare.choices, lambda hz: not any(low <= hz <= high for low, high in hidden)
        )
        notes += more
    modulations = [as_mains(item) for item in modulations]
    modulations.sort(key=lambda item: -item.recorded * _spread(item.place))
    standing = None if modulations else _standing(look, None if flat is None else bin_rows(flat))
    return _decide(look, tuple(modulations), standing, flat is not None, notes)


def _spread(place: Place) -> float:
    known = np.isfinite(place.share)
    return float(np.clip(place.share[known], 0.0, 1.2).mean()) if known.any() else 1.0


def _standing(look: Look, flat: RowLight | None) -> Bands | None:
    """Look for bands in the still scene, against a flat reference of the same mode where there is one."""
    relative, readout_s = look.relative, look.clip.readout_s
    fold_hz = relative.clock.fold_hz
    step = fold_hz * readout_s * relative.share if readout_s is not None and math.isfinite(fold_hz) else None
    if flat is not None and flat.light.shape[1:] == relative.scene.shape:
        shape = flat.light.mean(axis=0, dtype=np.float64)
        return standing_bands(relative.scene, relative.weight, flat=shape, least_q=0.4, step_q=step)
    return standing_bands(relative.scene, relative.weight, step_q=step)


def _blind(look: Look) -> list[tuple[float, float]]:
    clock = look.relative.clock
    fold_hz = clock.fold_hz if math.isfinite(clock.fold_hz) else None
    rows = look.clip.rows
    row_time = look.clip.readout_s / rows.rows_delivered if look.clip.readout_s else None
    return planner.blind_zones(fold_hz, look.clip.exposure_s, clock.duration_s, row_time_s=row_time)


def _decide(
    look: Look, modulations: tuple[Modulation, ...], standing: Bands | None, has_flat: bool, notes: list[str]
) -> Analysis:
    clip, clock = look.clip, look.relative.clock
    zones = _blind(look)
    share = planner.blind_share(zones)
    limit = detection_limit(look.found, clip)
    if modulations:
        word, sentence = "modulated", say_modulated(modulations)
    else:
        word, sentence = say_nothing(clip, clock, standing, has_flat, zones, limit)
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
        advice=tuple(advise(clip, clock, modulations, word, zones)),
        notes=tuple(dict.fromkeys(notes)),
    )


__all__ = [
    "Analysis",
    "Clip",
    "Look",
    "Modulation",
    "analyse",
    "look_at",
]

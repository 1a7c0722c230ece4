"""Sound as a witness of time: the same sound on two recorders, or the same clap in another recording.

Coarse: the rise and fall of the sound's energy, 200 values a second, over the whole of both.  Fine: short windows at full rate,
their cross-spectra weighted by the coherence that all windows together show, the peak found between samples.  Where the
waveforms don't agree (another recording of the same clap), the onsets do.
"""

from __future__ import annotations

import numpy as np

from viewer.align.clock import Witness
from viewer.align.onsets import Onsets, find_onsets, match_onsets
from viewer.align.sound_coarse import coarse_offsets
from viewer.align.sound_fine import Found, fine_offsets
from viewer.align.track import Track, energy_envelope, same_rate, track

_NEAR_S = 0.005
_MICROPHONE_S = 4e-6  # microphones and their filters delay a sound by microseconds that differ, and that no sound tells


def sound_witness(reference: Track, clip: Track, *, search_s: tuple[float, float] | None = None) -> Witness:
    """Compare two sounds.

    Parameters
    ----------
    reference, clip : Track
    search_s : (low, high), optional
        Only offsets (scene time = clip time + offset) in this range.

    Returns
    -------
    Witness
        Kind ``sound`` (same sound, waveform) or ``sound onsets`` (another recording of the same events), or a refusal.
    """
    if min(len(reference.samples) / reference.rate_hz, len(clip.samples) / clip.rate_hz) < 0.25:
        return Witness(kind="sound", reason="one of the sounds is shorter than a quarter of a second.")
    if not (np.any(reference.samples) and np.any(clip.samples)):
        return Witness(kind="sound", reason="one of the sounds is silent.")
    clip = same_rate(clip, reference.rate_hz)
    best: Found | None = None
    for lag_s in coarse_offsets(reference, clip, search_s):
        found = fine_offsets(reference, clip, lag_s)
        if found is not None and (best is None or found.score > best.score):
            best = found
            if best.score > 60.0:
                break
    if best is None:
        return _onset_witness(reference, clip, search_s)
    if best.agreement > 0.8 or (len(best.at) >= 8 and best.score > 20.0) or _one_line(best):
        return _waveform(best)
    # The same clap in another recording correlates too, up to a few milliseconds off: there the onsets are right.
    middle = float(np.mean(best.at))
    level = float(np.mean(best.offset))
    near = _onset_witness(reference, clip, (level - _NEAR_S, level + _NEAR_S))
    if near.answered:
        there = level + best.slope * (near.clip_s - middle)
        gap = float(np.median(near.scene_s - near.clip_s - there))
        return near if abs(gap) > 2.5e-4 else _waveform(best)
    onsets = _onset_witness(reference, clip, search_s)
    if onsets.answered:
        far = float(np.median(onsets.scene_s - onsets.clip_s)) - level
        return Witness(kind="sound", reason=f"the waveform and the onsets of the sound disagree by {abs(far):.3f} s.")
    return _waveform(best)


def _one_line(found: Found) -> bool:
    """Whether three moments or more lie on one line to 20 us: events of another recording scatter by a hundred times that."""
    if len(found.at) < 3:
        return False
    gap = found.offset - found.offset.mean() - found.slope * (found.at - found.at.mean())
    return bool(np.sqrt(np.mean(gap**2)) < 2e-5)


def _waveform(found: Found) -> Witness:
    return Witness(
        kind="sound",
        clip_s=found.at,
        scene_s=found.at + found.offset,
        sigma_s=np.full(len(found.at), found.sigma),
        score=found.score,
        floor_s=_MICROPHONE_S,
        notes=(f"waveforms agree to {found.agreement:.2f}",),
    )


def _onsets(sound: Track) -> Onsets:
    """Onsets, but those at the edges of gaps."""
    found = find_onsets(sound.samples, sound.rate_hz)
    return found.only(sound.clear_of_gaps(found.time_s + sound.start_s, 0.05)) if sound.gaps else found


def _onset_witness(reference: Track, clip: Track, search_s: tuple[float, float] | None) -> Witness:
    """The same events in another recording, by their beginnings."""
    onset_a, onset_b = _onsets(reference), _onsets(clip)
    matched = match_onsets(onset_a, onset_b, shift_s=reference.start_s - clip.start_s, search_s=search_s)
    if matched is None:
        return Witness(
            kind="sound",
            reason="the sounds share no waveform and no onsets above chance: clap in view of all cameras, at start and end.",
        )
    if matched.rivals_s:
        offset = float(np.median(onset_a.time_s[matched.reference_index] - onset_b.time_s[matched.clip_index]))
        every = min(abs(rival - offset - reference.start_s + clip.start_s) for rival in matched.rivals_s)
        return Witness(
            kind="sound",
            reason=f"the sound's events come at even intervals ({every:.2f} s): several offsets fit. Clap once, unevenly.",
            rivals_s=(offset + reference.start_s - clip.start_s, *matched.rivals_s),
        )
    clip_s = onset_b.time_s[matched.clip_index] + clip.start_s
    notes: tuple[str, ...] = ("another recording of the same events: lined up by their onsets",)
    if len(clip_s) == 1:
        notes += ("rests on a single sound event",)
    return Witness(
        kind="sound onsets",
        clip_s=clip_s,
        scene_s=onset_a.time_s[matched.reference_index] + reference.start_s,
        sigma_s=np.hypot(onset_a.sigma_s[matched.reference_index], onset_b.sigma_s[matched.clip_index]),
        score=matched.score,
        floor_s=3e-5,
        least_scale=0.5,
        notes=notes,
    )


__all__ = ["Track", "energy_envelope", "sound_witness", "track"]

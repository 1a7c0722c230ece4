"""Sound as a witness of time: the same sound on two recorders, or the same clap in another recording.

Coarse: the rise and fall of the sound's energy, 200 values a second, over the whole of both.  Fine: short windows at full rate,
their cross-spectra weighted by the coherence that all windows together show, the peak found between samples.  Where the
waveforms don't agree (another recording of the same clap), the onsets do.
"""

from __future__ import annotations

import numpy as np

from viewer.align.clock import Witness
from viewer.align.onsets import find_onsets, match_onsets
from viewer.align.sound_coarse import coarse_offsets
from viewer.align.sound_fine import Found, fine_offsets
from viewer.align.track import Track, energy_envelope, same_rate, track


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
    if best is not None and (best.agreement > 0.8 or (len(best.at) >= 8 and best.score > 20.0)):
        return _waveform(best)
    onsets = _onset_witness(reference, clip, search_s)
    if best is None:
        return onsets
    if onsets.answered:
        # The same clap in another recording correlates too, up to a few milliseconds off: there the onsets are right.
        k = int(np.argmin(np.abs(onsets.clip_s - float(np.mean(best.at)))))
        there = float(np.mean(best.offset)) + best.slope * (float(onsets.clip_s[k]) - float(np.mean(best.at)))
        gap = abs(float(onsets.scene_s[k] - onsets.clip_s[k]) - there)
        if 2.5e-4 < gap < 5e-3:
            return onsets
        if gap >= 5e-3:
            return Witness(kind="sound", reason=f"the waveform and the onsets of the sound disagree by {gap:.3f} s.")
    return _waveform(best)


def _waveform(found: Found) -> Witness:
    return Witness(
        kind="sound",
        clip_s=found.at,
        scene_s=found.at + found.offset,
        sigma_s=np.full(len(found.at), found.sigma),
        score=found.score,
        floor_s=1e-6,
        notes=(f"waveforms agree to {found.agreement:.2f}",),
    )


def _onset_witness(reference: Track, clip: Track, search_s: tuple[float, float] | None) -> Witness:
    """The same events in another recording, by their beginnings."""
    onset_a, onset_b = find_onsets(reference.samples, reference.rate_hz), find_onsets(clip.samples, clip.rate_hz)
    matched = match_onsets(onset_a, onset_b, shift_s=reference.start_s - clip.start_s, search_s=search_s)
    if matched is None:
        return Witness(
            kind="sound",
            reason="the sounds share no waveform and no onsets above chance: clap in view of all cameras, at start and end.",
        )
    clip_s = onset_b.time_s[matched.clip_index] + clip.start_s
    notes: tuple[str, ...] = ("another recording of the same events: lined up by their onsets",)
    if len(clip_s) == 1:
        notes += ("rests on a single sound event",)
    return Witness(
        kind="sound onsets",
        clip_s=clip_s,
        scene_s=onset_a.time_s[matched.reference_index] + reference.start_s,
        sigma_s=np.full(len(clip_s), 1.2e-4),
        score=matched.score,
        floor_s=3e-5,
        notes=notes,
    )


__all__ = ["Track", "energy_envelope", "sound_witness", "track"]

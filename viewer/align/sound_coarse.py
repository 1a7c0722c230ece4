"""Where two sounds may belong together: candidates from the energy's rise and fall, and from the waveform at 4 kHz."""

from __future__ import annotations

import numpy as np
import scipy.fft as sfft

from viewer.align.track import ENVELOPE_HZ, Track, changes, decimate


def coarse_offsets(reference: Track, clip: Track, search_s: tuple[float, float] | None) -> list[float]:
    """Candidate offsets (s) from the energy's rise and fall, and from the waveform at 2 kHz if the sounds are short."""
    out: list[float] = []
    out += _lags(changes(reference), changes(clip), ENVELOPE_HZ, reference, clip, search_s, 3, False)
    if len(reference.samples) + len(clip.samples) < 130 * reference.rate_hz:
        factor = max(1, reference.rate_hz // 4000)
        a, b = decimate(reference.samples, factor), decimate(clip.samples, factor)
        out += _lags(a, b, reference.rate_hz / factor, reference, clip, search_s, 2, True)
    unique: list[float] = []
    for lag in out:
        if all(abs(lag - other) > 0.004 for other in unique):
            unique.append(lag)
    return unique


def _lags(
    a: np.ndarray,
    b: np.ndarray,
    rate_hz: float,
    reference: Track,
    clip: Track,
    search_s: tuple[float, float] | None,
    count: int,
    whiten: bool,
) -> list[float]:
    """Best offsets of b in a by cross-correlation, each with its overlap taken into account."""
    size = sfft.next_fast_len(len(a) + len(b), real=True)
    spectrum = sfft.rfft(a - a.mean(), size) * np.conj(sfft.rfft(b - b.mean(), size))
    if whiten:
        spectrum /= np.abs(spectrum) ** 0.8 + 1e-12 * np.abs(spectrum).max()
        spectrum[: int(80.0 / rate_hz * size) + 1] = 0
    correlation = sfft.irfft(spectrum, size)
    shift = np.arange(size)
    shift[shift >= len(a)] -= size
    overlap = np.minimum(shift + len(b), len(a)) - np.maximum(shift, 0)
    offset = shift / rate_hz + reference.start_s - clip.start_s
    least = 0.25 * rate_hz
    score = correlation / np.sqrt(np.maximum(overlap, least))
    bad = overlap < least
    if search_s is not None:
        bad |= (offset < search_s[0] - 0.01) | (offset > search_s[1] + 0.01)
    score[bad] = -np.inf
    out: list[float] = []
    near = max(2, int(0.004 * rate_hz))
    for _ in range(count):
        k = int(np.argmax(score))
        if not np.isfinite(score[k]):
            break
        out.append(float(offset[k]))
        score[np.arange(k - near, k + near + 1) % size] = -np.inf
    return out


__all__ = ["coarse_offsets"]

"""From row light to the lines of a clip: search, joint fit, evidence, harmonics, and what is left after each line."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from viewer.errors import Cancelled
from viewer.measure.flicker_evidence import LARGEST_AMPLITUDE, MOTION_HZ, Evidence, cell_map, convincing, weigh_evidence
from viewer.measure.flicker_fit import Sheet, Wave, fit_wave
from viewer.measure.flicker_places import Line, divide_out, reweigh, steadied
from viewer.measure.flicker_rows import Relative
from viewer.measure.flicker_search import Peak, Plane, find_peaks, search_plane
from viewer.measure.flicker_waves import (
    SHORT_PERIODS,
    SLOW_TURNS,
    fit_harmonics,
    fit_peak,
    fit_slow,
    frame_peaks,
    settle,
    sheet_of,
)

Floats = NDArray[np.float64]


MOST_LINES = 4
FAR_BELOW = 0.4
MOTION_SHARE = 0.2
"""A picture that moves puts lines of up to about this share of a line beside it."""

IMAGE_SHARE = 0.7
IMAGE_HZ = 0.4
"""In a starved clip the image of a line is weaker than the line, and its alias is the same within this (Hz)."""


_Best = tuple[float, Peak, Wave, Floats | None]


@dataclass(frozen=True, slots=True)
class Found:
    """Lines by falling amplitude, the search planes of the untouched clip and of what the lines leave, and the waves that were
    turned down in the latter."""

    lines: tuple[Line, ...]
    plane: Plane
    rest: Plane
    doubtful: tuple[tuple[Wave, Evidence], ...]


def _finish(data: Relative, peak: Peak, wave: Wave, fold_hz: float, wander: Floats | None = None) -> Line:
    """Fit harmonics, then once more with weights that the line leaves and only where it shows."""
    sheet = replace(sheet_of(data), wander=wander)
    wave = fit_harmonics(sheet, wave, fold_hz)
    evidence, cells = weigh_evidence(data, sheet, wave)
    line = Line(wave, evidence, cells, peak, sheet)
    for _ in range(2):
        weight = reweigh(data, line, inside=True)
        same = np.mean((weight > 0) == (line.sheet_weight > 0)) > 0.97 if line.sheet_weight is not None else False
        sheet = replace(sheet_of(steadied(replace(data, weight=weight), line)), wander=wander)
        again = fit_harmonics(sheet, line.wave, fold_hz)
        if not 0 < again.amplitude < LARGEST_AMPLITUDE or again.sigma_hz > 3.0 * wave.sigma_hz + 1e-6:
            break
        evidence, cells = weigh_evidence(data, sheet, again)
        line = Line(again, evidence, cells, peak, sheet, weight)
        if same or np.mean(weight > 0) > 0.95 * np.mean(data.weight > 0):
            break
    return line


def track(sheet: Sheet, wave: Wave, *, width_s: float = 0.12) -> tuple[Sheet, float]:
    """Return the sheet with a wandering phase followed over `width_s` (Gaussian, 1 sigma), and the mean shift (Hz)."""
    t = sheet.times_s - sheet.times_s.mean()
    place = np.exp(-2j * np.pi * wave.q * (sheet.position - 0.5))
    w = sheet.weight / sheet.weight.sum()
    x = sheet.x - (sheet.x @ w)[:, None]
    x = x - x.mean(axis=0)
    beat = (x @ (w * place)) * np.exp(-2j * np.pi * wave.g_hz * t)
    kernel = np.exp(-0.5 * np.square((t[:, None] - t[None, :]) / width_s))
    smooth = kernel @ beat / kernel.sum(axis=1)
    phase = np.unwrap(np.angle(smooth))
    # a steady part belongs to the frequency
    slope = np.polyfit(t, phase, 1, w=np.abs(smooth) / max(float(np.abs(smooth).max()), 1e-30))
    return replace(sheet, wander=phase - np.polyval(slope, t)), float(slope[0] / (2.0 * np.pi))


def _local(data: Relative, doubtful: list[tuple[Wave, Evidence]], sheet: Sheet, fold_hz: float, least: float) -> _Best | None:
    """Return a line that shows only in part of the picture: there it must convince, more strictly than elsewhere."""
    best: _Best | None = None
    for wave, evidence in doubtful:
        if evidence.time < 0.95 or evidence.strength < 8.0 or wave.amplitude > LARGEST_AMPLITUDE or abs(wave.g_hz) < 1.0:
            continue
        line = Line(wave, evidence, cell_map(data, sheet, wave), Peak(abs(wave.g_hz), wave.q, 0.0, 0), sheet)
        part = replace(data, weight=reweigh(data, line, inside=True))
        shown = (part.weight > 0).any(axis=1)
        if shown.sum() < 16 or np.mean(part.weight > 0) > 0.7 * np.mean(data.weight > 0):
            continue
        own = sheet_of(steadied(part, line))
        again = settle(own, fit_wave(own, wave.g_hz, wave.q, rounds=7), fold_hz)
        inside, _ = weigh_evidence(part, own, again)
        strict = inside.strength > 15.0 and inside.mirror < 0.35 and inside.time > 0.97 and inside.lone > 0.3
        good = strict and convincing(inside, again, frame_rate=data.clock.rate)
        if good and again.amplitude > max(least, 0.005) and (best is None or again.amplitude > best[0]):
            best = (again.amplitude, line.peak, again, None)
    return best


def _wandering(
    data: Relative, sheet: Sheet, doubtful: list[tuple[Wave, Evidence]], fold_hz: float, least: float
) -> _Best | None:
    """Return a line whose rate wanders: right along rows, over blocks and in direction, but not of one phase in time."""
    for wave, evidence in sorted(doubtful, key=lambda item: -item[0].amplitude):
        likely = evidence.rows > 0.9 and evidence.blocks > 0.85 and evidence.mirror < 0.5 and evidence.lone > 0.1
        if not likely or abs(wave.q) < 1.0 or not 0.003 < wave.amplitude < LARGEST_AMPLITUDE:
            continue
        followed, shift = track(sheet, wave)
        again = fit_wave(followed, wave.g_hz + shift, wave.q, rounds=8)
        more, _ = weigh_evidence(data, followed, again)
        strong = more.strength > 15.0 and more.mirror < 0.3 and again.amplitude > max(0.005, least) and more.lone > 0.3
        if strong and convincing(more, again, frame_rate=data.clock.rate):
            return again.amplitude, Peak(abs(again.g_hz), again.q, 0.0, 0), again, followed.wander
    return None


def strongest(data: Relative, plane: Plane, fold_hz: float, *, least: float) -> tuple[Line | None, list[tuple[Wave, Evidence]]]:
    """Return the line of largest amplitude that convinces, and what was turned down."""
    sheet = sheet_of(data)
    doubtful: list[tuple[Wave, Evidence]] = []
    best: _Best | None = None
    peaks = find_peaks(plane, duration_s=data.clock.duration_s, count=8, least=25.0)
    slow = [peak for peak in peaks if peak.g_hz < SLOW_TURNS / data.clock.duration_s]
    # of bands that almost stand still, the widest is the fundamental
    main = min(slow, key=lambda peak: abs(peak.q)) if slow else None
    for peak in [*peaks, *frame_peaks(data)]:
        # what is far below the best so far cannot be the strongest, nor its fundamental
        far = FAR_BELOW * best[0] if best is not None else 0.0
        if peak.q:
            wave = fit_peak(sheet, peak, fold_hz, with_harmonics=peak is main, least=far)
        else:
            wave = fit_slow(sheet, peak, fold_hz)
        if not np.isfinite(wave.amplitude) or (wave.amplitude < far and abs(wave.q) > SHORT_PERIODS):
            continue
        evidence, _ = weigh_evidence(data, sheet, wave)
        if not convincing(evidence, wave, frame_rate=data.clock.rate):
            doubtful.append((wave, evidence))
        elif wave.amplitude > least and (best is None or wave.amplitude > best[0]):
            best = (wave.amplitude, peak, wave, None)
    if best is None:
        best = _local(data, doubtful, sheet, fold_hz, least)
    if best is None:
        best = _wandering(data, sheet, doubtful, fold_hz, least)
    if best is None:
        return None, doubtful
    line = _finish(data, best[1], best[2], fold_hz, best[3])
    evidence = line.evidence
    if line.sheet_weight is not None:
        # a line of part of the picture is judged there
        evidence, _ = weigh_evidence(replace(data, weight=line.sheet_weight), line.sheet, line.wave)
    if convincing(evidence, line.wave, frame_rate=data.clock.rate):
        return line, doubtful
    doubtful.append((line.wave, line.evidence))
    return None, doubtful


def find_lines(
    data: Relative,
    *,
    cancelled: Callable[[], bool] | None = None,
) -> Found:
    """Find every independent modulation of a clip.

    Each is divided out before the next is searched; in the end each is fitted again with the others divided out.
    """
    fold_hz = data.clock.fold_hz
    lines: list[Line] = []
    doubtful: list[tuple[Wave, Evidence]] = []
    early: list[tuple[Wave, Evidence]] = []
    rest, last_plane = data, None
    for _ in range(MOST_LINES):
        if cancelled is not None and cancelled():
            raise Cancelled
        plane = search_plane(rest)
        last_plane = plane
        least = 0.0 if not lines else max(0.004, 0.05 * lines[0].wave.amplitude)
        line, down = strongest(rest, plane, fold_hz, least=least)
        doubtful = down
        early = early or list(down)
        if line is None or any(_same(line.wave, other.wave, fold_hz) for other in lines):
            break
        lines.append(line)
        rest = divide_out(rest, line)
    lines = adopt_fundamentals(data, merge_harmonics(data, lines, fold_hz), early, fold_hz)
    lines = [line for line in lines if not any(beside(line.wave, other.wave, fold_hz) for other in lines if other is not line)]
    if len(lines) > 1:
        lines = _polish(data, lines, fold_hz)
    assert last_plane is not None
    first = search_plane(data) if lines else last_plane
    return Found(tuple(lines), first, last_plane, tuple(doubtful))


def harmonic_of(line: Wave, base: Wave, fold_hz: float, most: int = 16) -> int:
    """Return which harmonic of `base` a wave is, 0 if none."""
    for order in range(2, most + 1):
        for sign in (1.0, -1.0):
            gap = order * base.g_hz - sign * line.g_hz
            if np.isfinite(fold_hz):
                gap -= round(gap / fold_hz) * fold_hz
            near = 0.05 + 4.0 * (order * base.sigma_hz + line.sigma_hz)
            if abs(gap) < min(near, 0.3) and abs(order * base.q - sign * line.q) < 0.25 + 0.02 * order * abs(base.q):
                return order
    return 0


def beside(line: Wave, base: Wave, fold_hz: float) -> bool:
    """Whether a wave is what handshake makes of a far stronger one: a line beside it or beside one of its harmonics.

    Or what an encoder makes of it that keeps bands of the frame before: its image, running the other way.
    """
    if line.amplitude < IMAGE_SHARE * base.amplitude:
        for sign in (1.0, -1.0):
            gap = base.g_hz - sign * line.g_hz
            if np.isfinite(fold_hz):
                gap -= round(gap / fold_hz) * fold_hz
            if abs(gap) < IMAGE_HZ and abs(base.q + sign * line.q) < 0.7:
                return True
    if line.amplitude > MOTION_SHARE * base.amplitude:
        return False
    for order in range(1, 5):
        for sign in (1.0, -1.0):
            gap = order * base.g_hz - sign * line.g_hz
            if np.isfinite(fold_hz):
                gap -= round(gap / fold_hz) * fold_hz
            if abs(gap) < 1.5 * MOTION_HZ and abs(order * base.q - sign * line.q) < 0.7:
                return True
    return False


def merge_harmonics(data: Relative, lines: list[Line], fold_hz: float) -> list[Line]:
    """Drop lines that are harmonics of another; where the fundamental was found later, fit it to the whole clip."""
    kept: list[Line] = []
    for line in sorted(lines, key=lambda item: abs(item.wave.q)):
        if not any(harmonic_of(line.wave, base.wave, fold_hz) for base in kept):
            kept.append(line)
    out = []
    for base in kept:
        if lines and base is not lines[0] and any(harmonic_of(other.wave, base.wave, fold_hz) for other in lines):
            base = _finish(data, base.peak, base.wave, fold_hz, base.sheet.wander)
        out.append(base)
    return sorted(out, key=lambda item: -item.wave.amplitude)


def adopt_fundamentals(
    data: Relative, lines: list[Line], doubtful: Sequence[tuple[Wave, Evidence]], fold_hz: float
) -> list[Line]:
    """Replace a line that is a harmonic of a larger wave which was turned down: alone doubtful, together they convince."""
    out = []
    for line in lines:
        for wave, evidence in doubtful:
            steady = evidence.time > 0.9 and evidence.rows > 0.9 and evidence.blocks > 0.85 and evidence.strength > 5.0
            larger = 0.8 * line.wave.amplitude < wave.amplitude < LARGEST_AMPLITUDE
            if steady and larger and abs(wave.q) > 0.1 and harmonic_of(line.wave, wave, fold_hz, most=4):
                line = _finish(data, line.peak, wave, fold_hz)
                break
        out.append(line)
    return out


def _same(a: Wave, b: Wave, fold_hz: float) -> bool:
    for sign in (1.0, -1.0):
        gap = a.g_hz - sign * b.g_hz
        if np.isfinite(fold_hz):
            gap -= round(gap / fold_hz) * fold_hz
        # one alias is one line: what is left at it after division is what the model missed
        if abs(gap) < 0.05 + 4.0 * (a.sigma_hz + b.sigma_hz) or (abs(gap) < 0.3 and abs(a.q - sign * b.q) < 1.0):
            return True
    return False


def _polish(data: Relative, lines: list[Line], fold_hz: float) -> list[Line]:
    """Fit each line again with the others divided out."""
    out = list(lines)
    for i, line in enumerate(lines):
        alone = data
        for j, other in enumerate(out):
            if j != i:
                alone = divide_out(alone, other)
        again = _finish(alone, line.peak, line.wave, fold_hz, line.sheet.wander)
        if abs(again.wave.g_hz - line.wave.g_hz) < 0.3:
            out[i] = again
    return out


__all__ = [
    "Found",
    "adopt_fundamentals",
    "beside",
    "find_lines",
    "harmonic_of",
    "merge_harmonics",
    "strongest",
    "track",
]

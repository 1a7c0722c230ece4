"""From row light to the lines of a clip: search, joint fit, evidence, harmonics, and what is left after each line."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from viewer.errors import Cancelled
from viewer.measure.flicker_evidence import FRAME_PERIODS, CellMap, Evidence, cell_map, weigh_evidence
from viewer.measure.flicker_fit import Sheet, Wave, fit_wave, frame_trust, smooth_basis
from viewer.measure.flicker_rows import Relative, inverse_variance
from viewer.measure.flicker_search import Peak, Plane, alias_grid, find_peaks, search_plane

Floats = NDArray[np.float64]

LARGEST_AMPLITUDE = 2.0
"""A train of short pulses has a fundamental of twice its mean; more is not light."""
SMALLEST_AMPLITUDE = 0.001
MOST_HARMONICS = 8
MOST_LINES = 4
MOTION_HZ = 4.0
"""Handshake, steps and gain control change whole frames up to about here."""
SHORT_PERIODS = 2.5
"""With fewer periods than this in the picture, frame gain and wave are hard to tell apart."""


@dataclass(frozen=True, slots=True)
class Line:
    """One modulation with its harmonics.

    ``wave`` is the joint fit, ``lone_wave`` the fit of the fundamental alone with free band spacing.
    """

    wave: Wave
    evidence: Evidence
    cells: CellMap
    peak: Peak
    sheet: Sheet
    sheet_weight: Floats | None = None


_Best = tuple[float, Peak, Wave, Floats | None]


@dataclass(frozen=True, slots=True)
class Found:
    """Lines by falling amplitude, the search planes of the untouched clip and of what the lines leave, and the waves that were
    turned down in the latter."""

    lines: tuple[Line, ...]
    plane: Plane
    rest: Plane
    doubtful: tuple[tuple[Wave, Evidence], ...]


def sheet_of(data: Relative, weight: Floats | None = None) -> Sheet:
    """Return the weighted mean over blocks as a sheet of rows against frames."""
    mean, total = data.combine(weight)
    rows = mean.shape[1]
    return Sheet(mean, total, data.clock.times_s, (np.arange(rows) + 0.5) / rows)


def convincing(evidence: Evidence, wave: Wave, *, frame_rate: float) -> bool:
    """Whether a wave is light that pulses and not motion, drift or the encoder.

    The bounds stand between what clips with handshake, walking figures, drift and starved encoders show and what
    pulsing light shows through the same encoders; see the benchmark.
    """
    if not SMALLEST_AMPLITUDE <= wave.amplitude <= LARGEST_AMPLITUDE or evidence.strength < 6.0:
        return False
    if min(evidence.time, evidence.rows) < 0.9 or evidence.blocks < 0.85:
        return False
    if abs(wave.q) < FRAME_PERIODS:
        return _whole_frames_pulse(evidence, wave, frame_rate)
    if np.isnan(evidence.mirror):
        # bands that almost stand still: the direction cannot be seen, so all else must be beyond doubt
        alike = min(evidence.time, evidence.rows, evidence.blocks) > 0.97
        if alike and evidence.strength > 40.0 and evidence.lone > 0.1 and abs(wave.q) > 1.5:
            return True
        return bool(evidence.strength > 12.0 and evidence.lone > 0.3 and abs(wave.q) > 1.0)
    if evidence.mirror > 0.6 or (evidence.mirror > 0.35 and evidence.strength < 15.0):
        return False
    return evidence.lone > 0.05 or evidence.strength > 15.0


def _whole_frames_pulse(evidence: Evidence, wave: Wave, frame_rate: float) -> bool:
    """Whether a wave with less than about half a period in the picture is light.

    Handshake and gain control do the same below `MOTION_HZ`, encoders at small fractions of the frame rate; only a phase that
    advances along the rows, or an amplitude that neither has, tells.
    """
    if abs(wave.g_hz) < MOTION_HZ or evidence.strength < 10.0:
        return False
    encoder = any(abs(abs(wave.g_hz) - frame_rate * k / m) < 0.15 for m in range(2, 7) for k in range(1, m // 2 + 1))
    if abs(wave.q) > max(0.1, 5.0 * wave.sigma_q) and not evidence.mirror > 0.6:
        return bool(wave.amplitude > (0.02 if encoder else 0.006))
    return bool(wave.amplitude > 0.03 and not encoder)


def fit_peak(sheet: Sheet, peak: Peak, fold_hz: float) -> Wave:
    """Fit the wave of a search peak; near a standing wave, scan before refining."""
    span = sheet.times_s[-1] - sheet.times_s[0]
    g, q = peak.g_hz, peak.q
    if g < 1.5 / span:
        best = None
        for trial in np.arange(-2.0, 2.01, 0.2) / span:
            if abs(trial) < 0.02 / span:
                continue
            wave = fit_wave(sheet, float(trial), q, rounds=2)
            power = float(np.sum(np.square(wave.rest) @ sheet.weight))
            if wave.amplitude <= LARGEST_AMPLITUDE and (best is None or power < best[0]):
                best = (power, wave)
        if best is not None:
            g, q = best[1].g_hz, best[1].q
    return settle(sheet, fit_wave(sheet, g, q, rounds=7), fold_hz)


def settle(sheet: Sheet, wave: Wave, fold_hz: float, *, tie: float | None = None) -> Wave:
    """Fit again with as much of the frame-to-frame gain taken for nuisance as the clip's own scatter says.

    With few periods in the picture, gain and wave can stand in for each other: the fit is then made from both ends, all
    nuisance and none, and the one that leaves less frame-to-frame scatter is kept.
    """

    def again(start: Wave, trust: float) -> Wave:
        return fit_wave(
            sheet, start.g_hz, start.q, orders=start.orders, start=start.amplitudes, frame_share=trust, rounds=6, tie=tie
        )

    first = again(wave, frame_trust(sheet, wave))
    if abs(wave.q) > SHORT_PERIODS:
        return first
    free = fit_wave(sheet, wave.g_hz, wave.q, orders=wave.orders, start=wave.amplitudes, frame_share=0.0, rounds=8, tie=tie)
    orders = harmonic_orders(sheet, free, fold_hz, most=5)
    if len(orders) > len(wave.orders):
        # harmonics that are left out would look like frame-to-frame gain
        start = np.zeros(len(orders), complex)
        start[: len(free.orders)] = free.amplitudes if free.orders == orders[: len(free.orders)] else 0.0
        start[0] = free.amplitudes[0]
        free = fit_wave(sheet, free.g_hz, free.q, orders=orders, start=start, frame_share=0.0, rounds=8, tie=tie)
    trust = frame_trust(sheet, free)
    second = again(free, trust)
    if (
        second.amplitude < LARGEST_AMPLITUDE
        and trust < first.frame_share - 0.02
        and within(sheet, second) < 1.05 * within(sheet, first)
    ):
        return second
    return first


def within(sheet: Sheet, wave: Wave) -> float:
    """Return the power that a fit leaves within frames."""
    w = sheet.weight / sheet.weight.sum()
    return float(np.mean(np.square(wave.rest - (wave.rest @ w)[:, None]) @ w))


def harmonic_orders(sheet: Sheet, wave: Wave, fold_hz: float, most: int = MOST_HARMONICS) -> tuple[int, ...]:
    """Return the harmonics that rows resolve and that do not stand still."""
    rows = int((sheet.weight > 0).sum())
    span = sheet.times_s[-1] - sheet.times_s[0]
    orders = [1]
    for order in range(2, most + 1):
        if abs(order * wave.q) > 0.4 * rows:
            break
        alias = order * wave.g_hz
        if np.isfinite(fold_hz):
            alias -= round(alias / fold_hz) * fold_hz
        if abs(alias) * span > 0.3:
            orders.append(order)
    return tuple(orders)


def fit_harmonics(sheet: Sheet, wave: Wave, fold_hz: float, *, tie: float | None = None) -> Wave:
    """Fit fundamental and all significant harmonics together."""
    orders = harmonic_orders(sheet, wave, fold_hz)
    for _ in range(2):
        start = np.zeros(len(orders), complex)
        for i, order in enumerate(orders):
            if order in wave.orders:
                start[i] = wave.amplitudes[wave.orders.index(order)]
        full = fit_wave(sheet, wave.g_hz, wave.q, orders=orders, start=start, frame_share=wave.frame_share, rounds=6, tie=tie)
        variance = np.diag(full.covariance)[2:]
        sigma = np.sqrt(0.5 * (variance[0::2] + variance[1::2]))
        size = np.abs(full.amplitudes)
        keep = [
            o for o, a, s in zip(orders, size, sigma, strict=True) if o == 1 or (a > 4.0 * s and 3e-4 < a < LARGEST_AMPLITUDE)
        ]
        wave = full
        if tuple(keep) == orders:
            break
        orders = tuple(keep)
    else:
        start = np.array([wave.amplitudes[wave.orders.index(order)] for order in orders])
        wave = fit_wave(sheet, wave.g_hz, wave.q, orders=orders, start=start, frame_share=wave.frame_share, rounds=5, tie=tie)
    return settle(sheet, wave, fold_hz, tie=tie)


def share_map(line: Line, shape: tuple[int, int]) -> Floats:
    """Return how much of the wave every row and block shows (0 steady, 1 as fitted), shape (R, B), smooth over noise."""
    weight = line.cells.weight.sum(axis=0)
    share = (line.cells.share * line.cells.weight).sum(axis=0).real / np.maximum(weight, 1e-30)
    rows, _ = shape
    edges = np.linspace(0, rows, share.shape[0] + 1).astype(int)
    out = np.repeat(np.clip(share, 0.0, 1.5), np.diff(edges), axis=0)
    return np.asarray(out)


def divide_out(data: Relative, line: Line) -> Relative:
    """Return the clip with one line divided out, each cell by its own share of it."""
    share = share_map(line, data.weight.shape).astype(np.float32)
    ripple = (line.wave.model - 1.0).astype(np.float32)
    shown = np.maximum(1.0 + ripple[:, :, None] * share[None], 0.05)
    lit = (data.weight > 0)[None]
    x = np.where(lit, (1.0 + data.x) / shown - 1.0, 0.0).astype(np.float32)
    return replace(data, x=x)


def reweigh(data: Relative, line: Line, *, inside: bool) -> Floats:
    """Return weights from what the line leaves, shape (R, B); `inside` keeps only places that show it."""
    rest = divide_out(data, line).x
    gain = (rest.reshape(rest.shape[0], -1) @ data.weight.reshape(-1).astype(np.float32)) / data.weight.sum()
    rest = rest - gain[:, None, None].astype(np.float32)
    rest = rest - rest.mean(axis=0)
    lit = data.weight > 0
    bright = float(np.quantile(data.scene[lit], 0.95))
    weight = inverse_variance(rest, np.where(lit, np.minimum(data.scene / bright, 1.0), 0.0))
    if inside:
        share = share_map(line, data.weight.shape)
        top = float(np.quantile(share[lit], 0.97))
        kept = np.where(share > 0.4 * top, weight, 0.0)
        if (kept.sum(axis=1) > 0).sum() >= 8:
            weight = kept
    return weight


def steadied(data: Relative, line: Line) -> Relative:
    """Divide out the gain of each frame as the places that do not show the line tell it; unchanged where all show it."""
    share = share_map(line, data.weight.shape)
    lit = data.scene > 0
    shows = data.weight > 0
    bright = float(np.quantile(data.scene[shows], 0.95))
    outside = np.where(lit & ~shows & (share < 0.2), np.minimum(data.scene / bright, 1.0), 0.0)
    outside[~np.isfinite(outside)] = 0.0
    if (outside > 0).sum() < 0.2 * lit.sum():
        return data
    gain = 1.0 + np.einsum("nrb,rb->n", data.x, outside, optimize=True) / outside.sum()
    # what the surround tells is noisy where it is dark: only as much of it is believed as it repeats within the frame
    half = np.zeros_like(outside)
    half[::2] = outside[::2]
    first = np.einsum("nrb,rb->n", data.x, half, optimize=True) / half.sum()
    second = np.einsum("nrb,rb->n", data.x, outside - half, optimize=True) / (outside - half).sum()
    spread = float(np.var(gain))
    trust = max(0.0, float(np.cov(first, second)[0, 1])) / spread if spread > 0 else 0.0
    gain = 1.0 + min(trust, 1.0) * (gain - 1.0)
    x = np.where(lit[None], (1.0 + data.x) / gain[:, None, None] - 1.0, 0.0).astype(np.float32)
    return replace(data, x=x)


def frame_peaks(data: Relative, *, count: int = 2, least: float = 30.0) -> list[Peak]:
    """Return the strongest lines of the frame means: light that pulses slowly has few periods in a frame."""
    mean, total = data.combine()
    series = mean @ total / total.sum()
    smooth = smooth_basis(data.clock.times_s)
    series = series - smooth @ (smooth.T @ series)
    g_hz = alias_grid(data.clock)
    window = np.hanning(series.size + 2)[1:-1]
    power = np.square(np.abs(np.exp(-2j * np.pi * g_hz[:, None] * data.clock.times_s[None, :]) @ (series * window)))
    power[g_hz < 2.0 / data.clock.duration_s] = 0.0
    height = power / max(float(np.median(power)) / np.log(2.0), 1e-30)
    peaks = []
    near = max(1, round(2.5 / data.clock.duration_s / (g_hz[1] - g_hz[0])))
    for _ in range(count):
        i = int(np.argmax(height))
        if height[i] < least:
            break
        peaks.append(Peak(float(g_hz[i]), 0.0, float(height[i]), 0))
        height[max(0, i - near) : i + near + 1] = 0.0
    return peaks


def fit_slow(sheet: Sheet, peak: Peak, fold_hz: float) -> Wave:
    """Fit a wave with few periods in a frame, from a peak of the frame means; both directions are tried."""
    best = None
    for q in (0.12, -0.12):
        first = fit_wave(sheet, peak.g_hz, q, frame_share=0.0, rounds=6)
        power = float(np.sum(np.square(first.rest) @ sheet.weight))
        if best is None or power < best[0]:
            best = (power, first)
    assert best is not None
    return settle(sheet, best[1], fold_hz)


def resolve(line: Line, frequencies_hz: Sequence[float], span_s: float) -> list[tuple[float, Wave]]:
    """Fit each frequency with the band spacing that a known readout gives it; return (power left, wave), least first."""
    out = []
    for frequency in frequencies_hz:
        wave = line.wave
        forward = wave.q >= 0
        start = wave.amplitudes if forward else np.conj(wave.amplitudes)
        # a few turns of free amplitude first: the spacing may be far from that of the start
        tied = fit_wave(
            line.sheet,
            frequency,
            frequency * span_s,
            orders=wave.orders,
            start=start,
            frame_share=0.0,
            rounds=8,
            tie=span_s,
        )
        out.append((float(np.sum(np.square(tied.rest) @ line.sheet.weight)), tied))
    return sorted(out, key=lambda item: item[0])


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
    for peak in [*peaks, *frame_peaks(data)]:
        wave = fit_peak(sheet, peak, fold_hz) if peak.q else fit_slow(sheet, peak, fold_hz)
        if not np.isfinite(wave.amplitude):
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
    "Line",
    "adopt_fundamentals",
    "convincing",
    "divide_out",
    "find_lines",
    "fit_harmonics",
    "fit_peak",
    "fit_slow",
    "frame_peaks",
    "harmonic_orders",
    "resolve",
    "reweigh",
    "share_map",
    "sheet_of",
    "steadied",
    "strongest",
    "track",
]

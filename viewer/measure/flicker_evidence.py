"""Is it light that pulses?  What gain drift, handshake, walking figures and codecs lack.

A pulsing light multiplies the whole scene by one travelling wave: the same phase advance along the rows, the same
relative amplitude in every place that it lights, for as long as the clip lasts, and only in one direction.  A moving
scene or an encoder changes places in their own way: their patterns stand, so the wave and its mirror image are equally
strong; their phase differs from place to place and from time to time.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from viewer.measure.flicker_fit import Sheet, Wave, smooth_basis, wave_phase
from viewer.measure.flicker_rows import Relative

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

LARGEST_AMPLITUDE = 2.0
"""A train of short pulses has a fundamental of twice its mean; more is not light."""
SMALLEST_AMPLITUDE = 0.001
MOTION_HZ = 4.0
"""Handshake, steps and gain control change whole frames up to about here."""
FRAME_PERIODS = 0.6
"""With fewer periods than this in the picture, whole frames pulse: frame means are evidence as well."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """How a fitted wave behaves in time, along the rows, across blocks, and against its mirror image.

    ``time``, ``rows``, ``blocks`` are phase agreements, 0 .. 1; ``mirror`` is the amplitude of the wave that runs the other
    way over the wave's own (nan where the two cannot be told apart); ``lone`` is the share of the power at this alias that the
    wave explains; ``strength`` is amplitude over its error.
    """

    time: float
    rows: float
    blocks: float
    mirror: float
    lone: float
    strength: float
    steadiness: float


def agreement(c: Complex, weight: Floats) -> float:
    """Return the length of the weighted mean over the mean length."""
    total = float(np.sum(weight * np.abs(c)))
    return float(abs(np.sum(weight * c))) / total if total > 0 else 0.0


@dataclass(frozen=True, slots=True)
class CellMap:
    """Complex share of the wave that each cell shows: 1 where it pulses as the wave does, 0 where it is steady.

    ``share`` and ``weight`` have the shape (time parts, row parts, blocks).
    """

    share: Complex
    weight: Floats


def _clean(v: Floats, weight: Floats, smooth: Floats | None = None) -> Floats:
    """Remove row means over time and weighted frame means (only their slow part, given a basis), shape (N, R)."""
    total = weight.sum()
    for _ in range(2):
        part = v @ weight / total
        v = v - (part if smooth is None else smooth @ (smooth.T @ part))[:, None]
        v = v - v.mean(axis=0)
    return v


def cell_map(
    data: Relative, sheet: Sheet, wave: Wave, *, time_parts: int = 6, row_parts: int = 6, free_frames: bool = False
) -> CellMap:
    """Return how much of the wave every cell shows, in phase (real) and out of phase (imaginary).

    With `free_frames` each frame's own gain is removed first.  That keeps encoders out of the evidence; but where only part of
    the picture pulses slowly, it lends some of it to the rest, so the map of places is made without.
    """
    psi = wave_phase(sheet, wave.g_hz, wave.q)
    along = np.zeros_like(psi, dtype=complex)
    for order, a in zip(wave.orders, wave.amplitudes, strict=True):
        along += a * np.exp(1j * order * psi)
    keep = None if free_frames else smooth_basis(sheet.times_s)
    inphase = _clean(along.real, sheet.weight, keep)
    # the same wave a quarter period later: each harmonic turned by its own quarter
    outphase = _clean(-along.imag, sheet.weight, keep)
    n, r, b = data.x.shape
    gain = (data.x.reshape(n, -1) @ data.weight.reshape(-1).astype(np.float32)) / data.weight.sum()
    if keep is not None:
        gain = keep @ (keep.T @ gain)
    x = data.x - gain[:, None, None].astype(np.float32)
    x = x - x.mean(axis=0)
    t_edges = np.linspace(0, n, time_parts + 1).astype(int)
    r_edges = np.linspace(0, r, row_parts + 1).astype(int)
    weight32 = data.weight.astype(np.float32)

    def sums(pattern: Floats) -> tuple[Floats, Floats]:
        p32 = pattern.astype(np.float32)
        dot = np.empty((time_parts, row_parts, b))
        norm = np.empty((time_parts, row_parts, b))
        for i in range(time_parts):
            ts = slice(t_edges[i], t_edges[i + 1])
            each = np.einsum("nr,nrb->rb", p32[ts], x[ts], optimize=True) * weight32
            own = np.square(p32[ts]).sum(axis=0)[:, None] * weight32
            dot[i] = np.add.reduceat(each, r_edges[:-1], axis=0)
            norm[i] = np.add.reduceat(own, r_edges[:-1], axis=0)
        return dot, norm

    dot_in, norm_in = sums(inphase)
    dot_out, norm_out = sums(outphase)
    share = (dot_in + 1j * dot_out) / np.maximum(0.5 * (norm_in + norm_out), 1e-30)
    return CellMap(np.asarray(share, complex), 0.5 * (norm_in + norm_out))


def mirror_ratio(sheet: Sheet, wave: Wave) -> tuple[float, float]:
    """Return amplitude of the mirrored wave over the wave's, and the share of the alias' power that the wave explains."""
    psi = wave_phase(sheet, wave.g_hz, wave.q)
    back = wave_phase(sheet, wave.g_hz, -wave.q)
    columns = [_clean(f(p), sheet.weight) for p in (psi, back) for f in (np.cos, np.sin)]
    basis = np.asarray(columns).reshape(4, -1)
    root = np.tile(np.sqrt(sheet.weight), sheet.times_s.size)
    basis = basis * root
    size = np.linalg.norm(basis, axis=1)
    normal = (basis @ basis.T) / size[:, None] / size[None, :]
    target = (_clean(sheet.x, sheet.weight).ravel() * root) @ basis.T / size
    values, _ = np.linalg.eigh(normal)
    t = sheet.times_s - sheet.times_s.mean()
    turn = np.exp(-2j * np.pi * wave.g_hz * t - 1j * (0.0 if sheet.wander is None else sheet.wander))
    pattern = turn @ _clean(sheet.x, sheet.weight) / t.size
    place = np.exp(-2j * np.pi * wave.q * (sheet.position - 0.5))
    power = float(np.sum(sheet.weight) * np.sum(sheet.weight * np.square(np.abs(pattern))))
    lone = float(np.square(abs(np.sum(sheet.weight * pattern * place)))) / max(power, 1e-30)
    if values[0] < 0.05:
        return float("nan"), lone
    part = np.linalg.solve(normal, target) / size
    own, other = np.hypot(part[0], part[1]), np.hypot(part[2], part[3])
    return float(other / max(own, 1e-30)), lone


def weigh_evidence(data: Relative, sheet: Sheet, wave: Wave) -> tuple[Evidence, CellMap]:
    """Return the evidence for a fitted wave and its map over the picture."""
    cells = cell_map(data, sheet, wave, free_frames=abs(wave.q) >= FRAME_PERIODS)
    mirror, lone = mirror_ratio(sheet, wave)

    def over(axes: tuple[int, ...]) -> tuple[Complex, Floats]:
        total = cells.weight.sum(axis=axes)
        mean = (cells.share * cells.weight).sum(axis=axes) / np.maximum(total, 1e-30)
        return mean, total

    by_time, w_time = over((1, 2))
    by_rows, w_rows = over((0, 2))
    by_blocks, w_blocks = over((0, 1))
    strength = wave.amplitude / max(wave.sigma_amplitude, 1e-12)
    return (
        Evidence(
            time=agreement(by_time, w_time),
            rows=agreement(by_rows, w_rows),
            blocks=agreement(by_blocks, w_blocks),
            mirror=mirror,
            lone=lone,
            strength=strength,
            steadiness=float(np.abs(by_time).min() / max(np.abs(by_time).max(), 1e-30)),
        ),
        cell_map(data, sheet, wave) if abs(wave.q) >= FRAME_PERIODS else cells,
    )


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


__all__ = [
    "FRAME_PERIODS",
    "LARGEST_AMPLITUDE",
    "MOTION_HZ",
    "CellMap",
    "Evidence",
    "agreement",
    "cell_map",
    "convincing",
    "mirror_ratio",
    "weigh_evidence",
]

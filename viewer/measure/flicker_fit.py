"""Joint least squares of still scene, frame gain and a travelling wave with harmonics.

``light[n, r] = scene[r] * gain[n] * M[n, r] + noise``, with
``M = 1 + Re sum_h a_h exp(i h psi)`` and ``psi = 2 pi (g t[n] + q rho[r])``.

``g`` is the frequency up to whole multiples of the frame rate, ``q`` the number of periods over the rows.  Scene and
gain are fitted together with the wave, never divided out beforehand, so a wave that (almost) stands still survives.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

SMOOTH_HZ = 1.0
"""Changes of gain slower than this are never taken for flicker."""
RUNAWAY = 4.0
"""Amplitudes are held below this; what reaches it is no light."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """Rows against frames: what is fitted.

    Parameters
    ----------
    x : ndarray of shape (N, R)
        Relative light minus one.
    weight : ndarray of shape (R,)
        Inverse variance of a row, 0 where there is no light.
    times_s : ndarray of shape (N,)
    position : ndarray of shape (R,)
        Place of each row as a share of the rows, 0 .. 1.
    wander : ndarray of shape (N,), optional
        Phase (radians) of the fundamental beyond a steady frequency, where the rate was seen to wander.
    """

    x: Floats
    weight: Floats
    times_s: Floats
    position: Floats
    wander: Floats | None = None


@dataclass(frozen=True, slots=True)
class Wave:
    """A fitted wave.

    ``g_hz`` may be negative; ``q`` is signed accordingly.  ``amplitudes`` holds ``a_h`` for the harmonics ``orders``,
    relative to the mean light, phase referred to mid-clip and mid-picture.  ``covariance`` covers (g, q, Re a_1, Im a_1, ...),
    from the scatter of frames with their correlation.  ``model`` and ``rest`` are of shape (N, R).
    """

    g_hz: float
    q: float
    orders: tuple[int, ...]
    amplitudes: Complex
    covariance: Floats
    frame_share: float
    model: Floats
    rest: Floats
    row_scale: Floats
    frame_gain: Floats

    @property
    def amplitude(self) -> float:
        """Relative amplitude of the fundamental."""
        return float(abs(self.amplitudes[0]))

    @property
    def sigma_hz(self) -> float:
        """1-sigma error of the frequency."""
        return float(np.sqrt(max(self.covariance[0, 0], 0.0)))

    @property
    def sigma_q(self) -> float:
        """1-sigma error of the number of periods."""
        return float(np.sqrt(max(self.covariance[1, 1], 0.0)))

    @property
    def sigma_amplitude(self) -> float:
        """1-sigma error of the fundamental's amplitude."""
        a = self.amplitudes[0]
        unit = np.array([a.real, a.imag]) / max(abs(a), 1e-30)
        return float(np.sqrt(max(unit @ self.covariance[2:4, 2:4] @ unit, 0.0)))


class _Nuisance:
    """Removes what scene and gain can explain from arrays of shape (..., N, R)."""

    def __init__(self, model: Floats, weight: Floats, smooth: Floats, frame_share: float) -> None:
        self.model, self.weight, self.smooth, self.frame_share = model, weight, smooth, frame_share
        self.row_norm = np.maximum(np.square(model).sum(axis=0), 1e-12)
        self.frame_norm = _frame_norm(model, weight)

    def frame_part(self, v: Floats) -> Floats:
        """Return the gain per frame that explains `v` (N, R) best, shrunk to what is believed, shape (N,)."""
        part = (v * self.model) @ self.weight / self.frame_norm
        slow = part @ self.smooth @ self.smooth.T
        return np.asarray(slow + self.frame_share * (part - slow))

    def remove(self, v: Floats, rounds: int = 2) -> Floats:
        """Return `v` without row scale and frame gain."""
        v = v.copy()
        for _ in range(rounds):
            for layer in v.reshape(-1, *v.shape[-2:]):
                layer -= self.frame_part(layer)[:, None] * self.model
                layer -= (np.einsum("nr,nr->r", layer, self.model) / self.row_norm) * self.model
        return v


def smooth_basis(times_s: Floats, highest_hz: float = SMOOTH_HZ) -> Floats:
    """Return orthonormal slow cosines in time, shape (N, m), constant included."""
    span = times_s[-1] - times_s[0] + float(np.median(np.diff(times_s)))
    count = max(2, min(int(2 * span * highest_hz) + 1, times_s.size // 6))
    place = (times_s - times_s[0] + 0.5 * float(np.median(np.diff(times_s)))) / span
    basis = np.cos(np.pi * np.arange(count)[None, :] * place[:, None])
    return np.asarray(np.linalg.qr(basis)[0], float)


def wave_phase(sheet: Sheet, g_hz: float, q: float) -> Floats:
    """Return ``psi`` (radians) at every frame and row, referred to mid-clip and mid-picture."""
    t = sheet.times_s - sheet.times_s.mean()
    extra = 0.0 if sheet.wander is None else sheet.wander[:, None]
    return np.asarray(2.0 * np.pi * (g_hz * t[:, None] + q * (sheet.position - 0.5)[None, :]) + extra, float)


def _frame_norm(model: Floats, weight: Floats) -> Floats:
    """Return the weight of every frame in its own gain, shape (N,); a frame that the wave leaves dark says nothing of it."""
    power = np.square(model) @ weight
    return np.asarray(np.maximum(power, 0.05 * power.mean()), float)


def _turns(sheet: Sheet, g_hz: float, q: float, orders: tuple[int, ...]) -> list[Complex]:
    """Return ``exp(i h psi)`` for every order; products of a frame part and a row part, which is quick."""
    t = sheet.times_s - sheet.times_s.mean()
    frames = np.exp(2j * np.pi * g_hz * t + 1j * (0.0 if sheet.wander is None else sheet.wander))
    rows = np.exp(2j * np.pi * q * (sheet.position - 0.5))
    return [np.multiply.outer(frames**order, rows**order) for order in orders]


def _model(turns: list[Complex], amplitudes: Complex) -> Floats:
    out = np.ones(turns[0].shape)
    for turn, a in zip(turns, amplitudes, strict=True):
        out += a.real * turn.real
        out -= a.imag * turn.imag
    return out


def _columns(sheet: Sheet, turns: list[Complex], orders: tuple[int, ...], amplitudes: Complex, *, tie: float | None) -> Floats:
    """Return the derivatives of the model by (g, q, Re a, Im a ...), shape (p, N, R)."""
    n, r = turns[0].shape
    out = np.zeros((2 + 2 * len(orders), n, r))
    slope = np.zeros((n, r))
    for i, (order, turn, a) in enumerate(zip(orders, turns, amplitudes, strict=True)):
        slope -= order * a.real * turn.imag
        slope -= order * a.imag * turn.real
        out[2 + 2 * i] = turn.real
        np.negative(turn.imag, out=out[3 + 2 * i])
    slope *= 2.0 * np.pi
    t = (sheet.times_s - sheet.times_s.mean())[:, None]
    place = (sheet.position - 0.5)[None, :]
    if tie is None:
        np.multiply(slope, t, out=out[0])
        np.multiply(slope, place, out=out[1])
    else:
        np.multiply(slope, t + tie * place, out=out[0])
    return out


def _split(sheet: Sheet, model: Floats, smooth: Floats, frame_share: float) -> tuple[Floats, Floats, Floats]:
    """Return the residual light after scene and gain, the row scale and the frame gain, for a given model."""
    light = sheet.x + 1.0
    scale, gain = np.ones(light.shape[1]), np.ones(light.shape[0])
    norm = _frame_norm(model, sheet.weight)
    for _ in range(3):
        shown = model * gain[:, None]
        scale = np.where(sheet.weight > 0, (light * shown).sum(axis=0) / np.square(shown).sum(axis=0), 1.0)
        part = (((light / scale) * model) @ sheet.weight + norm - np.square(model) @ sheet.weight) / norm
        slow = smooth @ (smooth.T @ (part - 1.0))
        gain = 1.0 + slow + frame_share * (part - 1.0 - slow)
    rest = (light / (scale[None, :] * gain[:, None]) - model) * (sheet.weight > 0)
    return rest, scale, gain


def fit_wave(
    sheet: Sheet,
    g_hz: float,
    q: float,
    *,
    orders: tuple[int, ...] = (1,),
    start: Complex | None = None,
    frame_share: float = 1.0,
    rounds: int = 8,
    tie: float | None = None,
) -> Wave:
    """Fit a wave from a start value within a fraction of the resolution.

    Parameters
    ----------
    sheet : Sheet
    g_hz, q : float
        Start: frequency (any alias) and periods over the rows, signed to belong together.
    orders : tuple of int
        Harmonics to fit, the first is the fundamental.
    start : ndarray of complex, optional
        Amplitudes to start from.
    frame_share : float
        How much of the fast frame-to-frame gain is taken for nuisance: 1 all of it, 0 none.
    tie : float, optional
        Seconds from first to last row.  With it, q follows g.
    """
    smooth = smooth_basis(sheet.times_s)
    amplitudes = np.zeros(len(orders), complex) if start is None else np.asarray(start, complex).copy()
    root = sheet.weight / sheet.weight.sum() / sheet.times_s.size
    limit = 0.25 / (sheet.times_s[-1] - sheet.times_s[0])
    wave: Wave | None = None
    for turn in range(rounds):
        turns = _turns(sheet, g_hz, q, orders)
        model = _model(turns, amplitudes)
        rest, scale, gain = _split(sheet, model, smooth, frame_share)
        nuisance = _Nuisance(model, sheet.weight, smooth, frame_share)
        columns = _columns(sheet, turns, orders, amplitudes, tie=tie)
        free = [
            i
            for i in range(columns.shape[0])
            if not (i < 2 and (turn == 0 and start is None)) and not (i == 1 and tie is not None)
        ]
        basis = nuisance.remove(columns[free])
        target = nuisance.remove(rest)
        flat = basis.reshape(len(free), -1)
        weighted = (basis * root).reshape(len(free), -1)
        normal = weighted @ flat.T
        size = np.sqrt(np.maximum(np.diag(normal), 1e-30))
        # columns that scene and gain explain are left at their start
        scaled = normal / size[:, None] / size[None, :] + 1e-9 * np.eye(len(free))
        step = np.linalg.solve(scaled, (weighted @ target.ravel()) / size) / size
        full = np.zeros(columns.shape[0])
        full[free] = step
        settled = abs(full[0]) < 1e-5 * limit and np.max(np.abs(full[2:])) < 1e-6 and 0 in free
        if settled or turn == rounds - 1:
            inverse = np.linalg.inv(scaled) / size[:, None] / size[None, :]
            scores = np.einsum("pnr,nr->np", basis * root, target, optimize=True)
            covariance = np.zeros((columns.shape[0],) * 2)
            covariance[np.ix_(free, free)] = inverse @ _meat(scores) @ inverse
            if tie is not None:
                covariance[1, 1] = covariance[0, 0] * tie**2
            wave = Wave(g_hz, q, orders, amplitudes, covariance, frame_share, model, target, scale, gain)
            break
        g_step = float(np.clip(full[0], -limit, limit))
        g_hz += g_step
        q += float(np.clip(full[1], -0.3, 0.3)) if tie is None else g_step * tie
        amplitudes = amplitudes + full[2::2] + 1j * full[3::2]
        # a start far off must not run away
        amplitudes = amplitudes / max(1.0, float(np.max(np.abs(amplitudes))) / RUNAWAY)
    assert wave is not None
    return wave


def _meat(scores: Floats) -> Floats:
    """Return the covariance of summed scores, frames clustered, neighbours in time correlated (Bartlett weights)."""
    n, p = scores.shape
    plain = scores.T @ scores
    own = np.maximum(np.diag(plain), 1e-300)

    def correlated(lags: int) -> Floats:
        out = own.copy()
        for lag in range(1, lags + 1):
            out += 2.0 * (1.0 - lag / (lags + 1.0)) * np.einsum("np,np->p", scores[lag:], scores[:-lag])
        return np.asarray(out / own)

    grow = np.maximum(1.0, correlated(max(3, round(1.2 * n ** (1.0 / 3.0)))))
    # encoders make errors that last a group of pictures; a long memory is noisy itself, so only a clear excess counts
    slow = correlated(n // 10)
    grow = np.sqrt(np.where(slow > 2.0 * grow, slow, grow))
    return np.asarray(plain * grow[:, None] * grow[None, :] * n / max(n - p, 1))


def frame_trust(sheet: Sheet, wave: Wave) -> float:
    """Return how much of the fast frame-to-frame gain should be taken for nuisance, from its scatter (0 .. 1)."""
    smooth = smooth_basis(sheet.times_s)
    rest, _, _ = _split(sheet, wave.model, smooth, 0.0)
    w = sheet.weight / sheet.weight.sum()
    part = rest @ w
    part = part - smooth @ (smooth.T @ part)
    within = float(np.mean(np.square(rest - (rest @ w)[:, None]) @ np.square(w)))
    total = float(np.mean(np.square(part)))
    return 1.0 - float(np.sqrt(min(1.0, within / max(total, 1e-30))))


__all__ = ["SMOOTH_HZ", "Sheet", "Wave", "fit_wave", "frame_trust", "smooth_basis", "wave_phase"]

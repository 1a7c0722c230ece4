"""Row light with known truth: light is integrated over the exposure of each row, then noise, drift and motion are added."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from viewer.measure.flicker_rows import RowLight
from viewer.measure.flicker_sampling import read_clock


@dataclass(frozen=True)
class Gate:
    """Light that pulses: a rectangle of `duty` between 1 and 1 - `depth`, or a sine of modulation `depth` (duty None)."""

    hz: float
    depth: float = 0.3
    duty: float | None = 0.5
    phase: float = 0.17

    def mean(self, t: np.ndarray, exposure: float) -> np.ndarray:
        """Mean over the exposure around `t`, relative to the mean light."""
        if self.duty is None:
            return 1 + self.depth * np.sinc(self.hz * exposure) * np.cos(2 * np.pi * (self.hz * t + self.phase))

        def integral(x: np.ndarray) -> np.ndarray:
            turns = x * self.hz + self.phase
            whole = np.floor(turns)
            on = whole * self.duty + np.minimum(turns - whole, self.duty)
            return ((1 - self.depth) * turns + self.depth * on) / self.hz

        level = 1 - self.depth + self.depth * self.duty
        return (integral(t + exposure / 2) - integral(t - exposure / 2)) / exposure / level

    def fundamental(self, exposure: float) -> float:
        """Relative amplitude of the fundamental in the rows."""
        if self.duty is None:
            return abs(self.depth * np.sinc(self.hz * exposure))
        level = 1 - self.depth + self.depth * self.duty
        return abs(2 * self.depth * np.sin(np.pi * self.duty) / np.pi / level * np.sinc(self.hz * exposure))


@dataclass(frozen=True)
class Scene:
    """How a clip is made; see `make_rows`."""

    fps: float = 60000 / 1001
    seconds: float = 4.0
    rows: int = 160
    blocks: int = 8
    readout_s: float = 0.014
    exposure_s: float = 1 / 1000
    tube: Gate | None = None
    source: Gate | None = None
    noise: float = 0.01
    drift: float = 0.0
    shake: float = 0.0
    figure: bool = False
    codec: float = 0.0
    seed: int = 0
    times: tuple[float, ...] = ()
    wander_hz: float = 0.0
    second: Gate | None = None


def make_rows(scene: Scene, *, backwards: bool = False) -> RowLight:
    """Return row light: a bright screen in the middle of a dark, textured surround.

    `noise` is the relative noise of a row and block in bright light (shot noise elsewhere); `codec` the depth of a
    frame-to-frame flicker of period 3 and 12 that differs from place to place, as encoders leave it.
    """
    rng = np.random.default_rng(scene.seed)
    n = round(scene.seconds * scene.fps)
    t = np.asarray(scene.times) if scene.times else np.arange(n) / scene.fps
    n, r, b = t.size, scene.rows, scene.blocks
    row = np.arange(r)[::-1] if backwards else np.arange(r)
    tt = t[:, None] + row[None, :] * scene.readout_s / r
    texture = rng.standard_normal((r, b))
    for _ in range(6):
        texture = 0.25 * np.roll(texture, 1, 0) + 0.5 * texture + 0.25 * np.roll(texture, -1, 0)
    dark = 0.03 * (1 + 0.6 * texture)
    screen = np.zeros((r, b))
    screen[r // 3 : 2 * r // 3, b // 4 : 3 * b // 4] = 0.5 * (1 + 0.3 * texture[r // 3 : 2 * r // 3, b // 4 : 3 * b // 4])
    # a rate that swings by wander_hz: the same gate on a clock that runs ahead and behind
    swing = 0.0
    if scene.wander_hz and scene.tube is not None:
        swing = scene.wander_hz / (2 * np.pi * 0.4 * scene.tube.hz) * np.sin(2 * np.pi * 0.4 * tt)
    tube = np.ones((n, r)) if scene.tube is None else scene.tube.mean(tt + swing, scene.exposure_s)
    lamp = np.ones((n, r)) if scene.source is None else scene.source.mean(tt, scene.exposure_s)
    still = np.broadcast_to(dark, (n, r, b)).copy()
    lit = np.broadcast_to(screen, (n, r, b)).copy()
    if scene.shake:
        path = np.cumsum(rng.standard_normal(n)) * 0.3 + 3 * np.sin(2 * np.pi * rng.uniform(0.5, 3) * t)
        path *= scene.shake / path.std()
        slope_dark, slope_lit = np.gradient(dark, axis=0), np.gradient(screen, axis=0)
        still += path[:, None, None] * slope_dark
        lit += path[:, None, None] * slope_lit
    if scene.figure:
        where = (0.2 + 0.1 * t)[:, None] * b
        across = np.exp(-np.square((np.arange(b)[None] - where) / 0.8))
        along = np.exp(-np.square((np.arange(r) - 0.6 * r) / (0.2 * r)))
        sway = 1 + 0.2 * np.sin(2 * np.pi * 1.8 * t)
        still *= 1 + 0.8 * (across * sway[:, None])[:, None, :] * along[None, :, None]
    light = (still + lit * lamp[:, :, None]) * tube[:, :, None]
    if scene.second is not None:
        # another tube in the right half of the picture
        other = scene.second.mean(tt, scene.exposure_s)
        light[:, :, b // 2 :] *= (other / tube)[:, :, None]
    if scene.drift:
        path = np.cumsum(rng.standard_normal(n)) / np.sqrt(n)
        light *= (1 + scene.drift * (np.sin(2 * np.pi * rng.uniform(0.1, 0.6) * t + rng.uniform(0, 6)) + path))[:, None, None]
    if scene.codec:
        pattern = rng.standard_normal((2, r, b)).cumsum(axis=1)
        pattern = 1 + 0.5 * pattern / pattern.std(axis=(1, 2), keepdims=True)
        for period, shape in zip((3, 12), pattern, strict=True):
            beat = rng.standard_normal(period)
            light *= 1 + scene.codec * (beat - beat.mean())[np.arange(n) % period, None, None] * shape
    light += scene.noise * np.sqrt(np.maximum(light, 1e-4) * 0.5) * rng.standard_normal((n, r, b))
    return RowLight(read_clock(t, tick_s=1e-6), light.astype(np.float32), np.ones((r, b), bool), float(r))

"""Seeded pairs of sounds and of light series with a known clock: what intervals of offset and rate are held against."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from pathlib import Path

import av
import numpy as np
from scipy.ndimage import map_coordinates
from scipy.signal import butter, sosfilt

from viewer.align.clock import ClockFit, Witness
from viewer.align.sound import sound_witness
from viewer.align.steps import LightSeries, steps_witness
from viewer.align.track import Track, track

SOUND_KINDS = ("one sound", "faint", "encoded", "other take")
KINDS = (*SOUND_KINDS, "light steps", "light steps, two cameras")
RATE = 48000
_FINE = 4 * RATE


@dataclass(frozen=True, kw_only=True)
class ClockTrial:
    """What the evidence says of a pair, and the truth: scene s = offset + (1 + rate / 1e6) * clip s."""

    witness: Witness
    offset_s: float
    rate_ppm: float


def make_clock_trial(kind: str, seed: int) -> ClockTrial:
    """Return the seeded pair of a kind; see `KINDS`.

    one sound: two microphones, each with its own tone and noise.  faint: noise as loud as the sound.  encoded: AAC at 64 to
    192 kbit/s and 16-bit PCM in turn.  other take: the same moments, other sound.  light steps: switched lamps under a rolling
    shutter, by two cameras of one kind or of two.
    """
    rng = np.random.default_rng(500_000 + 1000 * KINDS.index(kind) + 17_000 * seed)
    if kind in SOUND_KINDS:
        return _sounds(kind, rng, seed)
    return _lights(kind, rng)


def clock_pulls(trial: ClockTrial, fit: ClockFit) -> tuple[float, float]:
    """Errors of the offset in the middle of the evidence and of the rate, in 1.96ths of their half intervals."""
    low, high = fit.clock.offset_low_s, fit.clock.offset_high_s
    assert low is not None and high is not None
    gap_s = fit.clock.scene_time(fit.middle_s) - trial.offset_s - (1 + 1e-6 * trial.rate_ppm) * fit.middle_s
    rate_half = 0.5 * (fit.rate_high_ppm - fit.rate_low_ppm)
    return 3.92 * gap_s / (high - low), 1.96 * (fit.clock.rate_ppm - trial.rate_ppm) / max(rate_half, 1e-9)


def _sounds(kind: str, rng: np.random.Generator, seed: int) -> ClockTrial:
    length = float(rng.uniform(4, 14))
    offset = float(rng.uniform(-0.8, 0.8))
    ppm = float(rng.normal(0, 40))
    moments = np.sort(rng.uniform(1.0, length - 0.5, int(rng.integers(1, 4) if kind == "other take" else rng.integers(3, 12))))
    state = rng.integers(1 << 31, size=2)
    sounds = []
    for k, (shift, rate) in enumerate(((0.0, 0.0), (offset, ppm))):
        scene = _events(np.random.default_rng(state[k if kind == "other take" else 0]), moments, length + 2.0)
        clock = (np.arange(int(length * RATE)) / RATE) * (1 + 1e-6 * rate) + shift
        heard = map_coordinates(scene, [(clock + 1.0) * _FINE], order=3, mode="constant").astype(np.float64)
        low, high = rng.uniform(60, 300), rng.uniform(7000, 14000)
        heard = sosfilt(butter(1, [low, high], "bandpass", fs=RATE, output="sos"), heard)  # delays by microseconds
        level = np.sqrt(np.mean(heard**2))
        noise = level * (rng.uniform(0.5, 1.5) if kind == "faint" else np.exp(rng.uniform(np.log(0.003), np.log(0.3))))
        heard = heard + noise * sosfilt(butter(1, rng.uniform(1000, 12000), fs=RATE, output="sos"), rng.normal(size=len(heard)))
        heard = 0.5 * heard / np.abs(heard).max()
        sounds.append(_recorded(heard, seed + k) if kind == "encoded" else track(heard, RATE))
    return ClockTrial(witness=sound_witness(*sounds), offset_s=offset, rate_ppm=ppm)


def _events(rng: np.random.Generator, moments: np.ndarray, length: float) -> np.ndarray:
    """Bursts that die away, one at each moment, under 10 kHz; four times the sampling rate, from 1 s before time 0 on."""
    out = np.zeros(int(length * _FINE))
    for moment in moments:
        k, n = round((moment + 1.0) * _FINE), int(0.2 * _FINE)
        part = out[k : k + n]
        part += (
            rng.uniform(0.4, 1.0) * rng.normal(size=len(part)) * np.exp(-np.arange(len(part)) / _FINE / rng.uniform(0.01, 0.03))
        )
    return np.asarray(sosfilt(butter(4, 10_000, fs=_FINE, output="sos"), out))


def _recorded(sound: np.ndarray, variant: int) -> Track:
    """What is read of a file that holds the sound."""
    from viewer.media import open_clip

    codec, bits = (("aac", 64_000), ("aac", 128_000), ("aac", 192_000), ("pcm_s16le", 0))[variant % 4]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "clip.mov"
        with av.open(str(path), "w") as box:
            video, audio = box.add_stream("libx264", rate=10), box.add_stream(codec, rate=RATE, layout="mono")
            video.width, video.height, video.pix_fmt = 64, 64, "yuv420p"
            if bits:
                audio.bit_rate = bits
            for _ in range(int(10 * len(sound) / RATE)):
                box.mux(video.encode(av.VideoFrame.from_ndarray(np.full((96, 64), 128, np.uint8), format="yuv420p")))
            box.mux(video.encode(None))
            kind = "fltp" if bits else "s16"
            whole = sound.astype(np.float32) if bits else np.rint(32767 * sound).astype(np.int16)
            for start in range(0, len(whole), 1024):
                frame = av.AudioFrame.from_ndarray(whole[None, start : start + 1024], format=kind, layout="mono")
                frame.sample_rate, frame.pts = RATE, start
                box.mux(audio.encode(frame))
            box.mux(audio.encode(None))
        with open_clip(path) as clip:
            read = clip.sound()
            return track(read.samples, read.rate_hz, read.start_s, read.gaps)


def _lights(kind: str, rng: np.random.Generator) -> ClockTrial:
    count = int(rng.integers(1, 5))
    moments = np.cumsum(rng.uniform(0.6, 1.5, count)) + 0.6
    ratios = np.exp(rng.choice([-1, 1], count) * rng.uniform(0.15, 0.9, count))
    span, offset = float(moments[-1] + 1.2), float(rng.uniform(-0.3, 0.3))
    fps = [float(rng.choice((24, 25, 29.97, 30, 50, 59.94, 60)))] * 2
    modes = [(float(rng.uniform(0.2, 0.95)), float(rng.uniform(0.1, 0.95)), bool(rng.random() < 0.2))] * 2
    if kind.endswith("cameras"):
        fps[1] = float(rng.choice([f for f in (24, 25, 30, 50, 60) if abs(f - fps[0]) > 0.5]))
        modes[1] = (float(rng.uniform(0.2, 0.95)), float(rng.uniform(0.1, 0.95)), False)
    series = [
        _filmed(moments - shift, ratios, span, rate, mode, rng, (640, 360) if k == 0 or kind == "light steps" else (1280, 720))
        for k, (shift, rate, mode) in enumerate(zip((0.0, offset), fps, modes, strict=True))
    ]
    return ClockTrial(witness=steps_witness(*series), offset_s=offset, rate_ppm=0.0)


def _filmed(
    moments: np.ndarray,
    ratios: np.ndarray,
    span: float,
    fps: float,
    mode: tuple[float, float, bool],
    rng: np.random.Generator,
    size: tuple[int, int],
    bands: int = 40,
) -> LightSeries:
    """Bands of a rolling shutter: readout and exposure in frame intervals; a frame's time is that of its first row's begin."""
    readout, exposure, upward = mode
    time = np.arange(int(span * fps)) / fps
    place = (np.arange(bands) + 0.5) / bands
    row = (1.0 - place if upward else place) * readout / fps
    begin = time[:, None] + row[None, :]
    light = np.ones_like(begin)
    level = 1.0
    for moment, ratio in zip(moments, ratios, strict=True):
        lit = np.clip((begin + exposure / fps - moment) / (exposure / fps), 0.0, 1.0)
        light += level * (ratio - 1.0) * lit
        level *= ratio
    scene = np.exp(0.4 * rng.normal(size=bands))
    noise = np.exp(rng.uniform(np.log(0.001), np.log(0.01)))
    rows = 0.2 * scene * light * (1.0 + noise * rng.normal(size=light.shape))
    columns = rows.mean(axis=1, keepdims=True) * np.exp(0.4 * rng.normal(size=bands))
    return LightSeries(time_s=time, rows=rows, columns=columns, size=size)

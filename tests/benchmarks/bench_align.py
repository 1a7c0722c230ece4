"""Speed and accuracy of lining up, by hand: ``bench_align.py [--which sound takes pose coverage clock session]``.

Prints figures; checks nothing.  Bars: ten minutes of 48 kHz sound under 0.2 s after decoding, a pose at 1920 x 1080 under 2 s.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "align"))
import pictures
import trials
import trials_time

from viewer.align.clock import fit_clock
from viewer.align.picture import Picture
from viewer.align.pose import fit_pose
from viewer.align.sound import sound_witness
from viewer.align.track import track
from viewer.align.transform import FieldCircle, Pose
from viewer.cv import cv2

RATE = 48000


def best_of(work: Callable[[], object], times: int = 3) -> tuple[float, float, object]:
    """(least wall s, least processor s, what the work gave)."""
    walls, spent, out = [], [], None
    for _ in range(times):
        wall, cpu = time.perf_counter(), time.process_time()
        out = work()
        walls.append(time.perf_counter() - wall)
        spent.append(time.process_time() - cpu)
    return min(walls), min(spent), out


def murmur(rng: np.random.Generator, seconds: float) -> np.ndarray:
    """Noise whose loudness changes eight times a second."""
    n = int(seconds * RATE)
    knots = np.arange(0, seconds + 1, 0.12)
    loud = np.interp(np.arange(n) / RATE, knots, np.exp(rng.normal(size=len(knots)))).astype(np.float32)
    noise = rng.standard_normal(n, dtype=np.float32)
    return 0.02 * loud * (noise + np.roll(noise, 1) + np.roll(noise, 2))


def bench_sound() -> None:
    """Ten minutes of one event on two recorders, 12.5 s apart."""
    rng = np.random.default_rng(1)
    sound = murmur(rng, 615)
    n = 600 * RATE
    pair = [
        track(part + 0.002 * rng.standard_normal(n, dtype=np.float32), RATE)
        for part in (sound[:n], sound[int(12.5 * RATE) : int(12.5 * RATE) + n])
    ]
    wall, cpu, witness = best_of(lambda: sound_witness(*pair))
    fit = fit_clock(witness)  # type: ignore[arg-type]
    assert fit is not None
    print(f"sound, 2 x 10 min: {wall:.3f} s wall, {cpu:.3f} s processor; off by {1e6 * (fit.clock.offset_s - 12.5):.3f} us")


def bench_takes(trials: int = 120) -> None:
    """Other takes of one to three claps: error, interval, coverage."""
    errors, held, refused = [], 0, 0
    for seed in range(trials):
        rng = np.random.default_rng(seed)
        times = np.sort(rng.uniform(1.0, 5.0, 1 + seed % 3))
        offset = rng.uniform(-0.5, 0.5)
        pair = []
        for moved in (0.0, offset):
            sound = 0.003 * rng.normal(size=6 * RATE)
            for moment in times - moved:
                k = round(moment * RATE)
                length = min(5000, len(sound) - k)
                sound[k : k + length] += 0.4 * rng.normal(size=length) * np.exp(-np.arange(length) / RATE / 0.015)
            pair.append(track(sound, RATE))
        fit = fit_clock(sound_witness(*pair))
        if fit is None or fit.clock.offset_low_s is None or fit.clock.offset_high_s is None:
            refused += 1
            continue
        gap = fit.clock.scene_time(fit.middle_s) - fit.middle_s - offset
        errors.append(abs(gap))
        held += abs(gap) <= 0.5 * (fit.clock.offset_high_s - fit.clock.offset_low_s)
    ms = 1e3 * np.array(errors)
    print(
        f"other takes, {trials} trials: rms {np.sqrt(np.mean(ms**2)):.3f} ms, largest {ms.max():.3f} ms, "
        f"interval holds the truth in {100 * held / len(ms):.0f} %, refused {refused}"
    )


def still(scene: pictures.Scene, pose: Pose, rng: np.random.Generator, size: tuple[int, int]) -> Picture:
    """What a clip of this pose shows of the scene, with noise, in two halves."""
    cols, rows = size
    y, x = np.mgrid[0:rows, 0:cols].astype(float)
    m = pose.matrix
    place = m[0, 0] * x + m[0, 1] * y + m[0, 2], m[1, 0] * x + m[1, 1] * y + m[1, 2]
    radius = 0.46 * rows
    light = scene.light(place[0] - cols / 2, place[1] - rows / 2) * (np.hypot(x - cols / 2, y - rows / 2) < radius)
    light = cv2.GaussianBlur(light.astype(np.float32), (0, 0), 1.0) + 0.01
    halves = tuple((light * (1 + 0.02 * rng.normal(size=light.shape))).astype(np.float32) for _ in range(2))
    circle = FieldCircle(cx=cols / 2, cy=rows / 2, radius=radius)
    return Picture(light=(halves[0] + halves[1]) / 2, halves=halves, circle=circle)


def bench_pose(trials: int = 4) -> None:
    """Turned, zoomed, mirrored pairs at 1920 x 1080."""
    size = (1920, 1080)
    scene = pictures.Scene(3, size=1100, blobs=500, finest=2.5)
    for trial in range(trials):
        rng = np.random.default_rng(trial)
        mirrored = bool(trial % 2)
        linear = Pose(scale=rng.uniform(0.93, 1.07), rotation_deg=rng.uniform(-8, 8), mirrored=mirrored)
        middle = np.array([size[0] / 2, size[1] / 2])
        shift = middle + rng.uniform(-20, 20, 2) - linear.matrix[:, :2] @ middle
        true = Pose(scale=linear.scale, rotation_deg=linear.rotation_deg, mirrored=mirrored, shift_x=shift[0], shift_y=shift[1])
        pair = still(scene, Pose(), rng, size), still(scene, true, rng, size)
        wall, cpu, fit = best_of(lambda pair=pair: fit_pose(*pair), 1)  # type: ignore[misc]
        angle = rng.uniform(0, 2 * np.pi, 400)
        points = middle + 480 * np.sqrt(rng.uniform(0, 1, (400, 1))) * np.stack([np.cos(angle), np.sin(angle)], axis=1)
        gap = fit.pose.to_reference(points) - true.to_reference(points) if fit.pose else np.full((1, 2), np.nan)  # type: ignore[attr-defined]
        rms = float(np.sqrt((gap**2).sum(axis=1).mean()))
        print(f"pose 1920 x 1080{', mirrored' if mirrored else ''}: {wall:.2f} s wall, {cpu:.2f} s processor; rms {rms:.4f} px")


def bench_coverage(trials_each: int = 12) -> None:
    """Share of seeded pairs whose 95 % intervals of scale, rotation and shift hold the truth, by kind."""
    every = []
    for kind in trials.KINDS:
        rows, refused = [], 0
        for seed in range(trials_each):
            pulls = trials.pose_pulls(trials.make_trial(kind, seed))
            refused += pulls is None
            rows += [] if pulls is None else [pulls]
        every += rows
        print(f"pose intervals, {kind}: {_share(np.array(rows))}, refused {refused}")
    print(f"pose intervals, all: {_share(np.array(every))}")


def _share(pulls: np.ndarray) -> str:
    """How many of the errors (in 1.96ths of the half interval) lie inside, in words."""
    held, root = 100 * (np.abs(pulls) <= 1.96).mean(), np.sqrt(np.mean(pulls**2))
    return f"{len(pulls)} pairs, truth inside in {held:.0f} %, rms error / stated {root:.2f}"


def bench_clock(trials_each: int = 24) -> None:
    """Share of seeded pairs of sounds and of light series whose 95 % intervals of offset and rate hold the truth, by kind."""
    every = []
    for kind in trials_time.KINDS:
        offsets, rates, gaps, refused = [], [], [], 0
        for seed in range(trials_each):
            trial = trials_time.make_clock_trial(kind, seed)
            fit = fit_clock(trial.witness)
            if fit is None:
                refused += 1
                continue
            pulls = trials_time.clock_pulls(trial, fit)
            offsets.append(pulls[0])
            rates += [pulls[1]] if fit.rate_known else []
            gaps.append(fit.clock.offset_s + 1e-6 * (fit.clock.rate_ppm - trial.rate_ppm) * fit.middle_s - trial.offset_s)
        every += offsets + rates
        rate = f"; rate: {_share(np.array(rates))}" if rates else ""
        rms_ms = 1e3 * np.sqrt(np.mean(np.square(gaps)))
        print(f"offset, {kind}: {_share(np.array(offsets))}, rms {rms_ms:.4f} ms{rate}, refused {refused}")
    print(f"offsets and rates, all: {_share(np.array(every))}")


def bench_session() -> None:
    """All pairs of the sample clips, decoding included."""
    from viewer.media import open_clip
    from viewer.tasks.align import align_pair

    folder = Path(__file__).parents[2] / "sample_clips"
    wall, cpu, count = time.perf_counter(), time.process_time(), 0
    for scene in ("chart", "monitor", "lamps", "reeds", "figure"):
        for device in ("bittern", "plover"):
            with open_clip(folder / f"{scene}_heron.mp4") as a, open_clip(folder / f"{scene}_{device}.mp4") as b:
                align_pair(a, b)
            count += 1
    wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
    print(f"sample clips, {count} pairs: {wall:.1f} s wall, {cpu:.1f} s processor ({cpu / count:.2f} s a pair)")


def main() -> None:
    """Run what was asked for."""
    benches = {
        "sound": bench_sound,
        "takes": bench_takes,
        "pose": bench_pose,
        "coverage": bench_coverage,
        "clock": bench_clock,
        "session": bench_session,
    }
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--which", nargs="*", choices=sorted(benches), default=sorted(benches))
    print(f"{platform.machine()}, {os.cpu_count()} processors, numpy {np.__version__}, OpenCV {cv2.__version__}")
    for name in parser.parse_args().which:
        benches[name]()


if __name__ == "__main__":
    main()

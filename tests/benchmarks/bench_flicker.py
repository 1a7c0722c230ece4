"""Accuracy and false alarms of the flicker measure; run by hand.

    python tests/benchmarks/bench_flicker.py [--which rows|codec|steady|coverage|speed] [--count N] [--first SEED]

``rows``      frequency and depth on row light with known truth, in the groups of the manual
``codec``     the same through H.264 8 bit and HEVC 10 bit clips (needs a few minutes)
``steady``    false "modulated" over seeded steady series: drift, handshake, walking figure, encoder flicker
``coverage``  share of 95 % intervals that hold the truth
``speed``     seconds per analysis beyond decoding
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import scipy

TESTS = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(TESTS.parent))

from viewer.measure.flicker import Clip, analyse  # noqa: E402 - after the path is set

made = SimpleNamespace(**run_path(str(TESTS / "measure" / "flicker_rows_made.py")))
Gate, Scene, make_rows = made.Gate, made.Scene, made.make_rows
RATES = (24000 / 1001, 25.0, 30000 / 1001, 50.0, 60000 / 1001, 120000 / 1001)


def table(name: str, errors: list[float], depths: list[float], missed: int) -> None:
    """Print one line of figures."""
    e, d = np.abs(errors), np.abs(depths)
    if e.size:
        print(
            f"{name:34s} n {e.size:3d}  missed {missed:2d}  |error| mean {e.mean():.5f} worst {e.max():.5f} Hz"
            f"  depth mean {100 * d.mean():.1f} worst {100 * d.max():.1f} %"
        )
    else:
        print(f"{name:34s} none found, {missed} missed")


def group(name: str, count: int, first: int, make: Callable[[np.random.Generator, int], object]) -> None:
    """Analyse `count` made clips with known readout and print the errors."""
    errors, depths, missed = [], [], 0
    for seed in range(first, first + count):
        scene = make(np.random.default_rng(seed), seed)
        clip = Clip(rows=make_rows(scene), readout_s=scene.readout_s, exposure_s=scene.exposure_s)  # type: ignore[attr-defined]
        item = analyse(clip).strongest
        if item is None or item.frequency_hz is None:
            missed += 1
            continue
        gate = scene.tube  # type: ignore[attr-defined]
        errors.append(item.frequency_hz - gate.hz)
        depths.append(item.recorded / gate.fundamental(scene.exposure_s) - 1.0)  # type: ignore[attr-defined]
    table(name, errors, depths, missed)


def bench_rows(count: int, first: int) -> None:
    """Known readout, by difficulty."""

    def ordinary(r: np.random.Generator, seed: int) -> object:
        hz = float(np.exp(r.uniform(np.log(37), np.log(2400))))
        return Scene(
            fps=float(r.choice(RATES[:5])),
            readout_s=float(r.uniform(0.008, 0.0155)),
            exposure_s=min(1 / 1000, 0.3 / hz),
            tube=Gate(hz, float(r.uniform(0.05, 0.8)), float(r.uniform(0.3, 0.7)), float(r.random())),
            noise=0.02,
            codec=0.001,
            drift=0.02,
            seed=seed,
        )

    def near(r: np.random.Generator, seed: int) -> object:
        fps = float(r.choice(RATES[3:5]))
        hz = fps * int(r.integers(2, 20)) + float(r.choice([-1, 1]) * r.uniform(0.02, 0.2))
        return Scene(fps=fps, readout_s=0.014, exposure_s=min(1 / 1000, 0.3 / hz), tube=Gate(hz, 0.4), noise=0.02, seed=seed)

    def dark(r: np.random.Generator, seed: int) -> object:
        return Scene(tube=Gate(float(r.uniform(60, 900)), 0.4), exposure_s=3e-4, noise=0.4, seed=seed)

    def screen(r: np.random.Generator, seed: int) -> object:
        return Scene(
            tube=Gate(float(r.uniform(100, 900)), 0.5),
            source=Gate(float(r.uniform(180, 260)), 0.5),
            exposure_s=5e-4,
            noise=0.02,
            codec=0.001,
            seed=seed,
        )

    def sharp(r: np.random.Generator, seed: int) -> object:
        return Scene(tube=Gate(float(r.uniform(60, 400)), 0.95, 0.15), exposure_s=3e-4, noise=0.02, codec=0.001, seed=seed)

    for name, make in (
        ("ordinary", ordinary),
        ("within 0.2 Hz of a multiple", near),
        ("very low light", dark),
        ("pulsing screen behind a gate", screen),
        ("strong harmonics", sharp),
    ):
        group(name, count, first, make)


def bench_codec(count: int, first: int) -> None:
    """Through real encoders, by bit rate."""
    from viewer.media import open_clip
    from viewer.tasks.flicker import measure_flicker

    write = run_path(str(TESTS / "tasks" / "flicker_clips.py"))["write_flicker"]
    with tempfile.TemporaryDirectory() as folder:
        for codec, crf in (("h264", 20), ("h264", 28), ("hevc", 22), ("hevc", 30)):
            errors, depths, missed, bits, inside = [], [], 0, [], []
            for seed in range(first, first + count):
                r = np.random.default_rng(seed)
                hz = float(np.exp(r.uniform(np.log(60), np.log(2000))))
                gate = Gate(hz, float(r.uniform(0.05, 1.0)), float(r.uniform(0.25, 0.8)))
                exposure = min(1 / 1000, 0.3 / hz)
                path = Path(folder) / "clip.mp4"
                write(
                    path,
                    rows=360,
                    cols=640,
                    rate=Fraction(30),
                    seconds=4.0,
                    tube=gate,
                    exposure_s=exposure,
                    codec=codec,
                    crf=crf,
                    noise=float(r.choice([0.0, 0.05, 0.15])),
                )
                with open_clip(path) as clip:
                    bits.append(clip.info.bits_per_pixel)
                    result = measure_flicker(clip, readout_ms=14.0, readout_direction="down", shutter_s=exposure)
                reading = result.reading("modulation_frequency") if result.extras["lines"] else None
                if reading is None or reading.value is None:
                    missed += 1
                    continue
                errors.append(reading.value - hz)
                depths.append(result.extras["fundamental_recorded"] / gate.fundamental(exposure) - 1.0)
                depth = result.reading("modulation_depth")
                true = 100.0 * gate.depth / (2.0 - gate.depth)
                held = [abs(reading.value - hz) <= (reading.half_width or 0.0)]
                held += [depth.low <= true + 1e-6 and true - 1e-6 <= depth.high]
                inside.append(held)
            table(f"{codec} crf {crf}, {np.mean(bits):.3f} bit/px", errors, depths, missed)
            if inside:
                frequency, depth_share = 100.0 * np.mean(inside, axis=0)
                print(f"{'':34s} 95 % intervals hold the frequency {frequency:.0f} %, the depth {depth_share:.0f} %")


def steady_scene(seed: int) -> object:
    """A steady clip with its share of trouble."""
    r = np.random.default_rng(seed + 10**6)
    return Scene(
        fps=float(r.choice(RATES[:5])),
        seconds=float(r.uniform(2, 5)),
        rows=int(r.choice([120, 180])),
        readout_s=float(r.uniform(0.006, 0.016)),
        exposure_s=1 / 2000,
        noise=float(10 ** r.uniform(-2.5, -0.5)),
        drift=float(r.choice([0, 0.01, 0.05, 0.1])),
        shake=float(r.choice([0, 0.3, 1, 3])),
        figure=bool(r.random() < 0.4),
        codec=float(r.choice([0, 0.001, 0.003, 0.005])),
        seed=seed,
    )


def bench_steady(count: int, first: int) -> None:
    """False alarms."""
    words: Counter[str] = Counter()
    for seed in range(first, first + count):
        scene = steady_scene(seed)
        known = scene.readout_s if seed % 2 else None  # type: ignore[attr-defined]
        analysis = analyse(Clip(rows=make_rows(scene), readout_s=known, exposure_s=1 / 2000))
        words[analysis.word] += 1
        if analysis.word == "modulated":
            print(f"false: seed {seed}: {analysis.sentence}")
    print(f"steady series: {dict(words)}; false {100 * words['modulated'] / count:.2f} %")


def bench_coverage(count: int, first: int) -> None:
    """Intervals."""
    inside: list[bool] = []
    for seed in range(first, first + count):
        r = np.random.default_rng(seed + 5 * 10**6)
        hz = float(np.exp(r.uniform(np.log(70), np.log(2400))))
        scene = Scene(
            fps=float(r.choice(RATES[:5])),
            seconds=float(r.uniform(2, 4)),
            rows=120,
            readout_s=float(r.uniform(0.009, 0.016)),
            exposure_s=min(1 / 1000, 0.3 / hz),
            tube=Gate(hz, float(r.choice([0.05, 0.1, 0.4])), float(r.choice([0.3, 0.5, 0.7])), float(r.random())),
            noise=float(10 ** r.uniform(-2, -1)),
            drift=float(r.choice([0, 0.03])),
            codec=float(r.choice([0, 0.001, 0.003])),
            seed=seed,
        )
        item = analyse(Clip(rows=make_rows(scene), readout_s=scene.readout_s, exposure_s=scene.exposure_s)).strongest
        if item is not None and item.frequency_hz is not None and abs(item.frequency_hz - hz) < 1.0:
            inside.append(abs(item.frequency_hz - hz) < 1.96 * item.sigma_hz)
    print(f"95 % intervals of frequency: {100 * np.mean(inside):.1f} % of {len(inside)} hold the truth")


def bench_speed(count: int, first: int) -> None:
    """Analysis of a 4 s clip of 1080 rows at 60 fps."""
    rows = make_rows(Scene(fps=60.0, rows=1080, blocks=16, tube=Gate(487.3, 0.3), noise=0.01, codec=0.002, seed=first))
    best = 1e9
    for _ in range(max(1, min(count, 5))):
        start = time.process_time()
        analyse(Clip(rows=rows, readout_s=0.014, exposure_s=1e-3))
        best = min(best, time.process_time() - start)
    print(f"4 s of 1080 rows at 60 fps: {best:.2f} s of CPU time beyond decoding")


def main() -> None:
    """Run what is asked for."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--which", choices=["rows", "codec", "steady", "coverage", "speed", "all"], default="all")
    parser.add_argument("--count", type=int, default=20)
    parser.add_argument("--first", type=int, default=0)
    options = parser.parse_args()
    print(f"{platform.machine()}, Python {platform.python_version()}, numpy {np.__version__}, scipy {scipy.__version__}")
    for name in ("rows", "codec", "steady", "coverage", "speed") if options.which == "all" else (options.which,):
        globals()[f"bench_{name}"](options.count, options.first)


if __name__ == "__main__":
    main()

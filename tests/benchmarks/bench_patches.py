"""How well contrast, bars, noise and the other patches do: coverage of intervals, errors through codecs, time.  Run by hand:

``python tests/benchmarks/bench_patches.py [--which others,codec,coverage,contrast,bars,noise,time] [--trials 400]``
"""

from __future__ import annotations

import argparse
import itertools
import platform
import tempfile
import time
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import Any

import numpy as np
from scipy.signal import lfilter

from viewer.measure.bars import Target
from viewer.measure.beat import level_without_beat
from viewer.measure.contrast import contrast_readings
from viewer.measure.noise import measure
from viewer.measure.patches import patch_of
from viewer.measure.readings import Flag
from viewer.measure.regions import Rect
from viewer.measure.stats import mean_estimate
from viewer.media import open_clip
from viewer.tasks.bars import measure_bars
from viewer.tasks.contrast import measure_contrast
from viewer.tasks.encoder import encoder_of
from viewer.tasks.figure import measure_figure
from viewer.tasks.noise import measure_noise
from viewer.tasks.patches import gather, step_light
from viewer.tasks.ramp import measure_ramp
from viewer.tasks.tint import measure_tint

night = SimpleNamespace(**run_path(str(Path(__file__).parent.parent / "tasks" / "night_clips.py")))
H264: dict[str, Any] = {"transfer": "bt709", "bits": 8, "codec": "h264", "matrix": "bt709"}


def coverage(trials: int) -> None:
    """Share of 95 % intervals that hold the truth."""
    rng = np.random.default_rng(1)
    for rho in (0.0, 0.6, 0.9):
        for count in (24, 60, 120):
            series = (lfilter([1.0], [1.0, -rho], rng.standard_normal(count + 300))[300:] for _ in range(trials))
            hits = sum(low <= 0 <= high for low, high in (mean_estimate(x).interval() for x in series))
            print(f"  mean of {count:3d} frames, correlation {rho}: {100 * hits / trials:.1f} %")
    hits = 0
    for _ in range(trials):
        wobble = [0.01 * lfilter([1.0], [1.0, -0.6], rng.standard_normal(140))[100:] for _ in range(2)]
        patches = [
            patch_of(level * (1 + w[:, None, None]) + 0.01 * rng.standard_normal((40, 6, 6)))
            for level, w in zip((0.3, 0.1), wobble)
        ]
        reading = contrast_readings(*patches)[0][0]
        hits += reading.low <= 0.5 <= reading.high
    print(f"  Michelson of correlated frames: {100 * hits / trials:.1f} %")
    hits = 0
    for _ in range(trials):
        found = measure(patch_of(0.2 + 0.01 * rng.standard_normal((10, 14, 14)), spectrum=True)).readings[1]
        hits += found.low <= 0.01 <= found.high
    print(f"  temporal noise: {100 * hits / trials:.1f} %")
    hits = 0
    for _ in range(trials):
        phase = rng.uniform(0, 7)
        x = (1 + 0.3 * np.cos(2 * np.pi * 0.043 * np.arange(90) + phase)) * (1 + 0.01 * rng.standard_normal(90))
        low, high = level_without_beat(x).estimate.interval()
        hits += low <= 1.0 <= high
    print(f"  level of pulsing light: {100 * hits / trials:.1f} %")


def contrast(trials: int) -> None:
    """Error of Michelson contrast through codecs, and clip flags."""
    del trials
    cases: list[tuple[str, tuple[float, float], dict[str, Any]]] = [
        ("hlg 10 bit", (0.3, 0.1), {}),
        ("hlg green", (0.3, 0.1), {"tint": night.GREEN}),
        ("hlg full", (0.2, 0.02), {"range": "full"}),
        ("709 8 bit", (0.3, 0.1), H264),
        ("709 green", (0.5, 0.05), H264 | {"tint": night.GREEN}),
        ("sRGB full", (0.2, 0.02), H264 | {"transfer": "srgb", "range": "full"}),
        ("low contrast", (0.3, 0.28), {}),
        ("dark hlg", (0.03, 0.01), {}),
        ("darker hlg", (0.01, 0.003), {}),
        ("underexposed hlg 8", (0.006, 0.002), {"bits": 8, "codec": "h264"}),
        ("starved", (0.3, 0.1), {"crf": 30}),
        ("clipped", (1.5, 0.1), {"tint": night.GREEN}),
    ]
    errors = []
    with tempfile.TemporaryDirectory() as folder:
        for name, (bright, dark), how in cases:
            scene = night.patches(180, 260, 0.4 * (bright + dark), (30, 40, 80, 80, bright), (150, 40, 80, 80, dark))
            path = night.write_clip(Path(folder) / "a.mp4", scene, noise=0.03, read_noise=0.0004, **how)
            with open_clip(path) as clip:
                found = measure_contrast(clip, Rect(40, 50, 60, 60), Rect(160, 50, 60, 60)).reading("michelson")
            truth = (bright - dark) / (bright + dark)
            assert found.value is not None and found.low is not None and found.high is not None
            inside = "inside" if found.low <= truth <= found.high else "OUTSIDE"
            clipped = "clipped" if Flag.CLIPPED in found.flags else ""
            print(f"  {name:20s} error {found.value - truth:+.4f}  half width {found.half_width:.4f}  {inside} {clipped}")
            if not clipped:
                errors.append(abs(found.value - truth))
    print(f"  mean error {np.mean(errors):.4f}, worst {np.max(errors):.4f}")


def bars(trials: int) -> None:
    """Error of modulation and of the limiting element over eight light levels."""
    del trials
    rng = np.random.default_rng(5)
    places, x, y, tall = [], 10.3, 10.6, 0.0
    for k in range(15):
        width = 11.0 / 2 ** (k / 6)
        for way in "vh":
            if x + 5 * width + 12 > 470:
                x, y, tall = 10.3 + rng.random(), y + tall + 2.2 * width + 6, 0.0
            places.append((2 ** (k / 6), x + rng.random(), y + rng.random(), width, way))
            tall, x = max(tall, 5 * width), x + 7.2 * width + 6
    rows = int(max(p[2] + 5 * p[3] for p in places) + 14) // 2 * 2
    scene, truths = night.chart(rows, 480, places, paper=1.0, ink=0.04, blur_px=1.5)
    lpmms = sorted({p[0] for p in places})
    steps, all_rms = [], []
    with tempfile.TemporaryDirectory() as folder:
        for light, noise in (
            (0.4, 0.02),
            (0.3, 0.03),
            (0.2, 0.04),
            (0.1, 0.05),
            (0.06, 0.05),
            (0.03, 0.05),
            (0.02, 0.04),
            (0.012, 0.04),
        ):
            path = night.write_clip(
                Path(folder) / "a.mp4", light * scene, frames=30, noise=noise, read_noise=0.0002, counts=True, crf=14
            )
            marked = []
            for lpmm, px, py, w, way in places:
                x0, y0, x1, y1 = round(px), round(py), round(px + 5 * w), round(py + 5 * w)
                marked.append(Target(f"{lpmm:.3f}", Rect(x0, y0, x1 - x0, y1 - y0), way))
            start = time.perf_counter()
            with open_clip(path) as clip:
                result = measure_bars(clip, marked)
            spent = time.perf_counter() - start
            pairs = [(result.reading("modulation", t.of), truth) for t, truth in zip(marked, truths)]
            found = [(r.value - truth, r.low <= truth <= r.high) for r, truth in pairs if r.value is not None]  # type: ignore[operator]
            rms = float(np.sqrt(np.mean([e**2 for e, _ in found])))
            good = [min(t for p, t in zip(places, truths) if p[0] == lpmm) > 0.03 for lpmm in lpmms]
            true_step = good.index(False) - 1 if False in good else len(good) - 1
            element = result.extras["element"]
            own = min(range(len(lpmms)), key=lambda k: abs(lpmms[k] - element)) if element else -1
            steps.append(own - true_step)
            all_rms.append(rms)
            covered = 100 * np.mean([inside for _, inside in found])
            words = f"rms {rms:.4f}, covered {covered:.0f} %, element {own - true_step:+d} steps, {spent:.1f} s"
            print(f"  light {light:.3f} noise {noise}: {words}")
    print(f"  rms on average {np.mean(all_rms):.4f}, worst {np.max(all_rms):.4f}")
    print(f"  element off by {np.mean(np.abs(steps)):.2f} steps on average")


def noise(trials: int) -> None:
    """What is left of the noise at different data rates, and when it is refused."""
    del trials
    with tempfile.TemporaryDirectory() as folder:
        for name, how in (("hevc 10 bit", {}), ("h264 8 bit", H264)):
            for crf in (4, 8, 12, 16, 20, 24, 30):
                path = night.write_clip(Path(folder) / "a.mp4", night.patches(160, 160, 0.2), noise=0.04, crf=crf, **how)
                with open_clip(path) as clip:
                    found = measure_noise(clip, Rect(32, 32, 96, 96)).reading("temporal_sigma")
                    bits = clip.info.bits_per_pixel
                truth = 0.04 * 0.2**0.5
                words: str = found.state
                if found.value is not None and found.low is not None:
                    reach = "" if found.high is None else f" .. {found.high / truth:.2f}"
                    words += f": {found.value / truth:.2f} of the truth ({found.low / truth:.2f}{reach})"
                print(f"  {name} crf {crf:2d}, {bits:.2f} bits a pixel: {words}")


def timing(trials: int) -> None:
    """Time of a contrast over 120 frames of 1280 x 720, against decoding alone."""
    del trials
    with tempfile.TemporaryDirectory() as folder:
        scene = night.patches(720, 1280, 0.1, (300, 200, 120, 120, 0.3), (700, 200, 120, 120, 0.1))
        path = night.write_clip(Path(folder) / "a.mp4", scene, frames=60, noise=0.03, **H264)
        best = {"decode": np.inf, "contrast": np.inf}
        for _ in range(3):
            with open_clip(path) as clip:
                start = time.perf_counter()
                for frame in clip.frames():
                    frame.luma()
                best["decode"] = min(best["decode"], time.perf_counter() - start)
                start = time.perf_counter()
                measure_contrast(clip, Rect(310, 210, 100, 100), Rect(710, 210, 100, 100))
                best["contrast"] = min(best["contrast"], time.perf_counter() - start)
        print(f"  contrast {best['contrast'] / best['decode']:.2f} x decoding ({1000 * best['decode'] / 60:.1f} ms a frame)")


def codec(trials: int) -> None:
    """Errors of mean codes and of contrast of known patches through encoders, by data rate; coverage of contrast."""
    levels = np.exp(np.random.default_rng(7).uniform(np.log(0.012), np.log(0.5), (4, 6)))
    scene = np.kron(levels, np.ones((40, 40)))
    rects = {f"{r}.{c}": Rect(40 * c + 8, 40 * r + 8, 24, 24) for r in range(4) for c in range(6)}
    hits = []
    with tempfile.TemporaryDirectory() as folder:
        for name, how in (("x265 10 bit", {}), ("x265 8 bit", {"bits": 8}), ("x264 8 bit", H264)):
            for crf, noise_at_one in itertools.product((12, 18, 23, 28), (0.02, 0.004)):
                path = night.write_clip(
                    Path(folder) / "a.mp4",
                    scene,
                    noise=noise_at_one,
                    read_noise=0.0005,
                    frames=16,
                    crf=crf,
                    grain_px=0.3,
                    **how,
                )
                with open_clip(path) as clip:
                    found, encoder = gather(clip, rects), encoder_of(clip)
                    codes = [
                        (patch.level - level) / step_light(clip, level)
                        for patch, level in zip(found.patches.values(), levels.ravel(), strict=True)
                    ]
                    own = []
                    for k in range(min(trials, len(rects) - 1)):
                        one, two = sorted((levels.flat[k], levels.flat[k + 1]), reverse=True)
                        names = sorted((list(rects)[k], list(rects)[k + 1]), key=lambda n: -found.patches[n].level)
                        reading = measure_contrast(clip, rects[names[0]], rects[names[1]], corner=False).reading("michelson")
                        truth = (one - two) / (one + two)
                        own.append(bool(reading.low is not None and reading.low <= truth <= (reading.high or 0.0)))
                hits += own
                print(
                    f"  {name} crf {crf}, noise {noise_at_one}, {encoder.bits_per_pixel:.3f} bits a pixel, level of distortion "
                    f"{encoder.water**0.5:.2f} codes: off by {np.std(codes):.2f}, allowed {encoder.luma_sigma():.2f}; "
                    f"contrast covered {100 * np.mean(own):.0f} %"
                )
    print(f"  contrast covered {100 * np.mean(hits):.1f} % of {len(hits)}")


def others(trials: int) -> None:
    """Coverage of tint, figure contrast, noise and the means of a ramp through codecs."""
    xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])  # IEC 61966-2-1
    hits: dict[str, list[bool]] = {name: [] for name in ("u_prime", "v_prime", "contrast", "temporal_sigma", "mean")}

    def note(name: str, reading: Any, truth: float) -> None:
        if reading.low is not None and reading.high is not None:
            hits[name].append(bool(reading.low <= truth <= reading.high))

    with tempfile.TemporaryDirectory() as folder:
        rng = np.random.default_rng(9)
        for trial in range(trials):
            level, tint = float(np.exp(rng.uniform(np.log(0.02), np.log(0.4)))), (night.GREEN, night.WHITE)[trial % 2]
            crf, share = (8, 14, 20)[trial % 3], float(rng.uniform(-0.5, 0.5))
            scene = np.full((160, 224), level)
            scene[60:110, 100:120] *= 1 + share
            path = night.write_clip(
                Path(folder) / "a.mp4", scene, noise=0.03, grain_px=0.0, seed=trial, crf=crf, **(H264 | {"tint": tint})
            )
            with open_clip(path) as clip:
                colour = xyz @ np.array(tint)
                below = colour @ (1.0, 15.0, 3.0)
                found = measure_tint(clip, Rect(8, 8, 60, 60))
                note("u_prime", found.reading("u_prime"), 4 * colour[0] / below)
                note("v_prime", found.reading("v_prime"), 9 * colour[1] / below)
                note("contrast", measure_figure(clip, [(Rect(100, 60, 20, 50), None)]).reading("contrast"), share)
                note("temporal_sigma", measure_noise(clip, Rect(8, 8, 60, 60)).reading("temporal_sigma"), 0.03 * level**0.5)
            steps = night.write_clip(
                Path(folder) / "b.mp4",
                np.full((96, 128), level),
                frames=60,
                level=lambda number: 1.0 if number < 30 else 0.4,
                noise=0.03,
                grain_px=0.0,
                seed=trial,
                crf=crf,
                **(H264 | {"tint": tint}),
            )
            with open_clip(steps) as clip:
                ramp = measure_ramp(clip, Rect(16, 16, 96, 64))
                for k, factor in enumerate((1.0, 0.4), 1):
                    if len(ramp.extras["steps"]) == 2:
                        note("mean", ramp.reading("mean", f"step-{k}"), factor * level)
    for name, own in hits.items():
        print(f"  {name}: {100 * np.mean(own) if own else 0:.1f} % of {len(own)}")


PARTS = {
    "others": others,
    "codec": codec,
    "coverage": coverage,
    "contrast": contrast,
    "bars": bars,
    "noise": noise,
    "time": timing,
}


def main() -> None:
    """Run the chosen parts."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--which", default=",".join(PARTS))
    parser.add_argument("--trials", type=int, default=400)
    options = parser.parse_args()
    print(f"{platform.machine()} {platform.system()}, Python {platform.python_version()}, numpy {np.__version__}")
    for name in options.which.split(","):
        print(f"{name}:")
        PARTS[name](options.trials)


if __name__ == "__main__":
    main()

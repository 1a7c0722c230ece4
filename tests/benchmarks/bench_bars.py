"""How well bars do: errors and coverage through encoders, the loss behind `viewer.measure.coding`, noise cut at black.

Run by hand: ``python tests/benchmarks/bench_bars.py [--which levels,coding,loss,cut] [--frames 16]``
"""

from __future__ import annotations

import argparse
import math
import platform
import tempfile
import time
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import Any

import numpy as np

from viewer.measure.bars import Target, TargetLight, bar_means
from viewer.measure.bars_place import find_places
from viewer.measure.regions import Rect
from viewer.media import open_clip
from viewer.tasks.bars import measure_bars
from viewer.tasks.bars_light import lights_of, window_of
from viewer.tasks.document import Result

night = SimpleNamespace(**run_path(str(Path(__file__).parent.parent / "tasks" / "night_clips.py")))

ROWS, COLS = 170, 420
HEVC: dict[str, Any] = {}
H264: dict[str, Any] = {"transfer": "bt709", "bits": 8, "codec": "h264", "matrix": "bt709"}
MFL = (1.5, 0.6, 0.25, 0.1, 0.04, 0.018, 0.007, 0.003)


def layout() -> list[tuple[float, float, float, float, str]]:
    """Nine elements in steps of the chart, bars of 8.4 to 1.9 px, both ways."""
    places, x = [], 9.3
    for k in range(0, 18, 2):
        lpmm = round(2 ** (k / 6 * 0.8), 4)
        width = 8.4 / lpmm
        places += [(lpmm, x + 0.17 * k, 10.4, width, "v"), (lpmm, x + 0.11 * k, 90.7, width, "h")]
        x += 6.2 * width + 13
    return places


PLACES = layout()


def targets() -> list[Target]:
    return [Target(f"{p:g}", Rect(round(x), round(y), round(5 * w), round(5 * w)), way) for p, x, y, w, way in PLACES]


def measured(path: Path) -> Result:
    with open_clip(path) as clip:
        return measure_bars(clip, targets())


def table(result: Result, truths: list[float]) -> tuple[np.ndarray, np.ndarray]:
    """Errors, and whether the interval holds the truth, of the targets that were read."""
    errors, held = [], []
    for target, truth in zip(targets(), truths):
        reading = result.reading("modulation", target.of)
        if reading.value is not None and reading.low is not None and reading.high is not None:
            errors.append(reading.value - truth)
            held.append(reading.low <= truth <= reading.high)
    return np.array(errors), np.array(held)


def levels(folder: Path, frames: int) -> None:
    """Eight levels from 1.5 to 0.003 mfL, as a camera of fixed settings sees them."""
    scene, truths = night.chart(ROWS, COLS, PLACES, paper=1.0, ink=0.05, blur_px=1.15)
    true_limit = max(p for p, *_ in PLACES if min(m for q, m in zip(PLACES, truths) if q[0] == p) > 0.03)
    steps = sorted({p for p, *_ in PLACES})
    for name, how in (("hevc 10 bit hlg", HEVC), ("h264 8 bit 709", H264)):
        every, inside, off = [], [], []
        for mfl in MFL:
            light = 0.3 * (mfl / 1.5) ** 0.55
            path = night.write_clip(
                folder / "a.mp4", light * scene + 0.003, frames=frames, noise=0.05, read_noise=0.0006, crf=16, **how
            )
            lifted = [m / (1 + 2 * 0.003 / (light * 1.05)) for m in truths]
            result = measured(path)
            found, held = table(result, lifted)
            element = result.extras["element"] or steps[0]
            off.append(steps.index(min(steps, key=lambda s: abs(s - element))) - steps.index(true_limit))
            every.append(float(np.sqrt(np.mean(found**2))))
            inside += held.tolist()
        print(
            f"{name}: rms by level {' '.join(f'{e:.4f}' for e in every)}; mean {np.mean(every):.4f}; "
            f"inside {np.mean(inside):.3f} of {len(inside)}; element off by {off}"
        )


def coding(folder: Path, frames: int) -> None:
    """Encodes from fine to coarse, noise from none to much."""
    scene, truths = night.chart(ROWS, COLS, PLACES, paper=1.0, ink=0.1, blur_px=1.15)
    inside: list[bool] = []
    for name, how in (("hevc", HEVC), ("h264", H264)):
        for crf in (14, 18, 22, 26):
            for noise in (0.002, 0.02, 0.08):
                path = night.write_clip(folder / "a.mp4", 0.3 * scene, frames=frames, noise=noise, crf=crf, **how)
                found, held = table(measured(path), truths)
                inside += held.tolist()
                print(f"{name} crf {crf} noise {noise}: rms {np.sqrt(np.mean(found**2)):.4f}, inside {held.mean():.2f}")
    print(f"all: inside {np.mean(inside):.3f} of {len(inside)}")


def lights(path: Path) -> list[TargetLight]:
    """Light of each target, every frame."""
    with open_clip(path) as clip:
        windows = [window_of(clip, target) for target in targets()]
        for frame in clip.frames():
            for window in windows:
                window.add(frame, None, True)
        return [light for light, _ in lights_of(clip, windows)]


def loss(folder: Path, frames: int) -> None:
    """What encoders take of the step from bar to gap, against the same pictures kept whole: k of `viewer.measure.coding`."""
    scene, _ = night.chart(ROWS, COLS, PLACES, paper=1.0, ink=0.05, blur_px=1.15)
    for name, how in (("hevc", HEVC), ("h264", H264)):
        for noise in (0.004, 0.02, 0.08):
            scene_of = {"frames": frames, "noise": noise, "read_noise": 0.0003}
            whole = lights(night.write_clip(folder / "a.mkv", 0.2 * scene, **{**how, **scene_of, "codec": "ffv1", "crf": None}))
            places = find_places(whole)
            for preset in ("veryfast", "medium"):
                for crf in (14, 19, 24, 29):
                    options = {"preset": preset}
                    coded = lights(night.write_clip(folder / "a.mp4", 0.2 * scene, crf=crf, options=options, **how, **scene_of))
                    lost, expected, lifted = [], [], []
                    for one, two, place in zip(whole, coded, places):
                        steps = [gaps.mean() - bars.mean() for bars, gaps in (bar_means(x.mean, place) for x in (one, two))]
                        weight = math.sqrt(3.0 / place.width) / place.width
                        lost.append((steps[0] - steps[1]) / two.step / two.coding.step / weight)
                        expected.append(two.coding.taken(place.width) / two.coding.step / weight)
                        lifted.append(two.coding.noise / two.coding.step)
                    print(
                        f"{name} {preset} crf {crf} noise {noise}: left {np.median(lifted):.2f} Q, "
                        f"k {np.mean(lost):.3f} +- {np.std(lost):.3f}, taken to be {np.mean(expected):.3f}"
                    )


def cut(folder: Path, frames: int) -> None:
    """Noise cut at black, with and without the colours of a camera's own noise."""
    scene, truths = night.chart(ROWS, COLS, PLACES, paper=1.0, ink=0.05, blur_px=1.15)
    for name, how in (("hevc", HEVC), ("h264", H264)):
        for read in (0.0, 0.006):
            path = night.write_clip(folder / "a.mp4", 0.02 * scene, frames=frames, noise=0.06, read_noise=read, crf=14, **how)
            result = measured(path)
            found, held = table(result, truths)
            cuts = len(result.extras["cut_at_black"])
            print(f"{name} read noise {read}: rms {np.sqrt(np.mean(found**2)):.3f}, inside {held.mean():.2f}, cut in {cuts}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--which", default="levels,coding,loss,cut")
    parser.add_argument("--frames", type=int, default=16)
    options = parser.parse_args()
    print(platform.processor() or platform.machine(), "Python", platform.python_version(), "numpy", np.__version__)
    known = {"levels": levels, "coding": coding, "loss": loss, "cut": cut}
    with tempfile.TemporaryDirectory() as folder:
        for name in options.which.split(","):
            started = time.perf_counter()
            print(f"--- {name}")
            known[name](Path(folder), options.frames)
            print(f"{time.perf_counter() - started:.1f} s")


if __name__ == "__main__":
    main()

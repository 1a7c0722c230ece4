"""How well bloom does: coverage of its intervals, errors through codecs, time.  Run by hand:

``python tests/benchmarks/bench_bloom.py [--which coverage,codec,moving,glow,pulsing,time] [--trials 200]``
"""

from __future__ import annotations

import argparse
import importlib.util
import platform
import tempfile
import time
from pathlib import Path

import numpy as np

from viewer.measure.bloom import measure_bloom
from viewer.measure.bloom_profile import HALF

SPEC = importlib.util.spec_from_file_location("light_scenes", Path(__file__).parent.parent / "measure" / "light_scenes.py")
assert SPEC and SPEC.loader
scenes = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(scenes)


def halo(radius: float, sigma: float, core: float, height: float, veil: str) -> list:
    glow = scenes.gauss(1.7 * radius) if veil == "gauss" else scenes.wing(8, 2.5)
    return [(core, scenes.gauss(2.0)), (height, scenes.disc(radius, sigma)), (0.02, glow)]


def coverage(trials: int) -> None:
    """Share of 95 % intervals that hold the truth, white and correlated noise, discs and Gaussians."""
    for kind in ("disc, white noise", "disc, wing veil", "disc, correlated noise", "gaussian"):
        hits: dict[str, list[bool]] = {}
        errors: list[float] = []
        for seed in range(trials):
            rng = np.random.default_rng(seed)
            size = float(rng.uniform(12, 30)) if kind.startswith("disc") else float(rng.uniform(6, 14))
            side = int(4 * size + 66)
            centre = (side / 2 + float(rng.uniform(-0.5, 0.5)), side / 2 + float(rng.uniform(-0.5, 0.5)))
            if kind == "gaussian":
                # a pixel averages over its width, which adds 1/12 to the variance
                parts, truth = [(0.4, scenes.gauss(size))], {"half_radius": HALF * (size**2 + 1 / 12) ** 0.5}
            else:
                veil = "wing" if "wing" in kind else "gauss"
                parts = halo(size, float(rng.uniform(1.2, 2.6)), 5.0, 0.08, veil)
                truth = {"halo_radius": size}
            truth["centre_x"] = centre[0]
            light = 0.02 + scenes.lamp(side, side, centre, parts)
            clipped = light > 1
            noise = rng.standard_normal(light.shape)
            if "correlated" in kind:
                from scipy.ndimage import gaussian_filter

                noise = gaussian_filter(noise, 1.2)
                noise /= noise.std()
            bloom = measure_bloom(np.minimum(light, 1) + 0.005 * noise, [centre], clipped=clipped)[0]
            for name, true in truth.items():
                reading = bloom.reading(name)
                if reading.value is None or reading.low is None or reading.high is None:
                    hits.setdefault(name + " refused", []).append(True)
                    continue
                hits.setdefault(name, []).append(reading.low <= true <= reading.high)
                if name != "centre_x":
                    errors.append(reading.value - true)
        kept = sorted((name, h) for name, h in hits.items() if "refused" not in name)
        words = ", ".join(f"{name} {100 * np.mean(h):.1f} % of {len(h)}" for name, h in kept)
        lost = ", ".join(f"{name} {len(h)}" for name, h in sorted(hits.items()) if "refused" in name)
        size = np.abs(errors)
        print(f"{kind}: {words}; {lost or 'none refused'}; mean |error| {size.mean():.4f} px, largest {size.max():.3f}")


def codec(trials: int) -> None:
    """Errors of the halo's radius through H.264 8-bit and HEVC 10-bit HLG."""
    from viewer.media import open_clip
    from viewer.tasks.bloom import measure_bloom as measure_clip

    for name, options in (
        ("h264 8-bit 709", {"codec": "h264", "bits": 8, "transfer": "bt709", "crf": 16}),
        ("hevc 10-bit hlg", {"codec": "hevc", "bits": 10, "transfer": "hlg", "crf": 17}),
    ):
        errors, inside = [], []
        with tempfile.TemporaryDirectory() as folder:
            for k in range(max(4, trials // 12)):
                rng = np.random.default_rng(k)
                radius = float(rng.uniform(12, 60))
                rows, cols = int(3.6 * radius + 90) & ~1, int(3.6 * radius + 110) & ~1
                centre = (cols / 2 + float(rng.uniform(-1, 1)), rows / 2 + float(rng.uniform(-1, 1)))
                veil = "wing" if k % 2 else "gauss"
                parts = halo(radius, float(rng.uniform(1.2, 2.4)), 5.0, 0.1, veil)
                still = 0.02 + scenes.lamp(rows, cols, centre, parts)
                frames = (still + 0.008 * rng.standard_normal(still.shape) for _ in range(24))
                path = scenes.write_clip(Path(folder) / "a.mp4", frames, **options)
                with open_clip(path) as clip:
                    reading = measure_clip(clip, [centre]).reading("halo_radius", "light-1")
                if reading.value is not None and reading.low is not None and reading.high is not None:
                    errors.append(reading.value - radius)
                    inside.append(reading.low <= radius <= reading.high)
        size = np.abs(errors)
        print(
            f"{name}: mean |error| {size.mean():.4f} px, largest {size.max():.3f}, "
            f"{100 * np.mean(inside):.0f} % covered, n {size.size}"
        )


def pulsing(trials: int) -> None:
    """Errors and coverage under bands of pulsing light, 20 frames, HEVC 10-bit HLG."""
    from viewer.media import open_clip
    from viewer.tasks.bloom import measure_bloom as measure_clip

    names = ("centre_x", "centre_y", "halo_radius", "half_radius")
    errors: dict[str, list[float]] = {name: [] for name in names}
    inside: dict[str, list[bool]] = {name: [] for name in names}
    with tempfile.TemporaryDirectory() as folder:
        for k in range(max(4, trials // 12)):
            rng = np.random.default_rng(1000 + k)
            radius, blur = float(rng.uniform(12, 40)), float(rng.uniform(1.2, 2.4))
            rows, cols = int(3.6 * radius + 90) & ~1, int(3.6 * radius + 110) & ~1
            centre = (cols / 2 + float(rng.uniform(-1, 1)), rows / 2 + float(rng.uniform(-1, 1)))
            still = 0.02 + scenes.lamp(rows, cols, centre, halo(radius, blur, 5.0, 0.1, "wing" if k % 2 else "gauss"))
            step, period, depth = float(rng.uniform(0.15, 0.45)), float(rng.uniform(60, 160)), float(rng.uniform(0.1, 0.6))
            place = np.arange(rows)[:, None] / period
            frames = (
                still * (1 + depth * np.sin(2 * np.pi * (step * n + place))) + 0.004 * rng.standard_normal(still.shape)
                for n in range(20)
            )
            path = scenes.write_clip(Path(folder) / "a.mp4", frames, codec="hevc", bits=10, transfer="hlg", crf=18)
            with open_clip(path) as clip:
                result = measure_clip(clip, [centre])
            for name, true in zip(names, (*centre, radius, None), strict=True):
                reading = result.reading(name, "light-1")
                if true is not None and reading.value is not None and reading.low is not None and reading.high is not None:
                    errors[name].append(reading.value - true)
                    inside[name].append(reading.low <= true <= reading.high)
    for name in names[:3]:
        size = np.abs(errors[name])
        covered = 100 * np.mean(inside[name])
        print(
            f"pulsing, {name}: mean |error| {size.mean():.4f} px, largest {size.max():.3f}, "
            f"{covered:.0f} % covered, n {size.size}"
        )


def moving(trials: int) -> None:
    """Errors and coverage for a camera that sways by up to 7 px, 20 frames, from plenty of bits to few."""
    for name, options in (
        ("hevc 10-bit hlg", {"codec": "hevc", "bits": 10, "transfer": "hlg", "crf": 18}),
        ("h264 8-bit, few bits", {"codec": "h264", "bits": 8, "transfer": "bt709", "crf": 22}),
    ):
        found = Tally(("halo_radius",))
        for k in range(max(4, trials // 12)):
            rng = np.random.default_rng(1000 + k)
            radius = float(rng.uniform(12, 34))
            rows, cols = int(3.6 * radius + 90) & ~1, int(3.6 * radius + 110) & ~1
            parts = halo(radius, float(rng.uniform(1.2, 2.4)), 5.0, 0.1, "wing" if k % 2 else "gauss")
            sway, pace = rng.uniform(1, 7, 2), rng.uniform(0.1, 0.7, 2)
            frames = (
                0.02
                + scenes.lamp(rows, cols, tuple((cols / 2, rows / 2) + sway * np.sin(pace * n)), parts)
                + 0.004 * rng.standard_normal((rows, cols))
                for n in range(20)
            )
            found.add(frames, options, (cols / 2, rows / 2), (radius,))
        found.say(f"moving, {name}")


def smooth_glow(trials: int) -> None:
    """Errors and coverage of centre and half level of Gaussian glows in strong noise, through both codecs."""
    for name, options in (
        ("h264 8-bit 709", {"codec": "h264", "bits": 8, "transfer": "bt709", "crf": 16}),
        ("hevc 10-bit hlg", {"codec": "hevc", "bits": 10, "transfer": "hlg", "crf": 18}),
    ):
        found = Tally(("centre_x", "centre_y", "half_radius"))
        for k in range(max(4, trials // 12)):
            rng = np.random.default_rng(2000 + k)
            size = float(rng.uniform(8, 22))
            rows, cols = int(6 * size + 40) & ~1, int(6 * size + 60) & ~1
            centre = (cols / 2 + float(rng.uniform(-1, 1)), rows / 2 + float(rng.uniform(-1, 1)))
            still = 0.02 + scenes.lamp(rows, cols, centre, [(0.4, scenes.gauss(size))])
            frames = (still + 0.008 * rng.standard_normal(still.shape) for _ in range(16))
            found.add(frames, options, centre, (*centre, HALF * (size**2 + 1 / 12) ** 0.5))
        found.say(f"smooth glow, {name}")


class Tally:
    """Errors of readings of one light, and how often their intervals hold the truth."""

    def __init__(self, names: tuple[str, ...]) -> None:
        self.errors: dict[str, list[float]] = {name: [] for name in names}
        self.inside: dict[str, list[bool]] = {name: [] for name in names}

    def add(self, frames, options: dict, mark: tuple[float, float], truth: tuple[float, ...]) -> None:
        """Encode, measure, compare."""
        from viewer.media import open_clip
        from viewer.tasks.bloom import measure_bloom as measure_clip

        with tempfile.TemporaryDirectory() as folder:
            path = scenes.write_clip(Path(folder) / "a.mp4", frames, **options)
            with open_clip(path) as clip:
                result = measure_clip(clip, [mark])
        for name, true in zip(self.errors, truth, strict=True):
            reading = result.reading(name, "light-1")
            if reading.value is not None and reading.low is not None and reading.high is not None:
                self.errors[name].append(reading.value - true)
                self.inside[name].append(reading.low <= true <= reading.high)

    def say(self, head: str) -> None:
        """Print one line a reading."""
        for name, found in self.errors.items():
            size = np.abs(found)
            print(
                f"{head}, {name}: mean |error| {size.mean():.4f} px, largest {size.max():.3f}, "
                f"{100 * np.mean(self.inside[name]):.0f} % covered, n {size.size}"
            )


def timing() -> None:
    """Seconds a light, best of three."""
    for radius in (12, 30, 60):
        side = int(4 * radius + 80)
        light = 0.02 + scenes.lamp(side, side, (side / 2, side / 2), halo(radius, 2.0, 5.0, 0.08, "gauss"))
        light += 0.003 * np.random.default_rng(0).standard_normal(light.shape)
        best = min(_run(light, side) for _ in range(3))
        print(f"radius {radius} px, patch {side} px: {best:.2f} s")


def _run(light: np.ndarray, side: int) -> float:
    start = time.perf_counter()
    measure_bloom(np.minimum(light, 1), [(side / 2, side / 2)], clipped=light > 1)
    return time.perf_counter() - start


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--which", default="coverage,codec,moving,glow,pulsing,time")
    parser.add_argument("--trials", type=int, default=200)
    chosen = parser.parse_args()
    print(platform.platform(), "numpy", np.__version__)
    if "coverage" in chosen.which:
        coverage(chosen.trials)
    if "codec" in chosen.which:
        codec(chosen.trials)
    if "moving" in chosen.which:
        moving(chosen.trials)
    if "glow" in chosen.which:
        smooth_glow(chosen.trials)
    if "pulsing" in chosen.which:
        pulsing(chosen.trials)
    if "time" in chosen.which:
        timing()

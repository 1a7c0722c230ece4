"""How well edges do: coverage of the intervals, errors through codecs, glow of tree lines, time.  Run by hand:

``python tests/benchmarks/bench_edge.py [--which coverage,codec,glow,time] [--trials 200]``
"""

from __future__ import annotations

import argparse
import importlib.util
import platform
import tempfile
import time
from pathlib import Path

import numpy as np

from viewer.measure.edge import measure_edge
from viewer.measure.glow import measure_glow
from viewer.measure.regions import Rect

SPEC = importlib.util.spec_from_file_location("light_scenes", Path(__file__).parent.parent / "measure" / "light_scenes.py")
assert SPEC and SPEC.loader
scenes = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(scenes)
WIDTH = 2.5631031


def truth_of(angle: float, sigma: float) -> dict[str, float]:
    c, s = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    return {
        "rise_10_90": WIDTH * float(np.hypot(sigma, np.sqrt(1 / 12))),
        "edge_angle": angle,
        "mtf_at_0.05": float(np.exp(-2 * np.pi**2 * sigma**2 * 0.0025) * np.sinc(0.05 * c) * np.sinc(0.05 * s)),
        "mtf_at_0.1": float(np.exp(-2 * np.pi**2 * sigma**2 * 0.01) * np.sinc(0.1 * c) * np.sinc(0.1 * s)),
    }


def coverage(trials: int) -> None:
    """Share of 95 % intervals that hold the truth."""
    for kind in ("white noise", "correlated noise"):
        hits: dict[str, list[bool]] = {}
        errors: list[float] = []
        for seed in range(trials):
            rng = np.random.default_rng(seed)
            angle, sigma = float(rng.uniform(2, 15)), float(rng.uniform(1.2, 3.0))
            light = scenes.edge(
                80, 80, angle_deg=angle, sigma=sigma, dark=0.05, bright=0.5, offset=float(rng.uniform(-0.5, 0.5))
            )
            noise = rng.standard_normal(light.shape)
            if kind.startswith("corr"):
                from scipy.ndimage import gaussian_filter

                noise = gaussian_filter(noise, 1.0)
                noise /= noise.std()
            result = measure_edge(light + 0.006 * noise, Rect(5, 5, 70, 70))
            for name, true in truth_of(angle, sigma).items():
                reading = result.reading(name)
                if reading.value is not None and reading.low is not None and reading.high is not None:
                    hits.setdefault(name, []).append(reading.low <= true <= reading.high)
                    if name == "rise_10_90":
                        errors.append(reading.value - true)
        words = ", ".join(f"{name} {100 * np.mean(h):.1f} % of {len(h)}" for name, h in hits.items())
        print(f"{kind}: {words}; width: mean |error| {np.mean(np.abs(errors)):.4f} px")


def codec() -> None:
    """Errors of width and angle through H.264 8-bit and HEVC 10-bit HLG."""
    from viewer.media import open_clip
    from viewer.tasks.edge import measure_edge as measure_clip

    for name, options in (
        ("h264 8-bit 709", {"codec": "h264", "bits": 8, "transfer": "bt709", "crf": 14}),
        ("hevc 10-bit hlg", {"codec": "hevc", "bits": 10, "transfer": "hlg", "crf": 15}),
    ):
        rows = []
        with tempfile.TemporaryDirectory() as folder:
            for angle in (5, 12, 83, 95, 0):
                for sigma in (0.7, 1.5, 4.0):
                    rng = np.random.default_rng(int(angle * 10 + sigma))
                    still = scenes.edge(180, 180, angle_deg=angle, sigma=sigma, dark=0.04, bright=0.45, offset=0.3)
                    frames = (still + np.sqrt(0.008**2 + 8e-5 * still) * rng.standard_normal(still.shape) for _ in range(24))
                    path = scenes.write_clip(Path(folder) / "a.mp4", frames, **options)
                    with open_clip(path) as clip:
                        result = measure_clip(clip, Rect(30, 30, 120, 120))
                    width, turn = result.reading("rise_10_90"), result.reading("edge_angle")
                    if width.value is None or turn.value is None or width.low is None or width.high is None:
                        print("   refused:", angle, sigma, width.reason)
                        continue
                    true = truth_of(angle, sigma)["rise_10_90"]
                    rows.append(
                        (
                            angle,
                            sigma,
                            width.value - true,
                            (turn.value - angle + 90) % 180 - 90,
                            width.low <= true <= width.high,
                        )
                    )
        table = np.array(rows, float)
        slanted = np.abs(table[table[:, 0] != 0][:, 2])
        grid = np.abs(table[table[:, 0] == 0][:, 2])
        turn_off = np.abs(table[:, 3]).max()
        print(f"{name}: slanted mean |error| {slanted.mean():.4f} px, largest {slanted.max():.3f}; grid {grid.max():.3f}")
        print(f"   angle largest {turn_off:.3f} deg; {100 * table[:, 4].mean():.0f} % covered")


def glow(trials: int) -> None:
    """Errors of the glow's radius beside tree lines."""
    errors, inside, refused = [], [], 0
    for seed in range(max(8, trials // 8)):
        rng = np.random.default_rng(seed)
        radius = float(rng.uniform(12, 45))
        light = scenes.tree_line(240, 420, radius=radius, share=float(rng.uniform(0.08, 0.2)), seed=seed, depth=0.08)
        found = measure_glow(light)
        if found.radius is None:
            refused += 1
            continue
        errors.append(found.radius - radius)
        inside.append(abs(found.radius - radius) <= 1.96 * found.sigma)
    print(
        f"tree lines: mean |error| {np.mean(np.abs(errors)):.2f} px, largest {np.max(np.abs(errors)):.2f}, "
        f"{100 * np.mean(inside):.0f} % covered, {refused} of {len(errors) + refused} refused"
    )


def timing() -> None:
    """Seconds an edge, best of three."""
    light = scenes.edge(200, 200, angle_deg=5, sigma=1.5, dark=0.05, bright=0.5)
    light += 0.003 * np.random.default_rng(0).standard_normal(light.shape)
    best = np.inf
    for _ in range(3):
        start = time.perf_counter()
        measure_edge(light, Rect(60, 60, 80, 80))
        best = min(best, time.perf_counter() - start)
    print(f"80 x 80 px: {best:.2f} s")


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--which", default="coverage,codec,glow,time")
    parser.add_argument("--trials", type=int, default=200)
    chosen = parser.parse_args()
    print(platform.platform(), "numpy", np.__version__)
    if "coverage" in chosen.which:
        coverage(chosen.trials)
    if "codec" in chosen.which:
        codec()
    if "glow" in chosen.which:
        glow(chosen.trials)
    if "time" in chosen.which:
        timing()

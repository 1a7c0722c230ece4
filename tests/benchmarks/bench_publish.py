"""Speed of publishing: one still, one second of footage, and the flash scan.  Run by hand.

    python tests/benchmarks/bench_publish.py [--which still,encode,flash] [--session FILE]

With ``--session`` all products but footage are published, part by part; ``gloaming demo`` makes a session.  ``encode`` is
told as a ratio of CPU time to the ffmpeg command line doing the same encoding of the same pictures.
"""

from __future__ import annotations

import argparse
import platform
import resource
import shutil
import subprocess
import tempfile
import time
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import numpy as np

from viewer.media.writer import VideoWriter


def cpu(work: Callable[[], object], *, repeat: int = 3) -> float:
    """Best CPU seconds of this process and its children."""

    def spent() -> float:
        child = resource.getrusage(resource.RUSAGE_CHILDREN)
        return time.process_time() + child.ru_utime + child.ru_stime

    best = float("inf")
    for _ in range(repeat):
        start = spent()
        work()
        best = min(best, spent() - start)
    return best


def pictures(count: int) -> list[tuple[np.ndarray, np.ndarray, np.ndarray]]:
    rng = np.random.default_rng(1)
    luma = rng.normal(60, 6, (1080, 1920)).clip(16, 235).astype(np.uint8)
    chroma = np.full((540, 960), 120, np.uint8)
    return [(np.roll(luma, 7 * n, axis=1), chroma, chroma) for n in range(count)]


def bench_encode() -> None:
    frames = pictures(50)
    with tempfile.TemporaryDirectory() as name:
        raw = Path(name) / "in.yuv"
        raw.write_bytes(b"".join(plane.tobytes() for frame in frames for plane in frame))

        def ours() -> None:
            with VideoWriter(
                Path(name) / "ours.mp4", width=1920, height=1080, rate=Fraction(25), crf=14, options={"preset": "veryfast"}
            ) as sink:
                for frame in frames:
                    sink.write(frame)

        def theirs() -> None:
            line = f"ffmpeg -v error -y -f rawvideo -pix_fmt yuv420p -s 1920x1080 -r 25 -i {raw} -c:v libx264 -crf 14"
            subprocess.run([*line.split(), "-preset", "veryfast", str(Path(name) / "theirs.mp4")], check=True)

        own = cpu(ours)
        print(f"encode 50 frames of 1080p: {own:.2f} s CPU", end="")
        if shutil.which("ffmpeg"):
            other = cpu(theirs)
            print(f", ffmpeg command line {other:.2f} s, ratio {own / other:.2f}")
        else:
            print("; ffmpeg is not installed, no ratio")


def bench_still() -> None:
    from viewer.publish.canvas import Canvas
    from viewer.publish.images import png_bytes

    rng = np.random.default_rng(2)
    picture = rng.integers(0, 65536, (1080, 1920, 3), np.uint16)
    print(f"16-bit PNG of 1080p noise: {cpu(lambda: png_bytes(picture)):.2f} s CPU")

    def write() -> None:
        canvas = Canvas(1920, 1080, "#2b2b2b")
        for line in range(40):
            canvas.text(40, 30 + 26 * line, "level 48th, sharpness 61st percentile of 90 frames", 24, "#ececec")

    print(f"40 lines of text: {cpu(write):.3f} s CPU")


def bench_flash() -> None:
    from viewer.measure.flash import FlashScan

    rng = np.random.default_rng(3)
    cells = rng.random((144, 256, 3)).astype(np.float32)
    for name, gain in (("calm", 0.1), ("wild", 1.0)):

        def scan(gain: float = gain) -> None:
            scan = FlashScan()
            for n in range(50):
                scan.add(n / 50, gain * np.roll(cells, n, axis=0))

        print(f"flash rules, {name}: {20 * cpu(scan):.1f} ms CPU a frame")


def bench_session(path: Path) -> None:
    from viewer.publish.everything import publish_session
    from viewer.session.store import load

    session = load(path)
    for only in (["stills"], ["stills", "blink"], ["audit"], ["card", "report"], None):
        with tempfile.TemporaryDirectory() as room:
            wall, own = time.perf_counter(), time.process_time()
            files = publish_session(session, path.resolve().parent, Path(room), only=only)
            took = (time.perf_counter() - wall, time.process_time() - own)
        name = " and ".join(only) if only else "everything but footage"
        print(f"publish {name}: {took[0]:.1f} s, {took[1]:.1f} s CPU, {len(files)} files")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--which", default="still,encode,flash")
    parser.add_argument("--session", type=Path)
    asked = parser.parse_args()
    chosen = asked.which.split(",")
    print(f"{platform.machine()}, Python {platform.python_version()}, numpy {np.__version__}")
    for name, bench in (("still", bench_still), ("encode", bench_encode), ("flash", bench_flash)):
        if name in chosen:
            bench()
    if asked.session:
        bench_session(asked.session)


if __name__ == "__main__":
    main()

"""Speed of publishing: one still, one second of footage, and the flash scan.  Run by hand.

    python tests/benchmarks/bench_publish.py [--which still,encode,flash,products,footage] [--session FILE]

With ``--session`` all products are published, part by part; ``gloaming demo`` makes a session.  ``encode`` is
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
from collections.abc import Callable, Sequence
from fractions import Fraction
from pathlib import Path

import numpy as np

from viewer.media.writer import VideoWriter
from viewer.session.model import Scene, Session


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


def bench_footage(path: Path) -> None:
    """Side-by-side SDR video of every scene; where all is SDR as filmed, against ffmpeg stacking the same clips."""
    from viewer.session.store import load

    session, folder = load(path), path.resolve().parent
    for scene in (scene for scene in session.scenes if session.clips_of(scene.id)):
        with tempfile.TemporaryDirectory() as room:
            _bench_scene(session, folder, scene, Path(room))


def _bench_scene(session: Session, folder: Path, scene: Scene, room: Path) -> None:
    from viewer.publish.footage import FootageSpec, write_footage
    from viewer.publish.gather import chosen_clips
    from viewer.session.model import StillSpec
    from viewer.session.store import resolve
    from viewer.tasks.clip_files import open_session_clip

    clips = chosen_clips(session, StillSpec(id="bench", scene=scene.id))
    kinds = set()
    for clip in clips:
        with open_session_clip(folder, clip) as reader:
            kinds.add(reader.info.transfer)
    wall = time.perf_counter()
    spec = FootageSpec(scene=scene.id)
    own = cpu(lambda: write_footage(session, folder, spec, room / "a.mp4"), repeat=1)
    took, frames = time.perf_counter() - wall, write_count(room / "a.mp4")
    each = 1000 * own / frames
    print(f"footage {scene.name}: {frames} frames, {took:.1f} s, {own:.1f} s CPU, {each:.0f} ms CPU a frame", end="")
    if shutil.which("ffmpeg") is None or kinds != {"bt709"}:
        print("; no ratio (no ffmpeg, or a recipe for HDR that it lacks)")
        return
    call = _stacking([resolve(folder, clip.files[0]) for clip in clips], room / "b.mp4", frames)
    other = cpu(lambda: subprocess.run(call, check=True), repeat=1)
    print(f"; ffmpeg stacking the clips {other:.1f} s CPU, ratio {own / other:.1f}")


def _stacking(files: Sequence[Path], out: Path, frames: int) -> list[str]:
    """Return the call of ffmpeg that scales, stacks and encodes the same clips with the same settings."""
    wide = 1920 // len(files) // 2 * 2
    chain = ";".join(f"[{n}:v]scale={wide}:-2,setsar=1[v{n}]" for n in range(len(files)))
    stack = "".join(f"[v{n}]" for n in range(len(files)))
    graph = f"{chain};{stack}hstack={len(files)}:shortest=1,pad=1920:1080"
    front = ["ffmpeg", "-v", "error", "-y", *[word for file in files for word in ("-i", str(file))]]
    back = ["-c:v", "libx264", "-crf", "14", "-preset", "veryfast", "-tune", "grain", "-frames:v", str(frames)]
    return [*front, "-filter_complex", graph, *back, str(out)]


def write_count(path: Path) -> int:
    """Return how many frames a video has."""
    from viewer.media import open_clip

    with open_clip(path) as clip:
        return len(clip.index)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--which", default="still,encode,flash,products,footage")
    parser.add_argument("--session", type=Path)
    asked = parser.parse_args()
    chosen = asked.which.split(",")
    print(f"{platform.machine()}, Python {platform.python_version()}, numpy {np.__version__}")
    for name, bench in (("still", bench_still), ("encode", bench_encode), ("flash", bench_flash)):
        if name in chosen:
            bench()
    if asked.session and "products" in chosen:
        bench_session(asked.session)
    if asked.session and "footage" in chosen:
        bench_footage(asked.session)


if __name__ == "__main__":
    main()

"""Speed of the media room, as ratios against the bare library in the same run.

    python tests/benchmarks/bench_media.py --which decode|seek|index|analyse|play|memory|damage [--clip FILE] [--repeat N]

CPU time of this process, medians of several runs; other work on the machine widens them.  Bars: decode <= 1.03 x raw; seek CPU
<= 0.85 x naive and <= 0.5 x ``ffmpeg -ss``; index <= 0.1 s/GB; analyse <= 1.05 to 1.10 x decoding.
"""

from __future__ import annotations

import argparse
import random
import resource
import shutil
import statistics
import subprocess
import tempfile
import time
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import av
import numpy as np

from viewer.cv import cv2
from viewer.errors import ViewerError
from viewer.media import open_clip
from viewer.media.analyse import collect
from viewer.media.decoder import default_threads
from viewer.media.engine import Wall
from viewer.media.indexing import read_packets
from viewer.media.writer import VideoWriter

KINDS = {
    "1080p60-h264": (1920, 1080, 60, "h264", 8, "bt709", "bt709", 90),
    "4k30-hevc10": (3840, 2160, 30, "hevc", 10, "hlg", "bt2020", 24),
    "1080p30-h264": (1920, 1080, 30, "h264", 8, "bt709", "bt709", 90),
}


def make(folder: Path, name: str) -> Path:
    """Write a noisy clip, once."""
    path = folder / f"{name}.mp4"
    if path.exists():
        return path
    width, height, rate, codec, bits, transfer, matrix, count = KINDS[name]
    rng = np.random.default_rng(1)
    y, x = np.mgrid[:height, :width].astype(np.float32)
    base = 0.3 + 0.2 * np.sin(x / 90) * np.cos(y / 70)
    grains = [rng.normal(0, 0.05, (height, width)).astype(np.float32) for _ in range(4)]
    options = {"preset": "ultrafast", "g": "30", "bf": "2"}
    with VideoWriter(
        path,
        width=width,
        height=height,
        rate=Fraction(rate),
        codec=codec,
        bit_depth=bits,
        transfer=transfer,
        matrix=matrix,
        crf=20,
        options=options,
    ) as writer:
        scale = 219 << (bits - 8)
        kind = np.uint16 if bits > 8 else np.uint8
        flat = np.full((height // 2, width // 2), 128 << (bits - 8), kind)
        for n in range(count):
            luma = base + np.roll(grains[n % 4], (n * 7, n * 13), (0, 1))
            writer.write(((luma * scale + (16 << (bits - 8))).astype(kind), flat, flat))
    return path


def cpu(work: Callable[[], object], repeat: int) -> float:
    """Median CPU seconds."""
    times = []
    for _ in range(repeat):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return statistics.median(times)


def raw(path: Path) -> None:
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        stream.codec_context.thread_count = default_threads()
        stream.codec_context.thread_type = "FRAME"
        for _ in container.decode(stream):
            pass


def decode(paths: list[Path], repeat: int) -> None:
    for path in paths:
        with open_clip(path) as clip:
            bare = cpu(lambda path=path: raw(path), repeat)
            ours = cpu(lambda clip=clip: [None for _ in clip.frames()], repeat)
        print(f"decode   {path.name:24s} ours/raw {ours / bare:.3f}")


def analyse(paths: list[Path], repeat: int) -> None:
    for path in paths:
        with open_clip(path) as clip:
            clip.clip_levels()
            w, h = clip.info.width, clip.info.height
            small = {f"r{n}": (w // 8 + n * w // 8, h // 3, w // 12, h // 12) for n in range(5)}
            quarter = {"quarter": (w // 4, h // 4, w // 2, h // 2)}
            tint = clip.tint((w // 4, h // 4, w // 2, h // 2))
            bare = cpu(lambda path=path: raw(path), repeat)
            runs = {
                "5 regions + rows, exact": lambda c=clip, r=small: collect(c, r, rows=("r0",)),
                "5 regions + rows of all, luma": lambda c=clip, r={**small, "all": None}, t=tint: collect(
                    c, r, rows=("all",), tint=t
                ),
                "quarter frame, exact": lambda c=clip, r=quarter: collect(c, r, rows=("quarter",)),
            }
            for label, work in runs.items():
                print(f"analyse  {path.name:24s} {label:30s} ours/raw {cpu(work, repeat) / bare:.3f}")


def naive(path: Path, numbers: list[int], pts: list[int]) -> None:
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        for number in numbers:
            container.seek(pts[number], stream=stream)
            for picture in container.decode(stream):
                if picture.pts is not None and picture.pts >= pts[number]:
                    break


def seek(paths: list[Path], repeat: int) -> None:
    for path in paths:
        with open_clip(path) as clip:
            numbers = random.Random(3).sample(range(len(clip.index)), 10)
            pts = [int(p) for p in clip.index.pts]
            ours = cpu(lambda c=clip, n=numbers: [c.frame(k) for k in n], repeat)
            theirs = cpu(lambda path=path, n=numbers, p=pts: naive(path, n, p), repeat)
            line = f"seek     {path.name:24s} ours/naive {ours / theirs:.3f}"
            if shutil.which("ffmpeg"):
                before = resource.getrusage(resource.RUSAGE_CHILDREN)
                for number in numbers:
                    at = f"{float(clip.index.times_s[number]):.6f}"
                    command = [
                        "ffmpeg",
                        "-v",
                        "error",
                        "-threads",
                        "1",
                        "-ss",
                        at,
                        "-i",
                        str(path),
                        "-frames:v",
                        "1",
                        "-f",
                        "null",
                        "-",
                    ]
                    subprocess.run(command, check=False)
                after = resource.getrusage(resource.RUSAGE_CHILDREN)
                tool = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
                line += f"   ours/ffmpeg -ss {ours / tool:.3f}"
        print(line)


def index(paths: list[Path], repeat: int) -> None:
    for path in paths:
        size = path.stat().st_size / 1e9
        took = cpu(lambda path=path: read_packets(path), repeat)
        packets = len(read_packets(path).pts)
        print(f"index    {path.name:24s} {1e6 * took / packets:.1f} ms per 1,000 packets, {took / size:.2f} s/GB")


def play(folder: Path, seconds: float) -> None:
    for label, names in (
        ("4 x 1080p30", ["1080p30-h264"] * 4),
        ("2 x 1080p60", ["1080p60-h264"] * 2),
        ("1 x 4K30 HEVC", ["4k30-hevc10"]),
    ):
        with Wall() as wall:
            wall.open([(str(n), make(folder, name)) for n, name in enumerate(names)], size=(960, 540))
            while not wall.ready():
                time.sleep(0.01)
            start = time.process_time()
            wall.play(0.0)
            while not wall.clock.running:
                wall.poll()
                time.sleep(0.002)
            end = time.monotonic() + seconds
            late = []
            while time.monotonic() < end:
                now = wall.clock.now()
                late += [now - picture.due_s for picture in wall.poll().values()]
                time.sleep(0.002)
            used = time.process_time() - start
            states, percent = wall.states().values(), 100 * used / seconds
            shown, skipped = sum(s.shown for s in states), sum(s.skipped for s in states)
            print(f"play {label:14s} shown {shown} skipped {skipped}, lag {max(late, default=0):.3f} s, {percent:.0f} % CPU")


def memory(folder: Path) -> None:
    path = make(folder, "4k30-hevc10")
    import psutil

    process = psutil.Process()
    base = process.memory_info().rss
    with Wall() as wall:
        wall.open([(str(n), path) for n in range(4)], size=(960, 540))
        while not wall.ready():
            time.sleep(0.01)
        wall.play(0.0)
        top = 0
        end = time.monotonic() + 8
        while time.monotonic() < end:
            wall.poll()
            top = max(top, process.memory_info().rss)
            time.sleep(0.02)
    print(f"memory   four 4K HEVC 10-bit clips playing: {top / 2**30:.2f} GB ({(top - base) / 2**30:.2f} GB more than idle)")


def damage(source: Path, count: int) -> None:
    """Flip bytes and cut: how many files were refused, how many pictures came, how many wrong ones were not marked."""
    clean = source.read_bytes()
    with open_clip(source) as clip:
        truth = {frame.pts: frame.luma().tobytes() for frame in clip.frames()}
    refused = came = marked = wrong = 0
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(count):
            rng = random.Random(seed)
            data = bytearray(clean)
            for _ in range(rng.randrange(1, 12)):
                data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
            path = Path(folder) / f"{seed}{source.suffix}"
            path.write_bytes(data)
            try:
                with open_clip(path) as clip:
                    for frame in clip.frames():
                        came += 1
                        marked += frame.damaged
                        wrong += not frame.damaged and frame.luma().tobytes() != truth.get(frame.pts)
            except ViewerError:
                refused += 1
    print(
        f"damage   {source.name:32s} {count} files: {refused} refused, {came} pictures, {marked} marked, {wrong} wrong unmarked"
    )


def main() -> None:
    """Run what was asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--which", default="decode", choices=["decode", "seek", "index", "analyse", "play", "memory", "damage"])
    parser.add_argument("--clip", type=Path, action="append")
    parser.add_argument("--repeat", type=int, default=3)
    parser.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()) / "gloaming-bench")
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    asked.folder.mkdir(exist_ok=True)
    paths = asked.clip or (
        [] if asked.which in ("play", "memory", "damage") else [make(asked.folder, n) for n in ("1080p60-h264", "4k30-hevc10")]
    )
    if asked.which == "play":
        play(asked.folder, 2.5)
    elif asked.which == "memory":
        memory(asked.folder)
    elif asked.which == "damage":
        data = Path(__file__).resolve().parent.parent / "data"
        for path in paths or [
            data / name
            for name in (
                "timecode-beep.mp4",
                "hevc-ts-sar-2740x2739-start1.67.ts",
                "vp9-webm-odd-size-161x121.webm",
                "av1-matroska-640x360.mkv",
            )
        ]:
            damage(path, 100)
    else:
        {"decode": decode, "seek": seek, "index": index, "analyse": analyse}[asked.which](paths, asked.repeat)


if __name__ == "__main__":
    main()

"""Speed of the media room, as ratios against the bare library in the same run.

    python tests/benchmarks/bench_media.py --which decode|seek|index|analyse|play|free|memory|damage|all [--clip FILE]

CPU time of this process.  The two sides of a ratio run in turn, and the median of the ratios is printed: other work on the
machine touches both alike.  Bars: decode <= 1.03 x raw; seek <= 0.85 x naive and <= 0.5 x ``ffmpeg -ss``; index
<= 0.1 s/GB; analyse <= 1.10 x decoding, 4K by luma <= 1.05 x; free running >= 0.88 of raw, 4K HEVC >= 0.9.
Clips of the kind "light" are encoded in the quickest way, so that decoding costs little and our share shows most; "usual" ones
have what cameras and encoders use by default: arithmetic coding, deblocking, the encoder's own choice of B pictures.
"""

from __future__ import annotations

import argparse
import os
import platform
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
from viewer.media.engine import Clock, Lane, Wall, default_play_threads
from viewer.media.indexing import read_packets
from viewer.media.writer import VideoWriter

LIGHT = {"preset": "ultrafast", "g": "30", "bf": "2"}
USUAL = {"preset": "veryfast", "g": "30"}
KINDS: dict[str, tuple[int, int, int, str, int, str, str, int, dict[str, str]]] = {
    "1080p60-h264": (1920, 1080, 60, "h264", 8, "bt709", "bt709", 90, LIGHT),
    "4k30-hevc10": (3840, 2160, 30, "hevc", 10, "hlg", "bt2020", 24, LIGHT),
    "1080p60-h264-usual": (1920, 1080, 60, "h264", 8, "bt709", "bt709", 60, USUAL),
    "4k30-hevc10-usual": (3840, 2160, 30, "hevc", 10, "hlg", "bt2020", 24, USUAL),
    "1080p30-h264": (1920, 1080, 30, "h264", 8, "bt709", "bt709", 90, LIGHT),
}
RATIO_KINDS = [name for name in KINDS if name != "1080p30-h264"]


def make(folder: Path, name: str) -> Path:
    """Write a noisy clip, once."""
    path = folder / f"{name}.mp4"
    if path.exists():
        return path
    width, height, rate, codec, bits, transfer, matrix, count, options = KINDS[name]
    rng = np.random.default_rng(1)
    y, x = np.mgrid[:height, :width].astype(np.float32)
    base = 0.3 + 0.2 * np.sin(x / 90) * np.cos(y / 70)
    grains = [rng.normal(0, 0.05, (height, width)).astype(np.float32) for _ in range(4)]
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


def cpu(work: Callable[[], object]) -> float:
    """CPU seconds of this process."""
    start = time.process_time()
    work()
    return time.process_time() - start


def ratio(ours: Callable[[], object], base: Callable[[], object], repeat: int) -> float:
    """Median of the ratios of CPU time, the two run in turn."""
    return statistics.median(cpu(ours) / cpu(base) for _ in range(repeat))


def raw(path: Path, threads: int | None = None) -> None:
    """Decode a clip with the bare library."""
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        stream.codec_context.thread_count = threads or default_threads()
        stream.codec_context.thread_type = "FRAME"
        for _ in container.decode(stream):
            pass


def decode(paths: list[Path], repeat: int) -> None:
    for path in paths:
        with open_clip(path) as clip:
            found = ratio(lambda clip=clip: [None for _ in clip.frames()], lambda path=path: raw(path), repeat)
        print(f"decode   {path.name:24s} ours/raw {found:.3f}")


def analyse(paths: list[Path], repeat: int) -> None:
    for path in paths:
        with open_clip(path) as clip:
            clip.clip_levels()
            w, h = clip.info.width, clip.info.height
            small = {f"r{n}": (w // 8 + n * w // 8, h // 3, w // 12, h // 12) for n in range(5)}
            quarter = {"quarter": (w // 4, h // 4, w // 2, h // 2)}
            tint = clip.tint((w // 4, h // 4, w // 2, h // 2))
            runs = {
                "5 regions + rows, exact": lambda c=clip, r=small: collect(c, r, rows=("r0",)),
                "5 regions + rows of all, luma": lambda c=clip, r={**small, "all": None}, t=tint: collect(
                    c, r, rows=("all",), tint=t
                ),
                "quarter frame, exact": lambda c=clip, r=quarter: collect(c, r, rows=("quarter",)),
            }
            for label, work in runs.items():
                print(f"analyse  {path.name:24s} {label:30s} ours/raw {ratio(work, lambda path=path: raw(path), repeat):.3f}")


def naive(path: Path, numbers: list[int], pts: list[int]) -> None:
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        for number in numbers:
            container.seek(pts[number], stream=stream)
            for picture in container.decode(stream):
                if picture.pts is not None and picture.pts >= pts[number]:
                    break


def tool(path: Path, times: list[float]) -> float:
    """CPU seconds of ``ffmpeg -ss`` for these pictures, one process each, as a user would run it."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    for at in times:
        command = ["ffmpeg", "-v", "error", "-threads", "1", "-ss", f"{at:.6f}", "-i", str(path)]
        subprocess.run([*command, "-frames:v", "1", "-f", "null", "-"], check=False)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def seek(paths: list[Path], repeat: int) -> None:
    for path in paths:
        with open_clip(path) as clip:
            numbers = random.Random(3).sample(range(len(clip.index)), 10)
            pts = [int(p) for p in clip.index.pts]
            times = [float(clip.index.times_s[number]) for number in numbers]
            by_tool, by_naive = [], []
            for _ in range(repeat):
                ours = cpu(lambda c=clip, n=numbers: [c.frame(k) for k in n])
                by_naive.append(ours / cpu(lambda path=path, n=numbers, p=pts: naive(path, n, p)))
                if shutil.which("ffmpeg"):
                    by_tool.append(ours / tool(path, times))
        line = f"seek     {path.name:24s} ours/naive {statistics.median(by_naive):.3f}"
        print(line + (f"   ours/ffmpeg -ss {statistics.median(by_tool):.3f}" if by_tool else ""))


def lengthened(path: Path, times: int) -> Path:
    """Write a clip's packets several times over, one after the other; nothing is encoded."""
    out = path.with_name(f"{path.stem}-x{times}.mp4")
    if out.exists():
        return out
    end = 0
    with av.open(str(out), "w") as target:
        copy = None
        for _ in range(times):
            with av.open(str(path)) as source:
                stream = source.streams.video[0]
                copy = copy or target.add_stream_from_template(stream)
                shift: int | None = None
                for packet in source.demux(stream):
                    if packet.dts is None:
                        continue
                    shift = end - packet.dts if shift is None else shift
                    packet.pts, packet.dts, packet.stream = packet.pts + shift, packet.dts + shift, copy
                    end = packet.dts + packet.duration
                    target.mux(packet)
    return out


def index(paths: list[Path], repeat: int) -> None:
    """One short and one long file tell what an index costs at all, and what each further GB costs."""
    for path in paths:
        long = lengthened(path, max(2, round(1e9 / path.stat().st_size)))
        small, large = (statistics.median(cpu(lambda p=p: read_packets(p)) for _ in range(repeat)) for p in (path, long))
        few, many = (len(read_packets(p).pts) for p in (path, long))
        gigabytes = (long.stat().st_size - path.stat().st_size) / 1e9
        print(
            f"index    {path.name:24s} {1e3 * (small - (large - small) * few / (many - few)):.1f} ms fixed, then "
            f"{1e6 * (large - small) / (many - few):.1f} ms per 1,000 packets, {(large - small) / gigabytes:.3f} s/GB"
        )


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


def run_free(lane: Lane) -> None:
    """Let a lane decode and render every picture for a pane as fast as it can: its clock stands, pictures are taken at once."""
    assert lane.clip is not None
    last = len(lane.clip) - 1
    lane.play(0.0)
    while (lane.state.number or 0) < last or not lane.primed:
        lane.take(float("inf"))
        time.sleep(0.004)


def free(paths: list[Path], repeat: int) -> None:
    threads = default_play_threads(1)
    for short in paths:
        path = lengthened(short, 3)
        ratios = []
        for _ in range(repeat):
            base = cpu(lambda path=path: raw(path, threads))
            lane = Lane(path, Clock(), size=(960, 540), threads=threads)
            try:
                while lane.state.status == "opening":
                    time.sleep(0.001)
                ratios.append(base / cpu(lambda lane=lane: run_free(lane)))
            finally:
                lane.close()
        found = statistics.median(ratios)
        print(f"free     {path.name:24s} rate of decoding and rendering for 960x540 / rate of raw decoding {found:.3f}")


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


KEPT = Path(__file__).resolve().parent.parent / "data"
HURT = ("timecode-beep.mp4", "hevc-ts-sar-2740x2739-start1.67.ts", "vp9-webm-odd-size-161x121.webm", "av1-matroska-640x360.mkv")
RATIOS = {"decode": decode, "seek": seek, "index": index, "analyse": analyse, "free": free}
OTHERS = ("play", "memory", "damage")


def main() -> None:
    """Run what was asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--which", default="decode", choices=[*RATIOS, *OTHERS, "all"])
    parser.add_argument("--clip", type=Path, action="append")
    parser.add_argument("--repeat", type=int, default=5)
    parser.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()) / "gloaming-bench")
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    asked.folder.mkdir(exist_ok=True)
    print(f"{os.cpu_count()} cores, Python {platform.python_version()}, PyAV {av.__version__}, OpenCV {cv2.__version__}")
    for which in [*RATIOS, *OTHERS] if asked.which == "all" else [asked.which]:
        if which in RATIOS:
            RATIOS[which](asked.clip or [make(asked.folder, n) for n in RATIO_KINDS], asked.repeat)
        elif which == "damage":
            for path in asked.clip or [KEPT / name for name in HURT]:
                damage(path, 100)
        else:
            {"play": lambda: play(asked.folder, 2.5), "memory": lambda: memory(asked.folder)}[which]()


if __name__ == "__main__":
    main()

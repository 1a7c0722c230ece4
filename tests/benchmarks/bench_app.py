"""Speed of the window, by hand: ``python tests/benchmarks/bench_app.py [--which render,paint,seek,play] [--clip FILE]``.

CPU time of the thread (best of three) where it says CPU, else the clock.  Quote ratios from one run, never single times.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
os.environ.setdefault("OMP_NUM_THREADS", "1")
ROOT = Path(__file__).resolve().parents[2]


def best(work: Callable[[], object], count: int) -> float:
    """Return the CPU time of one call in ms, best of three runs of `count` calls."""
    times = []
    for _ in range(3):
        start = time.thread_time()
        for _ in range(count):
            work()
        times.append(time.thread_time() - start)
    return 1e3 * min(times) / count


def render(clip: Path) -> None:
    """CPU of rendering one frame for a pane of 640 x 400, by rendering."""
    from viewer.app.model.render import Renderer, Target
    from viewer.media import open_clip

    with open_clip(clip, threads=1) as reader:
        frames = list(reader.frames(0, 12))
        scale = 640 / reader.info.width
        target = Target("p", (scale, 0, 0, 0, scale, 0), (640, 400), gain=1.5)
        print(f"decode {best(lambda: list(reader.frames(0, 12)), 1) / 12:.2f} ms/frame CPU of this thread")
        for name in ("as_filmed", "neutral_grey", "brightness_matched", "false_luminance"):
            renderer, wanted, at = Renderer(), replace(target, rendering=name), [0]

            def one(renderer: Renderer = renderer, wanted: Target = wanted, at: list[int] = at) -> None:
                at[0] += 1
                renderer.take(frames[at[0] % len(frames)])
                renderer.render(wanted)

            print(f"render {name:20} {best(one, 24):.2f} ms CPU")


def paint() -> None:
    """CPU of painting four pictures of 960 x 540."""
    import numpy as np
    from PySide6.QtCore import QPointF
    from PySide6.QtGui import QImage, QPainter

    from viewer.app.main import application
    from viewer.app.views.parts import to_image

    application()
    pictures = [np.random.default_rng(n).integers(0, 255, (540, 960, 4), dtype=np.uint8) for n in range(4)]
    images = [to_image(picture) for picture in pictures]
    canvas = QImage(1920, 1080, QImage.Format.Format_RGB32)

    def four() -> None:
        painter = QPainter(canvas)
        for n, image in enumerate(images):
            painter.drawImage(QPointF(960 * (n % 2), 540 * (n // 2)), image)
        painter.end()

    print(f"paint four panes of 960 x 540: {best(four, 50):.2f} ms CPU")


def live(clip: Path, *, play: bool) -> None:
    """Exact seeks through the window, or two seconds of playing two copies."""
    from viewer.app.main import application
    from viewer.app.model import ingest
    from viewer.app.model.settings import Settings
    from viewer.app.screens import settle
    from viewer.app.window import MainWindow
    from viewer.session.model import new_session

    with tempfile.TemporaryDirectory() as place:
        os.environ["XDG_STATE_HOME"] = place
        app = application()
        window = MainWindow(Settings(Path(place) / "settings.json"))
        window.resize(1600, 900)
        proposals = [ingest.Proposal((clip,), f"device {n}", "scene") for n in range(2)]
        refs = ingest.refer_all(proposals[:1], clip.parent)
        session = ingest.add_clips(new_session(), proposals[:1], refs)
        if play:
            other = replace(session.clips[0], id="second", take=2)
            session = session.put(other)
        window.document.path = clip.parent / "bench.gloam"  # never written: names the folder of the clip
        window.document.edit(session, "")
        window.stage.show_scene(session.scenes[0].id)
        window.stage.show_clips(tuple(c.id for c in session.clips))
        window.show()
        settle(window)
        _play(window, app) if play else _seek(window, app)
        window.document.history.mark_saved()
        window.force_close()


def _seek(window: object, app: object) -> None:
    import numpy as np

    total = len(window.engine.clips[window.stage.lead.id].index)  # type: ignore[attr-defined]
    times = []
    for number in np.random.default_rng(1).permutation(total)[:20]:
        index = window.engine.clips[window.stage.lead.id].index  # type: ignore[attr-defined]
        start = time.perf_counter()
        window.player.go(float(index.times_s[number]))  # type: ignore[attr-defined]
        window.wall.ask_now()  # type: ignore[attr-defined]
        while not window.engine.settled:  # type: ignore[attr-defined]
            app.processEvents()  # type: ignore[attr-defined]
        times.append(1e3 * (time.perf_counter() - start))
    print(f"seek to the picture on the pane: median {np.median(times):.0f} ms, longest {max(times):.0f} ms, {len(times)} seeks")


def _play(window: object, app: object) -> None:
    shown: dict[str, set[int]] = {}
    engine = window.engine  # type: ignore[attr-defined]
    engine.shown.connect(lambda c: shown.setdefault(c, set()).add(engine.clips[c].shown.number))
    window.player.go_to_end(last=False)  # type: ignore[attr-defined]
    start, cpu = time.perf_counter(), time.process_time()
    window.player.play()  # type: ignore[attr-defined]
    while time.perf_counter() - start < 2.0 and window.player.playing:  # type: ignore[attr-defined]
        app.processEvents()  # type: ignore[attr-defined]
        time.sleep(0.001)
    wall, used = time.perf_counter() - start, time.process_time() - cpu
    rate = float(engine.clips[window.stage.lead.id].info.average_rate)  # type: ignore[attr-defined]
    for clip, numbers in shown.items():
        print(f"play {clip[:12]}: {len(numbers)} of {wall * rate:.0f} frames shown, {100 * used / wall:.0f} % CPU in all")


def main() -> None:
    """Run the benches that were asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--which", default="render,paint,seek,play")
    parser.add_argument("--clip", type=Path, default=ROOT / "sample_clips" / "lamps_heron.mp4")
    given = parser.parse_args()
    print(f"{platform.platform()}, Python {sys.version.split()[0]}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}")
    print(given.clip.name)
    for name in given.which.split(","):
        if name == "render":
            render(given.clip)
        elif name == "paint":
            paint()
        else:
            live(given.clip, play=name == "play")


if __name__ == "__main__":
    main()

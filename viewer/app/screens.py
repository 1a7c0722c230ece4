"""Every screen, state and theme of the window as pictures: for looking at, one by one."""

from __future__ import annotations

import os
import tempfile
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QApplication, QDialog

from viewer.app import i18n
from viewer.app.commands.measuring import measure_all, with_readings
from viewer.app.model import ingest
from viewer.app.studio import README, USUAL, Studio, picture, settle
from viewer.app.window import MainWindow
from viewer.errors import ViewerError
from viewer.session import store
from viewer.session.model import FileRef, Session

DIALOGS = (
    "desk", "add_measure", "field", "repeats", "levels", "camera", "clip_place", "plan", "planner", "blind", "preferences",
    "publish", "card", "actions", "shortcuts", "manual", "audit", "about",
)  # fmt: skip


def render_all(folder: Path, *, only: tuple[str, ...] = (), session: Path | None = None, language: str = "en") -> list[Path]:
    """Render every screen into `folder`; return the files.

    Parameters
    ----------
    only : tuple of str
        Only screens whose name holds one of these words.
    session : Path, optional
        A session to show; the sample session, lined up and measured, if left out.
    language : str, optional
        Of the window, as in `viewer.app.i18n.LANGUAGES`.
    """
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as place:
        saved = {name: os.environ.get(name) for name in ("XDG_CONFIG_HOME", "XDG_STATE_HOME")}
        os.environ["XDG_CONFIG_HOME"] = os.environ["XDG_STATE_HOME"] = place
        try:
            studio = Studio(folder, only, language)
            path = session or _sample(Path(place))
            _all(studio, path, Path(place))
        finally:
            for name, value in saved.items():
                if value is None:
                    os.environ.pop(name, None)
                else:
                    os.environ[name] = value
    return studio.written


def _sample(place: Path) -> Path:
    from viewer.tasks.sample import make_sample_session
    from viewer.tasks.session import align_session

    session, path = make_sample_session(place / "sample")
    with suppress(ViewerError, ImportError):  # what cannot be done shows as such on the screens
        session = align_session(session, path.parent).session
    pairs = [(q.id, c.id) for q in session.requests for c in session.clips_of(q.scene)]
    runs: list[Any] = []
    with suppress(ViewerError):
        measure_all(session, path.parent, pairs, runs.append, progress=lambda _d, _t: None, cancelled=lambda: False)
    for run in runs:
        session = with_readings(session, run.session, set(run.results))
    store.save(session, path)
    return path


Shot = Callable[[Studio, Path, Path], None]


def _all(studio: Studio, path: Path, place: Path) -> None:
    for name, shot in SHOTS.items():
        words = (name, *README) if name == "readme" else (name,)
        if not studio.only or any(word.startswith(known) or known.startswith(word) for word in studio.only for known in words):
            shot(studio, path, place)


def _scene_of_kind(window: MainWindow, kind: str) -> None:
    scene = next((s for s in window.document.session.scenes if s.kind == kind and window.document.session.clips_of(s.id)), None)
    if scene is not None:
        window.stage.show_scene(scene.id)
        settle(window)


def _empty(studio: Studio, path: Path, place: Path) -> None:
    with studio.window(None) as window:
        studio.shoot("empty-first-page", window)
        window.pages.setCurrentIndex(0)
        studio.shoot("empty-window", window)
        window.document.change(lambda s: s, "")
        loud = store.load(path)
        store.autosave(loud, path)
        store.remember(path)
        window.greet()
        settle(window, 1)
        studio.shoot("empty-recover-and-recent", window)
        store.discard(loud)


def _main(studio: Studio, path: Path, place: Path) -> None:
    with studio.window(path) as window:
        for kind in ("chart", "screen", "lamps", "edge", "figure"):
            _scene_of_kind(window, kind)
            studio.shoot(f"main-{kind}-1366", window)
        _scene_of_kind(window, "lamps")
        window.stage.view_changed.emit()
        lead = window.stage.lead
        if lead is not None:
            window.player.step(3)
            window.stage.choose("clip", lead.id)
            settle(window)
            studio.shoot("main-stepped-and-chosen", window)
        for name in ("coverage", "readings"):
            window.frame.fold(name)
        settle(window)
        studio.shoot("main-folded", window)
    with studio.window(path, size=USUAL) as window:
        _scene_of_kind(window, "lamps")
        studio.shoot("main-1920", window)
        studio.shoot("main-4k-scale-2", window, 2.0)


def _look(studio: Studio, path: Path, place: Path) -> None:
    with studio.window(path) as window:
        _scene_of_kind(window, "lamps")
        for ident in ("look_split", "look_blink", "look_over", "look_difference"):
            window.run(ident)
            settle(window)
            studio.shoot(f"look-{ident.removeprefix('look_')}", window)
        window.run("look_side")
        for ident in ("neutral_grey", "brightness_matched", "false_luminance"):
            window.run(ident)
            settle(window)
            studio.shoot(f"look-{ident.replace('_', '-')}", window)
        window.run("as_filmed")
        window.run("clipped_marks")
        window.run("circle_dim")
        window.wall.zoom(2.2)
        settle(window)
        studio.shoot("look-clipped-zoomed-dimmed", window)


def _readings(studio: Studio, path: Path, place: Path) -> None:
    with studio.window(path, size=USUAL) as window:
        panel = window.readings_panel
        for kind in ("lamps", "screen", "edge", "chart", "figure"):
            _scene_of_kind(window, kind)
            if kind != "chart":
                _draw_curves(window)
            panel.show_part(panel.plots)
            settle(window, 5)
            studio.shoot(f"readings-plot-{kind}", window)
            _large_plots(studio, window, kind)
        panel.plots.as_table.setChecked(True)
        settle(window, 2)
        studio.shoot("readings-plot-as-table", window)
        panel.plots.as_table.setChecked(False)
        _scene_of_kind(window, "chart")
        panel.show_part(panel.scopes)
        settle(window, 10)
        studio.shoot("readings-scopes", window)


def _large_plots(studio: Studio, window: MainWindow, kind: str) -> None:
    """Every curve of the scene in a large window: radial profile, spectrum, rows by time, period, edge, MTF, levels."""
    plots = window.readings_panel.plots
    drawn = [n for n, plot in enumerate(plots.plots) if not plot.empty and not plot.ticks]
    for n in drawn[:8]:
        plots.choice.setCurrentIndex(n)
        plots._show()
        plots.open_large()
        settle(window, 3)
        for dialog in window.dialogs:
            dialog.resize(900, 560)
            settle(window, 1)
            studio.shoot(f"plot-{kind}-{n + 1}", dialog)
            dialog.close()
    if drawn:
        plots.choice.setCurrentIndex(drawn[0])
        plots._show()


def _dialogs(studio: Studio, path: Path, place: Path) -> None:
    with studio.window(path) as window:
        _scene_of_kind(window, "lamps")
        lead = window.stage.lead
        if lead is not None:
            window.stage.choose("clip", lead.id)
        for ident in DIALOGS:
            name = f"dialog-{ident.replace('_', '-')}"
            if not studio.wanted(name):
                continue
            window.run(ident)
            settle(window, 30)
            for dialog in window.dialogs:
                studio.shoot(name, dialog)
                dialog.close()
            settle(window, 1)
        _ingest(studio, window)
        _blind(studio, window)
        _by_hand(studio, window)


def _blind(studio: Studio, window: MainWindow) -> None:
    from viewer.app.views.blind import BlindDialog

    _scene_of_kind(window, "chart")
    window.run("blind")
    for dialog in window.dialogs:
        if isinstance(dialog, BlindDialog) and dialog.start.isEnabled():
            dialog.begin()
            settle(window, 30)
            studio.shoot("dialog-blind-judge", dialog)
            while dialog.reading is not None and dialog.reading.trial is not None:
                dialog.judge(float(dialog.reading.trial.target.partition("/")[0]) < 0.12)
            studio.shoot("dialog-blind-outcome", dialog)
        dialog.close()


def _by_hand(studio: Studio, window: MainWindow) -> None:
    """A lane that is being dragged, and matching points."""
    _scene_of_kind(window, "screen")
    clips = window.stage.clips
    if len(clips) < 2:
        return
    window.stage.choose("clip", clips[1].id)
    window.lanes._set_shift({clips[1].id: 0.12})
    settle(window)
    studio.shoot("hand-nudging", window)
    window.lanes._set_shift({})
    window.run("tool_pair")
    for pane, (x, y) in zip(window.wall.panes, ((0.5, 0.4), (0.5, 0.4), (0.5, 0.4)), strict=False):
        rect = pane.picture_rect
        at = window.wall.panes[0].pointer._to_clip(pane.clips[0], (x * rect.width(), y * rect.height()))
        window.wall.draw(pane.clips[0], at, at, dragged=False)
    settle(window)
    studio.shoot("hand-matching-points", window)
    window.run("tool_select")


def _ingest(studio: Studio, window: MainWindow) -> None:
    from viewer.app.views.ingest import IngestDialog

    folder = window.document.folder
    found = ingest.find_clips([folder])
    empty = Session(id="s")
    dialog: QDialog = IngestDialog(window, empty, ingest.guess(found, empty))
    dialog.setAttribute(Qt.WidgetAttribute.WA_DontShowOnScreen)
    dialog.show()
    settle(window, 20)
    studio.shoot("dialog-ingest", dialog)
    dialog.close()


def _themes(studio: Studio, path: Path, place: Path) -> None:
    for name in ("light", "red"):
        with studio.window(path, theme=name) as window:
            _scene_of_kind(window, "lamps")
            studio.shoot(f"theme-{name}", window)
            window.run("desk")
            settle(window, 2)
            for dialog in window.dialogs:
                studio.shoot(f"theme-{name}-desk", dialog)
                dialog.close()
    with studio.window(path, text=150) as window:
        _scene_of_kind(window, "lamps")
        studio.shoot("theme-text-150", window)
    with studio.window(path, language="de") as window:
        _scene_of_kind(window, "lamps")
        studio.shoot("theme-german", window)


def _states(studio: Studio, path: Path, place: Path) -> None:
    broken = place / "broken"
    broken.mkdir(exist_ok=True)
    (broken / "noise.mp4").write_bytes(b"this is no recording" * 400)
    session = store.load(path)
    clips: list[Any] = []
    for n, clip in enumerate(session.clips):
        files = tuple(replace(r, path=str((path.parent / r.path).resolve())) for r in clip.files)
        if n % 5 == 1:
            files = (FileRef(path="noise.mp4"),)
        if n % 7 == 3:
            files = (FileRef(path="gone.mp4", sha256="0" * 64, size=1),)
        clips.append(replace(clip, files=files))
    store.trust(*(Path(r.path) for clip in clips for r in clip.files if Path(r.path).is_absolute()))
    bad = broken / "broken.gloam"
    store.save(replace(session, clips=tuple(clips)), bad)
    with studio.window(bad) as window:
        studio.shoot("state-trouble", window)
        for scene in window.document.session.scenes:
            if any(c.id in window.stage.trouble for c in window.document.session.clips_of(scene.id)):
                window.stage.show_scene(scene.id)
                settle(window)
                window.trouble("noise.mp4: " + i18n.tr("This clip cannot be shown"))
                studio.shoot("state-trouble-on-the-wall", window)
                break
    with studio.window(path) as window:
        _scene_of_kind(window, "figure")
        window.engine.set_clips(window.document.folder, ())
        for pane in window.wall.panes:
            pane.forget_pictures()
        studio.shoot("state-loading", window)
        window.jobs.start(i18n.tr("Measuring"), _endless)
        time.sleep(0.2)
        QApplication.processEvents()
        studio.shoot("state-working", window)


def _endless(progress: Callable[[int, int], None], cancelled: Callable[[], bool]) -> None:
    progress(37, 100)
    while not cancelled():
        time.sleep(0.01)


def _readme(studio: Studio, path: Path, place: Path) -> None:
    """The two pictures of the README: the window with readings and a plot, and a published still."""
    if studio.wanted("window"):
        with studio.window(path, size=(1560, 960)) as window:
            _scene_of_kind(window, "lamps")
            _draw_curves(window)
            studio.shoot("window", window)
    if studio.wanted("still"):
        from viewer.cv import cv2
        from viewer.publish.still import render_still, write_still

        session = store.load(path)
        kinds = {scene.id: scene.kind for scene in session.scenes}
        spec = next((still for still in session.stills if kinds[still.scene] == "lamps"), None)
        if spec is not None:
            target = studio.folder / "still.png"
            still = render_still(session, path.parent, spec)
            # As published, then shrunk: drawn small, it would carry other words.
            small = np.asarray(cv2.resize(still.pixels, (1280, 720), interpolation=cv2.INTER_AREA))
            write_still(replace(still, pixels=small), target)
            studio.written.append(target)


def _draw_curves(window: MainWindow) -> None:
    """Read the frames that the curves in view need, and show them."""
    plots = window.readings_panel.plots
    for n, plot in enumerate(plots.plots):
        if plot.empty:
            plots.choice.setCurrentIndex(n)
            plots.read_frames()
    settle(window, 900)
    plots.choice.setCurrentIndex(0)
    plots._show()
    settle(window, 5)


SHOTS: dict[str, Shot] = {
    "empty": _empty,
    "main": _main,
    "look": _look,
    "readings": _readings,
    "dialog": _dialogs,
    "theme": _themes,
    "state": _states,
    "readme": _readme,
}

__all__ = ["picture", "render_all", "settle"]

"""Random actions, seeded: no exception, no dead thread, no growth without bound."""

from __future__ import annotations

import gc
import logging
import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PySide6.QtCore import QCoreApplication, QEvent, QPoint, Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

from viewer.app.actions import SPECS
from viewer.app.model.document import rebase
from viewer.app.window import MainWindow
from viewer.session import store

# What would leave the session, ask a modal question, or start minutes of work.
LEFT_OUT = {
    "quit",
    "sample",
    "align",
    "measure",
    "measure_all",
    "audit",
    "full_screen",
    "second_window",
    "new",
    "open",
    "publish",
}


def _act(window: MainWindow, rng: np.random.Generator, specs: list[Any]) -> None:
    kind = rng.integers(0, 10)
    if kind < 5:
        spec = specs[int(rng.integers(0, len(specs)))]
        if window.actions_[spec.id].isEnabled():
            window.run(spec.id)
    elif kind < 7 and window.wall.panes:
        pane = window.wall.panes[int(rng.integers(0, len(window.wall.panes)))]
        a = QPoint(int(rng.integers(0, pane.width())), int(rng.integers(0, pane.height())))
        b = QPoint(int(rng.integers(0, pane.width())), int(rng.integers(0, pane.height())))
        QTest.mousePress(pane, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier, a)
        QTest.mouseMove(pane, b)
        QTest.mouseRelease(pane, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier, b)
    elif kind == 7:
        session = window.document.session
        items = [("region", r.id) for r in session.regions] + [("note", n.id) for n in session.notes]
        items += [("clip", c.id) for c in session.clips] + [("scene", s.id) for s in session.scenes] + [("", "")]
        window.stage.choose(*items[int(rng.integers(0, len(items)))])
    elif kind == 8:
        window.player.go(float(rng.uniform(-0.5, 2.0)))
    else:
        scenes = [s.id for s in window.document.session.scenes]
        window.stage.show_scene(scenes[int(rng.integers(0, len(scenes)))] if scenes else None)
    for dialog in window.dialogs:
        if rng.random() < 0.5:
            dialog.close()


def _held(window: MainWindow, wait: Callable[..., None]) -> tuple[int, int]:
    """Return how many widgets and how many objects that Python collects are alive while the window is at rest."""
    for dialog in window.dialogs:
        dialog.close()
    wait(window)
    QCoreApplication.sendPostedEvents(None, QEvent.Type.DeferredDelete)
    gc.collect()
    return len(QApplication.allWidgets()), len(gc.get_objects())


LONG = [pytest.mark.slow, pytest.mark.timeout(3600)]


@pytest.mark.parametrize("count", [500, pytest.param(10_000, marks=LONG)])
def test_random_actions(
    make_window: Callable[..., MainWindow],
    session_file: Path,
    wait: Callable[..., None],
    answers: dict[str, Any],
    caplog: pytest.LogCaptureFixture,
    tmp_path: Path,
    count: int,
) -> None:
    if count > 1000 and os.environ.get("GLOAMING_SLOW") != "1":
        pytest.skip("set GLOAMING_SLOW=1 for the long run")
    window = make_window(session_file)
    wait(window)
    start, home = window.document.session, window.document.folder
    rng = np.random.default_rng(20260314)
    widgets = objects = 0
    specs = [spec for spec in SPECS if spec.id not in LEFT_OUT]
    texts = ["", "Rigg", "1,5 v", "0:00.4", "nonsense", None]
    for step in range(count):
        answers.update(
            text=texts[int(rng.integers(0, len(texts)))], choice=int(rng.integers(0, 2)) if rng.random() < 0.7 else None,
            saveto=tmp_path / "random.csv" if rng.random() < 0.3 else None, opens=[], folder=None,
        )  # fmt: skip
        if not window.document.session.scenes and step % 7 == 0:
            window.document.edit(rebase(start, home, window.document.folder), "start over")
        _act(window, rng, specs)
        if step % 5 == 0:
            QApplication.processEvents()
            QCoreApplication.sendPostedEvents(None, QEvent.Type.DeferredDelete)  # as the event loop of a running window does
        if step == count // 10:
            widgets, objects = _held(window, wait)
    window.player.pause()
    widgets_now, objects_now = _held(window, wait)
    assert widgets_now < widgets + 150, "widgets outlive what they were made for"
    assert objects_now - objects < max(5000, count), "objects pile up: more than one is kept for each action"
    assert not [r for r in caplog.records if r.levelno >= logging.ERROR], [r.getMessage() for r in caplog.records][:5]
    assert all(entry.worker.is_alive() or entry.trouble for entry in window.engine.clips.values())
    store.loads(store.dumps(window.document.session), where="after random actions")
    while window.document.history.can_undo:
        window.document.undo()
    now = window.document.session
    store.loads(store.dumps(now), where="after undoing all")
    assert all(path.is_file() for clip in now.clips for path in window.document.files_of(clip))
    if window.document.history.whole:  # else the first edits are forgotten by design
        assert [replace(clip, files=()) for clip in now.clips] == [replace(clip, files=()) for clip in start.clips]

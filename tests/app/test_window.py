"""The window as the user meets it: open, look, step, draw, undo, save, publish."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PySide6.QtCore import QMimeData, QPoint, QPointF, Qt, QTimer, QUrl
from PySide6.QtGui import QAccessible, QDropEvent, QImage
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QAbstractButton, QApplication, QComboBox, QLabel, QLineEdit, QWidget

from viewer.app.actions import SPECS
from viewer.app.model.geometry import apply
from viewer.app.views.pane import PaneView
from viewer.app.window import MainWindow
from viewer.session import store
from viewer.session.model import Session

FRAMES, HEIGHT, WIDTH = 24, 128, 192


def number_in(luma: np.ndarray) -> int:
    """Return the frame number in the blocks near the top (see conftest)."""
    levels = [float(luma[12:20, 52 + 16 * bit : 60 + 16 * bit].mean()) for bit in range(6)]
    middle = 0.5 * (float(luma.max()) + float(luma.min()))
    return sum((level > middle) << bit for bit, level in enumerate(levels))


def shown_number(window: MainWindow, clip: str) -> int:
    """Return the frame number that is painted for a clip, read off its picture."""
    from viewer.app.model.geometry import compose
    from viewer.cv import cv2

    pane = next(p for p in window.wall.panes if any(c.id == clip for c in p.clips))
    held, _ = pane.images[clip]
    matrix = np.array(held.target.matrix).reshape(2, 3)
    warp = compose(np.array([[1, 0, -0.5], [0, 1, -0.5]]), matrix)
    back = cv2.warpAffine(held.array, warp, (WIDTH, HEIGHT), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    return number_in(back[..., 1].astype(float))


def middle_of(window: MainWindow, clip: str, x: float, y: float) -> tuple[Any, QPoint]:
    """Return the pane of a clip and where a clip pixel is in it."""
    pane = next(p for p in window.wall.panes if any(c.id == clip for c in p.clips))
    entry = next(c for c in pane.clips if c.id == clip)
    sx, sy = apply(pane.matrix(entry), x, y)
    return pane, QPoint(round(sx), round(sy))


def test_first_page_without_anything(make_window: Callable[..., MainWindow]) -> None:
    window = make_window()
    window.greet()
    assert window.pages.currentWidget() is window.welcome
    texts = [button.text() for button in window.welcome.findChildren(QAbstractButton)]
    assert any("sample" in text for text in texts)


def test_opens_with_panes_and_thumbnails(window: MainWindow) -> None:
    assert len(window.wall.panes) == 3
    assert all(pane.has_picture() for pane in window.wall.panes)
    assert set(window.thumbs.pictures) == {"c-heron", "c-bittern", "c-plover"}
    assert window.coverage.grid.columns == ["d-heron", "d-bittern", "d-plover"]


def test_steps_are_exact_and_labels_true(window: MainWindow, wait: Callable[..., None]) -> None:
    window.stage.choose("clip", "c-heron")
    for ident, expected in (
        ("to_start", 0),
        ("step_on", 1),
        ("step_on", 2),
        ("step_on_10", 12),
        ("step_back", 11),
        ("to_end", None),
    ):
        window.run(ident)
        wait(window)
        words = window.wall.time_of(window.document.session.clip("c-heron"))
        if ident == "to_end":  # the last moment of all clips lies beyond this one's end by the other's offset
            assert words == "–", "no picture, no timestamp"
            continue
        assert window.player.number(window.stage.lead) == expected
        assert shown_number(window, "c-heron") == expected
        assert f"#{expected}" in words


def test_clips_follow_their_clocks(window: MainWindow, wait: Callable[..., None]) -> None:
    # Bittern's clock runs 0.08 s (two frames) behind: at scene time 0.4 s it shows frame 8, Heron frame 10.
    window.player.go(0.4)
    wait(window)
    assert shown_number(window, "c-heron") == 10
    assert shown_number(window, "c-bittern") == 8


def test_equal_angles_are_equal_places(window: MainWindow) -> None:
    # The disc is at x = 96 in Heron and 104 in Bittern; the poses bring both to one place of their panes.
    _, first = middle_of(window, "c-heron", 96, 80)
    _, second = middle_of(window, "c-bittern", 104, 80)
    assert abs(first.x() - second.x()) <= 1 and abs(first.y() - second.y()) <= 1


def test_resizing_keeps_scale_and_centre_common(window: MainWindow, wait: Callable[..., None]) -> None:
    rng = np.random.default_rng(3)
    for _ in range(15):
        window.resize(int(rng.integers(1000, 1700)), int(rng.integers(640, 1000)))
        QApplication.processEvents()
        scales = {round(float(np.linalg.det(p.matrix(p.clips[0])[:, :2])), 6) for p in window.wall.panes}
        assert len(scales) == 1
    wait(window)


def test_draws_a_region_by_pointer_and_undoes(window: MainWindow, qtbot: Any) -> None:
    window.run("tool_rect")
    pane, a = middle_of(window, "c-heron", 30, 30)
    _, b = middle_of(window, "c-heron", 60, 50)
    qtbot.mousePress(pane, Qt.MouseButton.LeftButton, pos=a)
    qtbot.mouseMove(pane, b)
    qtbot.mouseRelease(pane, Qt.MouseButton.LeftButton, pos=b)
    made = window.document.session.regions[-1]
    assert made.kind == "rect"
    assert np.allclose(made.geometry, (30, 30, 30, 20), atol=2)
    window.run("undo")
    assert len(window.document.session.regions) == 2
    window.run("redo")
    assert window.document.session.regions[-1] == made


def test_drawing_in_another_clip_lands_in_reference_pixels(window: MainWindow, qtbot: Any) -> None:
    window.run("tool_light")
    pane, at = middle_of(window, "c-bittern", 104, 80)
    qtbot.mouseClick(pane, Qt.MouseButton.LeftButton, pos=at)
    made = window.document.session.regions[-1]
    assert made.kind == "light"
    assert np.allclose(made.geometry, (96, 80), atol=1)


def test_moves_by_arrows_and_alone_with_alt(window: MainWindow, qtbot: Any) -> None:
    window.stage.choose("region", "g1")
    pane = window.wall.panes[0]
    pane.setFocus()
    qtbot.keyClick(pane, Qt.Key.Key_Right)
    qtbot.keyClick(pane, Qt.Key.Key_Down, Qt.KeyboardModifier.ShiftModifier)
    assert window.document.session.region("g1").geometry == (21.0, 50.0, 30.0, 24.0)
    other, at = middle_of(window, "c-bittern", 28 + 8, 60)
    qtbot.mousePress(other, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.AltModifier, pos=at)
    event_pos = at + QPoint(40, 0)
    from PySide6.QtGui import QMouseEvent

    move = QMouseEvent(
        QMouseEvent.Type.MouseMove, QPointF(event_pos), QPointF(other.mapToGlobal(event_pos)), Qt.MouseButton.NoButton,
        Qt.MouseButton.LeftButton, Qt.KeyboardModifier.AltModifier,
    )  # fmt: skip
    QApplication.sendEvent(other, move)
    qtbot.mouseRelease(other, Qt.MouseButton.LeftButton, pos=event_pos)
    region = window.document.session.region("g1")
    assert region.geometry == (21.0, 50.0, 30.0, 24.0), "the place in the reference stays"
    assert set(region.overrides) == {"c-bittern"}
    window.run("clear_override")
    assert not window.document.session.region("g1").overrides


def test_keyboard_alone_draws(window: MainWindow, qtbot: Any) -> None:
    window.run("tool_ellipse")
    window.run("draw_centre")
    assert window.document.session.regions[-1].kind == "ellipse"
    qtbot.keyClick(window.wall.panes[0], Qt.Key.Key_Escape)
    assert window.stage.tool == "select"


@pytest.mark.parametrize("look", ["look_split", "look_blink", "look_over", "look_difference", "look_side"])
def test_ways_to_look(window: MainWindow, wait: Callable[..., None], look: str) -> None:
    window.run(look)
    wait(window)
    assert len(window.wall.panes) == (3 if look == "look_side" else 1)
    assert all(pane.has_picture() for pane in window.wall.panes)
    if look == "look_difference":
        pane = window.wall.panes[0]
        pane.grab()
        assert pane._mixed is not None and pane.reach > 0


def test_laid_over_is_half_of_each(window: MainWindow, wait: Callable[..., None]) -> None:
    def seen(pane: PaneView) -> np.ndarray:
        image = pane.grab().toImage().convertToFormat(QImage.Format.Format_RGB888)
        rows = np.frombuffer(image.constBits(), np.uint8).reshape(image.height(), image.bytesPerLine())
        return rows[:, : 3 * image.width()].astype(float)

    session = window.document.session
    window.document.edit(session.drop(*(item.id for item in (*session.regions, *session.notes))), "bare")
    window.run("look_split")
    wait(window)
    pane = window.wall.panes[0]
    pictures = []
    for share in (1.0, 0.0):
        window.stage.split = share
        pictures.append(seen(pane))
    window.run("look_over")
    wait(window)
    mixed = seen(window.wall.panes[0])
    inside = slice(4, int(pane.picture_rect.height()) - 4), slice(30, 3 * int(pane.width()) - 30)
    a, b, both = (picture[inside] for picture in (*pictures, mixed))
    assert np.abs(a - b).mean() > 2
    assert np.abs(both - 0.5 * (a + b)).max() <= 2
    assert window.wall.badge_of(pane.clips[1]) == "half transparent"


def test_blink_never_above_three_per_second(window: MainWindow) -> None:
    # WCAG 2.2, success criterion 2.3.1: no more than three flashes a second; a flash is a pair of changes.
    window.run("look_blink")
    assert 1000 / window.wall._blink.interval() <= 3


def test_reduced_flicker_blinks_by_hand_only(make_window: Callable[..., MainWindow], session_file: Path, wait: Any) -> None:
    window = make_window(session_file, reduced_flicker=True)
    wait(window)
    window.run("look_blink")
    assert not window.wall._blink.isActive()
    before = window.wall.panes[0].first_on_top
    window.run("look_blink")
    assert window.wall.panes[0].first_on_top is not before
    from viewer.app import theme

    theme.set_reduced_flicker(False)


def test_brightness_match_is_badged_on_every_pane(window: MainWindow, wait: Callable[..., None]) -> None:
    window.run("brightness_matched")
    wait(window)
    for pane in window.wall.panes:
        badge = window.wall.badge_of(pane.clips[0])
        assert "brightness matched ×" in badge
    assert window.wall.gain(window.document.session.clip("c-bittern")) > 1.5


def test_pixel_readout_gives_code_and_light(window: MainWindow, qtbot: Any) -> None:
    pane, at = middle_of(window, "c-heron", 96, 80)
    with qtbot.waitSignal(window.engine.probed, timeout=5000) as caught:
        qtbot.mouseMove(pane, at)
    clip, reading = caught.args
    assert clip == "c-heron"
    # 0.8 x (0.7, 1, 0.6) in R'G'B': luminance by BT.709 (weights 0.2126, 0.7152, 0.0722; inverse OETF of BT.709).
    linear = [((v + 0.099) / 1.099) ** (1 / 0.45) for v in (0.56, 0.8, 0.48)]
    expected = 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
    assert reading.luminance == pytest.approx(expected, rel=0.04)
    luma = 0.2126 * 0.56 + 0.7152 * 0.8 + 0.0722 * 0.48
    assert reading.code == pytest.approx(16 + 219 * luma, abs=3)


def test_readings_say_refusals_and_verdicts(window: MainWindow) -> None:
    table = window.readings_panel.table
    kinds = [kind for kind, _ in table.grid.lines]
    assert kinds == ["title", "values", "common", "verdict"]  # two of the three have a value, and share a flag
    words = [table.grid.data(table.grid.index(1, c), Qt.ItemDataRole.AccessibleTextRole) for c in range(3)]
    assert "12.4" in words[0] and "±0.3" in words[0] and "out of date" not in words[0]
    assert words[2].endswith("film it two stops darker.")
    assert "Heron is larger" in table.grid.data(table.grid.index(3, 0))
    assert "12.4" in window.readings_panel.as_text()
    csv = window.readings_panel.as_csv()
    assert csv.splitlines()[0].startswith("scene,device,take") and ",12.4,12.1,12.7,px," in csv


def test_measuring_keeps_what_is_done_when_stopped(window: MainWindow, wait: Callable[..., None], monkeypatch: Any) -> None:
    """One request is measured, one has a fault of the program, one is stopped: the first one's numbers stay."""
    from dataclasses import replace

    from viewer.errors import Cancelled
    from viewer.session.model import Request
    from viewer.tasks import session as tasks
    from viewer.tasks.document import Result

    extra = [Request(id=f"q{n}", scene="s1", measure="noise", regions={"region": ("g1",)}) for n in (2, 3)]
    window.document.edit(window.document.session.put(*extra), "two more")

    def measure(session: Session, folder: Path, *, requests: Any, only: Any, **_: Any) -> tasks.Run:
        if requests == ["q2"]:
            raise ZeroDivisionError("a fault")
        if requests == ["q3"]:
            raise Cancelled
        fresh = tuple(replace(r, value=7.0, low=6.0, high=8.0, state="measured") for r in session.readings)
        return tasks.Run(replace(session, readings=fresh), results={pair: Result(command="bloom") for pair in only})

    monkeypatch.setattr(tasks, "measure_session", measure)
    window.run("measure_all")
    wait(window)
    assert {r.value for r in window.document.session.readings} == {7.0}


def test_clicking_a_number_goes_to_its_region(window: MainWindow) -> None:
    table = window.readings_panel.table
    before = window.stage.view
    table._clicked(table.grid.index(1, 0))
    assert window.stage.chosen.id == "g2"
    assert window.stage.view != before


def test_drop_asks_and_adds(make_window: Callable[..., MainWindow], clip_folder: Path, wait: Any, monkeypatch: Any) -> None:
    window = make_window()
    window.pages.setCurrentIndex(0)
    seen = []

    def confirm(proposals: list[Any]) -> list[Any]:
        seen.extend(proposals)
        return proposals

    monkeypatch.setattr(window, "confirm_ingest", confirm)
    data = QMimeData()
    data.setUrls([QUrl.fromLocalFile(str(clip_folder))])
    event = QDropEvent(
        QPointF(200, 200), Qt.DropAction.CopyAction, data, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier
    )
    window.dropEvent(event)
    wait(window)
    assert [(p.device, p.take) for p in seen] == [("Bittern", 1), ("Heron", 1), ("Plover", 1)]
    session = window.document.session
    assert [d.name for d in session.devices] == ["Bittern", "Heron", "Plover"]
    assert len(session.clips) == 3 and all(len(clip.files[0].sha256) == 64 for clip in session.clips)
    window.run("undo")
    assert not window.document.session.clips


def test_saves_and_opens_again(
    window: MainWindow, tmp_path: Path, answers: dict[str, Any], make_window: Any, wait: Any
) -> None:
    answers["saveto"] = tmp_path / "elsewhere" / "copy.gloam"
    (tmp_path / "elsewhere").mkdir()
    window.stage.choose("region", "g1")
    answers["text"] = "Low sky"
    window.run("rename")
    assert window.document.dirty
    window.run("save_as")
    assert not window.document.dirty
    again = store.load(tmp_path / "elsewhere" / "copy.gloam")
    assert again.region("g1").name == "Low sky"
    assert Path(again.clips[0].files[0].path).is_absolute(), "the clips stayed where they are"


def test_recovers_after_a_kill(window: MainWindow, make_window: Callable[..., MainWindow]) -> None:
    window.stage.choose("region", "g2")
    window.run("delete")
    window.document.flush()  # as the autosave timer does two seconds after the edit
    found = [r for r in store.recoveries() if r.session.id == "session-test"]
    assert found and len(found[0].session.regions) == 1
    window.document._release()
    other = make_window()
    other.recover(found[0], True)
    assert other.document.dirty and len(other.document.session.regions) == 1


def test_bad_and_missing_files_stay_theirs(
    make_window: Callable[..., MainWindow],
    session: Session,
    clip_folder: Path,
    tmp_path: Path,
    wait: Any,
    answers: dict[str, Any],
) -> None:
    from dataclasses import replace

    (tmp_path / "noise.mp4").write_bytes(b"no recording" * 99)
    files = {"c-bittern": (replace(session.clips[1].files[0], path="noise.mp4"),)}
    files["c-plover"] = (replace(session.clips[2].files[0], path="gone.mp4"),)
    files["c-heron"] = (replace(session.clips[0].files[0], path=str(clip_folder / "heron_take1.mp4")),)
    store.trust(clip_folder / "heron_take1.mp4")
    broken = replace(session, clips=tuple(replace(clip, files=files[clip.id]) for clip in session.clips))
    window = make_window(store.save(broken, tmp_path / "broken.gloam"))
    wait(window)
    assert {"c-bittern", "c-plover"} <= set(window.stage.trouble)
    assert window.wall.panes[0].has_picture()
    assert window.strip.steps[0].action == "relink"
    answers["folder"] = clip_folder
    window.run("relink")
    wait(window)
    assert "c-plover" not in window.stage.trouble
    assert not window.missing


def test_answers_of_a_thread_that_was_left_do_not_count(
    window: MainWindow, session: Session, tmp_path: Path, wait: Any
) -> None:
    """A clip that is opened anew (moved folder, other light) must not be marked by what its former thread still says."""
    for _ in range(5):
        window.engine.set_clips(tmp_path, window.stage.clips)  # nothing is there: these threads will fail
        window.engine.set_clips(window.document.folder, window.stage.clips)
    wait(window)
    assert not any(entry.trouble for entry in window.engine.clips.values())
    assert not window.stage.trouble


def test_publishes_into_a_folder(window: MainWindow, tmp_path: Path, wait: Any) -> None:
    from viewer.app.views.publishing import PublishDialog

    window.run("still")
    window.run("publish")
    dialog = next(d for d in window.dialogs if isinstance(d, PublishDialog))
    dialog.folder.setText(str(tmp_path / "out"))
    for name, box in dialog.products.items():
        box.setChecked(name in ("stills", "readings", "manifest"))
    dialog.go()
    wait(window, 60)
    names = {path.suffix for path in (tmp_path / "out").rglob("*") if path.is_file()}
    assert {".png", ".csv", ".json"} <= names, window.toast.text()


DIALOGS = [
    "desk",
    "add_measure",
    "field",
    "repeats",
    "levels",
    "camera",
    "plan",
    "preferences",
    "card",
    "actions",
    "shortcuts",
    "manual",
    "about",
    "publish",
]


@pytest.mark.parametrize("ident", DIALOGS)
def test_dialogs_open_named_and_close(window: MainWindow, ident: str) -> None:
    window.stage.choose("clip", "c-heron")
    window.run(ident)
    dialog = window.dialogs[-1]
    inner = ("qt_spinbox_lineedit", "ScrollLeftButton", "ScrollRightButton")  # parts of Qt's own controls
    for control in dialog.findChildren(QWidget):
        if not isinstance(control, QAbstractButton | QLineEdit | QComboBox) or not control.isVisible():
            continue
        if control.objectName() in inner or isinstance(control.parent(), QComboBox):
            continue
        assert control.accessibleName() or getattr(control, "text", str)(), control
    dialog.close()
    assert dialog not in window.dialogs


def test_everything_has_a_name_for_screen_readers(window: MainWindow) -> None:
    for view in (window.coverage, window.lanes, window.readings_panel.table, *window.wall.panes, window.transport.bar):
        face = QAccessible.queryAccessibleInterface(view)
        assert face is not None and face.text(QAccessible.Text.Name), view
    for button in window.findChildren(QAbstractButton):
        if button.isVisible() and button.objectName() not in ("ScrollLeftButton", "ScrollRightButton"):
            assert button.accessibleName() or button.text() or button.toolTip(), button


def test_tab_reaches_every_part(window: MainWindow, qtbot: Any) -> None:
    window.activateWindow()
    seen: set[int] = set()
    at: QWidget | None = window.strip
    for _ in range(400):
        at = at.nextInFocusChain() if at is not None else None
        if at is None:
            break
        if at.focusPolicy() & Qt.FocusPolicy.TabFocus:
            seen.add(id(at))
    for view in (window.coverage, window.lanes, window.readings_panel.table, window.transport.bar, *window.wall.panes):
        assert id(view) in seen, view


def test_every_action_has_its_command(window: MainWindow) -> None:
    assert {spec.id for spec in SPECS} == set(window._commands)
    keys = [spec.keys for spec in SPECS if spec.keys]
    assert len(keys) == len(set(keys))


def test_sizes_and_folds_persist(make_window: Callable[..., MainWindow], session_file: Path, wait: Any, tmp_path: Path) -> None:
    window = make_window(session_file)
    window.frame.fold("readings")
    window.across.setSizes([400, 700, 0])
    window.frame.store_sizes()
    window.settings.save()
    window.document._release()
    again = make_window(session_file)
    assert again.readings_panel.isHidden()
    assert abs(again.coverage_stack.width() - window.coverage_stack.width()) < 40


def test_second_window_and_full_screen_come_back(window: MainWindow) -> None:
    window.run("second_window")
    assert window.frame.wall_window is not None
    window.frame.wall_window.close()
    assert window.frame.wall_window is None and window.wall.window() is window
    window.run("full_screen")
    assert window.lanes.isHidden()
    window.run("full_screen")
    assert not window.lanes.isHidden()


def test_the_second_window_fills_its_own_screen(window: MainWindow) -> None:
    """Full screen belongs to the window that holds the wall: the other one would have nothing to show."""
    window.run("second_window")
    wall = window.frame.wall_window
    assert wall is not None
    window.run("full_screen")
    assert wall.isFullScreen() and not window.isFullScreen() and not window.strip.isHidden()
    assert window.actions_["full_screen"].isChecked()
    QTest.keyClick(wall, Qt.Key.Key_Escape)
    assert not wall.isFullScreen() and not window.actions_["full_screen"].isChecked()
    window.run("second_window")
    window.run("full_screen")
    window.run("second_window")  # from the full screen into its own window: everything else comes back
    assert not window.isFullScreen() and not window.strip.isHidden() and window.frame.wall_window is not None
    window.run("second_window")


def test_a_pane_without_a_picture_shows_no_timestamp(window: MainWindow, wait: Any) -> None:
    clip = window.document.session.clip("c-bittern")  # begins at 0.08 s, 24 frames at 25 a second
    pane = next(pane for pane in window.wall.panes if pane.clips[0].id == clip.id)
    assert window.wall.time_of(clip) != "–"
    window.player.go(2.0)
    wait(window)
    assert window.wall.time_of(clip) == "–" and window.wall.marks_of(clip) == ""
    assert pane._when(clip) == "The clip ended at 0:01.000."
    window.player.go(0.2)
    window.player.shifts[clip.id] = 0.5  # a lane that is being dragged
    assert pane._when(clip) == "The clip begins at 0:00.580." and window.wall.time_of(clip) == "–"
    window.player.shifts.clear()


def test_undo_after_saving_elsewhere_keeps_its_files(window: MainWindow, tmp_path: Path) -> None:
    """References are relative to the session's folder: those of earlier states have to move with it."""
    document = window.document
    document.edit(replace(document.session, title="One"), "first")
    document.edit(replace(document.session, title="Two"), "second")
    document.undo()
    (tmp_path / "elsewhere").mkdir()
    document.save(tmp_path / "elsewhere" / "harbour.gloam")
    for step in (document.undo, document.redo, document.redo):
        step()
        assert all(path.is_file() for clip in document.session.clips for path in document.files_of(clip))
    assert document.session.title == "Two" and document.history.undo_label == "second"
    document.undo()
    assert not document.dirty, "saved in this state"


def test_next_claims_nothing_before_it_knows(window: MainWindow) -> None:
    window.strip.set_steps([], sure=False)
    assert "Looking for what is missing" in {label.text() for label in window.strip.findChildren(QLabel)}
    window.strip.set_steps([], sure=True)
    assert "Nothing is missing for a fair comparison." in {label.text() for label in window.strip.findChildren(QLabel)}


def test_nudge_and_loop(window: MainWindow) -> None:
    window.stage.choose("clip", "c-bittern")
    window.run("nudge_on")
    clock = window.document.session.clip("c-bittern").clock
    assert clock is not None and clock.offset_s == pytest.approx(0.08 + 1 / 25) and clock.sync_by == "hand"
    window.player.go(0.2)
    window.run("loop_in")
    window.player.go(0.5)
    window.run("loop_out")
    assert window.player.loop_s() == (pytest.approx(0.2), pytest.approx(0.5))
    window.run("loop")
    window.player.go(0.3)
    clock_s = [0.0]
    window.player.now = lambda: clock_s[0]
    window.player.play()
    clock_s[0] = 0.35  # 0.3 + 0.35 = 0.65: 0.15 beyond the end of the loop
    window.player._tick()
    assert window.player.time_s == pytest.approx(0.35)
    window.player.pause()


def test_gui_thread_is_never_held_up(window: MainWindow, wait: Callable[..., None]) -> None:
    """Real work (scenes, playing, stepping, looks, scopes, plots, edits, dialogs) with a watchdog on the GUI thread.

    The bar is 50 ms for every single turn of the event loop.  What counts is the thread's own CPU time: on a machine shared
    with other work a turn can be late through no fault of the program.  Clocks of virtual machines add up to 10 ms.
    """
    from dataclasses import replace

    turns: list[tuple[float, str]] = []
    last, doing = [time.thread_time()], [""]

    def beat() -> None:
        now = time.thread_time()
        turns.append((now - last[0], doing[0]))
        last[0] = now

    def work(name: str, function: Callable[[], object], seconds: float = 0.15) -> None:
        doing[0] = name
        end = time.monotonic() + seconds
        function()
        while time.monotonic() < end:
            QApplication.processEvents()

    panel, stage, document = window.readings_panel, window.stage, window.document
    panel.show_part(panel.plots)
    wait(window)  # pyqtgraph is loaded here: an import holds the interpreter, whoever asks for it
    for name in ("desk", "add_measure", "publish", "shortcuts", "manual"):
        window.run(name)
        for dialog in window.dialogs:
            dialog.close()
    wait(window)
    last[0] = time.thread_time()
    timer = QTimer()
    timer.setInterval(0)
    timer.timeout.connect(beat)
    timer.start()
    work("plots", lambda: panel.show_part(panel.plots))
    work("scopes", lambda: panel.show_part(panel.scopes))
    work("play", lambda: window.run("play"), 0.8)
    work("pause", lambda: window.run("play"))
    for _ in range(6):
        work("step", lambda: window.run("step_on"), 0.05)
    for look in ("look_split", "look_difference", "look_side", "false_luminance", "as_filmed", "clipped_marks"):
        work(look, partial(window.run, look))
    for n in range(3):
        region = document.session.regions[0]
        work("edit", partial(document.edit, document.session.put(replace(region, name=f"name {n}")), "rename"))
    work("undo", lambda: window.run("undo"))
    work("scene", lambda: stage.show_scene(stage.scene_id))
    for name in ("desk", "add_measure", "publish", "shortcuts", "manual"):
        work(name, partial(window.run, name))
        work(f"close {name}", lambda: [dialog.close() for dialog in window.dialogs])
    timer.stop()
    wait(window)
    slow = [(round(1e3 * spent), name) for spent, name in turns if spent > 0.05]
    assert not slow, f"turns over 50 ms of CPU: {slow}"
    assert float(np.quantile([spent for spent, _ in turns], 0.99)) < 0.02

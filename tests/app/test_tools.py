"""The tools of the second look: confirmation sheet, presets, matching points, blind reading, planner, place of a clip."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QComboBox, QSpinBox

from viewer.align.transform import ClockMap, FieldCircle, Pose
from viewer.app.model import blind_reading, presets
from viewer.app.model.ingest import guess, kind_of_name
from viewer.app.views.clip_place import placed
from viewer.app.views.ingest import DEVICE, KIND, SCENE, TAKE, IngestDialog
from viewer.app.views.planner import PlannerDialog, parse_list
from viewer.app.window import MainWindow
from viewer.errors import UsageError
from viewer.measure.blind import Trial
from viewer.session.model import Region, Session


def _box(dialog: IngestDialog, n: int, column: int) -> QComboBox:
    box = dialog.table.cellWidget(n, column)
    assert isinstance(box, QComboBox)
    return box


def _type(box: QComboBox, text: str) -> None:
    box.setCurrentText(text)
    line = box.lineEdit()
    assert line is not None
    line.editingFinished.emit()


def test_the_sheet_sets_many_lines_and_counts_takes(window: MainWindow, clip_folder: Path, wait: Callable[..., None]) -> None:
    """Four nameless files: the scene is typed once for all, devices twice, and takes follow by themselves."""
    paths = [clip_folder / f"C000{n}.MP4" for n in range(1, 5)]
    empty = Session(id="s")
    dialog = IngestDialog(window, empty, guess(paths, empty))
    try:
        dialog.table.selectAll()
        assert dialog._group == {0, 1, 2, 3}
        _type(_box(dialog, 0, SCENE), "Quay lamps")
        assert [_box(dialog, n, SCENE).currentText() for n in range(4)] == ["Quay lamps"] * 4
        assert [_box(dialog, n, KIND).currentData() for n in range(4)] == ["lamps"] * 4
        dialog.table.clearSelection()
        for n, name in enumerate(("Heron", "Bittern", "Heron", "Bittern")):
            _type(_box(dialog, n, DEVICE), name)
        assert _box(dialog, 3, DEVICE).findText("Heron") >= 0  # a name that was typed is offered everywhere
        found = dialog.proposals()
        assert [(p.device, p.scene, p.take) for p in found] == [
            ("Heron", "Quay lamps", 1), ("Bittern", "Quay lamps", 1), ("Heron", "Quay lamps", 2), ("Bittern", "Quay lamps", 2),
        ]  # fmt: skip
        take = dialog.table.cellWidget(2, TAKE)
        assert isinstance(take, QSpinBox)
        take.setValue(5)
        _type(_box(dialog, 0, DEVICE), "Plover")
        assert [p.take for p in dialog.proposals()] == [1, 1, 5, 2]  # what was typed stays
        wait(window)
        assert all(dialog.glimpses[n].toolTip() for n in range(4))  # files that are not there say so
    finally:
        dialog.reject()


def test_names_tell_the_kind_of_scene() -> None:
    assert [kind_of_name(text) for text in ("Office monitor", "Street lamps", "Tri-bar chart", "Monday")] == [
        "screen", "lamps", "chart", "other",
    ]  # fmt: skip


def test_folders_of_cameras_are_no_devices() -> None:
    """JEITA CP-3461 (DCF): folders of a card are called by three digits and five characters."""
    paths = [Path("/card/DCIM/100MEDIA/C0001.MP4"), Path("/card/DCIM/101CANYO/C0001.MP4"), Path("/card/Heron_lamps.mp4")]
    assert [p.device for p in guess(paths, Session(id="s"))] == ["", "", "Heron"]


# --- presets ---


@pytest.mark.parametrize("kind", sorted(presets.PRESETS))
def test_presets_lie_in_the_field_and_can_be_undone(session: Session, kind: Any) -> None:
    """Every spot of every kind lies within the picture; those that are measured as light lie within the field circle."""
    clip = replace(session.clip("c-heron"), circle=FieldCircle(cx=640.0, cy=360.0, radius=340.0))
    bare = replace(session.put(replace(session.scene("s1"), kind=kind)), regions=(), requests=(), readings=(), verdicts=())
    made, added = presets.lay_out(bare, "s1", clip, (1280, 720))
    assert len(added) == len(made.regions) == len(presets.PRESETS[kind].spots)
    for region in made.regions:
        x, y, w, h = region.geometry
        assert x >= 0 and y >= 0 and x + w <= 1280 and y + h <= 720
        if region.name != "outside the field":
            corners = [(x, y), (x + w, y), (x, y + h), (x + w, y + h)]
            assert all(np.hypot(a - 640, b - 360) < 340 for a, b in corners)
    assert {q.measure for q in made.requests} == {measure for measure, _ in presets.PRESETS[kind].measures}
    again, more = presets.lay_out(made, "s1", clip, (1280, 720))
    assert again == made and not more


def test_lamps_are_found_once_and_carried(session: Session) -> None:
    """Lamps found in the reference become regions, so that 'lamp 2' is the same lamp in every clip."""
    bare = replace(session, regions=(), requests=(), readings=(), verdicts=())
    made, added = presets.lay_out(bare, "s1", session.clip("c-heron"), (192, 128), lamps=((40.0, 50.0), (90.0, 52.0)))
    lights = [region for region in made.regions if region.kind == "light"]
    assert [region.name for region in lights] == ["lamp 1", "lamp 2"] and len(added) == 3
    (bloom,) = (q for q in made.requests if q.measure == "bloom")
    assert bloom.regions["light"] == tuple(region.id for region in lights)


def test_presets_from_the_menu(window: MainWindow, wait: Callable[..., None]) -> None:
    window.document.edit(window.document.session.put(replace(window.document.session.scene("s1"), kind="other")), "kind")
    window.run("presets")
    wait(window)
    session = window.document.session
    assert {"bright patch", "dark patch"} <= {region.name for region in session.regions_of("s1")}
    assert any(q.measure == "contrast" for q in session.requests)
    window.run("undo")
    assert "bright patch" not in {region.name for region in window.document.session.regions}


# --- matching points ---


def test_matching_points_line_a_clip_up(window: MainWindow, qtbot: Any, wait: Callable[..., None]) -> None:
    """Clicks on true pairs give the pose they were made with (a similarity through points is exact)."""
    true = Pose(scale=1.05, rotation_deg=2.0, shift_x=-6.0, shift_y=3.0)
    session = window.document.session
    window.document.edit(session.put(replace(session.clip("c-bittern"), pose=None)), "forget")
    window.run("tool_pair")
    draw = window._commands["tool_pair"].__self__  # type: ignore[attr-defined]
    reference = window.document.session.clip("c-heron")
    for n, (x, y) in enumerate(((60.0, 50.0), (130.0, 60.0), (90.0, 100.0))):
        bittern = window.document.session.clip("c-bittern")
        draw.paired(bittern, (1.0, 1.0)) if n == 0 else None  # a click without a partner changes nothing
        assert n or window.document.session.clip("c-bittern").pose is None
        draw.paired(reference, (x, y))
        there = true.to_clip(np.array([[x, y]]))[0]
        draw.paired(bittern, (float(there[0]), float(there[1])))
    found = window.document.session.clip("c-bittern").pose
    assert found is not None and found.pose_by == "hand" and found.residual_px == pytest.approx(0.0, abs=1e-6)
    assert found.matrix == pytest.approx(true.matrix, abs=1e-6)
    window.run("undo")
    assert window.document.session.clip("c-bittern").pose is None  # the three pairs are one edit
    qtbot.keyClick(window, Qt.Key.Key_Escape)
    assert window.stage.tool == "select" and not window.stage.pairs


def test_a_click_with_the_tool_reaches_it(window: MainWindow, qtbot: Any) -> None:
    window.run("tool_pair")
    pane = window.wall.panes[0]
    qtbot.mouseClick(pane, Qt.MouseButton.LeftButton, pos=pane.picture_rect.center().toPoint())
    assert window.stage.pair_from is not None


# --- nudging ---


def test_a_dragged_lane_shows_how_alike_the_light_runs(window: MainWindow) -> None:
    """Two lanes with one light curve, the second late by 0.2 s: the match is 1 there and less elsewhere."""
    from viewer.app.model.wave import LaneData

    session = window.document.session
    window.document.edit(session.put(*(replace(c, clock=ClockMap()) for c in session.clips)), "clocks")
    times = np.arange(0.0, 4.0, 0.02)
    level = 1.0 + 0.5 * np.sin(2.0 * times) + 0.2 * np.sin(7.0 * times)
    late = 1.0 + 0.5 * np.sin(2.0 * (times - 0.2)) + 0.2 * np.sin(7.0 * (times - 0.2))
    window.lanes.data = {"c-heron": LaneData(times, level), "c-bittern": LaneData(times, late)}
    clip = window.document.session.clip("c-bittern")
    matches = {shift: window.lanes.match(clip, shift) for shift in (-0.4, -0.2, 0.0)}
    assert matches[-0.2] == pytest.approx(1.0, abs=1e-3)
    assert all(value is not None and value < 0.99 for shift, value in matches.items() if shift != -0.2)
    before = window.player.number(clip, 0.4)
    window.lanes._set_shift({"c-bittern": -0.2})
    assert "match" in window.lanes.residual_words(clip)
    assert window.player.number(clip, 0.4) != before  # the wall follows the hand
    window.lanes._set_shift({})
    assert window.player.number(clip, 0.4) == before


@pytest.mark.parametrize(
    ("half_ms", "said"), [(0.162, "±0.16 ms"), (0.0104, "±0.010 ms"), (3.66, "±3.7 ms"), (24.2, "±24 ms"), (0.0, "±0.000 ms")]
)
def test_a_lane_tells_the_error_of_its_offset(window: MainWindow, half_ms: float, said: str) -> None:
    """What stands behind the sign is half of the 95 % interval, not the residual of the fit."""
    half = 1e-3 * half_ms
    clock = ClockMap(offset_s=0.2, offset_low_s=0.2 - half, offset_high_s=0.2 + half, sync_by="sound", residual_s=1e-6)
    session = window.document.session
    window.document.edit(session.put(replace(session.clip("c-bittern"), clock=clock)), "clock")
    assert window.lanes.residual_words(window.document.session.clip("c-bittern")).startswith(said)


# --- blind reading ---


def _charted(session: Session) -> Session:
    bars = tuple(
        Region(
            id=f"b{n}",
            scene="s1",
            kind="bars",
            name=f"b{n}",
            geometry=(60.0 + 12 * n, 50.0, 10.0, 10.0),
            settings={"lpmm": 1.0 * 2**n, "way": "v"},
        )
        for n in range(3)
    )
    return session.put(*bars)


def test_a_blind_reading_hides_the_device_and_joins_it_later(session: Session, clip_folder: Path) -> None:
    """Readers who answer by one rule agree fully (kappa 1); the finest target they resolve is that of the rule."""
    charted = _charted(session)
    targets = blind_reading.targets_of(charted, "s1", near_limit=False)
    assert [blind_reading.target_name(t) for t in targets] == ["1/v", "2/v", "4/v"]
    readings = []
    for n in (1, 2):
        reading = blind_reading.prepare(charted, clip_folder, charted.clips, targets, 0.4, seed=n)
        assert len(reading.trials) == 9 and all(picture.dtype == np.uint8 for picture in reading.pictures.values())
        reading.reader = f"Reader {n}"
        while reading.trial is not None:
            reading.answer(float(reading.trial.target.partition("/")[0]) <= 2.0)
        readings.append(reading)
    assert [t.device for t in readings[0].trials] != [t.device for t in readings[1].trials]
    found = blind_reading.outcome(readings, {"d-heron": 2.0, "d-bittern": 2.0, "d-plover": 2.0})
    assert set(found.limits.values()) == {2.0}
    assert found.machine["Reader 1"] == (pytest.approx(1.0), 9) and found.readers["Reader 1", "Reader 2"] == (
        pytest.approx(1.0),
        9,
    )
    lines = blind_reading.as_csv(readings, {}).splitlines()
    assert len(lines) == 19 and lines[0] == "reader,number,code,target,device,resolved"


def test_answers_can_be_taken_back() -> None:
    reading = blind_reading.Reading((Trial(0, "101", "a", "1/v"), Trial(1, "102", "b", "1/v")), {})
    reading.answer(True)
    reading.back()
    reading.answer(False)
    assert [a.resolved for a in reading.answers] == [False] and reading.trial is not None


def test_a_patch_tells_neither_brightness_nor_tint() -> None:
    light = np.random.default_rng(1).uniform(0.2, 0.4, (40, 40)).astype(np.float32)
    one, two = (blind_reading.patch(light * gain, (10, 10, 12, 12)) for gain in (1.0, 3.7))
    assert np.abs(one.astype(int) - two.astype(int)).max() <= 1


def test_the_dialog_leads_through_a_reading(window: MainWindow, wait: Callable[..., None], qtbot: Any) -> None:
    from viewer.app.views.blind import BlindDialog

    window.document.edit(_charted(window.document.session), "bars")
    window.player.go(0.4)
    window.run("blind")
    (dialog,) = window.dialogs
    assert isinstance(dialog, BlindDialog)
    dialog.begin()
    wait(window)
    assert dialog.reading is not None
    for n in range(len(dialog.reading.trials)):
        qtbot.keyClick(dialog, Qt.Key.Key_Y if n % 2 else Qt.Key.Key_N)
    assert dialog.pages.currentIndex() == 2 and "Heron" in dialog.told.text()


# --- planner ---


def test_the_planner_knows_what_a_shutter_hides(window: MainWindow) -> None:
    """1/50 s removes 100 Hz and its multiples: sin(pi f T) / (pi f T) is zero where f T is whole."""
    dialog = PlannerDialog(window)
    dialog.rates.setText("50  59.94")
    dialog.shutters.setText("1/50, 1/1000")
    made = dialog.made()
    assert [round(s.frame_rate, 3) for s in made.settings] == [50.0, 50.0, 59.94, 59.94]
    slow = made.settings[0].blind_hz
    assert any(low <= 100.0 <= high for low, high in slow) and any(low <= 200.0 <= high for low, high in slow)
    fast = made.settings[3].blind_hz  # 1/1000 s at 59.94 fps shows 100 Hz
    assert not any(low <= 100.0 <= high for low, high in fast)
    dialog.rates.setText("x")
    assert "number" in dialog.note.text()  # type: ignore[attr-defined]
    dialog.reject()


@pytest.mark.parametrize(("text", "values"), [("25 50", [25, 50]), ("25; 59,94", [25, 59.94]), ("25, 50", [25, 50])])
def test_lists_of_numbers(text: str, values: list[float]) -> None:
    assert parse_list(text) == values


def test_empty_lists_are_refused() -> None:
    with pytest.raises(UsageError):
        parse_list("  ")


# --- place of a clip ---


def test_a_clip_moves_to_another_cell(session: Session) -> None:
    moved = placed(session, "c-heron", scene="s2", device="d-plover", take=2, role="device")
    clip = moved.clip("c-heron")
    assert (clip.scene, clip.device, clip.take, clip.clock, clip.pose) == ("s2", "d-plover", 2, None, None)
    assert moved.scene("s1").reference_clip is None
    assert all(reading.clip != "c-heron" for reading in moved.readings)
    same = placed(session, "c-bittern", scene="s1", device="d-bittern", take=3, role="device")
    assert same.clip("c-bittern").clock is not None and len(same.readings) == len(session.readings)


# --- manual ---


def test_the_manual_opens_where_the_focus_is(window: MainWindow) -> None:
    for widget, page in ((window.coverage, "clips"), (window.lanes, "aligning")):
        widget.setFocus()
        assert window.places.manual_page() == page
    window.readings_panel.table.setFocus()
    window.readings_panel.table.setCurrentIndex(window.readings_panel.table.grid.index(1, 0))
    assert window.readings_panel.measure() == "bloom"


def test_the_contents_of_the_manual_name_every_page() -> None:
    import re

    from viewer.app.views.helping import manual_pages, manual_text

    linked = set(re.findall(r"\]\((\w[\w-]*)\.md\)", manual_text("index")))
    assert {name for name, _ in manual_pages()} - {"index"} <= linked


# --- publishing and repeats ---


def test_the_window_offers_every_product(window: MainWindow) -> None:
    """What publishing can make, the window offers, in every format of stills."""
    from viewer.app.views.publishing import FORMS, PRODUCTS, PublishDialog
    from viewer.publish import everything

    assert set(PRODUCTS) == set(everything.PRODUCTS)
    dialog = PublishDialog(window)
    assert dialog.deep.isEnabled()
    dialog.form.setCurrentIndex(list(FORMS).index("jpg"))
    dialog.form.activated.emit(dialog.form.currentIndex())
    assert not dialog.deep.isEnabled(), "only PNG is written with 16 bits by choice"
    dialog.deleteLater()


def test_next_leads_to_the_takes_worth_filming(window: MainWindow, wait: Callable[..., None]) -> None:
    """Two halo radii that differ by less than their errors: the strip names a take, the dialog says what it would buy."""
    from viewer.app.views.repeats import RepeatsDialog
    from viewer.tasks.session import verdicts_of

    session = window.document.session
    wide = tuple(replace(r, low=r.value - 2.0, high=r.value + 2.0) if r.value is not None else r for r in session.readings)
    changed = replace(session, readings=wide)
    window.document.edit(replace(changed, verdicts=verdicts_of(changed)), "test")
    wait(window)
    step = next(step for step in window.next_steps() if step.action == "repeats")
    assert step.text == "One more take of Bittern in “Quay lamps” would narrow 1 open comparison."
    window.run("repeats")
    dialog = next(d for d in window.dialogs if isinstance(d, RepeatsDialog))
    assert dialog.head.text() == "2 comparisons cannot be told yet."
    group = dialog.tree.topLevelItem(0)
    assert group is not None and group.text(0) == "Bittern, Quay lamps" and group.text(1) == "1 open"
    line = group.child(0)
    assert line.text(0) == "Halo radius: Gate lamp" and line.text(1) == "±2.0" and line.text(2).startswith("±")
    dialog.close()

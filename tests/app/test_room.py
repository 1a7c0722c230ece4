"""Words that find room, or give way whole: heads, tools, names on pictures."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from PySide6.QtCore import QRectF, Qt
from PySide6.QtGui import QFontMetricsF

from viewer.app import i18n
from viewer.app.model.table import region_words
from viewer.app.screens import settle
from viewer.app.theme import words
from viewer.app.views.overlay import Names
from viewer.app.views.wrapped import text_height
from viewer.app.window import MainWindow
from viewer.session.model import Request, Session

BOX = [(100.0, 100.0), (140.0, 100.0), (140.0, 120.0), (100.0, 120.0)]


def test_names_keep_off_lines_and_off_each_other(qtbot: object) -> None:
    """A name stands above its region; where a line would strike it through it goes elsewhere, at last nowhere."""
    width = QFontMetricsF(words(11, strong=True)).horizontalAdvance("lamp 1")
    rect = QRectF(0, 0, 400, 300)
    free = Names([BOX], rect)
    assert free.place(BOX, "lamp 1") is not None
    first = Names([BOX], rect).place(BOX, "lamp 1")
    assert first is not None and first.y() < 100
    struck = Names([BOX], rect)
    struck.keep_off_lines([(80.0, 92.0), (110.0 + width, 92.0)])
    below = struck.place(BOX, "lamp 1")
    assert below is not None and below.y() > 120
    again = struck.place(BOX, "lamp 1")
    assert again is not None and again != below, "two names never share a place"
    assert free.within((395.0, 50.0), "lamp 1", 11) == (pytest.approx(396 - width), 50.0), "words stay in the picture"
    assert free.within((50.0, 50.0), "lamp 1", 11) == (50.0, 50.0)
    assert free.within((900.0, 50.0), "lamp 1", 11) == (900.0, 50.0), "what is out of view takes its words along"
    full = Names([BOX], rect)
    for y in range(0, 300, 6):
        full.keep_off_lines([(0.0, float(y)), (400.0, float(y))])
    assert full.place(BOX, "lamp 1") is None


@pytest.mark.parametrize("percent", [100, 150, 175])
def test_heads_of_devices_are_never_shortened(make_window: Callable[..., MainWindow], session_file: Path, percent: int) -> None:
    window = make_window(session_file, text_percent=percent)
    assert settle(window)
    for width in (190, 264, 420):
        window.across.setSizes([width, 700, 340])
        settle(window, 2)
        view = window.coverage
        needed = max(text_height(device.name, words(11), view.cell_span(0)[1]) for device in window.document.session.devices)
        metrics = QFontMetricsF(words(11))
        beside = all(metrics.horizontalAdvance(d.name) + 18 <= view.cell_span(0)[1] for d in window.document.session.devices)
        assert view.head.height() >= needed + (0 if beside else 18)
        # Cells and their heads begin where the names of scenes do.
        assert view.cell_span(0)[0] == 12
        last = view.cell_span(len(view.grid.columns) - 1)
        assert last[0] + last[1] == pytest.approx(view.viewport().width() - 12)


def test_tools_show_whole_words_or_none(make_window: Callable[..., MainWindow], session_file: Path) -> None:
    window = make_window(session_file)
    assert settle(window)
    bar, style = window.bar, Qt.ToolButtonStyle
    menus = (bar.rendering, bar.regions, bar.notes)
    window.across.setSizes([200, 900, 240])
    settle(window, 2)
    assert {button.toolButtonStyle() for button in menus} == {style.ToolButtonTextBesideIcon}
    window.across.setSizes([620, 330, 416])
    settle(window, 2)
    assert any(button.toolButtonStyle() == style.ToolButtonIconOnly for button in menus)
    for button in menus:
        if button.toolButtonStyle() == style.ToolButtonTextBesideIcon:
            assert button.width() >= button.minimumSizeHint().width()
        assert button.toolTip() and button.accessibleName()


def test_bars_are_named_by_frequency_and_way(session: Session) -> None:
    asked = replace(session, requests=(Request(id="q1", scene="s1", measure="bars", regions={"target": ("g1", "g2")}),))
    assert region_words(asked, "q1", "0.05568/v") == "0.05568 lp/mm, upright bars"
    i18n.set_language("de")
    try:
        assert region_words(asked, "q1", "4/h") == "4 lp/mm, liegende Balken"
        assert region_words(asked, "q1", "all frames") == "alle Bilder"
    finally:
        i18n.set_language("en")


def test_the_audit_names_what_differs_at_once(make_window: Callable[..., MainWindow], session_file: Path) -> None:
    from viewer.app.views.audit import AuditDialog
    from viewer.session.audit import Row
    from viewer.tasks.audit import SceneAudit

    window = make_window(session_file)
    assert settle(window)
    window.run("audit")
    dialog = next(dialog for dialog in window.dialogs if isinstance(dialog, AuditDialog))
    assert settle(window)
    rows = [
        Row(setting="shutter_s", label="Shutter", state=state, sentence=f"{state}.", values=())
        for state in ("same", "different", "unknown")
    ]
    dialog.show_audits([SceneAudit(scene="Quay lamps", clips=(), rows=tuple(rows))])
    assert dialog.head.text() == "1 difference found: Shutter (Quay lamps)"
    dialog.show_audits([SceneAudit(scene="Quay lamps", clips=(), rows=tuple(rows[:1]))])
    assert dialog.head.text() == "Nothing differs where it is known."
    dialog.close()

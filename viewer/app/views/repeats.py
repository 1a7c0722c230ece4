"""Which takes to film again: what each further take would buy, device by device."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QHeaderView, QTreeWidget, QTreeWidgetItem

from viewer.app.i18n import number, tr, trn
from viewer.app.model.glossary import title_of
from viewer.app.model.plots import moment_words
from viewer.app.model.table import region_words
from viewer.app.said import said
from viewer.app.theme import figures
from viewer.app.views.dialog import Dialog, quiet
from viewer.app.views.parts import label, marker_icon, styles_of
from viewer.publish.words import decimals

if TYPE_CHECKING:
    from viewer.app.window import MainWindow
    from viewer.tasks.repeats import Repeat

MOST_SHOWN = 200  # of one device in one scene: a chart has dozens of targets


class RepeatsDialog(Dialog):
    """One line for each device in each scene, below it the comparisons that are open there."""

    def __init__(self, window: MainWindow) -> None:
        super().__init__(window, tr("Which takes to film again"), size=(1080, 600))
        from viewer.tasks.repeats import MOST_TAKES, plan_repeats, worst_scenes

        session = window.document.session
        self.takes = range(2, MOST_TAKES + 1)
        self.session = session
        repeats = plan_repeats(session)
        order = worst_scenes(repeats)
        count = len(repeats)
        head = trn("{n} comparison cannot be told yet.", "{n} comparisons cannot be told yet.", count)
        self.head = label(head if count else tr("Every comparison is told: no further take is needed."), kind="head")
        self.tree = QTreeWidget()
        self.tree.setAccessibleName(tr("What further takes would buy"))
        heads = [
            tr("Device, scene, reading"),
            tr("Now"),
            *(tr("{n} takes", n=n) if n == self.takes[0] else str(n) for n in self.takes),
            tr("Difference that matters"),
        ]
        self.tree.setHeaderLabels(heads)
        self.tree.setUniformRowHeights(True)
        header = self.tree.header()
        header.setStretchLastSection(False)
        header.setSectionResizeMode(0, QHeaderView.ResizeMode.Stretch)
        for n in range(1, len(heads)):
            header.setSectionResizeMode(n, QHeaderView.ResizeMode.ResizeToContents)
            self.tree.headerItem().setTextAlignment(n, Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
        styles = styles_of(session)
        for scene, device, _ in order:
            mine = [r for r in repeats if (r.scene, r.device) == (scene, device)]
            top = self._group(scene, device, mine)
            top.setIcon(0, marker_icon(styles.get(device)))
            self.tree.addTopLevelItem(top)
            top.addChildren([self._line(repeat) for repeat in mine[:MOST_SHOWN]])
        first = self.tree.topLevelItem(0)
        if first is not None:
            first.setExpanded(True)
        explained = tr(
            "Half intervals (95 %) to be expected; bold: narrow enough to tell a difference that matters. Where only one take "
            "is known, the spread between takes is guessed to equal the error within it; two takes tell little of that spread, "
            "so their interval is wide."
        )
        self.tree.setVisible(bool(count))
        self.fill(self.head, self.tree, quiet(explained), *([] if count else [None]))
        if count:
            self.add_button(tr("Add clips…"), lambda: window.run("add_clips"))
        self.add_closing().setDefault(True)

    def _item(self, texts: list[str]) -> QTreeWidgetItem:
        item = QTreeWidgetItem(texts)
        for n in range(1, len(texts)):
            item.setTextAlignment(n, Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
            item.setFont(n, figures(11))
        return item

    def _group(self, scene: str, device: str, mine: list[Repeat]) -> QTreeWidgetItem:
        """A device in a scene: how many of its open comparisons each number of takes would tell."""
        told = [sum(r.enough is not None and r.enough <= n for r in mine) for n in self.takes]
        name = f"{self.session.device(device).name}, {self.session.scene(scene).name}"
        first = tr("{n} open", n=len(mine))
        item = self._item([name, first, *(f"{n} ✓" if n else "–" for n in told), ""])
        for place, n in enumerate(told, 2):
            item.setToolTip(place, tr("{n} told", n=n))
        return item

    def _line(self, repeat: Repeat) -> QTreeWidgetItem:
        where = region_words(self.session, repeat.request, repeat.of)
        unit = "" if repeat.unit == "1" else f" {said(repeat.unit)}"
        cells = []
        for n in self.takes:
            half = repeat.expected.get(n)
            cells.append(f"±{_rough(half)}" if half is not None else "")
        name = f"{title_of(repeat.name)}: {where}{moment_words(self.session, self.session.request(repeat.request))}"
        item = self._item([name, f"±{_rough(repeat.half_width)}", *cells, f"{_rough(repeat.matter)}{unit}"])
        for place, n in enumerate(self.takes, 2):
            if repeat.enough is not None and n >= repeat.enough and cells[place - 2]:
                font = item.font(place)
                font.setBold(True)
                item.setFont(place, font)
        item.setToolTip(0, said(repeat.sentence))
        return item


def _rough(value: float) -> str:
    """Return a number with two figures."""
    return number(value, decimals(value, value))


__all__ = ["RepeatsDialog"]

"""What to measure in a scene: a measure, its regions, its span of time."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import Qt
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import QComboBox, QFormLayout, QLabel, QListWidget, QListWidgetItem, QWidget

from viewer.app.i18n import mark, number, parse_number, tr
from viewer.app.model.glossary import MEASURES
from viewer.app.said import error_said
from viewer.app.theme import px
from viewer.app.views.dialog import Dialog, quiet
from viewer.app.views.parts import button, label, row
from viewer.errors import UsageError
from viewer.session.model import MeasureKind, Region, Request, Session, new_id

if TYPE_CHECKING:
    from viewer.app.window import MainWindow

# measure -> role -> (words, kinds of regions, may be empty, many)
ROLES: dict[str, dict[str, tuple[str, tuple[str, ...], bool, bool]]] = {
    "contrast": {
        "bright": (mark("Bright region"), ("rect", "ellipse"), False, False),
        "dark": (mark("Dark region"), ("rect", "ellipse"), False, False),
        "black": (mark("Dark level (outside the field)"), ("rect", "ellipse"), True, False),
    },
    "bloom": {"light": (mark("Lights (none: all that are found)"), ("light", "point"), True, True)},
    "flicker": {"region": (mark("Region (none: the whole field)"), ("rect", "ellipse"), True, False)},
    "edge": {"region": (mark("Edges"), ("edge", "rect"), False, True)},
    "bars": {"target": (mark("Targets"), ("bars",), False, True)},
    "noise": {"region": (mark("Even areas"), ("rect", "ellipse"), False, True)},
    "figure": {"figure": (mark("Marks of the figure"), ("rect", "ellipse"), False, True)},
    "tint": {"region": (mark("Areas"), ("rect", "ellipse"), False, True)},
    "ramp": {"region": (mark("Region (none: the whole field)"), ("rect", "ellipse"), True, False)},
}
USUAL = {"chart": "bars", "screen": "flicker", "lamps": "bloom", "edge": "edge", "figure": "figure", "other": "contrast"}


class MeasureDialog(Dialog):
    """Choose, keep, measure."""

    def __init__(self, window: MainWindow) -> None:
        super().__init__(window, tr("Measure in this scene"), size=(560, 520))
        self.session = window.document.session
        self.scene = window.stage.scene_id or (self.session.scenes[0].id if self.session.scenes else "")
        self.kind = QComboBox()
        for key, (title, _) in MEASURES.items():
            self.kind.addItem(tr(title), key)
        self.kind.setAccessibleName(tr("Measure"))
        scene = next((s for s in self.session.scenes if s.id == self.scene), None)
        self.kind.setCurrentIndex(max(0, self.kind.findData(USUAL[scene.kind] if scene else "contrast")))
        self.kind.activated.connect(lambda _n: self.refresh())
        self.about = quiet("")
        self.holder = QWidget()
        self.form = QFormLayout(self.holder)
        self.form.setContentsMargins(0, 0, 0, 0)
        self.form.setSpacing(8)
        self.fields: dict[str, QComboBox | QListWidget] = {}
        self.first, self.last = QComboBox(), QComboBox()
        for box, words in ((self.first, tr("From (s, scene time)")), (self.last, tr("To (s, scene time)"))):
            box.setEditable(True)
            box.setMinimumWidth(96)
            box.setAccessibleName(words)
            box.addItem("")
        if scene is not None:
            for box, value in ((self.first, scene.loop_in_s), (self.last, scene.loop_out_s)):
                if value is not None:
                    box.addItem(number(value, 3))
                    box.setCurrentIndex(1)
        span = QWidget()
        span.setLayout(
            row(label(tr("from")), self.first, label(tr("to")), self.last, label(tr("s, empty: the whole clip")), None)
        )
        self.note = quiet("")
        self.usual = button(tr("Lay out the usual regions"), self.lay_out)
        holder = QWidget()
        holder.setLayout(row(self.usual, None))
        self.fill(self.kind, self.about, self.holder, span, self.note, holder, None)
        self.add_button(tr("Cancel"), self.reject)
        self.later = self.add_button(tr("Keep, measure later"), lambda: self.keep(measure=False))
        self.go = self.add_button(tr("Measure"), lambda: self.keep(measure=True), main=True)
        self.refresh()

    def refresh(self) -> None:
        """Show the fields that the measure needs."""
        kind = self.kind.currentData()
        self.about.setText(tr(MEASURES[kind][1]))  # type: ignore[attr-defined]
        while self.form.rowCount():
            self.form.removeRow(0)
        self.fields = {}
        regions = self.session.regions_of(self.scene) if self.scene else ()
        chosen = self.window_.stage.region
        lacking = []
        for role, (words, kinds, optional, many) in ROLES[kind].items():
            fitting = [region for region in regions if region.kind in kinds]
            self.fields[role] = _many(fitting, chosen) if many else _one(fitting, optional, role, chosen)
            self.fields[role].setAccessibleName(tr(words))
            self.form.addRow(QLabel(tr(words)), self.fields[role])
            if not fitting and not optional:
                lacking.append(tr(words))
        both = kind == "contrast" and len([r for r in regions if r.kind in ("rect", "ellipse")]) < 2
        text = tr("Draw it on the wall first: {what}.", what=", ".join(lacking)) if lacking or both else ""
        if both and not lacking:
            text = tr("Contrast needs two regions: one bright, one dark. Draw them on the wall first.")
        self.note.setText(text)  # type: ignore[attr-defined]
        self.usual.setVisible(bool(text) and bool(self.scene))
        for made in (self.go, self.later):
            made.setEnabled(not text and bool(self.scene))

    def keyPressEvent(self, event: QKeyEvent) -> None:
        self.manual_page = self.kind.currentData()
        super().keyPressEvent(event)

    def lay_out(self) -> None:
        """Put the usual regions of this kind of scene on the wall instead of drawing each."""
        self.reject()
        self.window_.run("presets")

    def regions(self) -> dict[str, tuple[str, ...]]:
        """Return the chosen regions by role."""
        found: dict[str, tuple[str, ...]] = {}
        for role, field in self.fields.items():
            if isinstance(field, QComboBox):
                ids: tuple[str, ...] = (str(field.currentData()),) if field.currentData() else ()
            else:
                items = [field.item(n) for n in range(field.count())]
                ids = tuple(str(i.data(Qt.ItemDataRole.UserRole)) for i in items if i.checkState() == Qt.CheckState.Checked)
            if ids:
                found[role] = ids
        return found

    def keep(self, *, measure: bool) -> None:
        """Write the request into the session, and measure it if asked."""
        kind: MeasureKind = self.kind.currentData()
        regions = self.regions()
        lacking = [tr(words) for role, (words, _, optional, _m) in ROLES[kind].items() if not optional and role not in regions]
        if lacking:
            self.note.setText(tr("Choose: {what}.", what=", ".join(lacking)))  # type: ignore[attr-defined]
            return
        if kind == "contrast" and regions["bright"] == regions["dark"]:
            self.note.setText(tr("Bright and dark region must differ."))  # type: ignore[attr-defined]
            return
        try:
            first = parse_number(self.first.currentText()) if self.first.currentText().strip() else None
            last = parse_number(self.last.currentText()) if self.last.currentText().strip() else None
        except UsageError as error:
            self.note.setText(error_said(error))  # type: ignore[attr-defined]
            return
        request = Request(id=new_id("request"), scene=self.scene, measure=kind, regions=regions, first_s=first, last_s=last)
        document = self.window_.document
        document.edit(with_request(document.session, request), tr("Measure {what}", what=tr(MEASURES[kind][0])))
        self.accept()
        if measure:
            self.window_.run("measure")


def _one(fitting: list[Region], optional: bool, role: str, chosen: Region | None) -> QComboBox:
    box = QComboBox()
    if optional:
        box.addItem(tr("none"), "")
    for region in fitting:
        box.addItem(region.name, region.id)
    at = box.findData(chosen.id) if chosen is not None else -1
    if at < 0 and role == "dark" and len(fitting) > 1:
        at = box.findData(fitting[1].id)
    if at >= 0 and role != "black":
        box.setCurrentIndex(at)
    return box


def _many(fitting: list[Region], chosen: Region | None) -> QListWidget:
    box = QListWidget()
    box.setMaximumHeight(px(max(56, min(248, 24 * len(fitting) + 8))))
    for region in fitting:
        item = QListWidgetItem(region.name)
        item.setData(Qt.ItemDataRole.UserRole, region.id)
        item.setFlags(item.flags() | Qt.ItemFlag.ItemIsUserCheckable)
        item.setCheckState(Qt.CheckState.Checked)
        box.addItem(item)
    del chosen
    return box


def with_request(session: Session, request: Request) -> Session:
    """Return the session with a request; the same one twice is kept once."""
    for other in session.requests:
        same = (other.scene, other.measure, other.regions, other.first_s, other.last_s)
        if same == (request.scene, request.measure, request.regions, request.first_s, request.last_s):
            return session
    return session.put(request)


__all__ = ["ROLES", "MeasureDialog", "with_request"]

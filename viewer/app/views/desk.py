"""The data-sheet desk: figures as typed, what they mean, the same in other units, and what is doubtful."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from PySide6.QtCore import Qt
from PySide6.QtWidgets import (
    QCheckBox,
    QGridLayout,
    QLineEdit,
    QListWidget,
    QListWidgetItem,
    QScrollArea,
    QWidget,
)

from viewer.app.i18n import decimal_comma, number, tr
from viewer.app.said import error_said, said
from viewer.app.views.dialog import Dialog, quiet, trouble_style
from viewer.app.views.parts import button, column, label, marker_icon, number_box, row, styles_of
from viewer.errors import UsageError, ViewerError
from viewer.measure.sheet import QUANTITIES, Figure, compare_units, equivalents, parse_figure, read_sheet
from viewer.session.model import Device, Session, SheetEntry, new_id

if TYPE_CHECKING:
    from viewer.app.window import MainWindow


def meaning(quantity: str, typed: str, focal_mm: float | None = None) -> tuple[Figure | None, str, bool]:
    """Return the figure, what it means in words, and whether something is wrong with it."""
    if not typed.strip():
        return None, "", False
    try:
        figure = parse_figure(quantity, typed.strip().replace(",", ".") if decimal_comma() else typed.strip())
    except ViewerError as error:
        return None, error_said(error), True
    unit = "" if figure.unit == "1" else f" {figure.unit}"
    span = number(figure.low) if figure.low == figure.high else f"{number(figure.low)} … {number(figure.high)}"
    texts = [
        span + unit,
        *(
            said(text)
            for text in equivalents(figure, focal_mm=focal_mm)
            if not text.startswith(f"{figure.low:.6g} {figure.unit}")
        ),
    ]
    return figure, "  =  ".join(texts) + ("".join(f"; {said(remark)}" for remark in figure.remarks)), bool(figure.remarks)


class DeskDialog(Dialog):
    """Devices at the left, the sheet of the chosen one at the right."""

    manual_page = "sheet"

    def __init__(self, window: MainWindow) -> None:
        super().__init__(window, tr("Devices and data sheets"), size=(940, 640))
        self.list = QListWidget()
        self.list.setAccessibleName(tr("Devices"))
        self.list.currentRowChanged.connect(lambda _n: self._show())
        left = QWidget()
        left.setLayout(column(self.list, button(tr("Add device…"), self._add)))
        self.page = QScrollArea()
        self.page.setWidgetResizable(True)
        body = QWidget()
        left.setFixedWidth(190)
        self.page.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        line = row(left, self.page, spacing=16)
        line.setStretchFactor(self.page, 1)
        body.setLayout(line)
        self.fill(
            body,
            quiet(
                tr("Figures of a sheet and figures from film are different quantities; they are never mixed in one ranking.")
            ),
        )
        self.add_closing().setDefault(True)
        self.device_id = ""
        self.fields: dict[str, QLineEdit] = {}
        self._fill_list(window.stage.chosen.id)

    @property
    def session(self) -> Session:
        """The session now."""
        return self.window_.document.session

    def _fill_list(self, chosen: str) -> None:
        styles = styles_of(self.session)
        self.list.blockSignals(True)
        self.list.clear()
        at = 0
        for n, device in enumerate(self.session.devices):
            item = QListWidgetItem(marker_icon(styles.get(device.id)), device.name)
            item.setData(Qt.ItemDataRole.UserRole, device.id)
            self.list.addItem(item)
            at = n if device.id == chosen else at
        self.list.setCurrentRow(at)
        self.list.blockSignals(False)
        self._show()

    def _add(self) -> None:
        name = tr("Device {n}", n=len(self.session.devices) + 1)
        made = Device(id=new_id("device"), name=name, control=not self.session.devices)
        self.window_.document.edit(self.session.put(made), tr("Add {name}", name=name))
        self._fill_list(made.id)
        if "name" in self.fields:
            self.fields["name"].setFocus()
            self.fields["name"].selectAll()

    def _device(self) -> Device | None:
        item = self.list.currentItem()
        ident = item.data(Qt.ItemDataRole.UserRole) if item is not None else ""
        return next((device for device in self.session.devices if device.id == ident), None)

    def _show(self) -> None:
        device = self._device()
        self.fields = {}
        if device is None:
            self.page.setWidget(label(tr("Add a device to begin."), wrap=True))
            return
        self.device_id = device.id
        grid = QGridLayout()
        grid.setSpacing(8)
        grid.setColumnStretch(2, 1)
        self._head_rows(grid, device)
        entries = {entry.quantity: entry for entry in device.sheet}
        for key, quantity in QUANTITIES.items():
            self._quantity_row(grid, key, tr(quantity.title), tr(quantity.about), entries.get(key))
        self.doubts = label("", wrap=True)
        self.doubts.setAccessibleName(tr("What is doubtful"))
        grid.addWidget(self.doubts, grid.rowCount(), 0, 1, 4)
        grid.setRowStretch(grid.rowCount(), 1)
        page = QWidget()
        page.setObjectName("panel")
        grid.setContentsMargins(12, 12, 12, 12)
        page.setLayout(grid)
        self.page.setWidget(page)
        self._check()

    def _head_rows(self, grid: QGridLayout, device: Device) -> None:
        self.fields["name"] = QLineEdit(device.name)
        self.fields["name"].setAccessibleName(tr("Name"))
        self.fields["name"].editingFinished.connect(self.keep)
        self.control = QCheckBox(tr("Control"))
        self.control.setToolTip(tr("The others are compared with the control."))
        self.control.setChecked(device.control)
        self.control.toggled.connect(lambda _on: self.keep())
        self.units = number_box(1, 999, device.units_tested, tr("Units tested"))
        self.units.valueChanged.connect(lambda _n: self.keep())
        grid.addWidget(label(tr("Name")), 0, 0)
        grid.addWidget(self.fields["name"], 0, 1)
        grid.addWidget(self.control, 0, 2, 1, 2)
        grid.addWidget(label(tr("Units tested")), 1, 0)
        grid.addWidget(self.units, 1, 1)
        grid.addWidget(label(tr("One unit says nothing about a model."), kind="quiet"), 1, 2, 1, 2)
        for n, head in enumerate((tr("Quantity"), tr("As on the sheet"), tr("Means"), tr("Condition"))):
            grid.addWidget(label(head, kind="quiet"), 2, n)

    def _quantity_row(self, grid: QGridLayout, key: str, title: str, about: str, entry: SheetEntry | None) -> None:
        at = grid.rowCount()
        field, condition = QLineEdit(entry.typed if entry else ""), QLineEdit(entry.condition if entry else "")
        field.setFixedWidth(140)
        condition.setFixedWidth(110)
        field.setAccessibleName(title)
        condition.setAccessibleName(tr("Condition of {what}", what=title))
        field.setToolTip(about or title)
        meant = label("", kind="quiet", wrap=True)
        meant.setAccessibleName(tr("Meaning of {what}", what=title))
        head = label(title, wrap=True)
        head.setMinimumWidth(140)
        for c, part in enumerate((head, field, meant, condition)):
            grid.addWidget(part, at, c)
        self.fields[key], self.fields[f"{key} condition"] = field, condition
        field.setProperty("meant", meant)
        field.textEdited.connect(lambda _t: self._check())
        field.editingFinished.connect(self.keep)
        condition.editingFinished.connect(self.keep)

    def _focal(self) -> float | None:
        figure, _, _ = meaning("focal", self.fields["focal"].text()) if "focal" in self.fields else (None, "", False)
        return figure.value if figure is not None else None

    def _check(self) -> None:
        figures: dict[str, Figure] = {}
        for key in QUANTITIES:
            field = self.fields[key]
            figure, words, bad = meaning(key, field.text(), self._focal())
            meant = field.property("meant")
            meant.setText(words)
            meant.setStyleSheet(trouble_style(bad))
            if figure is not None:
                figures[key] = figure
        try:
            doubts = read_sheet({key: figure.typed for key, figure in figures.items()}).doubts if figures else ()
        except UsageError as error:
            doubts = (error_said(error),)
        doubts = tuple(map(said, doubts)) + tuple(self._beside_others(figures))
        self.doubts.setText("\n".join(f"⚠ {text}" for text in doubts))

    def _beside_others(self, figures: dict[str, Figure]) -> list[str]:
        """Say where a figure and another device's differ as units that were mixed up do."""
        doubts = []
        for device in self.session.devices:
            if device.id == self.device_id:
                continue
            for entry in device.sheet:
                other = meaning(entry.quantity, entry.typed)[0] if entry.quantity in figures else None
                warning = compare_units(entry.quantity, figures[entry.quantity], other) if other is not None else None
                if warning:
                    doubts.append(f"{device.name}, {said(warning)}")
        return doubts

    def keep(self) -> None:
        """Write the sheet into the session."""
        device = next((d for d in self.session.devices if d.id == self.device_id), None)
        if device is None or "name" not in self.fields:
            return
        old = {entry.quantity: entry for entry in device.sheet}
        sheet = []
        for key in QUANTITIES:
            text = self.fields[key].text().strip()
            if not text:
                continue
            figure, _, _ = meaning(key, text)
            base = old.get(key) or SheetEntry(quantity=key, typed=text)
            sheet.append(
                replace(
                    base,
                    typed=text,
                    low=figure.low if figure else None,
                    high=figure.high if figure else None,
                    unit=figure.unit if figure else "",
                    condition=self.fields[f"{key} condition"].text().strip(),
                )
            )
        sheet += [entry for key, entry in old.items() if key not in QUANTITIES]
        field = next((e for e in sheet if e.quantity == "field" and e.low is not None), None)
        focal = next((e for e in sheet if e.quantity == "focal" and e.low is not None), None)
        changed = replace(
            device,
            name=self.fields["name"].text().strip() or device.name,
            control=self.control.isChecked(),
            units_tested=self.units.value(),
            sheet=tuple(sheet),
            field_deg=_middle(field) if field is not None else (None if "field" in old else device.field_deg),
            objective_mm=_middle(focal) if focal is not None else (None if "focal" in old else device.objective_mm),
        )
        if changed == device:
            return
        session = self.session.put(changed)
        if changed.control:
            from viewer.app.commands.session import with_control

            session = with_control(session, changed.id)
        self.window_.document.edit(session, tr("Edit {name}", name=changed.name), merge=f"desk {device.id}")
        item = self.list.currentItem()
        if item is not None and item.data(Qt.ItemDataRole.UserRole) == device.id:
            item.setText(changed.name)


def _middle(entry: SheetEntry) -> float | None:
    if entry.low is None or entry.high is None:
        return entry.low
    return 0.5 * (entry.low + entry.high)


__all__ = ["DeskDialog", "meaning"]

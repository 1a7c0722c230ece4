"""The data-sheet desk as a result document."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence

from viewer.measure.lightlevel import level_in_units
from viewer.measure.readings import Reading
from viewer.measure.sheet import Sheet, compare_units, read_sheet
from viewer.tasks.document import Result


def sheet_result(*typed: Mapping[str, str], light: Sequence[str] = ()) -> Result:
    """Return the figures as readings (intervals in the unit of each quantity), with what follows and what is doubtful.

    Parameters
    ----------
    *typed : mapping
        Quantity to the text on the sheet, one mapping a device; objects are then called ``sheet 1``, ``sheet 2`` ...
    light : sequence of str
        Light levels to convert.

    Returns
    -------
    Result
        Extras: ``typed`` {quantity: text} or a list of them, ``equivalents`` {quantity: [texts]} or a list of them, ``doubts``
        [texts], ``light`` {typed: text}.
    """
    sheets = [read_sheet(one) for one in typed]
    readings: list[Reading] = []
    doubts: list[str] = []
    remarks: list[str] = []
    for number, sheet in enumerate(sheets, 1):
        which = f" {number}" if len(sheets) > 1 else ""
        readings += _readings(sheet, which)
        head = f"sheet{which}, " if which else ""
        doubts += [f"{head}{doubt}" for doubt in sheet.doubts]
        said = [f"{head}{f.quantity}: {r}" for f in sheet.figures for r in f.remarks]
        remarks += [line for line in said if line not in doubts]
    doubts += _between(sheets)
    equivalents = [sheet.equivalents for sheet in sheets]
    return Result(
        command="sheet",
        readings=tuple(readings),
        warnings=(*doubts, *remarks),
        extras={
            "typed": [dict(one) for one in typed] if len(typed) > 1 else dict(typed[0]) if typed else {},
            "equivalents": equivalents if len(typed) > 1 else equivalents[0] if typed else {},
            "doubts": doubts,
            "light": {text: level_in_units(text) for text in light},
        },
    )


def _readings(sheet: Sheet, which: str) -> list[Reading]:
    """The figures of one sheet and what follows from them."""
    stated = [
        Reading(
            name=figure.quantity,
            of=f"sheet{which}",
            value=figure.value,
            unit=figure.unit,
            low=figure.low,
            high=figure.high,
            coverage=1.0,
            method="; ".join([f"typed as {figure.typed!r}", *figure.remarks]),
        )
        for figure in sheet.figures
    ]
    return stated + [
        Reading(name=name, of=f"derived{which}", value=value, unit=unit, low=low, high=high, coverage=1.0, method=method)
        for name, value, low, high, unit, method in sheet.derived
    ]


def _between(sheets: Sequence[Sheet]) -> list[str]:
    """What is doubtful between two devices."""
    said = []
    for (i, first), (j, second) in itertools.combinations(enumerate(sheets, 1), 2):
        others = {figure.quantity: figure for figure in second.figures}
        for figure in first.figures:
            warning = compare_units(figure.quantity, figure, others[figure.quantity]) if figure.quantity in others else None
            if warning:
                said.append(f"sheets {i} and {j}, {warning}")
    return said


__all__ = ["sheet_result"]

"""The data-sheet desk as a result document."""

from __future__ import annotations

from collections.abc import Mapping

from viewer.measure.readings import Reading
from viewer.measure.sheet import read_sheet
from viewer.tasks.document import Result


def sheet_result(typed: Mapping[str, str]) -> Result:
    """Return the figures as readings (intervals in the unit of each quantity), with what follows and what is doubtful.

    Extras: ``typed`` {quantity: text}, ``equivalents`` {quantity: [texts]}, ``doubts`` [texts].
    """
    sheet = read_sheet(typed)
    readings = [
        Reading(
            name=figure.quantity,
            of="sheet",
            value=figure.value,
            unit=figure.unit,
            low=figure.low,
            high=figure.high,
            coverage=1.0,
            method="; ".join([f"typed as {figure.typed!r}", *figure.remarks]),
        )
        for figure in sheet.figures
    ]
    readings += [
        Reading(name=name, of="derived", value=value, unit=unit, low=low, high=high, coverage=1.0, method=method)
        for name, value, low, high, unit, method in sheet.derived
    ]
    return Result(
        command="sheet",
        readings=tuple(readings),
        warnings=sheet.doubts,
        extras={"typed": dict(typed), "equivalents": sheet.equivalents, "doubts": sheet.doubts},
    )


__all__ = ["sheet_result"]

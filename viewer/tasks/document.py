"""The result document that every measuring command writes."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from viewer import __version__
from viewer.measure.readings import Reading, Verdict

SCHEMA = "gloaming/result/1"


@dataclass(frozen=True, kw_only=True)
class Result:
    """What a command found.

    `inputs` are the records of `viewer.media` clips (path, sha256, width, height, frames, rate, transfer, range, assumed);
    `extras` are the further members that the command's page names; `plots` holds arrays for the window and the report and
    never enters the document.
    """

    command: str
    inputs: tuple[dict[str, Any], ...] = ()
    readings: tuple[Reading, ...] = ()
    verdict: Verdict | None = None
    warnings: tuple[str, ...] = ()
    extras: Mapping[str, Any] = field(default_factory=dict)
    plots: Mapping[str, Any] = field(default_factory=dict)

    def reading(self, name: str, of: str | None = None) -> Reading:
        """Return the reading of this name (and object); KeyError if there is none."""
        for reading in self.readings:
            if reading.name == name and (of is None or reading.of == of):
                return reading
        raise KeyError(name)

    def to_json(self) -> dict[str, Any]:
        """Return the document as plain data."""
        document: dict[str, Any] = {
            "schema": SCHEMA,
            "command": self.command,
            "program": {"name": "gloaming", "version": __version__},
            "inputs": list(self.inputs),
            "readings": [reading.to_json() for reading in self.readings],
            "verdict": self.verdict.to_json() if self.verdict else None,
            "warnings": list(self.warnings),
        }
        document.update(self.extras)
        return plain(document)  # type: ignore[no-any-return]

    def dumps(self) -> str:
        """Return the document as strict JSON text: no NaN, no Infinity."""
        return json.dumps(self.to_json(), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def plain(value: Any) -> Any:
    """Return `value` as strict JSON data: numpy types unwrapped, what is not finite as null."""
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if value is None or isinstance(value, str | bool | int):
        return value
    if isinstance(value, Iterable):
        return [plain(item) for item in value]
    raise TypeError(f"{type(value).__name__} cannot stand in a result document")


__all__ = ["SCHEMA", "Result", "plain"]

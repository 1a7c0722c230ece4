"""A blind reading of bars, as the window uses it: `viewer.tasks.blind_reading`.  No Qt."""

from __future__ import annotations

from viewer.tasks.blind_reading import (
    Outcome,
    as_csv,
    machine_limits,
    outcome,
    patch,
    prepare,
    target_name,
    targets_of,
)
from viewer.tasks.blind_reading import Sitting as Reading

__all__ = ["Outcome", "Reading", "as_csv", "machine_limits", "outcome", "patch", "prepare", "target_name", "targets_of"]

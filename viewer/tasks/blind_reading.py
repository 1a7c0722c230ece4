"""A blind reading of bars: pictures cut out of every device's clip, alike in size, tint and brightness.  No Qt."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from viewer.errors import Cancelled, RegionError, UsageError
from viewer.measure.blind import (
    Answer,
    Trial,
    limit_by_readers,
    machine_agreement,
    plan_trials,
    reader_agreement,
    shares,
)
from viewer.session.model import Clip, Region, Session
from viewer.tasks.carry import carried_rect

MARGIN = 0.35  # of the target's size, shown around it
NEAR = 8  # targets about the machine's limit, when not all are asked for


def targets_of(session: Session, scene: str, *, near_limit: bool) -> list[Region]:
    """Return the bar targets of a scene, coarse to fine; with `near_limit` only those about the machine's limit."""
    found = [r for r in session.regions_of(scene) if r.kind == "bars" and r.settings.get("lpmm")]
    found.sort(key=lambda region: (float(region.settings["lpmm"]), str(region.settings.get("way", "v"))))
    limits = machine_limits(session, scene)
    if not near_limit or len(found) <= NEAR or not limits:
        return found
    middle = float(np.exp(np.mean(np.log(list(limits.values())))))
    ranked = sorted(found, key=lambda region: abs(np.log(float(region.settings["lpmm"]) / middle)))
    kept = {region.id for region in ranked[:NEAR]}
    return [region for region in found if region.id in kept]


def machine_limits(session: Session, scene: str, scene_s: float | None = None) -> dict[str, float]:
    """Return device id -> limiting resolution (lp/mm) of the statistics, from single frames where there is such a reading.

    With a moment `scene_s`, only of requests whose span holds it, if there are any.
    """
    asked = [q for q in session.requests if q.scene == scene and q.measure == "bars"]
    if scene_s is not None:
        then = [q for q in asked if (q.first_s or 0.0) <= scene_s <= (math.inf if q.last_s is None else q.last_s)]
        asked = then or asked
    requests = {q.id for q in asked}
    found: dict[str, float] = {}
    for name in ("limiting_resolution", "limiting_resolution_single_frame"):
        for reading in session.readings:
            if reading.request in requests and reading.name == name and reading.value:
                device = session.clip(reading.clip).device
                if device:
                    found[device] = float(reading.value)
    return found


def target_name(region: Region) -> str:
    """Return a target as `blind` knows it: lp/mm and the way of the bars."""
    return f"{float(region.settings['lpmm']):g}/{region.settings.get('way', 'v')}"


@dataclass
class Sitting:
    """One sitting of one reader: trials in random order, pictures by (device, target), answers so far."""

    trials: tuple[Trial, ...]
    pictures: dict[tuple[str, str], np.ndarray]
    reader: str = "1"
    answers: list[Answer] = field(default_factory=list)

    @property
    def trial(self) -> Trial | None:
        """The trial to judge, or None at the end."""
        return self.trials[len(self.answers)] if len(self.answers) < len(self.trials) else None

    def answer(self, resolved: bool) -> None:
        """Judge the trial that is shown."""
        trial = self.trial
        if trial is not None:
            self.answers.append(Answer(trial.number, self.reader, resolved))

    def back(self) -> None:
        """Take the last answer back."""
        if self.answers:
            self.answers.pop()


def prepare(
    session: Session,
    folder: Path,
    clips: Sequence[Clip],
    targets: Sequence[Region],
    scene_s: float,
    *,
    repeats: int = 1,
    seed: int = 0,
    progress: Callable[[int, int], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> Sitting:
    """Cut every target out of one frame of every clip; return the reading to be answered.

    Raises
    ------
    UsageError
        If no target lies in a picture, or no clip shows this moment.
    """
    from viewer.errors import SeekError
    from viewer.tasks.clip_files import open_session_clip

    pictures: dict[tuple[str, str], np.ndarray] = {}
    for n, clip in enumerate(clips):
        if cancelled is not None and cancelled():
            raise Cancelled
        if progress is not None:
            progress(n, len(clips))
        if clip.device is None:
            continue
        with open_session_clip(folder, clip, threads=1) as reader:
            time_s = clip.clock.clip_time(scene_s) if clip.clock else scene_s
            try:
                number = int(reader.index.number_at(time_s))
            except SeekError:
                continue
            light = reader.frame(number).luminance().light
        for region in targets:
            try:
                rect = carried_rect(region, clip, (light.shape[1], light.shape[0]))
            except RegionError:
                continue
            pictures[clip.device, target_name(region)] = patch(light, (rect.x, rect.y, rect.w, rect.h))
    devices = sorted({device for device, _ in pictures})
    names = [target_name(region) for region in targets if all((device, target_name(region)) in pictures for device in devices)]
    if not devices or not names:
        raise UsageError("no bar target is seen by a device at this moment.", hint="Go to a moment that every clip shows.")
    return Sitting(plan_trials(devices, names, repeats=repeats, seed=seed), pictures)


def patch(light: np.ndarray, rect: tuple[int, int, int, int]) -> np.ndarray:
    """Return the surroundings of a target as grey levels, uint8 (h, w): tint and brightness tell no device.

    Dark and bright ends are those of the patch itself (1st and 99th percentile), with a display curve of 1/2.2.
    """
    x, y, w, h = rect
    dx, dy = max(2, round(MARGIN * w)), max(2, round(MARGIN * h))
    part = light[max(0, y - dy) : y + h + dy, max(0, x - dx) : x + w + dx]
    low, high = (float(v) for v in np.percentile(part, (1, 99)))
    scaled = np.clip((part - low) / max(high - low, 1e-9), 0, 1) ** (1 / 2.2)
    return np.ascontiguousarray((235 * scaled + 10).astype(np.uint8))


@dataclass(frozen=True)
class Outcome:
    """What a blind reading gave: per device the finest target resolved, shares, and agreement in words' numbers."""

    limits: dict[str, float | None]
    counts: dict[tuple[str, str], tuple[int, int]]
    machine: dict[str, tuple[float, int]]
    readers: dict[tuple[str, str], tuple[float, int]]


def outcome(readings: Sequence[Sitting], machine: dict[str, float]) -> Outcome:
    """Join answers to devices, over all readers of the sitting.

    Trials of different readers keep apart: each reading has numbers of its own, so agreement is over (device, target).
    """
    trials: list[Trial] = []
    answers: list[Answer] = []
    for reading in readings:
        # The same device and target has the same number for every reader, so that their answers can be compared.
        trials += [Trial(_key(t.device, t.target), t.code, t.device, t.target) for t in reading.trials]
        by = {t.number: t for t in reading.trials}
        answers += [Answer(_key(by[a.number].device, by[a.number].target), reading.reader, a.resolved) for a in reading.answers]
    unique = {trial.number: trial for trial in trials}
    counts = shares(list(unique.values()), answers)
    devices = sorted({trial.device for trial in unique.values()})
    resolved = {
        (t.device, t.target): float(t.target.partition("/")[0]) <= machine[t.device] * 1.0001
        for t in unique.values()
        if t.device in machine
    }
    kappas = machine_agreement(list(unique.values()), answers, resolved)
    both = reader_agreement(answers)
    return Outcome(
        {device: limit_by_readers(counts, device) for device in devices},
        counts,
        {reader: (k.value, k.pairs) for reader, k in kappas.items()},
        {pair: (k.value, k.pairs) for pair, k in both.items()},
    )


def _key(device: str, target: str) -> int:
    import zlib

    return zlib.crc32(f"{device}|{target}".encode())


def as_csv(readings: Sequence[Sitting], names: dict[str, str]) -> str:
    """Return every answer as CSV: reader, number, code, target, device, answer."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["reader", "number", "code", "target", "device", "resolved"])
    for reading in readings:
        by = {t.number: t for t in reading.trials}
        for n, answer in enumerate(reading.answers, 1):
            trial = by[answer.number]
            writer.writerow(
                [reading.reader, n, trial.code, trial.target, names.get(trial.device, trial.device), int(answer.resolved)]
            )
    return out.getvalue()


__all__ = ["Outcome", "Sitting", "as_csv", "machine_limits", "outcome", "patch", "prepare", "target_name", "targets_of"]

"""Many sessions or clips: each item is worked on apart, by a pool of processes here or by a running cluster.

A worker returns a plain record and never raises: library errors do not survive the way between machines.
"""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict, dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from viewer.errors import Cancelled, FileError, UsageError, ViewerError
from viewer.session.store import ENDING, write_whole

CLIP_JOBS = ("probe", "bloom", "flicker", "ramp")
_SUFFIXES = {".mp4", ".mov", ".mkv", ".webm", ".avi", ".mts", ".m2ts", ".ts", ".m4v", ".3gp", ".mxf"}


@dataclass(frozen=True, kw_only=True)
class Item:
    """One piece of work: a session to measure and publish, or a job on a clip."""

    path: str
    job: str
    out: str


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What became of an item: ``ok``, or why not; `written` are the files made."""

    path: str
    job: str
    ok: bool
    reason: str = ""
    readings: int = 0
    written: tuple[str, ...] = ()


def gather(paths: Iterable[Path], out: Path, jobs: Sequence[str] = ("probe",)) -> list[Item]:
    """Return the work that `paths` (sessions, clips, folders of them) ask for, in a stable order.

    Raises
    ------
    UsageError
        If there is nothing to do, or a job is unknown.
    FileError
        If a path does not exist.
    """
    unknown = [job for job in jobs if job not in CLIP_JOBS]
    if unknown:
        raise UsageError(f"{unknown[0]!r} is not one of {', '.join(CLIP_JOBS)}.")
    found: list[Path] = []
    for path in paths:
        if path.is_dir():
            found += sorted(p for p in path.rglob("*") if p.suffix.lower() in _SUFFIXES | {ENDING} and p.is_file())
        elif path.exists():
            found.append(path)
        else:
            raise FileError("there is no such file or folder.", where=str(path))
    items = []
    taken: set[str] = set()
    for path in dict.fromkeys(found):
        name = path.stem
        number = 2
        while name in taken:
            name, number = f"{path.stem}-{number}", number + 1
        taken.add(name)
        names = ["session"] if path.suffix.lower() == ENDING else list(jobs)
        items += [Item(path=str(path.resolve()), job=job, out=str(out.resolve() / name)) for job in names]
    if not items:
        raise UsageError("there is no session and no clip at these places.")
    return items


def work(item: Item) -> Outcome:
    """Do one item; everything that goes wrong becomes part of the outcome."""
    os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
    from viewer.cv import cv2

    cv2.setNumThreads(1)
    try:
        if item.job == "session":
            return _session(item)
        return _clip(item)
    except ViewerError as error:
        return Outcome(path=item.path, job=item.job, ok=False, reason=str(error))
    except Exception as error:  # noqa: BLE001 - the record must reach the caller whatever happened
        return Outcome(path=item.path, job=item.job, ok=False, reason=f"{type(error).__name__}: {error}")


def _session(item: Item) -> Outcome:
    from viewer.session import store
    from viewer.tasks.session import align_session, measure_session
    from viewer.tasks.summary import session_result

    path, out = Path(item.path), Path(item.out)
    out.mkdir(parents=True, exist_ok=True)
    session = store.load(path)
    open_scenes = [s.id for s in session.scenes if any(clip.pose is None for clip in session.clips_of(s.id))]
    lined = align_session(session, path.parent, scenes=open_scenes)
    run = measure_session(lined.session, path.parent)
    store.save(run.session, out / path.name)
    troubles = tuple(trouble.what for trouble in (*lined.troubles, *run.troubles))
    result = session_result(run.session, path.parent, troubles=troubles)
    write_whole(out / "readings.json", result.dumps().encode())
    return Outcome(
        path=item.path,
        job=item.job,
        ok=not troubles,
        reason="; ".join(troubles),
        readings=len(result.readings),
        written=(str(out / path.name), str(out / "readings.json")),
    )


def _clip(item: Item) -> Outcome:
    from viewer.media import open_clip

    target = Path(item.out).with_name(f"{Path(item.out).name}.{item.job}.json")
    target.parent.mkdir(parents=True, exist_ok=True)
    with open_clip(Path(item.path), threads=1) as clip:
        result = _task(item.job)(clip)
    write_whole(target, result.dumps().encode())
    return Outcome(path=item.path, job=item.job, ok=True, readings=len(result.readings), written=(str(target),))


def _task(job: str) -> Callable[..., Any]:
    """Return the function that does a job on an open clip without further input."""
    if job == "bloom":
        from viewer.tasks.bloom import measure_bloom

        return measure_bloom
    if job == "flicker":
        from viewer.tasks.flicker import measure_flicker

        return measure_flicker
    if job == "ramp":
        from viewer.tasks.ramp import measure_ramp

        return measure_ramp
    from viewer.tasks.probe import probe_clip

    return probe_clip


def run_here(
    items: Sequence[Item], *, workers: int | None = None, cancelled: Callable[[], bool] | None = None
) -> Iterator[Outcome]:
    """Yield outcomes as they come from a pool of processes on this machine; one by one where it allows none."""
    count = max(1, min(workers or os.cpu_count() or 1, len(items)))
    try:
        processes = ProcessPoolExecutor(count, mp_context=get_context("spawn"))
    except (OSError, ImportError):
        for item in items:
            if cancelled and cancelled():
                raise Cancelled from None
            yield work(item)
        return
    with processes as pool:
        futures = {pool.submit(work, item): item for item in items}
        try:
            for future in as_completed(futures):
                if cancelled and cancelled():
                    raise Cancelled
                error = future.exception()
                item = futures[future]
                yield (
                    future.result()
                    if error is None
                    else Outcome(path=item.path, job=item.job, ok=False, reason=f"the worker stopped ({error})")
                )
        except BaseException:
            for future in futures:
                future.cancel()
            raise


def run_on_cluster(items: Sequence[Item], address: str, *, timeout_s: float = 10.0) -> Iterator[Outcome]:
    """Yield outcomes as they come from a running cluster of the optional package ``distributed``.

    Raises
    ------
    UsageError
        If the package is not installed or the scheduler does not answer.
    """
    try:
        from distributed import Client
        from distributed import as_completed as arrived
    except ImportError:
        raise UsageError("no cluster support is installed.", hint="Install it with: pip install 'gloaming[cluster]'") from None
    try:
        client = Client(address, timeout=timeout_s, set_as_default=False)
    except (OSError, TimeoutError, ValueError) as error:
        raise UsageError(f"no scheduler answers at {address} ({error}).") from None
    try:
        futures = [client.submit(work, item, pure=False) for item in items]
        for future in arrived(futures, loop=client.loop):
            yield future.result()
    finally:
        client.close()


def summary_csv(outcomes: Iterable[Outcome]) -> str:
    """Return the outcomes as a table, one row an item, in a stable order."""
    text = io.StringIO()
    table = csv.writer(text, lineterminator="\n")
    table.writerow(["path", "job", "ok", "readings", "reason", "written"])
    for outcome in sorted(outcomes, key=lambda o: (o.path, o.job)):
        row = asdict(outcome)
        table.writerow(
            [row["path"], row["job"], "yes" if row["ok"] else "no", row["readings"], row["reason"], "; ".join(row["written"])]
        )
    return text.getvalue()


__all__ = ["CLIP_JOBS", "Item", "Outcome", "gather", "run_here", "run_on_cluster", "summary_csv", "work"]

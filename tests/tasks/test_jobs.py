"""Jobs on threads and on worker processes: order, progress, stopping, a worker that dies; a session measured both ways."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from dataclasses import replace
from multiprocessing import active_children
from pathlib import Path

import numpy as np
import pytest

from tests.tasks.night_clips import patches, write_clip
from tests.tasks.test_requests import clip, region
from viewer.errors import Cancelled, ViewerError
from viewer.session.model import Device, Request, Scene, Session, new_session
from viewer.tasks import jobs
from viewer.tasks.jobs import Stop, run_jobs
from viewer.tasks.session import align_session, measure_session


def square(item: int, /, cancelled: Stop | None = None, step: Callable[[], None] | None = None) -> int:
    if item < 0:
        raise ViewerError("less than nothing.")
    if step:
        step()
    return item * item


def die_at_two(item: int, /, cancelled: Stop | None = None, step: Callable[[], None] | None = None) -> int:
    if item == 2:
        os._exit(9)
    return item


def lost(item: int, why: str) -> int:
    return -1


@pytest.mark.parametrize("processes", [0, 2])
def test_outcomes_come_in_order_and_all_steps_are_counted(processes: int) -> None:
    seen: list[tuple[int, int]] = []
    assert run_jobs(
        square, [3, 1, 2], lost=lost, processes=processes, progress=lambda done, total: seen.append((done, total))
    ) == [9, 1, 4]
    assert seen == [(1, 3), (2, 3), (3, 3)]


def test_threads_do_the_work_where_no_worker_process_may_be(monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(jobs, "ProcessPoolExecutor", refused)
    assert run_jobs(square, [3, 1, 2], lost=lost, processes=2) == [9, 1, 4]


@pytest.mark.parametrize("processes", [0, 2])
def test_an_error_of_a_job_reaches_the_caller(processes: int) -> None:
    with pytest.raises(ViewerError, match="less than nothing"):
        run_jobs(square, [1, -1], lost=lost, processes=processes)


def sleep(item: int, /, cancelled: Stop | None = None, step: Callable[[], None] | None = None) -> int:
    time.sleep(120.0)
    return item


def test_worker_processes_stop_on_request_without_ending_what_they_are_at() -> None:
    others = set(active_children())
    began = time.monotonic()
    with pytest.raises(Cancelled):
        run_jobs(sleep, [1, 2, 3], lost=lost, processes=2, cancelled=lambda: time.monotonic() > began + 3.0)
    assert time.monotonic() < began + 60.0
    # the pool waits for its processes on a thread of its own
    while time.monotonic() < began + 90.0 and set(active_children()) - others:
        time.sleep(0.1)
    assert not set(active_children()) - others


def test_a_worker_that_dies_loses_only_what_it_had_not_given() -> None:
    found = run_jobs(die_at_two, [1, 2], lost=lost, processes=2)
    assert found[1] == -1
    assert found[0] in (1, -1)


@pytest.fixture
def two_clips(tmp_path: Path) -> tuple[Session, Path]:
    scene = patches(160, 240, 0.2, (20, 20, 60, 50, 0.5), (100, 20, 60, 50, 0.05), (40, 90, 150, 40, 0.1))
    for seed, name in enumerate("ab"):
        write_clip(tmp_path / f"{name}.mp4", np.asarray(scene), frames=12, noise=0.02, crf=12, seed=seed)
    gone = replace(
        clip("c", tmp_path / "a.mp4", take=3), files=(replace(clip("a", tmp_path / "a.mp4").files[0], path="gone.mp4"),)
    )
    session = new_session().put(
        Device(id="h", name="Heron", field_deg=40.0),
        Scene(id="s", name="Chart"),
        clip("a", tmp_path / "a.mp4"),
        clip("b", tmp_path / "b.mp4", take=2),
        gone,
        region("white", "rect", 30, 28, 40, 34),
        region("black", "rect", 110, 28, 40, 34),
        Request(id="q", scene="s", measure="contrast", regions={"bright": ("white",), "dark": ("black",)}),
        Request(id="n", scene="s", measure="noise", regions={"region": ("white",)}),
    )
    return session, tmp_path


def test_worker_processes_give_what_threads_give(two_clips: tuple[Session, Path]) -> None:
    session, folder = two_clips
    lined = align_session(session, folder)
    threads, workers = (measure_session(session, folder, processes=processes) for processes in (0, 2))
    assert threads.session.readings
    assert threads.session.readings == workers.session.readings
    assert {reading.clip for reading in threads.session.readings} == {"a", "b"}
    for run in (lined, threads, workers):
        assert any("gone.mp4" in trouble.what for trouble in run.troubles if trouble.clip == "c")

"""Batches: items gathered in a stable order, failures named, the same numbers wherever they are made."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from viewer.cli.main import run
from viewer.errors import FileError, UsageError
from viewer.tasks import batch
from viewer.tasks.batch import Item, Outcome, gather, run_here, run_on_cluster, summary_csv, work

CLIPS = sorted((Path(__file__).parent.parent / "data").glob("*.mp4"))


def test_gather_finds_clips_and_sessions(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    for name in ("b.mp4", "a/b.mp4", "c.gloam", "note.txt"):
        (tmp_path / name).write_bytes(b"x")
    items = gather([tmp_path], tmp_path / "out", ["probe", "flicker"])
    assert [(Path(item.path).name, item.job) for item in items] == [
        ("b.mp4", "probe"),
        ("b.mp4", "flicker"),
        ("b.mp4", "probe"),
        ("b.mp4", "flicker"),
        ("c.gloam", "session"),
    ]
    assert len({item.out for item in items}) == 3


def test_gather_refuses_nothing_and_nonsense(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no session and no clip"):
        gather([tmp_path], tmp_path)
    with pytest.raises(UsageError, match="'dance'"):
        gather([tmp_path], tmp_path, ["dance"])
    with pytest.raises(FileError, match="no such file"):
        gather([tmp_path / "missing"], tmp_path)


def test_bad_item_becomes_a_record(tmp_path: Path) -> None:
    bad = tmp_path / "bad.mp4"
    bad.write_text("not a film")
    outcome = work(Item(path=str(bad), job="probe", out=str(tmp_path / "bad")))
    assert not outcome.ok
    assert "bad.mp4" in outcome.reason
    assert "\n" not in outcome.reason


def test_items_go_one_by_one_where_no_worker_process_may_be(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(batch, "ProcessPoolExecutor", refused)
    bad = tmp_path / "bad.mp4"
    bad.write_text("not a film")
    (outcome,) = run_here([Item(path=str(bad), job="probe", out=str(tmp_path / "bad"))])
    assert "bad.mp4" in outcome.reason


def test_summary_is_a_stable_table() -> None:
    rows = [
        Outcome(path="b", job="probe", ok=True, readings=3),
        Outcome(path="a", job="probe", ok=False, reason='a "quoted", reason'),
    ]
    lines = summary_csv(rows).splitlines()
    assert lines[0] == "path,job,ok,readings,reason,written"
    assert lines[1] == 'a,probe,no,0,"a ""quoted"", reason",'
    assert lines[2] == "b,probe,yes,3,,"


@pytest.mark.skipif(not CLIPS, reason="no clip in tests/data")
def test_command_goes_on_past_bad_clips(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    source = tmp_path / "card"
    source.mkdir()
    shutil.copy(CLIPS[0], source / "good.mp4")
    (source / "bad.mp4").write_text("not a film")
    out = tmp_path / "out"
    assert run(["batch", str(source), "--out", str(out), "--workers", "1"]) == 3
    assert json.loads((out / "good.probe.json").read_text())["inputs"][0]["frames"] > 0
    printed = capfd.readouterr()
    assert "1 of 2 done" in printed.out
    assert "bad.mp4" in printed.err


@pytest.mark.skipif(not CLIPS, reason="no clip in tests/data")
@pytest.mark.filterwarnings("ignore")
def test_cluster_gives_the_same_numbers(tmp_path: Path) -> None:
    distributed = pytest.importorskip("distributed")
    here, there = (Item(path=str(CLIPS[0]), job="probe", out=str(tmp_path / name / "clip")) for name in ("here", "there"))
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, processes=False, protocol="tcp://", dashboard_address=None, host="127.0.0.1"
    ) as cluster:
        (outcome,) = run_on_cluster([there], cluster.scheduler_address)
    assert outcome.ok, outcome.reason
    work(here)
    assert (tmp_path / "here" / "clip.probe.json").read_bytes() == (tmp_path / "there" / "clip.probe.json").read_bytes()


def test_no_scheduler_is_one_line() -> None:
    with pytest.raises(UsageError, match="no scheduler answers"):
        list(run_on_cluster([], "tcp://127.0.0.1:9", timeout_s=1.0))

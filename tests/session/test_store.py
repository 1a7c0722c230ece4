"""Session files: round trips, faults named with their place, nothing lost, nothing reached for."""

from __future__ import annotations

import json
import multiprocessing
import os
import signal
import time
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from viewer.align.transform import ClockMap, FieldCircle, Pose
from viewer.errors import SessionError
from viewer.session import store
from viewer.session.model import (
    CameraMode,
    Clip,
    Device,
    FileRef,
    LightLevel,
    Marker,
    Note,
    Region,
    Request,
    Scene,
    Session,
    SheetEntry,
    StillSpec,
    StoredReading,
    StoredVerdict,
    new_session,
)


def full_session() -> Session:
    """A session that uses every member."""
    return replace(
        new_session("Quay trial", created="2026-11-20T20:15:00+00:00"),
        interest="none declared",
        devices=(
            Device(
                id="d1", name="Heron", control=True, field_deg=40.0, sheet=(SheetEntry(quantity="snr", typed="27,5", low=27.5),)
            ),
            Device(id="d2", name="Bittern <b>&", objective_mm=27.0),
        ),
        scenes=(Scene(id="s1", name="Quay lamps", kind="lamps", levels=(LightLevel(value=0.003, start_s=1.0),)),),
        clips=(
            Clip(
                id="c1",
                scene="s1",
                device="d1",
                files=(FileRef(path="clips/a.mp4", sha256="0" * 64, size=9),),
                clock=ClockMap(offset_s=0.25, rate_ppm=12.0, sync_by="sound", residual_s=1e-5),
                pose=Pose(scale=1.02, rotation_deg=7.0, shift_x=-3.5, mirrored=True, pose_by="features"),
                circle=FieldCircle(cx=400.0, cy=300.0, radius=280.5),
                camera=CameraMode(shutter_s=0.004, readout_ms=14.8, readout_direction="up"),
            ),
            Clip(id="c2", scene="s1", device=None, role="source"),
        ),
        regions=(
            Region(
                id="r1",
                scene="s1",
                kind="bars",
                name="1.26",
                geometry=(1.0, 2.0, 30.0, 40.0),
                settings={"lpmm": 1.26, "way": "v"},
            ),
            Region(
                id="r2",
                scene="s1",
                kind="rect",
                name="wall",
                geometry=(5.0, 6.0, 7.0, 8.0),
                overrides={"c1": (6.0, 6.0, 7.0, 8.0)},
            ),
        ),
        requests=(Request(id="q1", scene="s1", measure="contrast", regions={"bright": ("r1",), "dark": ("r2",)}),),
        readings=(
            StoredReading(
                id="v1", request="q1", clip="c1", name="michelson", of="a/b", value=0.5, unit="1", flags=("clipped",)
            ),
        ),
        verdicts=(
            StoredVerdict(request="q1", name="michelson", of="a/b", first="d1", second="d2", word="cannot tell", sentence="."),
        ),
        notes=(Note(id="n1", scene="s1", kind="arrow", geometry=(1.0, 2.0, 3.0, 4.0), text="kana \u3042 / umlaut \u00fc"),),
        markers=(Marker(id="m1", scene="s1", time_s=1.5, text="clap"),),
        stills=(StillSpec(id="t1", scene="s1", time_s=1.0, clips=("c1",)),),
    )


def test_round_trip(tmp_path: Path) -> None:
    session = full_session()
    path = store.save(session, tmp_path / "quay \u00fc #1.gloam")
    again = store.load(path)
    assert again == session
    assert store.dumps(again) == store.dumps(session)


@settings(max_examples=40, deadline=None)
@given(st.text(st.characters(exclude_categories=("Cs",)), max_size=60), st.floats(allow_nan=False, allow_infinity=False))
def test_round_trip_of_any_text_and_number(text: str, number: float) -> None:
    session = replace(new_session(text), markers=(), scenes=(Scene(id="s", name=text, distance_m=number),))
    assert store.loads(store.dumps(session)) == session


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"schema": "gloaming/session/99"}, "newer program"),
        ({"schema": "something"}, "not a Gloaming session"),
        ({"devices": [{"id": "d1", "name": 5, "contrl": True}]}, "devices.0.name"),
        ({"clips": [{"id": "c", "scene": "nowhere", "device": None}]}, "scene 'nowhere' is unknown"),
        ({"scenes": [{"id": "s", "name": "a", "kind": "moon"}]}, "scenes.0.kind"),
        ({"scenes": [{"id": "s", "name": "a"}, {"id": "s", "name": "b"}]}, "stands twice"),
    ],
)
def test_faults_are_named_with_their_place(change: dict[str, object], said: str) -> None:
    raw = json.loads(store.dumps(new_session()))
    raw.update(change)
    with pytest.raises(SessionError) as caught:
        store.loads(json.dumps(raw), where="trial.gloam")
    assert said in str(caught.value)
    assert str(caught.value).startswith("trial.gloam: ")
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("text", ["", "{", "[]", "null", '{"schema": "gloaming/session/1", "id": NaN}', "[" * 100_000, "\x00"])
def test_damaged_text_is_one_line(text: str) -> None:
    with pytest.raises(SessionError) as caught:
        store.loads(text)
    assert "\n" not in str(caught.value)


def test_older_form_is_brought_up() -> None:
    raw = json.loads(store.dumps(new_session("old")))
    raw["schema"] = "gloaming/session/0"
    raw["disclosure"] = raw.pop("interest") + "I sell A"
    assert store.loads(json.dumps(raw)).interest == "I sell A"


def test_unwritable_place_loses_nothing(tmp_path: Path) -> None:
    path = store.save(new_session("first"), tmp_path / "a.gloam")
    with pytest.raises(SessionError, match="cannot be written"):
        store.save(new_session("x"), tmp_path / "no" / "b.gloam")
    assert store.load(path).title == "first"


def test_full_disk_keeps_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = store.save(new_session("first"), tmp_path / "a.gloam")

    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(SessionError, match="No space left"):
        store.save(new_session("second"), path)
    assert store.load(path).title == "first"
    assert list(tmp_path.iterdir()) == [path]


def _save_for_ever(path: str) -> None:
    number = 0
    while True:
        number += 1
        store.save(replace(new_session(), title=f"{number} " + "x" * 200_000), path)


@pytest.mark.skipif(os.name != "posix", reason="kills a process by signal")
def test_killed_writer_leaves_a_whole_file(tmp_path: Path) -> None:
    path = tmp_path / "a.gloam"
    store.save(new_session("0 "), path)
    context = multiprocessing.get_context("fork")
    for _ in range(5):
        writer = context.Process(target=_save_for_ever, args=(str(path),))
        writer.start()
        time.sleep(0.15)
        assert writer.pid is not None
        os.kill(writer.pid, signal.SIGKILL)
        writer.join()
        assert store.load(path).title.split()[0].isdigit()
    store.sweep(tmp_path, older_than_s=-1.0)
    assert list(tmp_path.iterdir()) == [path]


def test_sources_stay_inside_unless_trusted(tmp_path: Path) -> None:
    home = tmp_path / "home"
    (home / "clips").mkdir(parents=True)
    inside, outside = home / "clips" / "a.mp4", tmp_path / "b.mp4"
    inside.write_bytes(b"a")
    outside.write_bytes(b"b")
    ref = store.refer(inside, home)
    assert ref.path == "clips/a.mp4"
    assert ref.size == 1
    assert store.resolve(home, ref) == inside.resolve()
    far = store.refer(outside, home)
    for wanted in (far, replace(far, path="../b.mp4")):
        with pytest.raises(SessionError, match="outside"):
            store.resolve(home, wanted)
        assert store.resolve(home, wanted, allow_outside=True) == outside.resolve()
    store.trust(outside)
    assert store.resolve(home, far) == outside.resolve()


@pytest.mark.skipif(os.name != "posix", reason="needs symbolic links")
def test_link_out_of_the_folder_counts_as_outside(tmp_path: Path) -> None:
    home = tmp_path / "home"
    home.mkdir()
    secret = tmp_path / "secret.mp4"
    secret.write_bytes(b"s")
    (home / "a.mp4").symlink_to(secret)
    with pytest.raises(SessionError, match="outside"):
        store.resolve(home, FileRef(path="a.mp4"))


@pytest.mark.parametrize("path", ["\\\\host\\share\\a.mp4", "//host/a.mp4", "http://host/a.mp4", "a\0.mp4"])
def test_no_network_place_is_reached_for(tmp_path: Path, path: str) -> None:
    with pytest.raises(SessionError, match="not a local file"):
        store.resolve(tmp_path, FileRef(path=path), allow_outside=True)


def test_moved_file_is_found_by_its_contents(tmp_path: Path) -> None:
    old = tmp_path / "a.mp4"
    old.write_bytes(b"picture")
    ref = store.refer(old, tmp_path)
    (tmp_path / "card").mkdir()
    new = old.rename(tmp_path / "card" / "renamed.mp4")
    with pytest.raises(SessionError, match="missing"):
        store.resolve(tmp_path, ref)
    assert store.find_moved(ref, [tmp_path]) == new


def test_recovery(tmp_path: Path) -> None:
    session = new_session("evening")
    store.autosave(session, None)
    store.autosave(replace(session, title="later"), tmp_path / "a.gloam")
    found = [recovery for recovery in store.recoveries() if recovery.session.id == session.id]
    assert [recovery.session.title for recovery in found] == ["later"]
    assert found[0].original == tmp_path / "a.gloam"
    store.discard(session)
    assert not [recovery for recovery in store.recoveries() if recovery.session.id == session.id]


def test_recent_sessions(tmp_path: Path) -> None:
    first, second = (store.save(new_session(), tmp_path / f"{name}.gloam") for name in "ab")
    for path in (first, second, first):
        store.remember(path)
    assert store.recent()[:2] == [first.resolve(), second.resolve()]


def _hold(path: str, ready: object, done: object) -> None:
    with store.locked(Path(path)):
        ready.set()  # type: ignore[attr-defined]
        done.wait(20)  # type: ignore[attr-defined]


def test_lock_is_exclusive(tmp_path: Path) -> None:
    context = multiprocessing.get_context("spawn")
    ready, done = context.Event(), context.Event()
    holder = context.Process(target=_hold, args=(str(tmp_path / "a.gloam"), ready, done))
    holder.start()
    try:
        assert ready.wait(60)
        with pytest.raises(SessionError, match="another Gloaming"), store.locked(tmp_path / "a.gloam"):
            pass
    finally:
        done.set()
        holder.join()
    with store.locked(tmp_path / "a.gloam"):
        pass

"""The document: put, drop, order, reference; undo and redo."""

from __future__ import annotations

from dataclasses import replace

import pytest

from viewer.errors import UsageError
from viewer.session.history import History
from viewer.session.model import Clip, Device, Region, Request, Scene, Session, StoredReading, new_id, new_session


def small() -> Session:
    """Two devices, one scene, three clips."""
    return new_session().put(
        Device(id="b", name="Bittern"),
        Device(id="h", name="Heron", control=True),
        Scene(id="s", name="Chart", kind="chart"),
        Clip(id="h2", scene="s", device="h", take=2),
        Clip(id="b1", scene="s", device="b"),
        Clip(id="h1", scene="s", device="h"),
        Clip(id="x", scene="s", device=None, role="source"),
        Region(id="r", scene="s", kind="rect", name="white", geometry=(0, 0, 4, 4)),
        Request(id="q", scene="s", measure="noise", regions={"region": ("r",)}),
        StoredReading(id="v", request="q", clip="b1", name="snr", of="white", value=1.0, unit="1"),
    )


def test_clips_come_by_device_and_take() -> None:
    assert [clip.id for clip in small().clips_of("s")] == ["b1", "h1", "h2"]
    assert [clip.id for clip in small().clips_of("s", role=None)] == ["b1", "h1", "h2", "x"]


def test_reference_is_the_chosen_clip_else_the_controls() -> None:
    session = small()
    reference = session.reference_of("s")
    assert reference is not None
    assert reference.id == "h1"
    chosen = session.put(replace(session.scene("s"), reference_clip="b1")).reference_of("s")
    assert chosen is not None
    assert chosen.id == "b1"


def test_put_replaces_by_id_and_shares_the_rest() -> None:
    session = small()
    changed = session.put(replace(session.device("b"), name="Plover"))
    assert [device.name for device in changed.devices] == ["Plover", "Heron"]
    assert changed.clips is session.clips


def test_drop_takes_what_hangs_on_it() -> None:
    session = small()
    assert session.drop("b").readings == ()
    assert [clip.id for clip in session.drop("b").clips] == ["h2", "h1", "x"]
    bare = session.drop("s")
    assert (bare.scenes, bare.clips, bare.regions, bare.requests, bare.readings) == ((), (), (), (), ())
    assert len(bare.devices) == 2


def test_unknown_id_is_a_usage_error() -> None:
    with pytest.raises(UsageError, match="no scene 'moon'"):
        small().scene("moon")


def test_ids_are_fresh() -> None:
    assert len({new_id("clip") for _ in range(1000)}) == 1000


def test_history_walks_both_ways() -> None:
    history = History(small())
    first = history.session
    second = history.push(replace(first, title="second"), "Rename")
    history.push(replace(second, title="third"), "Rename again")
    assert history.undo_label == "Rename again"
    assert history.undo() is second
    assert history.undo() is first
    assert history.undo() is first
    assert not history.can_undo
    assert history.redo_label == "Rename"
    assert history.redo() is second
    history.push(replace(second, title="other"), "Other")
    assert not history.can_redo


def test_history_knows_what_is_saved() -> None:
    history = History(small())
    assert not history.dirty
    history.push(replace(history.session, title="x"), "Rename")
    assert history.dirty
    history.mark_saved()
    assert not history.dirty
    history.undo()
    assert history.dirty


def test_quick_edits_of_one_kind_merge() -> None:
    history = History(small())
    for number in range(20):
        history.push(replace(history.session, title=str(number)), "Type", merge="title")
    history.undo()
    assert not history.can_undo
    assert history.session.title != "19"


def test_unchanged_state_is_no_step() -> None:
    history = History(small())
    history.push(replace(history.session), "Nothing")
    assert not history.can_undo


def test_history_is_bounded() -> None:
    history = History(small(), limit=10)
    for number in range(50):
        history.push(replace(history.session, title=str(number)), "Rename")
    steps = 0
    while history.can_undo:
        history.undo()
        steps += 1
    assert steps == 10 and not history.whole


def test_what_happens_outside_changes_every_state() -> None:
    history = History(small())
    history.push(replace(history.session, title="One"), "Rename")
    history.push(replace(history.session, title="Two"), "Rename")
    history.undo()
    history.change_all(lambda session: replace(session, author="Night watch"))
    assert history.session.title == "One" and history.whole
    assert history.redo().author == history.undo().author == history.undo().author == "Night watch"

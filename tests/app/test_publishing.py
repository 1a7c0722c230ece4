"""Footage from the window, played to the end on a short session: written, read back, told."""

from __future__ import annotations

import json
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from viewer.align.transform import FieldCircle, Pose
from viewer.app.screens import settle
from viewer.app.views.publishing import PublishDialog
from viewer.app.window import MainWindow
from viewer.media import open_clip
from viewer.media.writer import VideoWriter
from viewer.session import store
from viewer.session.model import Clip, Device, Scene, Session

FRAMES = 6


@pytest.fixture(scope="module")
def hlg_session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two devices, one scene, 10-bit HLG clips of a quarter of a second."""
    folder = tmp_path_factory.mktemp("hlg")
    rows, cols = np.mgrid[:128, :192]
    noise = np.random.default_rng(7)
    clips = []
    for name, level in (("heron", 0.6), ("bittern", 0.45)):
        path = folder / f"{name}.mp4"
        with VideoWriter(
            path,
            width=192,
            height=128,
            rate=Fraction(25),
            codec="hevc",
            bit_depth=10,
            transfer="hlg",
            matrix="bt2020",
            primaries="bt2020",
            crf=8,
        ) as writer:
            for number in range(FRAMES):
                grey = np.where((cols - 96 - number) ** 2 + (rows - 64) ** 2 < 24**2, level, 0.2)
                writer.write(np.repeat((grey + noise.normal(0, 0.01, grey.shape))[..., None], 3, axis=2).astype(np.float32))
        clips.append(
            Clip(
                id=f"c-{name}", scene="s1", device=f"d-{name}", files=(store.refer(path, folder),),
                pose=Pose(pose_by="pattern"), circle=FieldCircle(cx=95.5, cy=63.5, radius=60.0),
            )
        )  # fmt: skip
    devices = tuple(Device(id=f"d-{name}", name=name.capitalize(), field_deg=40.0) for name in ("heron", "bittern"))
    scene = Scene(id="s1", name="Quay lamps", kind="lamps", reference_clip="c-heron")
    return store.save(
        Session(id="hlg", title="Harbour", devices=devices, scenes=(scene,), clips=tuple(clips)), folder / "h.gloam"
    )


def publish(window: MainWindow, folder: Path) -> list[tuple[str, bool]]:
    """Publish footage alone, wait until it is over; return what was told, and whether as trouble."""
    told: list[tuple[str, bool]] = []
    real = window.toast.show_words

    def show(text: str, duration: int, **kinds: Any) -> None:
        told.append((text, bool(kinds.get("trouble"))))
        real(text, duration, **kinds)

    window.toast.show_words = show  # type: ignore[method-assign]
    window.run("publish")
    dialog = next(dialog for dialog in window.dialogs if isinstance(dialog, PublishDialog))
    dialog.folder.setText(str(folder))
    for key, box in dialog.products.items():
        box.setChecked(key == "footage")
    dialog.go()
    assert settle(window, 240), "publishing did not end"
    return told


def test_hlg_footage_is_written_and_read_back_without_faults(
    make_window: Callable[..., MainWindow], hlg_session: Path, tmp_path: Path
) -> None:
    window = make_window(hlg_session)
    assert settle(window)
    told = publish(window, tmp_path / "out")
    folder = tmp_path / "out" / "footage"
    assert sorted(path.suffix for path in folder.glob("01-*")) == [".json", ".json", ".mp4", ".mp4"]
    check = json.loads((folder / "01-quay-lamps-hlg.json").read_text(encoding="utf-8"))
    assert check["faults"] == [] and check["frames"] == FRAMES
    # BT.2100 HLG: non-constant luminance matrix of BT.2020, narrow range, 10 bit.
    assert check["tags"] == {"transfer": "hlg", "matrix": "bt2020", "range": "narrow", "codec": "hevc 10 bit"}
    with open_clip(folder / "01-quay-lamps-hlg.mp4") as clip:
        assert len(clip) == FRAMES and clip.info.transfer == "hlg" and not clip.info.assumed
    assert told == [(f"4 files written to {tmp_path / 'out'}. The videos were read back without faults.", False)]
    # The videos are there: a second run keeps them and says the same.
    before = (folder / "01-quay-lamps-hlg.mp4").stat().st_mtime_ns
    window.toast.show_words = type(window.toast).show_words.__get__(window.toast)  # type: ignore[method-assign]
    assert publish(window, tmp_path / "out")[-1][0].endswith("read back without faults.")
    assert (folder / "01-quay-lamps-hlg.mp4").stat().st_mtime_ns == before


def test_faults_of_footage_are_told(
    make_window: Callable[..., MainWindow], hlg_session: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from viewer.publish import everything

    def fail(*_: Any, **__: Any) -> None:
        from viewer.errors import UsageError

        raise UsageError("the clips of 'Quay lamps' share no time.")

    monkeypatch.setattr(everything, "_video", fail)
    window = make_window(hlg_session, language="de")
    assert settle(window)
    told = publish(window, tmp_path / "out")
    assert told[-1][1], "told as trouble"
    assert "Video von Quay lamps: Die Clips von 'Quay lamps' haben keine gemeinsame Zeit." in told[-1][0]

"""Small clips with known pictures, sessions made of them, and windows that are closed in order."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("PySide6")

from PySide6.QtCore import QCoreApplication, QEvent

from viewer.align.transform import ClockMap, FieldCircle, Pose
from viewer.app import i18n
from viewer.app.main import application
from viewer.app.model.settings import Settings
from viewer.app.window import MainWindow
from viewer.media.writer import VideoWriter
from viewer.session import store
from viewer.session.model import Clip, Device, Region, Request, Scene, Session, StoredReading, StoredVerdict

WIDTH, HEIGHT, FRAMES, RATE = 192, 128, 24, 25
BLOCKS = 6  # the frame number as white and black blocks of 16 px near the top


def picture(number: int, shift: int = 0, gain: float = 1.0) -> np.ndarray:
    """Return frame `number`: its number in blocks, a bright disc, a grey ground (R'G'B' signal)."""
    rows, cols = np.mgrid[:HEIGHT, :WIDTH]
    grey = np.full((HEIGHT, WIDTH), 0.25 * gain)
    grey[(cols - 96 - shift) ** 2 + (rows - 80) ** 2 < 18**2] = 0.8 * gain
    for bit in range(BLOCKS):
        grey[8:24, 48 + 16 * bit : 64 + 16 * bit] = 0.95 if number >> bit & 1 else 0.05
    return np.repeat(grey[..., None], 3, axis=2).astype(np.float32) * np.array([0.7, 1.0, 0.6], np.float32)


def number_in(luma: np.ndarray) -> int:
    """Return the frame number that a picture carries (any scale of values)."""
    levels = [float(luma[12:20, 52 + 16 * bit : 60 + 16 * bit].mean()) for bit in range(BLOCKS)]
    middle = 0.5 * (float(luma.max()) + float(luma.min()))
    return sum((level > middle) << bit for bit, level in enumerate(levels))


@pytest.fixture(scope="session")
def clip_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three clips: heron, bittern (shifted by 8 px, half as bright), plover."""
    folder = tmp_path_factory.mktemp("quay lamps")
    for name, shift, gain in (("heron", 0, 1.0), ("bittern", 8, 0.7), ("plover", -4, 0.9)):
        with VideoWriter(
            folder / f"{name}_take1.mp4", width=WIDTH, height=HEIGHT, rate=Fraction(RATE), crf=8, options={"g": "8"}
        ) as writer:
            for number in range(FRAMES):
                writer.write(picture(number, shift, gain))
    return folder


@pytest.fixture
def session(clip_folder: Path) -> Session:
    """Three devices, one scene, lined up; a rectangle, a light; one measured, one refused reading and a verdict."""
    devices = tuple(
        Device(id=f"d-{name}", name=name.capitalize(), control=name == "heron", field_deg=40.0)
        for name in ("heron", "bittern", "plover")
    )
    clips = []
    for name, shift in (("heron", 0), ("bittern", 8), ("plover", -4)):
        clips.append(
            Clip(
                id=f"c-{name}",
                scene="s1",
                device=f"d-{name}",
                files=(store.refer(clip_folder / f"{name}_take1.mp4", clip_folder),),
                clock=ClockMap(offset_s=0.08 if name == "bittern" else 0.0, sync_by="steps", residual_s=0.001),
                pose=Pose(shift_x=-float(shift), pose_by="pattern"),
                circle=FieldCircle(cx=95.5, cy=63.5, radius=60.0),
            )
        )
    readings = (
        _reading("c-heron", 12.4, 12.1, 12.7),
        _reading("c-bittern", 9.8, 9.2, 10.4),
        StoredReading(
            id="r-c-plover", request="q1", clip="c-plover", name="halo_radius", of="Gate lamp", value=None, unit="px",
            state="refused", reason="Clipped core reaches the edge: film it two stops darker.", made_from="x",
        ),
    )  # fmt: skip
    return Session(
        id="session-test",
        title="Harbour",
        devices=devices,
        scenes=(
            Scene(id="s1", name="Quay lamps", kind="lamps", reference_clip="c-heron"),
            Scene(id="s2", name="Reed bank", kind="edge"),
        ),
        clips=tuple(clips),
        regions=(
            Region(id="g1", scene="s1", kind="rect", name="Sky", geometry=(20.0, 40.0, 30.0, 24.0)),
            Region(id="g2", scene="s1", kind="light", name="Gate lamp", geometry=(96.0, 80.0)),
        ),
        requests=(Request(id="q1", scene="s1", measure="bloom", regions={"light": ("g2",)}),),
        readings=readings,
        verdicts=(
            StoredVerdict(
                request="q1", name="halo_radius", of="Gate lamp", first="d-heron", second="d-bittern", word="differs",
                sentence="Halo radius differs: Heron is larger by 2.6 ± 0.7 px (this unit, this take).",
            ),
        ),
    )  # fmt: skip


def _reading(clip: str, value: float, low: float, high: float) -> StoredReading:
    return StoredReading(
        id=f"r-{clip}", request="q1", clip=clip, name="halo_radius", of="Gate lamp", value=value, unit="px", low=low, high=high,
        flags=("within this take", "clipped"), frames=24, method="steepest fall", made_from="x",
    )  # fmt: skip


@pytest.fixture
def session_file(session: Session, clip_folder: Path) -> Path:
    """The session, saved beside its clips."""
    return store.save(session, clip_folder / "harbour.gloam")


@pytest.fixture
def make_window(tmp_path: Path, qtbot: object) -> Iterator[Callable[..., MainWindow]]:
    """Make windows; all are closed, and no thread of theirs may outlive them."""
    made: list[MainWindow] = []
    before = {thread.ident for thread in threading.enumerate()}

    def make(path: Path | None = None, size: tuple[int, int] = (1366, 768), **settings: object) -> MainWindow:
        kept = Settings(tmp_path / "settings.json")
        for key, value in settings.items():
            kept[key] = value
        kept["window"] = list(size)
        application(kept)
        window = MainWindow(kept)
        window.resize(*size)
        if path is not None:
            window.start([path])
        window.show()
        made.append(window)
        return window

    yield make
    for window in made:
        window.frame.closing = False
        window.force_close()
        window.deleteLater()
    QCoreApplication.sendPostedEvents(None, QEvent.Type.DeferredDelete)
    i18n.set_language("en")
    for path in (store.state_folder() / "recovery").glob("*.json"):
        path.unlink()
    end = time.monotonic() + 5
    while time.monotonic() < end:
        left = [t for t in threading.enumerate() if t.ident not in before and t.name.startswith("clip ")]
        if not left:
            break
        time.sleep(0.01)
    assert not left, f"threads outlived their window: {left}"


@pytest.fixture
def wait(qtbot: object) -> Callable[[MainWindow], None]:
    """Wait until a window shows everything that it asked for."""
    from viewer.app.screens import settle

    def until_settled(window: MainWindow, seconds: float = 30.0) -> None:
        assert settle(window, seconds), "the window did not come to rest"

    return until_settled


@pytest.fixture
def window(make_window: Callable[..., MainWindow], session_file: Path, wait: Callable[[MainWindow], None]) -> MainWindow:
    """A window on the session, at rest."""
    made: MainWindow = make_window(session_file)
    wait(made)
    made.player.go(0.2)  # a moment that all clips show
    wait(made)
    return made


@pytest.fixture
def answers(monkeypatch: pytest.MonkeyPatch) -> dict[str, object]:
    """Answers to the questions that actions ask: ``text``, ``choice``, ``save``, ``open``, ``saveto``, ``folder``."""
    from viewer.app.commands import drawing, edit, timing
    from viewer.app.views import ask

    given: dict[str, object] = {}

    def text(*_: object) -> object:
        return given.get("text")

    for module in (ask, drawing, edit, timing):
        monkeypatch.setattr(module, "ask_text", text)
    monkeypatch.setattr(edit, "ask_choice", lambda *_: given.get("choice"))
    monkeypatch.setattr(ask, "ask_save", lambda *_: given.get("save", "discard"))
    monkeypatch.setattr(ask, "open_file", lambda *_: given.get("open"))
    monkeypatch.setattr(ask, "open_files", lambda *_: given.get("opens", []))
    monkeypatch.setattr(ask, "save_file", lambda *_: given.get("saveto"))
    monkeypatch.setattr(ask, "choose_folder", lambda *_: given.get("folder"))
    return given


__all__ = ["FRAMES", "HEIGHT", "RATE", "WIDTH", "number_in", "picture"]

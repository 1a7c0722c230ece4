"""The switch for hardware decoding: for looking only, off at first, told in the clip's details."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from viewer.app.model.frames import Source
from viewer.app.model.settings import Settings
from viewer.app.screens import settle
from viewer.app.views.camera import CameraDialog
from viewer.app.views.preferences import PreferencesDialog
from viewer.app.window import MainWindow
from viewer.errors import UsageError
from viewer.media import hardware, open_clip, source


@pytest.fixture
def no_device(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(hardware, "display_device", lambda codec: None)


@pytest.fixture
def device(monkeypatch: pytest.MonkeyPatch) -> None:
    """Stand in for a device: the software decoder under its name."""
    monkeypatch.setattr(hardware, "display_device", lambda codec: "cuda")
    monkeypatch.setattr(source, "accelerator", lambda device: None)


def dialog_of(window: MainWindow, kind: type[Any], ident: str) -> Any:
    window.run(ident)
    assert settle(window)
    return next(dialog for dialog in window.dialogs if isinstance(dialog, kind))


def test_it_is_off_at_first_and_kept(tmp_path: Path) -> None:
    settings = Settings(tmp_path / "settings.json")
    assert settings["hardware_decoding"] is False
    settings["hardware_decoding"] = True
    assert settings.save() and Settings(tmp_path / "settings.json")["hardware_decoding"] is True


def test_frames_of_a_device_are_for_looking_only(clip_folder: Path, device: None) -> None:
    with open_clip(clip_folder / "heron_take1.mp4") as clip:
        frames = Source(clip, "cuda")
        shown = [frames.get(number, playing=True, looking=True) for number in (3, 4, 7)]
        assert [frame.number for frame in shown] == [3, 4, 7] and all(frame.for_looking for frame in shown)
        with pytest.raises(UsageError):
            shown[0].luminance()
        exact = frames.get(7)  # the same picture once more, now to be measured
        assert exact.number == 7 and not exact.for_looking and exact.luminance().light.size > 0
        assert not frames.get(7, playing=True, looking=True).for_looking, "what is exact already is shown"
        assert (exact.display() == shown[2].display()).all()
        frames._drop_pass()
        frames._drop_stream()


def test_a_device_that_fails_gives_way(clip_folder: Path, device: None, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(name: str) -> Any:
        raise PermissionError(name)

    monkeypatch.setattr(source, "accelerator", refuse)
    with open_clip(clip_folder / "heron_take1.mp4") as clip:
        frames = Source(clip, "cuda")
        assert not frames.get(5, playing=True, looking=True).for_looking
        assert frames.device is None and frames.get(6, playing=True, looking=True).number == 6
        frames._drop_pass()
        frames._drop_stream()


def test_the_switch_takes_effect_at_once(make_window: Callable[..., MainWindow], session_file: Path, device: None) -> None:
    window = make_window(session_file)
    assert settle(window)
    window.stage.choose("clip", "c-heron")
    assert not window.engine.hardware and all(not entry.decoder for entry in window.engine.clips.values())
    camera = dialog_of(window, CameraDialog, "camera")
    assert "Decoded by software" in camera.decoder.text()
    camera.close()
    dialog = dialog_of(window, PreferencesDialog, "preferences")
    dialog.hardware.click()
    assert settle(window)
    assert "is played by cuda" in dialog.decoders.text()
    dialog.close()
    assert window.engine.hardware and {entry.decoder for entry in window.engine.clips.values()} == {"cuda"}
    assert Settings(window.settings.path)["hardware_decoding"] is True
    camera = dialog_of(window, CameraDialog, "camera")
    assert "hardware decoder cuda" in camera.decoder.text()
    camera.close()


def test_pictures_are_exact_again_when_playing_stops(
    make_window: Callable[..., MainWindow], session_file: Path, device: None, qtbot: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[tuple[bool, bool]] = []  # (playing, for looking)
    real = Source.get

    def get(self: Source, number: int, *, playing: bool = False, looking: bool = False) -> Any:
        frame = real(self, number, playing=playing, looking=looking)
        seen.append((playing, frame.for_looking))
        return frame

    monkeypatch.setattr(Source, "get", get)
    window = make_window(session_file, hardware_decoding=True)
    assert settle(window)
    window.player.go(0.1)
    assert settle(window)
    window.player.play()
    qtbot.waitUntil(lambda: (True, True) in seen, timeout=10000)
    window.player.pause()
    assert settle(window)
    seen.clear()
    assert all(not entry.asked.playing for entry in window.engine.clips.values() if entry.asked is not None)
    with qtbot.waitSignal(window.engine.probed, timeout=5000) as probed:
        window.engine.probe("c-heron", 96, 80)
    assert probed.args[0] == "c-heron" and probed.args[1] is not None, "a pixel is read from an exact picture"


def test_a_machine_without_any_says_so(make_window: Callable[..., MainWindow], session_file: Path, no_device: None) -> None:
    window = make_window(session_file, hardware_decoding=True)
    assert settle(window)
    window.stage.choose("clip", "c-heron")
    dialog = dialog_of(window, PreferencesDialog, "preferences")
    assert dialog.decoders.text() == "This machine has no hardware decoder that answers: software goes on decoding."
    dialog.close()
    camera = dialog_of(window, CameraDialog, "camera")
    assert camera.decoder.text().startswith("No hardware decoder answers here for ")
    camera.close()

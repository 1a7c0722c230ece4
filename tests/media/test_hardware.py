"""Hardware decoders are for looking only, and whatever they do, pictures come."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import av.error
import numpy as np
import pytest

from viewer.errors import UsageError
from viewer.media import hardware, lane, open_clip, passes, source
from viewer.media.decoder import Decoder
from viewer.media.engine import Wall

CLIP = Path(__file__).resolve().parent.parent / "data" / "timecode-beep.mp4"


def numbers(device: str | None) -> tuple[list[int], str | None]:
    with open_clip(CLIP) as clip, clip.open_pass(device=device) as pictures:
        return [number for number, _, _ in pictures], pictures.device


def test_no_driver_means_no_device(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: Any, **__: Any) -> Any:
        raise PermissionError("no driver")

    monkeypatch.setattr(hardware, "HWAccel", refuse)
    hardware.display_device.cache_clear()
    assert hardware.display_device("h264") is None
    assert hardware.display_device("no such decoder") is None
    hardware.display_device.cache_clear()


def test_a_device_that_does_not_open_falls_back(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(device: str) -> Any:
        raise PermissionError(device)

    monkeypatch.setattr(source, "accelerator", refuse)
    assert numbers("cuda") == (list(range(30)), None)


@pytest.mark.parametrize("after", [0, 7])
def test_a_device_that_fails_on_the_way_falls_back(after: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(source, "accelerator", lambda device: None)
    real = Decoder.run

    def run(self: Decoder) -> Any:
        for count, item in enumerate(real(self)):
            if self.device and count >= after:
                raise av.error.ExternalError(1, "driver")
            yield item

    monkeypatch.setattr(passes.Decoder, "run", run)
    assert numbers("cuda") == (list(range(30)), None)


def test_a_device_that_works_is_used_and_never_measured(monkeypatch: pytest.MonkeyPatch) -> None:
    # Stands in for a device: the software decoder under its name.
    monkeypatch.setattr(source, "accelerator", lambda device: None)
    monkeypatch.setattr(lane, "display_device", lambda codec: "cuda")
    assert numbers("cuda") == (list(range(30)), "cuda")
    with open_clip(CLIP) as clip, clip.open_pass(device="cuda") as pictures:
        number, picture, damaged = next(pictures)
        frame = clip.wrap(picture, number, damaged, for_looking=True)
        assert np.array_equal(frame.display(), clip.frame(0).display())
        for measure in (frame.luminance, frame.rgb, frame.luma, frame.signal):
            with pytest.raises(UsageError, match="hardware"):
                measure()
    with Wall(hardware=True) as wall:
        wall.open([("a", CLIP)], size=(80, 60))
        wall.play(0.0)
        seen: set[str] = set()
        end = time.monotonic() + 10
        while time.monotonic() < end and "cuda" not in seen:
            wall.poll()
            seen.add(wall.states()["a"].decoder)
            time.sleep(0.002)
        assert "cuda" in seen

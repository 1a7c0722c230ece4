"""``gloaming audit`` from outside, on clips that another program made."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

from viewer.cli.main import run
from viewer.session.model import CameraMode, Clip, Device, Scene, Session
from viewer.session.store import refer, save

pytestmark = pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="ffmpeg is not installed")

TAGS = ["-color_range", "tv", "-colorspace", "bt709", "-color_primaries", "bt709", "-color_trc", "bt709"]


def film(path: Path, seed: int, change: str = "", *, rate: int = 25) -> Path:
    """Film a lined, vignetted field by ffmpeg: grain of its own, held a little askew, as takes are."""
    parts = [
        f"gradients=s=320x180:r={rate}:d=0.6:seed=7:speed=0.00001:c0=0x305030:c1=0x90c090",
        "format=yuv444p",
        "drawgrid=w=37:h=29:t=2:c=0x204020",
        "vignette=PI/3.5",
        f"rotate={0.004 * (seed % 5 - 2)}:fillcolor=black",
        *([change] if change else []),
        "format=yuv444p",
        f"noise=c0s=9:c0f=t:all_seed={seed}",
        "format=yuv420p",
    ]
    call = ["ffmpeg", "-v", "error", "-y", "-f", "lavfi", "-i", ",".join(parts), *TAGS]
    subprocess.run([*call, "-c:v", "libx264", "-preset", "ultrafast", "-crf", "14", str(path)], check=True)
    return path


@pytest.fixture(scope="module")
def takes(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    folder = tmp_path_factory.mktemp("takes")
    return [film(folder / f"take{n:02d}.mp4", n + 1) for n in range(12)]


def audit(paths: list[Path], capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    assert run(["audit", *(str(path) for path in paths), "--json", "-"]) == 0
    document: dict[str, Any] = json.loads(capsys.readouterr().out)
    return document


def rows(document: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {row["setting"]: row for row in document["scenes"][0]["rows"]}


def test_takes_alike_raise_no_alarm(takes: list[Path], capsys: pytest.CaptureFixture[str]) -> None:
    document = audit(takes, capsys)
    assert document["schema"] == "gloaming/result/1" and document["verdict"]["word"] == "unknown"
    assert not [row for row in rows(document).values() if row["state"] == "different"]
    for setting in ("frame_rate", "size", "range", "codec", "level", "red_green", "sharpness"):
        assert rows(document)[setting]["state"] == "same", rows(document)[setting]
    assert rows(document)["iso"]["state"] == "unknown", "what no file says is never the same"


@pytest.mark.parametrize(
    ("change", "setting"),
    [
        ("colorchannelmixer=rr=1.12:bb=0.9", "red_green"),  # another white balance
        ("curves=all='0/0 0.5/0.44 1/0.88'", "level"),  # a fifth less exposure
        ("gblur=1.2", "sharpness"),
        ("unsharp=5:5:1.2", "sharpness"),
        ("noise=c0s=30:c0f=t:all_seed=3", "noise"),  # more gain
    ],
)
def test_one_altered_clip_among_twelve(
    takes: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str], change: str, setting: str
) -> None:
    odd = film(tmp_path / "odd.mp4", 77, change)
    document = audit([*takes[:7], odd, *takes[7:11]], capsys)
    assert document["verdict"]["word"] == "different"
    assert rows(document)[setting]["odd"] == ["odd.mp4"], rows(document)[setting]
    for row in rows(document).values():
        assert row["odd"] in ([], ["odd.mp4"]), "nobody else is accused"


def test_rate_and_range_are_read_from_the_file(takes: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    film(tmp_path / "fast.mp4", 5, rate=30)
    wide = ["-vf", "scale=out_range=pc,format=yuv420p", "-color_range", "pc", *TAGS[2:], "-crf", "12"]
    call = ["ffmpeg", "-v", "error", "-y", "-i", str(takes[11]), *wide, str(tmp_path / "full.mp4")]
    subprocess.run(call, check=True)
    document = audit([*takes[:10], tmp_path / "fast.mp4", tmp_path / "full.mp4"], capsys)
    assert rows(document)["frame_rate"]["odd"] == ["fast.mp4"] and rows(document)["range"]["odd"] == ["full.mp4"]
    # The same picture in other codes is the same light.
    assert rows(document)["level"]["state"] == "same"


def test_session_with_typed_settings(takes: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    cameras = [CameraMode(iso=3200, shutter_s=0.02), CameraMode(iso=6400, shutter_s=0.02)]
    clips = []
    for n, camera in enumerate(cameras):
        copy = tmp_path / f"{n}.mp4"
        shutil.copyfile(takes[n], copy)
        clips.append(Clip(id=f"c{n}", scene="s", device="d", take=n + 1, files=(refer(copy, tmp_path),), camera=camera))
    empty = Scene(id="e", name="Empty")
    session = Session(
        id="x", devices=(Device(id="d", name="Heron"),), scenes=(Scene(id="s", name="Wall"), empty), clips=tuple(clips)
    )
    path = save(session, tmp_path / "two.gloam")
    document = audit([path], capsys)
    assert [scene["scene"] for scene in document["scenes"]] == ["Wall"], "a scene without clips has nothing to compare"
    found = rows(document)
    assert found["iso"]["state"] == "different" and found["iso"]["typed"]
    assert found["shutter"]["state"] == "same" and "Typed by the user" in found["shutter"]["sentence"]
    assert run(["audit", str(path), str(takes[0])]) == 2
    assert run(["audit", str(path)]) == 0
    assert "Typed by the user" in " ".join(capsys.readouterr().out.split())


def test_clips_that_cannot_be_read(takes: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "broken.mp4").write_bytes(b"\0" * 64)
    document = audit([takes[0], tmp_path / "broken.mp4"], capsys)
    assert any("broken.mp4" in text for text in document["warnings"])
    assert run(["audit", str(tmp_path / "none.mp4")]) == 3
    assert "Traceback" not in capsys.readouterr().err

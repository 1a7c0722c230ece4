"""Full disks, read-only folders and killed programs: no half file under a final name, one clear line, nothing lost."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from PIL import Image

from viewer.media import open_clip
from viewer.publish.strays import sweep
from viewer.session.model import Session
from viewer.session.store import save

Sample = tuple[Session, Path]
posix = pytest.mark.skipif(os.name != "posix", reason="limits and signals of POSIX")


@pytest.fixture(scope="module")
def lamps(sample: Sample) -> Path:
    """The folder of a session of one scene."""
    session, folder = sample
    save(session.drop("s-edge"), folder / "lamps.gloam")
    return folder


def publish(folder: Path, out: Path, *words: str, limit_kb: int | None = None) -> subprocess.CompletedProcess[str]:
    """Run the command from outside, with no file larger than so many KiB."""
    call = [sys.executable, "-m", "viewer", "publish", str(folder / "lamps.gloam"), "--out", str(out), *words]

    def restrict() -> None:
        import resource

        if limit_kb is not None:
            resource.setrlimit(resource.RLIMIT_FSIZE, (limit_kb * 1024, limit_kb * 1024))

    return subprocess.run(call, capture_output=True, text=True, preexec_fn=restrict if os.name == "posix" else None)


def whole(out: Path) -> int:
    """Read every product under its final name to its end, and return how many there are."""
    count = 0
    for path in out.rglob("*"):
        if not path.is_file() or path.name.startswith("."):
            continue
        count += 1
        if path.suffix == ".png":
            with Image.open(path) as image:
                image.load()
        elif path.suffix == ".mp4":
            with open_clip(path) as clip:
                assert sum(1 for _ in clip.frames()) == len(clip.index)
    return count


@posix
@pytest.mark.parametrize(("words", "limit_kb"), [(("--only", "stills", "--bits", "16"), 300), (("--only", "footage"), 40)])
def test_full_disk(lamps: Path, tmp_path: Path, words: tuple[str, ...], limit_kb: int) -> None:
    out = tmp_path / "out"
    done = publish(lamps, out, *words, limit_kb=limit_kb)
    assert done.returncode == 3 and "Traceback" not in done.stderr, done.stderr[-800:]
    assert len(done.stderr.strip().splitlines()) == 1 and "cannot be written" in done.stderr, done.stderr
    whole(out)
    assert not [path for path in out.rglob(".*") if path.is_file()], "temporary files are cleared away"
    assert not list(out.rglob("*.mp4")) and not list(out.rglob("*.png"))


@posix
def test_what_was_there_before_survives_a_full_disk(lamps: Path, tmp_path: Path) -> None:
    assert publish(lamps, tmp_path, "--only", "stills").returncode == 0
    before = {path: path.read_bytes() for path in tmp_path.rglob("*.png")}
    assert len(before) >= 2
    assert publish(lamps, tmp_path, "--only", "stills", limit_kb=20).returncode == 3
    assert {path: path.read_bytes() for path in tmp_path.rglob("*.png")} == before


@posix
def test_folder_that_cannot_be_written(lamps: Path, tmp_path: Path) -> None:
    # Nobody, root included, makes folders in the kernel's own tree.
    place = Path("/proc/published") if Path("/proc/self").exists() else tmp_path / "locked" / "published"
    if not Path("/proc/self").exists():
        (tmp_path / "locked").mkdir(mode=0o555)
    done = publish(lamps, place, "--only", "readings")
    assert done.returncode == 3 and "cannot be made" in done.stderr and "Traceback" not in done.stderr
    assert str(place) in done.stderr and "Choose another folder" in done.stderr


@posix
def test_killed_in_the_middle(lamps: Path, tmp_path: Path) -> None:
    call = [sys.executable, "-m", "viewer", "publish", str(lamps / "lamps.gloam"), "--out", str(tmp_path)]
    running = subprocess.Popen([*call, "--only", "footage"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        end = time.monotonic() + 60
        while time.monotonic() < end and not list(tmp_path.rglob(".*.mp4")) and running.poll() is None:
            time.sleep(0.02)
        running.send_signal(signal.SIGKILL)
    finally:
        running.kill()
        running.wait(timeout=30)
    assert not list(tmp_path.rglob("[!.]*.mp4")), "a video that is not whole has no final name"
    strays = list(tmp_path.rglob(".*.mp4"))
    assert strays, "a killed program clears nothing away"
    # The next run goes on, and clears away what the killed one left; another program at work keeps its own.
    other = tmp_path / "footage" / f".mine.{os.getpid()}-abcd1234.mp4"
    other.write_bytes(b"")
    assert publish(lamps, tmp_path, "--only", "footage").returncode == 0
    assert whole(tmp_path) == 3, "the video, its check, the queue"
    assert [path for path in tmp_path.rglob(".*") if path.is_file()] == [other]


def test_only_temporary_files_of_writers_are_swept(tmp_path: Path) -> None:
    (tmp_path / "footage").mkdir()
    keep = [tmp_path / name for name in (".hidden", ".notes.txt", ".gitignore", ".a.tmp", "a.12-abcd1234.mp4")]
    keep.append(tmp_path / f".still.png.{os.getpid()}-abcd1234.tmp")
    old = tmp_path / f".card.png.{os.getpid()}-abcd1234.tmp"
    for path in (*keep, old):
        path.write_bytes(b"x")
    os.utime(old, (0, 0))
    assert sweep(tmp_path) == 1
    assert sorted(path for path in tmp_path.iterdir() if path.is_file()) == sorted(keep)


@pytest.fixture
def small(tmp_path: Path) -> Iterator[Path]:
    """A file system with room for 300 KiB."""
    place = tmp_path / "small"
    place.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=300k", "tmpfs", str(place)]
    if shutil.which("mount") is None or subprocess.run(mount, capture_output=True).returncode:
        pytest.skip("mounting needs rights that this user lacks")
    yield place
    subprocess.run(["umount", str(place)], check=True)


@posix
@pytest.mark.parametrize("words", [("--only", "stills"), ("--only", "footage"), ("--only", "report")])
def test_disk_that_is_really_full(lamps: Path, small: Path, words: tuple[str, ...]) -> None:
    done = publish(lamps, small, *words)
    assert done.returncode == 3 and "Traceback" not in done.stderr, done.stderr[-800:]
    assert len(done.stderr.strip().splitlines()) == 1 and "cannot be written" in done.stderr, done.stderr
    whole(small)
    assert not [path for path in small.rglob(".*") if path.is_file()], "temporary files are cleared away"

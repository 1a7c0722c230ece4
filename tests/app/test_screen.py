"""The window on a real (virtual) screen: only where there is one.  Set GLOAMING_TEST_SCREEN=1, or have xvfb-run installed."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from viewer.session import store

ROOT = Path(__file__).resolve().parents[2]


def _run(command: list[str], tmp_path: Path) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "GLOAMING_QUIT_AT_ONCE": "1", "QT_QPA_PLATFORM": "xcb", "GLOAMING_INSIDE": "1"}
    for name in ("XDG_CONFIG_HOME", "XDG_STATE_HOME", "XDG_CACHE_HOME"):
        environment[name] = str(tmp_path / name)
    return subprocess.run(command, env=environment, cwd=ROOT, capture_output=True, text=True, timeout=120, check=False)


def test_opens_on_a_screen(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "viewer", "open"]
    if os.environ.get("GLOAMING_TEST_SCREEN") != "1":
        runner = shutil.which("xvfb-run")
        if runner is None:
            pytest.skip("no xvfb-run, and GLOAMING_TEST_SCREEN is not set")
        command = [runner, "-a", *command]
    done = _run(command, tmp_path)
    if "could not load the Qt platform plugin" in done.stderr.lower() or "no qt platform plugin" in done.stderr.lower():
        pytest.skip("the X libraries of Qt are not installed")
    assert done.returncode == 0, done.stderr[-2000:]


def test_opens_without_a_screen(tmp_path: Path) -> None:
    environment = {**os.environ, "GLOAMING_QUIT_AT_ONCE": "1", "QT_QPA_PLATFORM": "offscreen", "GLOAMING_INSIDE": "1"}
    for name in ("XDG_CONFIG_HOME", "XDG_STATE_HOME", "XDG_CACHE_HOME"):
        environment[name] = str(tmp_path / name)
    done = subprocess.run(
        [sys.executable, "-m", "viewer", "open"],
        env=environment,
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-2000:]


def test_first_window_loads_nothing_heavy(tmp_path: Path) -> None:
    """What takes long to import waits until it is needed; a window that opens is what the user waits for."""
    environment = {**os.environ, "QT_QPA_PLATFORM": "offscreen", "GLOAMING_QUIT_AT_ONCE": "1"}
    for name in ("XDG_CONFIG_HOME", "XDG_STATE_HOME", "XDG_CACHE_HOME"):
        environment[name] = str(tmp_path / name)
    code = (
        "import sys; from viewer.app.main import open_window; open_window([]);"
        "heavy = {'scipy.stats', 'scipy.optimize', 'pyqtgraph', 'matplotlib', 'av', 'PySide6.QtMultimedia'};"
        "print(sorted(set(sys.modules) & heavy))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], env=environment, cwd=ROOT, capture_output=True, text=True, timeout=120, check=False
    )
    assert done.stdout.strip() == "[]", done.stdout + done.stderr


SCRIPT = r"""
"$1" -m viewer open "$2" &
program=$!
window=$(timeout 60 xdotool search --sync --onlyvisible --name 'harbour' | head -n 1)
test -n "$window" || exit 11
sleep 3
xdotool mousemove --window "$window" 560 300 click 1
sleep 1
xdotool key ctrl+k
sleep 1
xdotool key ctrl+s
sleep 1
xdotool key ctrl+q
for n in $(seq 60); do kill -0 $program 2>/dev/null || break; sleep 0.5; done
if kill -0 $program 2>/dev/null; then kill $program; exit 12; fi
wait $program
"""


def test_mouse_and_keys_work_on_a_screen(session_file: Path, tmp_path: Path) -> None:
    """On a virtual screen: the window comes up, a click and keys keep a still, save, and end the program in order."""
    runner = shutil.which("xvfb-run")
    if runner is None or shutil.which("xdotool") is None or shutil.which("bash") is None:
        pytest.skip("needs xvfb-run, xdotool and bash")
    path = tmp_path / "harbour.gloam"
    session = store.load(session_file)
    store.trust(session_file.parent)
    clips = tuple(
        replace(clip, files=tuple(replace(ref, path=str(session_file.parent / ref.path)) for ref in clip.files))
        for clip in session.clips
    )
    store.save(replace(session, clips=clips), path)
    environment = {**os.environ, "QT_QPA_PLATFORM": "xcb"}
    for name in ("XDG_CONFIG_HOME", "XDG_STATE_HOME", "XDG_CACHE_HOME"):
        environment[name] = str(tmp_path / name)
    command = [runner, "-a", "-s", "-screen 0 1366x768x24", "bash", "-c", SCRIPT, "smoke", sys.executable, str(path)]
    done = subprocess.run(command, env=environment, cwd=ROOT, capture_output=True, text=True, timeout=180, check=False)
    if "could not load the qt platform plugin" in done.stderr.lower():
        pytest.skip("the X libraries of Qt are not installed")
    assert done.returncode == 0, f"{done.returncode}: {done.stderr[-2000:]}"
    assert "Traceback" not in done.stderr
    assert len(store.load(path).stills) == 1

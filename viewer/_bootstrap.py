"""Set-up with the standard library only: make the environment, check the system, hand over.

``python3 -m viewer ...`` works on a fresh machine: this module makes ``.venv`` beside the package once, from the locked
requirements, and starts the program in it.  ``GLOAMING_NO_APT=1`` keeps it from installing system libraries,
``GLOAMING_NO_UV=1`` makes it use pip alone.
"""

from __future__ import annotations

import ctypes
import hashlib
import os
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
NEEDED = ("cv2", "PySide6", "av", "pyqtgraph", "scipy", "pydantic", "click", "rich", "typst", "matplotlib")
SETUP_FAILED = 69

# Shared library -> Debian package.  The names also resolve on Debian 13.
CORE = {
    "libGL.so.1": "libgl1",
    "libEGL.so.1": "libegl1",
    "libglib-2.0.so.0": "libglib2.0-0",
    "libxkbcommon.so.0": "libxkbcommon0",
    "libdbus-1.so.3": "libdbus-1-3",
    "libfontconfig.so.1": "libfontconfig1",
    "libX11.so.6": "libx11-6",
    "libxcb.so.1": "libxcb1",
}
WINDOW = {
    "libxcb-cursor.so.0": "libxcb-cursor0",
    "libxcb-icccm.so.4": "libxcb-icccm4",
    "libxcb-image.so.0": "libxcb-image0",
    "libxcb-keysyms.so.1": "libxcb-keysyms1",
    "libxcb-render-util.so.0": "libxcb-render-util0",
    "libxcb-shape.so.0": "libxcb-shape0",
    "libxcb-xkb.so.1": "libxcb-xkb1",
    "libxkbcommon-x11.so.0": "libxkbcommon-x11-0",
}


def say(*words: object) -> None:
    """Print one line about the set-up."""
    print("gloaming:", *words, file=sys.stderr, flush=True)


def missing(libraries: dict[str, str]) -> list[tuple[str, str]]:
    """Return the (library, package) pairs that this Linux system lacks."""
    if not sys.platform.startswith("linux"):
        return []
    lacking = []
    for name, package in libraries.items():
        try:
            ctypes.CDLL(name)
        except OSError:
            lacking.append((name, package))
    return lacking


def ensure_system(libraries: dict[str, str], *, install: bool = True) -> bool:
    """Return whether the libraries are there, installing them where that is allowed (root with apt-get)."""
    lacking = missing(libraries)
    if not lacking:
        return True
    packages = [package for _, package in lacking]
    apt = shutil.which("apt-get")
    arguments = ["install", "-y", "--no-install-recommends", *packages]
    if install and apt and os.geteuid() == 0 and os.environ.get("GLOAMING_NO_APT") != "1":
        say("installing system libraries:", "apt-get", *arguments)
        env = dict(os.environ, DEBIAN_FRONTEND="noninteractive")
        quiet = {"env": env, "stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "check": False}
        subprocess.run([apt, "-qq", "update"], **quiet)  # type: ignore[call-overload]
        subprocess.run([apt, "-qq", *arguments], **quiet)  # type: ignore[call-overload]
        if not missing(libraries):
            return True
    say("missing system libraries:", ", ".join(name for name, _ in lacking))
    if apt:
        say("run:  sudo apt-get " + " ".join(arguments))
    else:
        say("install the packages of your distribution that provide them")
    return False


def find_uv() -> str | None:
    """Return uv from PATH or from ``.uv/``, fetching it there if need be; None where that fails."""
    own = ROOT / ".uv" / "bin" / ("uv.exe" if os.name == "nt" else "uv")
    for candidate in (shutil.which("uv"), own):
        if candidate and Path(candidate).exists():
            return str(candidate)
    say("getting the installer (into .uv/) ...")
    # --target needs neither a virtual environment nor leave to change the system's Python.
    command = [sys.executable, "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
    done = subprocess.run([*command, "--root-user-action=ignore", "--target", str(ROOT / ".uv"), "uv"], check=False)
    return str(own) if done.returncode == 0 and own.exists() else None


def stamp(lock: Path) -> str:
    """Return the fingerprint of what the environment was made from."""
    parts = lock.read_bytes() + (ROOT / "pyproject.toml").read_bytes() + sys.version.encode()
    return hashlib.sha256(parts).hexdigest()


def prepare(*, dev: bool = False) -> Path | None:
    """Make ``.venv`` if it is missing or old and return its Python; None if a step failed."""
    venv = ROOT / ".venv"
    python = venv / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    lock = ROOT / "resources" / ("requirements-dev.lock" if dev else "requirements.lock")
    mark = venv / (".gloaming-dev" if dev else ".gloaming")
    wanted = stamp(lock)
    if python.exists() and mark.exists() and mark.read_text() == wanted:
        return python
    say("setting up .venv (once; about 0.5 GB to fetch) ...")
    uv = None if os.environ.get("GLOAMING_NO_UV") else find_uv()
    if uv:
        install = [uv, "pip", "install", "-q", "--python", str(python)]
        steps = [] if python.exists() else [[uv, "venv", "-q", "--python", sys.executable, str(venv)]]
    else:
        pip = [sys.executable, "-m", "pip", "--python", str(python)]
        install = [*pip, "install", "-q", "--disable-pip-version-check"]
        steps = [] if python.exists() else [[sys.executable, "-m", "venv", "--without-pip", str(venv)]]
    steps += [[*install, "--require-hashes", "-r", str(lock)], [*install, "--no-deps", "-e", str(ROOT)]]
    for step in steps:
        if subprocess.run(step, cwd=ROOT, check=False).returncode:
            say("this set-up step failed:", " ".join(step))
            return None
    mark.write_text(wanted)
    return python


def enter(argv: list[str], *, dev: bool = False) -> int:
    """Run ``python -m *argv`` inside ``.venv``, making that first if need be."""
    python = prepare(dev=dev)
    if python is None:
        return SETUP_FAILED
    env = dict(os.environ, GLOAMING_INSIDE="1")
    command = [str(python), "-m", *argv]
    if os.name == "nt":
        return subprocess.run(command, env=env, check=False).returncode
    os.execve(command[0], command, env)
    raise AssertionError("execve does not return")


def has_screen() -> bool:
    """Return whether a window could be shown."""
    if sys.platform in ("win32", "darwin"):
        return True
    return bool(os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY"))


def prepare_window() -> bool:
    """Return whether a window can be shown; without, tell Qt to draw into memory."""
    if has_screen() and ensure_system(WINDOW):
        return os.environ.get("QT_QPA_PLATFORM", "") != "offscreen"
    os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
    return False

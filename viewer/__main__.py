"""Start the program: ``python3 -m viewer COMMAND``.  Sets itself up on a fresh machine."""

from __future__ import annotations

import importlib.util
import multiprocessing
import os
import sys

# The linear algebra here is of small matrices: several threads on each cost more than they save, and many jobs run at once.
_ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")
# Commands that only print; they need neither Qt nor OpenCV to start.
_LIGHT = {"--help", "-h", "--version"}


def main(argv: list[str] | None = None) -> int:
    """Run the program and return its exit code."""
    arguments = list(sys.argv[1:] if argv is None else argv)
    if sys.version_info < (3, 11):
        sys.exit("gloaming needs Python 3.11 or newer; this is " + sys.version.split()[0] + ".")
    multiprocessing.freeze_support()
    for name in _ONE_THREAD:
        os.environ.setdefault(name, "1")
    from viewer import _bootstrap as bootstrap

    if arguments[:1] == ["test"]:
        if not bootstrap.ensure_system(bootstrap.CORE):
            return bootstrap.SETUP_FAILED
        os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
        return bootstrap.enter(["pytest", *(arguments[1:] or ["-n", "auto"])], dev=True)
    inside = os.environ.get("GLOAMING_INSIDE") == "1"
    if not inside and any(importlib.util.find_spec(name) is None for name in bootstrap.NEEDED):
        return bootstrap.enter(["viewer", *arguments])
    if arguments and not _LIGHT & set(arguments):
        if not bootstrap.ensure_system(bootstrap.CORE):
            return bootstrap.SETUP_FAILED
        if arguments[0] in ("demo", "open") and "--no-window" not in arguments:
            bootstrap.prepare_window()
        elif not bootstrap.has_screen():
            os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
    from viewer.cli.main import run

    return run(arguments)


if __name__ == "__main__":
    sys.exit(main())

"""Shared fixtures.  Qt is told to draw into memory before anything imports it."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import pytest

if os.environ.get("GLOAMING_TEST_SCREEN") != "1":
    os.environ["QT_QPA_PLATFORM"] = "offscreen"
os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

ROOT = Path(__file__).resolve().parent.parent
DATA = ROOT / "tests" / "data"


@pytest.fixture(scope="session", autouse=True)
def _own_folders(tmp_path_factory: pytest.TempPathFactory) -> None:
    """Keep the user's own cache, state and settings out of the tests."""
    base = tmp_path_factory.mktemp("user")
    for name in ("XDG_CACHE_HOME", "XDG_STATE_HOME", "XDG_CONFIG_HOME", "XDG_DATA_HOME"):
        os.environ[name] = str(base / name)


@pytest.fixture(scope="session")
def check_values() -> list[dict[str, Any]]:
    """The published and derived values that the measures must meet, each with source and tolerance."""
    values: list[dict[str, Any]] = json.loads((DATA / "check_values.json").read_text(encoding="utf-8"))["values"]
    return values


def corpus_folder() -> Path:
    """Folder of the real clips: GLOAMING_CORPUS, or ``../shared/clips`` beside the checkout."""
    return Path(os.environ.get("GLOAMING_CORPUS") or ROOT.parent / "shared" / "clips")


@pytest.fixture(scope="session")
def corpus() -> Path:
    """The folder of real clips; skips the test where it is absent."""
    folder = corpus_folder()
    if not folder.is_dir():
        pytest.skip(f"the collection of real clips is not at {folder} (set GLOAMING_CORPUS)")
    return folder

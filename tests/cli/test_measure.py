"""``gloaming measure``: a session from start to verdicts."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from tests.tasks.night_clips import write_clip
from tests.tasks.test_requests import chart, clip, region
from viewer.cli.main import run
from viewer.session import store
from viewer.session.model import Device, Request, Scene, new_session


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Two devices, one of less contrast, one of the clips in two takes."""
    for name, seed, veil in (("h1", 1, 0.0), ("b1", 2, 0.06), ("b2", 3, 0.0602)):
        write_clip(tmp_path / f"{name}.mp4", np.asarray(chart() + veil), frames=16, noise=0.02, crf=12, seed=seed)
    session = new_session("Two on a chart").put(
        Device(id="h", name="Heron", control=True),
        Device(id="b", name="Bittern"),
        Scene(id="s", name="Chart", common_time=False),
        clip("h1", tmp_path / "h1.mp4"),
        clip("b1", tmp_path / "b1.mp4", device="b"),
        clip("b2", tmp_path / "b2.mp4", device="b", take=2),
        region("white", "rect", 30, 28, 40, 34),
        region("black", "rect", 110, 28, 40, 34),
        Request(id="q", scene="s", measure="contrast", regions={"bright": ("white",), "dark": ("black",)}),
    )
    store.save(session, tmp_path / "two.gloam")
    return tmp_path / "two.gloam"


def test_session_is_measured_compared_and_saved(path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    assert run(["measure", str(path), "--no-align", "--json", "-"]) == 0
    found = json.loads(capfd.readouterr().out)
    assert found["command"] == "measure"
    assert {verdict["name"] for verdict in found["verdicts"]} == {"michelson", "weber", "rms", "cnr"}
    budgets = {entry["of"]: entry["parts"] for entry in found["budgets"]}
    assert budgets["Chart / Heron take 1 / the white/the black"]["frames"] > 0
    saved = store.load(path)
    assert len(saved.readings) == 12
    assert run(["measure", str(path), "--no-align", "--stale"]) == 0
    printed = capfd.readouterr().out
    assert "Bittern" in printed
    assert "Michelson" in printed


def test_broken_clip_is_named_and_the_rest_goes_on(path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    (path.parent / "b1.mp4").write_bytes(b"no film")
    assert run(["measure", str(path), "--no-align"]) == 0
    assert "b1.mp4" in capfd.readouterr().out
    assert {reading.clip for reading in store.load(path).readings} == {"h1", "b2"}

"""``gloaming frame`` from outside."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from viewer.cli.main import run

DATA = Path(__file__).resolve().parent.parent / "data"
CLIP = str(DATA / "timecode-beep.mp4")


@pytest.mark.parametrize("number", [0, 14, 15, 29])
def test_matches_the_authors_picture(number: int, tmp_path: Path) -> None:
    out = tmp_path / "f.png"
    assert run(["frame", CLIP, "--number", str(number), "--out", str(out)]) == 0
    got = np.asarray(Image.open(out))
    want = np.asarray(Image.open(DATA / f"timecode-beep_frame{number:03d}.png").convert("RGB"))
    assert np.array_equal(got, want)


def test_time_names_the_picture_on_show(tmp_path: Path) -> None:
    # 29.917 pictures a second: picture 14 is shown from 0.46796 to 0.50139 s.
    want = np.asarray(Image.open(DATA / "timecode-beep_frame014.png").convert("RGB"))
    for time_s in ("0.468", "0.4680", "0.50", "0.485"):
        out = tmp_path / "f.png"
        assert run(["frame", CLIP, "--time", time_s, "--out", str(out)]) == 0
        assert np.array_equal(np.asarray(Image.open(out)), want), time_s


def test_upright(tmp_path: Path) -> None:
    out = tmp_path / "f.png"
    assert run(["frame", str(DATA / "rotated-90-nasa-dark.mp4"), "--number", "3", "--out", str(out)]) == 0
    with Image.open(out) as picture:
        assert picture.size == (270, 480)


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (["--number", "30"], 3),
        (["--time", "7.5"], 3),
        ([], 2),
        (["--number", "1", "--time", "0.1"], 2),
        (["--number", "-1"], 2),
    ],
)
def test_bad_requests(arguments: list[str], code: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "f.png"
    assert run(["frame", CLIP, *arguments, "--out", str(out)]) == code
    assert not out.exists()
    assert "Traceback" not in capsys.readouterr().err


def test_bad_places(tmp_path: Path) -> None:
    assert run(["frame", CLIP, "--number", "0", "--out", str(tmp_path / "no" / "f.png")]) == 3
    assert run(["frame", CLIP, "--number", "0", "--out", str(tmp_path / "f.gif")]) == 2
    assert run(["frame", str(tmp_path / "none.mp4"), "--number", "0", "--out", str(tmp_path / "f.png")]) == 3

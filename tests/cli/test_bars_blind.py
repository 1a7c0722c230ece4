"""The blind reading of ``gloaming bars``: from a session to stills, and from tables of readers to their agreement."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from viewer.align.transform import ClockMap, Pose
from viewer.cli.main import run
from viewer.cv import cv2
from viewer.session import store
from viewer.session.model import Clip, Device, Region, Request, Scene, Session, StoredReading

night = SimpleNamespace(**run_path(str(Path(__file__).parent.parent / "tasks" / "night_clips.py")))
BOXES = {"1": (20, 20, 30, 30), "2": (80, 20, 15, 15), "4": (120, 20, 8, 8)}
LIMITS = {"d-first": 2.0, "d-second": 1.0}


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two devices, three targets, limits of the statistics at one moment and, misleading, at another."""
    folder = tmp_path_factory.mktemp("blind")
    places = [(float(lpmm), x, y, w / 5, "v") for lpmm, (x, y, w, _) in BOXES.items()]
    picture, _ = night.chart(64, 160, places, paper=0.4, ink=0.02, blur_px=0.8)
    clips = []
    for n, name in enumerate(("first", "second")):
        path = night.write_clip(folder / f"{name}.mp4", picture * (1 + n), frames=10, noise=0.01, seed=n)
        ref = store.refer(path, folder)
        clips.append(Clip(id=name, scene="s", device=f"d-{name}", files=(ref,), clock=ClockMap(), pose=Pose()))
    regions = tuple(
        Region(id=f"r{lpmm}", scene="s", kind="bars", name=lpmm, geometry=box, settings={"lpmm": lpmm, "way": "v"})
        for lpmm, box in BOXES.items()
    )
    names = {"target": tuple(region.id for region in regions)}
    requests = (
        Request(id="q1", scene="s", measure="bars", regions=names, first_s=0.0, last_s=0.2),
        Request(id="q2", scene="s", measure="bars", regions=names, first_s=5.0, last_s=6.0),
    )
    readings = tuple(
        StoredReading(id=f"{q}{c.id}", request=q, clip=c.id, name="limiting_resolution", of="all frames",
                      value=LIMITS[c.device or ""] if q == "q1" else 0.5, unit="lp/mm")
        for q in ("q1", "q2") for c in clips
    )  # fmt: skip
    document = Session(
        id="x",
        devices=tuple(Device(id=f"d-{name}", name=name.title()) for name in ("first", "second")),
        scenes=(Scene(id="s", name="Chart", reference_clip="first"),),
        clips=tuple(clips),
        regions=regions,
        requests=requests,
        readings=readings,
    )
    return store.save(document, folder / "a.gloam")


@pytest.fixture
def stills(session: Path, tmp_path: Path) -> tuple[Path, dict[str, Any]]:
    """The folder of stills and the key."""
    assert run(["bars", str(session), "--blind", str(tmp_path / "out"), "--seed", "3", "--json", str(tmp_path / "j")]) == 0
    return tmp_path / "out", json.loads((tmp_path / "out-key.json").read_text())


def fill(path: Path, key: dict[str, Any], sees: dict[str, float], reader: str = "") -> Path:
    """A reader who resolves what lies at or under a limit of their own for each device."""
    with path.open("w", newline="") as file:
        table = csv.writer(file)
        table.writerow(["reader", "number", "resolved"])
        for trial in key["trials"]:
            resolved = float(trial["target"].partition("/")[0]) <= sees[trial["device"]]
            table.writerow([reader, trial["number"], "y" if resolved else "n"])
    return path


def test_stills_tell_neither_device_nor_target(stills: tuple[Path, dict[str, Any]]) -> None:
    out, key = stills
    trials = key["trials"]
    assert len(trials) == 2 * 3 * 2 and [t["number"] for t in trials] == list(range(1, 13))
    assert sorted(p.name for p in out.iterdir()) == [*(f"{n:03d}.png" for n in range(1, 13)), "answers.csv"]
    pictures = [cv2.imread(str(out / f"{n:03d}.png"), cv2.IMREAD_UNCHANGED) for n in range(1, 13)]
    assert len({picture.shape for picture in pictures}) == 1 and pictures[0].ndim == 2
    for word in (b"first", b"second", b"First", b"tEXt", b"iTXt"):
        assert all(word not in (out / f"{n:03d}.png").read_bytes() for n in range(1, 13))
    assert (out / "answers.csv").read_text().splitlines()[:2] == ["reader,number,resolved", ",1,"]
    assert key["machine_lpmm"] == LIMITS  # those of the moment shown
    # one device films twice as bright: their stills are alike
    means = {d: np.mean([p.mean() for p, t in zip(pictures, trials) if t["device"] == d]) for d in LIMITS}
    assert means["d-first"] == pytest.approx(means["d-second"], rel=0.03)


def test_the_order_is_random_and_can_be_had_again(session: Path, tmp_path: Path) -> None:
    orders = []
    for n, seed in enumerate(("3", "3", "4")):
        assert run(["bars", str(session), "--blind", str(tmp_path / f"o{n}"), "--seed", seed]) == 0
        orders.append(json.loads((tmp_path / f"o{n}-key.json").read_text())["trials"])
    assert orders[0] == orders[1] != orders[2]


def test_agreement(stills: tuple[Path, dict[str, Any]], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Ada sees what the statistics see; Ben sees one step less of the first device.

    Cohen 1960 by hand: of 12 answers Ada resolves 6 and Ben 4, and they differ on 2; with p_e = (6 x 4 + 6 x 8) / 144 = 1/2,
    kappa is (10/12 - 1/2) / (1 - 1/2) = 2/3.
    """
    _, key = stills
    ada = fill(tmp_path / "Ada.csv", key, LIMITS)
    ben = fill(tmp_path / "b.csv", key, {"d-first": 1.0, "d-second": 1.0}, "Ben")
    arguments = ["bars", "--answers", str(ada), "--answers", str(ben), "--key", str(tmp_path / "out-key.json")]
    capsys.readouterr()
    assert run([*arguments, "--json", "-"]) == 0
    document = json.loads(capsys.readouterr().out)
    blind = document["blind"]
    assert blind["readers"] == {"Ada": 12, "Ben": 12}
    assert blind["shares"]["First"] == {"1/v": [4, 4], "2/v": [2, 4], "4/v": [0, 4]}
    (between,) = blind["between_readers"]
    assert between["who"] == ["Ada", "Ben"] and between["kappa"] == pytest.approx(2 / 3) and between["pairs"] == 12
    assert between["low"] < 2 / 3 < between["high"] <= 1.0
    with_machine = {row["who"][0]: row["kappa"] for row in blind["with_machine"]}
    assert with_machine == {"Ada": pytest.approx(1.0), "Ben": pytest.approx(2 / 3)}
    assert all(row["kappa"] == pytest.approx(1.0) and row["pairs"] == 6 for row in blind["with_oneself"])
    limits = {r["of"]: r for r in document["readings"]}
    assert limits["Second by readers"]["value"] == pytest.approx(1.0)
    first = limits["First by readers"]
    assert first["value"] == pytest.approx(2**0.5) and first["low"] < 1.0 and first["high"] > 2.0
    assert run(arguments) == 0
    told = capsys.readouterr().out
    assert "between readers, Ada and Ben: kappa 0.67" in told and "First: the statistics resolve 2 lp/mm" in told


def test_answers_as_json_and_with_semicolons(stills: tuple[Path, dict[str, Any]], tmp_path: Path) -> None:
    _, key = stills
    rows = [{"reader": "Ada", "number": t["number"], "resolved": t["target"] != "4/v"} for t in key["trials"]]
    (tmp_path / "a.json").write_text(json.dumps({"answers": rows}))
    lines = [
        "﻿reader;number;resolved",
        *(f"Ben;{t['number']};{'ja' if t['target'] != '4/v' else 'nein'}" for t in key["trials"]),
    ]
    (tmp_path / "b.csv").write_text("\n".join(lines))
    arguments = ["--answers", str(tmp_path / "a.json"), "--answers", str(tmp_path / "b.csv")]
    assert run(["bars", *arguments, "--key", str(tmp_path / "out-key.json"), "--json", str(tmp_path / "r.json")]) == 0
    (between,) = json.loads((tmp_path / "r.json").read_text())["blind"]["between_readers"]
    assert between["kappa"] == pytest.approx(1.0) and between["pairs"] == 12


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("reader,number,resolved\nA,99,y\n", "line 2: '99' is no number of a still. They go from 1 to 12."),
        ("reader,number,resolved\nA,1,perhaps\n", "line 2: 'perhaps' is no answer. Write y or n."),
        ("reader,number,resolved\nA,1,y\nA,1,n\n", "line 3: A answers still 1 twice."),
        ("reader,number,resolved\nA,1,\n", "no answer is in the file"),
        ("a,b\n1,2\n", "columns number and resolved are missing"),
        ("", "columns number and resolved are missing"),
    ],
)
def test_bad_tables(
    stills: tuple[Path, dict[str, Any]], tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, words: str
) -> None:
    (tmp_path / "t.csv").write_text(text)
    assert run(["bars", "--answers", str(tmp_path / "t.csv"), "--key", str(tmp_path / "out-key.json")]) == 3
    told = capsys.readouterr().err
    assert words in told and told.count("\n") == 1


@pytest.mark.parametrize("text", ["", "[]", '{"schema": "gloaming/blind/1"}', '{"schema": "gloaming/blind/1", "trials": 3}'])
def test_bad_keys(tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str) -> None:
    (tmp_path / "k.json").write_text(text)
    (tmp_path / "t.csv").write_text("number,resolved\n1,y\n")
    assert run(["bars", "--answers", str(tmp_path / "t.csv"), "--key", str(tmp_path / "k.json")]) == 3
    assert capsys.readouterr().err.count("\n") == 1


def test_wrong_use(session: Path, stills: tuple[Path, dict[str, Any]], capsys: pytest.CaptureFixture[str]) -> None:
    out, _ = stills
    capsys.readouterr()
    for arguments, code, words in (
        (["bars"], 2, "name a CLIP"),
        (["bars", "--answers", "x.csv"], 2, "--key"),
        (["bars", str(session), "--answers", "x.csv"], 2, "takes no clip"),
        (["bars", str(session), "--seed", "1"], 2, "belong to --blind"),
        (["bars", str(session), "--blind", str(out)], 3, "not empty"),
        (["bars", str(session), "--blind", str(out / "new"), "--key", str(out / "new" / "k.json")], 2, "among the stills"),
        (["bars", str(session), "--blind", str(out / "new"), "--scene", "Quay"], 2, "'Quay'"),
        (["bars", str(out / "001.png"), "--blind", str(out / "new")], 3, "session"),
    ):
        assert run(arguments) == code, arguments
        assert words in capsys.readouterr().err
    assert not (out / "new").exists()

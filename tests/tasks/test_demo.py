"""The sample session and what is found in it, against the truth of the lab."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path

import pytest

from viewer.errors import Cancelled, SessionError, UsageError
from viewer.measure.sheet import read_sheet
from viewer.resources import sample_clips
from viewer.session import store
from viewer.session.model import Session, StoredReading
from viewer.tasks.demo import build_demo, calibrated, compare_with_truth, summary
from viewer.tasks.sample import CLIP_FOLDER, SCENES, SHEETS, Truth, make_sample_session, read_truth


@pytest.fixture(scope="module")
def sample(tmp_path_factory: pytest.TempPathFactory) -> tuple[Session, Path]:
    return make_sample_session(tmp_path_factory.mktemp("sample"))


@pytest.fixture(scope="module")
def truth() -> Truth:
    return read_truth(sample_clips())


def reading(session: Session, request: str, clip: str, name: str, of: str, value: float, half: float) -> StoredReading:
    return StoredReading(
        id=f"{request}/{clip}/{name}/{of}", request=request, clip=clip, name=name, of=of, value=value, unit="1",
        low=value - half, high=value + half,
    )  # fmt: skip


def test_session_is_whole_and_opens_again(sample: tuple[Session, Path]) -> None:
    session, path = sample
    assert store.load(path) == session
    assert [device.name for device in session.devices] == ["Heron", "Bittern", "Plover"]
    assert [device.control for device in session.devices] == [True, False, False]
    assert {scene.kind for scene in session.scenes} >= {"chart", "screen", "lamps", "edge", "figure"}
    assert session.plan.question and session.interest.startswith("Invented data")
    for scene in ("chart", "monitor", "lamps", "reeds", "figure"):
        clips = session.clips_of(f"scene-{scene}")
        assert {clip.device for clip in clips} == {device.id for device in session.devices}
        reference = session.reference_of(f"scene-{scene}")
        assert reference is not None and reference.device == "device-heron"


def test_files_lie_inside_the_folder(sample: tuple[Session, Path]) -> None:
    session, path = sample
    for clip in session.clips:
        for ref in clip.files:
            assert not Path(ref.path).is_absolute()
            assert store.file_hash(store.resolve(path.parent, ref)) == ref.sha256


def test_regions_lie_in_the_reference_picture(sample: tuple[Session, Path], truth: Truth) -> None:
    session, _ = sample
    for region in session.regions:
        reference = session.reference_of(region.scene)
        assert reference is not None
        video = truth.by_clip[Path(reference.name).stem]["video"]
        x, y, *size = region.geometry
        w, h = size or (1.0, 1.0)
        assert x >= 0 and y >= 0 and x + w <= video["width"] and y + h <= video["height"], region.id


def test_a_second_take_where_repeats_are_shown(sample: tuple[Session, Path]) -> None:
    session, _ = sample
    assert len([clip for clip in session.clips if clip.take == 2]) >= 2


def test_sheets_are_readable_and_one_is_inconsistent() -> None:
    doubts = {name: read_sheet({q: typed for q, typed, _ in rows}) for name, rows in SHEETS.items()}
    assert any("fom" in doubt for doubt in doubts["Plover"].doubts)
    assert not any("fom" in doubt for doubt in doubts["Heron"].doubts)


def test_one_scene_alone(tmp_path: Path) -> None:
    session, _ = make_sample_session(tmp_path, only=["reeds"])
    assert {clip.scene for clip in session.clips} == {"scene-reeds", "scene-bench"}
    with pytest.raises(UsageError, match="no scene 'lighthouse'"):
        make_sample_session(tmp_path, only=["lighthouse"])


def test_readout_time_is_found_on_the_bench_lamp(sample: tuple[Session, Path], truth: Truth) -> None:
    session, path = sample
    got, troubles = calibrated(session, path.parent)
    assert troubles == []
    camera = got.clips[0].camera
    assert camera.readout_ms is not None and camera.readout_error_ms is not None
    true = truth.by_clip["bench_lamp"]["camera"]["readout_ms"]
    assert abs(camera.readout_ms - true) < max(4 * camera.readout_error_ms, 1e-4)


def test_truth_decides_inside_and_outside(sample: tuple[Session, Path], truth: Truth) -> None:
    session, _ = sample
    values = {(v["name"], v["of"]): v["value"] for v in truth.by_clip["chart_plover"]["values"] if v["measure"] == "contrast"}
    true = values["michelson", "patch-1/patch-5@0.03"]
    request, of = "request-chart-contrast-0.03", "white patch/black patch"
    for shift, inside in ((0.01, True), (-0.03, False)):
        made = replace(session, readings=(reading(session, request, "clip-chart_plover", "michelson", of, true + shift, 0.02),))
        (check,) = compare_with_truth(made, truth)
        assert check.inside is inside
        assert check.truth == pytest.approx(true)
        assert (check.scene, check.device, check.take) == ("Tri-bar chart", "Plover", 1)
        assert check.error == pytest.approx(shift)


def test_pulses_are_told_apart_by_frequency(sample: tuple[Session, Path], truth: Truth) -> None:
    session, _ = sample
    clip, request = "clip-monitor_plover", "request-monitor-flicker"
    found = [
        reading(session, request, clip, "modulation_frequency", "tide table", 238.0, 0.1),
        reading(session, request, clip, "modulation_depth", "tide table", 37.0, 2.0),
        replace(reading(session, request, clip, "modulation_frequency", "tide table", 487.0, 0.1), id="b"),
        replace(reading(session, request, clip, "modulation_depth", "tide table", 57.0, 2.0), id="c"),
    ]
    checks = compare_with_truth(replace(session, readings=tuple(found)), truth)
    assert [round(check.truth) for check in checks] == [238, 38, 487, 57]


def test_one_scene_from_clips_to_checks(tmp_path: Path) -> None:
    seen: list[tuple[int, int]] = []
    result = build_demo(tmp_path, only=["reeds"], progress=lambda done, total: seen.append((done, total)))
    assert store.load(result.path) == result.session
    assert result.session.readings
    contrast = [check for check in result.checks if check.name == "michelson" and check.device == "Heron"]
    assert contrast and all(check.inside for check in contrast)
    with open(tmp_path / "found_and_true.csv", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == len(result.checks)
    assert {row["inside"] for row in rows} <= {"True", "False", ""}
    assert seen and seen == sorted(seen) and all(done <= total for done, total in seen)
    lines = summary(result)
    assert any(scene == "Reed bank" and "Michelson" in words for scene, words, _ in lines)


def test_no_half_session_when_it_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / CLIP_FOLDER).write_text("in the way")
    with pytest.raises(SessionError, match="cannot be written"):
        make_sample_session(tmp_path)
    with pytest.raises(Cancelled):
        make_sample_session(tmp_path / "other", cancelled=lambda: True)
    assert not (tmp_path / "other" / "harbour.gloam").exists()


def test_damaged_truth_is_told(tmp_path: Path) -> None:
    (tmp_path / "x.truth.json").write_text("{")
    with pytest.raises(SessionError, match=r"x\.truth\.json"):
        read_truth(tmp_path)


def test_no_real_names_in_the_sample(sample: tuple[Session, Path]) -> None:
    # every scene, device and clip of the sample is of our own making
    session, path = sample
    assert json.loads(path.read_text(encoding="utf-8"))["title"].startswith("Harbour trust")
    assert len(SCENES) == 5 and len(session.clips) == 20

"""What a session asks for, done on made clips: every measure through its adapter, objects named as the session names them."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

import viewer.tasks.session as tasks
from tests.tasks.night_clips import patches, write_clip
from viewer.align.transform import ClockMap, Pose
from viewer.errors import UsageError
from viewer.session.model import (
    CameraMode,
    Clip,
    ClipRole,
    Device,
    FileRef,
    LightLevel,
    Region,
    RegionKind,
    Request,
    Scene,
    Session,
    new_session,
)
from viewer.tasks.clip_files import open_session_clip
from viewer.tasks.readout import camera_mode
from viewer.tasks.requests import perform, valid_readout

BARS = (210, 40, 60, 60)


def chart() -> np.ndarray:
    """A bright and a dark patch, upright bars 12 px wide, an edge, a lamp; soft as through a lens."""
    scene = patches(200, 320, 0.2, (20, 20, 60, 50, 0.5), (100, 20, 60, 50, 0.05), (20, 100, 100, 80, 0.05))
    x, y, _, h = BARS
    for bar in (0, 2, 4):
        scene[y : y + h, x + 12 * bar : x + 12 * bar + 12] = 0.02
    rows, cols = np.mgrid[:200, :320]
    scene[100:180, 70:120] = np.where(cols + 0.15 * (rows - 140) > 95, 0.5, 0.05)[100:180, 70:120]
    scene = gaussian_filter(scene, 1.2)
    return np.asarray(scene + 0.4 * np.exp(-((cols - 250.0) ** 2 + (rows - 150.0) ** 2) / (2 * 3.0**2)))


def region(name: str, kind: RegionKind, *geometry: float, **settings: str | float) -> Region:
    return Region(id=name, scene="s", kind=kind, name=f"the {name}", geometry=geometry, settings=dict(settings))


def clip(name: str, path: Path, device: str | None = "h", role: ClipRole = "device", take: int = 1) -> Clip:
    ref = FileRef(path=path.name, sha256=hashlib.sha256(path.read_bytes()).hexdigest(), size=path.stat().st_size)
    return Clip(id=name, scene="s", device=device, take=take, role=role, files=(ref,), clock=ClockMap(), pose=Pose())


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Session, Path]:
    folder = tmp_path_factory.mktemp("requests")
    steps = (1.0, 0.3)
    write_clip(folder / "a.mp4", chart(), frames=48, noise=0.02, crf=12, level=lambda number: steps[number // 24])
    write_clip(folder / "cap.mp4", np.full((200, 320), 0.004), frames=8, crf=12)
    session = new_session().put(
        Device(id="h", name="Heron", field_deg=40.0),
        Scene(id="s", name="Chart", levels=(LightLevel(value=1.0), LightLevel(value=0.3))),
        clip("a", folder / "a.mp4"),
        region("white", "rect", 30, 28, 40, 34),
        region("black", "rect", 110, 28, 40, 34),
        region("bars", "bars", *BARS, lpmm=1.0, way="v"),
        region("edge", "edge", 76, 106, 38, 68),
        region("lamp", "light", 250, 150),
    )
    return session, folder


def ask(session: Session, folder: Path, measure: str, on: str = "a", **roles: str) -> object:
    request = Request(id="q", scene="s", measure=measure, regions={role: (name,) for role, name in roles.items()})  # type: ignore[arg-type]
    return perform(session.put(request), folder, replace(request, last_s=0.7), session.clip(on))


@pytest.mark.parametrize(
    ("measure", "roles", "name", "of"),
    [
        ("contrast", {"bright": "white", "dark": "black"}, "michelson", "the white/the black"),
        ("noise", {"region": "white"}, "mean", "the white"),
        ("tint", {"region": "white"}, "u_prime", "the white"),
        ("edge", {"region": "edge"}, "rise_10_90", "the edge"),
        ("bars", {"target": "bars"}, "modulation", "1.0/v"),
        ("bloom", {"light": "lamp"}, "centre_x", "the lamp"),
        ("flicker", {"region": "white"}, "detection_limit", "the white"),
    ],
)
def test_every_measure_names_what_the_session_names(
    made: tuple[Session, Path], measure: str, roles: dict[str, str], name: str, of: str
) -> None:
    session, folder = made
    result = ask(session, folder, measure, **roles)
    found = {(r.name, r.of) for r in result.readings}  # type: ignore[attr-defined]
    assert (name, of) in found


def test_contrast_keeps_its_budget(made: tuple[Session, Path]) -> None:
    session, folder = made
    result = ask(session, folder, "contrast", bright="white", dark="black")
    michelson = next(r for r in result.readings if r.name == "michelson")  # type: ignore[attr-defined]
    assert michelson.value == pytest.approx((0.5 - 0.05) / 0.55, abs=0.01)
    assert dict(michelson.budget)["frames"] > 0


def test_ramp_measures_what_it_is_given_at_every_level(made: tuple[Session, Path]) -> None:
    session, folder = made
    regions = {"region": ("white",), "bright": ("white",), "dark": ("black",), "target": ("bars",)}
    request = Request(id="q", scene="s", measure="ramp", regions=regions)
    result = perform(session, folder, request, session.clip("a"))
    found = {(r.name, r.of) for r in result.readings}
    assert ("michelson", "the white/the black at 1 mfL") in found
    assert ("modulation", "1.0/v at 0.3 mfL") in found
    assert [step["level"] for step in result.extras["steps"]] == [1.0, 0.3]


def test_dark_clip_is_used_where_there_is_one(made: tuple[Session, Path]) -> None:
    session, folder = made
    with_dark = session.put(clip("cap", folder / "cap.mp4", device=None, role="dark"))
    result = ask(with_dark, folder, "contrast", bright="white", dark="black")
    assert result.extras["levels"]["dark_level_from"] == "the dark clip"  # type: ignore[attr-defined]
    assert result.extras["levels"]["dark_level"] == pytest.approx(0.004, abs=0.0005)  # type: ignore[attr-defined]


def test_readout_expires_with_the_camera_mode(made: tuple[Session, Path]) -> None:
    session, folder = made
    typed = replace(session.clip("a"), camera=CameraMode(readout_ms=15.0))
    old = replace(session.clip("a"), camera=CameraMode(readout_ms=15.0, readout_mode="3840x2160 25 fps hevc turn 0"))
    with open_session_clip(folder, typed) as reader:
        assert valid_readout(reader, typed.camera) == (15.0, "")
        here = CameraMode(readout_ms=15.0, readout_mode=camera_mode(reader))
        assert valid_readout(reader, here) == (15.0, "")
        value, why = valid_readout(reader, old.camera)
    assert value is None
    assert "expired" in why
    result = ask(session.put(old), folder, "flicker", region="white")
    assert why in result.warnings  # type: ignore[attr-defined]


def test_missing_region_is_one_line(made: tuple[Session, Path]) -> None:
    session, folder = made
    with pytest.raises(UsageError, match="no bright region"):
        ask(session, folder, "contrast", dark="black")


def test_one_failing_clip_does_not_end_the_rest(made: tuple[Session, Path], monkeypatch: pytest.MonkeyPatch) -> None:
    session, folder = made
    broken = replace(session.clip("a"), id="b", take=2, camera=CameraMode(iso=1.0))
    request = Request(id="q", scene="s", measure="noise", regions={"region": ("white",)}, last_s=0.7)
    both = session.put(broken, request)

    def faulty(session: Session, folder: Path, request: Request, clip: Clip, **more: object) -> object:
        if clip.id == "b":
            raise ZeroDivisionError("made for the test")
        return perform(session, folder, request, clip)

    monkeypatch.setattr("viewer.tasks.requests.perform", faulty)
    run = tasks.measure_session(both, folder)
    assert {reading.clip for reading in run.session.readings} == {"a"}
    (trouble,) = run.troubles
    assert trouble.clip == "b"
    assert "ZeroDivisionError" in trouble.what
    assert "\n" not in trouble.what


def test_bloom_joins_the_other_exposures_of_a_scene(tmp_path: Path) -> None:
    """A core burnt out beyond the halo's edge: refused alone, measured with a shorter exposure, itself not measured."""
    rows, cols = np.mgrid[:180, :220]
    r = np.hypot(cols - 110.3, rows - 90.2)
    disc = gaussian_filter(0.5 * (r < 26).astype(float), 2.0)
    still = 0.02 + 30.0 * np.exp(-(r**2) / (2 * 7.0**2)) + disc + 0.03 * np.exp(-(r**2) / (2 * 50.0**2))
    for name, gain in (("long", 1.5), ("short", 0.2)):
        write_clip(tmp_path / f"{name}.mp4", gain * still, frames=8, read_noise=0.002, crf=14)
    session = new_session().put(
        Device(id="h", name="Heron"),
        Device(id="o", name="Plover"),
        Scene(id="s", name="Lamps"),
        clip("long", tmp_path / "long.mp4"),
        clip("other", tmp_path / "short.mp4", device="o", role="exposure"),
        region("lamp", "light", 110, 90),
    )
    alone = ask(session, tmp_path, "bloom", on="long", light="lamp")
    assert alone.reading("halo_radius", "the lamp").state == "refused"  # type: ignore[attr-defined]
    with_short = session.put(clip("short", tmp_path / "short.mp4", role="exposure", take=2))
    both = ask(with_short, tmp_path, "bloom", on="long", light="lamp")
    assert both.reading("halo_radius", "the lamp").value == pytest.approx(26, abs=0.2)  # type: ignore[attr-defined]
    assert [Path(e["path"]).name for e in both.extras["stack"]] == ["short.mp4"]  # type: ignore[attr-defined]
    request = Request(id="q", scene="s", measure="bloom", regions={"light": ("lamp",)})
    assert tasks.fingerprint(with_short, request, with_short.clip("long")) != tasks.fingerprint(
        session, request, session.clip("long")
    )
    assert [c.id for c in with_short.clips_of("s")] == ["long"]

"""A small session with real clips: three devices, two scenes, readings that are made up for the tests."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from viewer.align.transform import ClockMap, FieldCircle, Pose
from viewer.media.writer import VideoWriter
from viewer.session.model import (
    CameraMode,
    Clip,
    Device,
    Note,
    Plan,
    Region,
    Request,
    Scene,
    Session,
    SheetEntry,
    StillSpec,
    StoredReading,
    StoredVerdict,
)
from viewer.session.store import refer, save

WIDTH, HEIGHT, RADIUS = 320, 240, 104.0
SCALES = {"heron": 1.0, "bittern": 0.9, "plover": 1.08}
TINTS = {"heron": (0.55, 1.0, 0.45), "bittern": (0.8, 1.0, 0.95), "plover": (0.5, 1.0, 0.4)}
EVIL = "<b>Plover</b> & #let x = 1 $a$ {{ 7*7 }}"


def scene_light(name: str, factor: float, frame: int) -> np.ndarray:
    """Linear luminance of the lamps as a device shows them: field of about `RADIUS * factor` px."""
    rng = np.random.default_rng([frame, len(name)])
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH].astype(float)
    u, v = (x - WIDTH / 2) / factor, (y - HEIGHT / 2) / factor
    light = 0.03 + 0.02 * (v > 10)
    for cx, cy, power in ((-45.0, -20.0, 0.9), (30.0, -25.0, 0.6), (70.0, 12.0, 0.3)):
        r = np.hypot(u - cx, v - cy)
        light = light + power * np.exp(-((r / 3.0) ** 2)) + 0.12 * power * (r < 16)
    light = light + 0.1 * ((np.abs(u) < 18) & (np.abs(v - 50) < 12) & ((u + 400).astype(int) // 6 % 2 == 0))
    light *= np.hypot(u, v) < RADIUS
    return np.clip(light * (1 + rng.normal(0, 0.08, light.shape)) + rng.normal(0, 0.002, light.shape), 0, 1.2)


def write_clip(
    path: Path, device: str, *, transfer: str = "bt709", frames: int = 24, rate: int = 25, gain: float = 1.0
) -> Path:
    """Write one clip through a real encoder."""
    from viewer.media.light import from_linear

    hlg = transfer == "hlg"
    with VideoWriter(
        path,
        width=WIDTH,
        height=HEIGHT,
        rate=Fraction(rate),
        codec="hevc" if hlg else "h264",
        bit_depth=10 if hlg else 8,
        transfer=transfer,
        matrix="bt2020" if hlg else "bt709",
        crf=14,
        options={"preset": "ultrafast"},
        sound_rate=48000 if device == "heron" else None,
    ) as sink:
        for number in range(frames):
            light = scene_light(device, SCALES[device], number)[..., None] * np.array(TINTS[device]) * gain
            if hlg:
                light = light * 0.26
            sink.write(from_linear(transfer, np.clip(light, 0, 1)).astype(np.float32))
        if device == "heron":
            t = np.arange(frames * 48000 // rate) / 48000
            sink.write_sound(0.2 * np.sin(2 * np.pi * 440 * t).astype(np.float32))
    return path


def pose_of(device: str) -> Pose:
    """Return the true pose: about the middle of the picture, scaled back to the control's size."""
    s = 1.0 / SCALES[device]
    cx, cy = WIDTH / 2, HEIGHT / 2
    return Pose(scale=s, shift_x=cx - s * cx, shift_y=cy - s * cy, pose_by="circle", residual_px=0.2)


def make_session(folder: Path, *, lamps_only: bool = False) -> Session:
    """Write clips and return the session that holds them."""
    sheet = (
        SheetEntry(quantity="gain", typed="9000-12000", low=9000, high=12000, unit="cd/m2/lx", source="sheet"),
        SheetEntry(quantity="snr", typed="28", low=28, high=28, unit="1"),
    )
    devices = (
        Device(id="d-heron", name="Heron", control=True, field_deg=40.0, objective_mm=27.0, sheet=sheet),
        Device(id="d-bittern", name="Bittern", field_deg=40.0, objective_mm=27.0, sheet=sheet[1:]),
        Device(id="d-plover", name="Plover", field_deg=40.0, objective_mm=27.0),
    )
    scenes = [Scene(id="s-lamps", name="Quay lamps", kind="lamps", reference_clip="c-lamps-heron")]
    if not lamps_only:
        scenes.append(Scene(id="s-edge", name="Reed bank", kind="edge", reference_clip="c-edge-heron"))
    clips = []
    for scene in scenes:
        short = scene.id.removeprefix("s-")
        for name in SCALES:
            path = write_clip(folder / f"{short}-{name}.mp4", name, transfer="hlg" if short == "edge" else "bt709")
            clips.append(
                Clip(
                    id=f"c-{short}-{name}",
                    scene=scene.id,
                    device=f"d-{name}",
                    files=(refer(path, folder),),
                    camera=CameraMode(shutter_s=1 / 50, iso=3200, white_balance="5600 K"),
                    clock=ClockMap(offset_s=0.0, sync_by="sound", residual_s=0.0004),
                    pose=pose_of(name) if name != "heron" else Pose(pose_by="reference", residual_px=0.0),
                    circle=FieldCircle(cx=WIDTH / 2, cy=HEIGHT / 2, radius=RADIUS * SCALES[name]),
                )
            )
    lamp = Region(id="r-lamp", scene="s-lamps", kind="light", name="lamp", geometry=(115.0, 100.0))
    bright = Region(id="r-bright", scene="s-lamps", kind="rect", name="sill", geometry=(140.0, 160.0, 40.0, 24.0))
    dark = Region(id="r-dark", scene="s-lamps", kind="ellipse", name="water", geometry=(215.0, 150.0, 30.0, 24.0))
    requests = (
        Request(id="q-bloom", scene="s-lamps", measure="bloom", regions={"light": ("r-lamp",)}),
        Request(id="q-contrast", scene="s-lamps", measure="contrast", regions={"bright": ("r-bright",), "dark": ("r-dark",)}),
        Request(id="q-flicker", scene="s-lamps", measure="flicker"),
    )
    readings = []
    for n, name in enumerate(SCALES):
        clip = f"c-lamps-{name}"
        readings += [
            _reading("q-bloom", clip, "halo_radius", "light-1", 16.2 + n, 0.21, "px", flags=("nominal scale",)),
            _reading("q-bloom", clip, "halo_radius_deg", "light-1", 1.49 + 0.1 * n, 0.02, "deg"),
            _reading("q-bloom", clip, "bloom_radius_deg", "light-1", 2.13 + 0.05 * n, 0.15, "deg"),
            _reading("q-contrast", clip, "michelson", "sill/water", 0.413 - 0.02 * n, 0.018, "1"),
        ]
    readings += [
        _reading("q-flicker", "c-lamps-heron", "modulation_frequency", "field", 143.12, 0.2, "Hz"),
        _reading("q-flicker", "c-lamps-heron", "alias_frequency", "field", 6.25, 0.05, "Hz"),
        StoredReading(
            id="x-refused",
            request="q-flicker",
            clip="c-lamps-bittern",
            name="modulation_frequency",
            of="field",
            value=None,
            unit="Hz",
            state="refused",
            reason="The bands stand still: film at another frame rate.",
        ),
    ]
    verdicts = (
        StoredVerdict(
            request="q-bloom",
            name="halo_radius",
            of="light-1",
            first="d-heron",
            second="d-plover",
            word="differs",
            sentence="Halo radius of light-1: Plover 18.20 px, Heron 16.20 px; Plover is higher by 2.00 px (95 % interval of "
            "the difference 1.70 to 2.30 px; these units, these takes).",
            difference=2.0,
            low=1.7,
            high=2.3,
        ),
        StoredVerdict(
            request="q-contrast",
            name="michelson",
            of="sill/water",
            first="d-heron",
            second="d-bittern",
            word="cannot tell",
            sentence="Michelson of sill/water: Bittern 0.393, Heron 0.413; the data decide nothing (95 % interval of the "
            "difference −0.045 to 0.005; these units, these takes): film each device again.",
            difference=-0.02,
            low=-0.045,
            high=0.005,
        ),
    )
    notes = (
        Note(id="n-arrow", scene="s-lamps", kind="arrow", geometry=(95.0, 62.0, 113.0, 92.0), text="halo"),
        Note(id="n-inset", scene="s-lamps", kind="inset", geometry=(140.0, 156.0, 40.0, 28.0)),
    )
    session = Session(
        id="session-test",
        title="Harbour trust: three monoculars",
        created="2026-03-01T20:00:00Z",
        author="A. Reviewer",
        interest="I sell none of these devices.",
        plan=Plan(
            question="Which halo is smallest?",
            claim="Bittern's",
            made="2026-02-27T10:00:00Z",
            log=("2026-03-01: one scene added",),
        ),
        devices=devices,
        scenes=tuple(scenes),
        clips=tuple(clips),
        regions=(lamp, bright, dark),
        requests=requests,
        readings=tuple(readings),
        verdicts=verdicts,
        notes=notes,
        stills=(StillSpec(id="still-lamps", scene="s-lamps", time_s=0.48),),
    )
    save(session, folder / "session.gloam")
    return session


def _reading(
    request: str, clip: str, name: str, of: str, value: float, half: float, unit: str, flags: tuple[str, ...] = ()
) -> StoredReading:
    return StoredReading(
        id=f"x-{request}-{clip}-{name}",
        request=request,
        clip=clip,
        name=name,
        of=of,
        value=value,
        unit=unit,
        low=value - half,
        high=value + half,
        flags=(*flags, "within this take"),
        frames=24,
        method="made up for a test",
    )


@pytest.fixture(scope="session")
def sample(tmp_path_factory: pytest.TempPathFactory) -> tuple[Session, Path]:
    """The session and its folder."""
    folder = tmp_path_factory.mktemp("published")
    return make_session(folder), folder


@pytest.fixture
def evil(sample: tuple[Session, Path]) -> tuple[Session, Path]:
    """The session with markup of every kind in its names."""
    session, folder = sample
    devices = tuple(replace(d, name=EVIL if d.name == "Plover" else d.name) for d in session.devices)
    scenes = tuple(
        replace(s, name=s.name + " <script>alert(1)</script>", note='#include "/etc/passwd"') for s in session.scenes
    )
    return replace(session, devices=devices, scenes=scenes, title="A & <i>B</i> #emph[C] $x^2$"), folder


@pytest.fixture(scope="session")
def clip_writer() -> Callable[..., Path]:
    """Writes one more clip of the lamps."""
    return write_clip

"""The sample clips: what is filmed through which device, how, and where it goes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cache

from viewer.lab.camera import Camera
from viewer.lab.canvas import Canvas
from viewer.lab.chart import make_chart
from viewer.lab.devices import BITTERN, HERON, PLOVER
from viewer.lab.monitor import make_monitor
from viewer.lab.quay import make_quay
from viewer.lab.reeds import make_reeds
from viewer.lab.render import Clock, Take
from viewer.lab.scene import Layer, Mark, Scene
from viewer.lab.slipway import make_slipway
from viewer.lab.tube import Tube
from viewer.lab.view import View
from viewer.lab.waves import Pulse

CALM = Camera(rate=Fraction(25), exposure_s=1 / 50, readout_s=0.015)
PLAIN = replace(CALM, transfer="bt709", bit_depth=8, codec="h264")
FAST = replace(PLAIN, rate=Fraction(50), exposure_s=1 / 1000)
LAMP_HZ = 330.0


@dataclass(frozen=True, kw_only=True)
class Recipe:
    """One sample clip.  `reference` names the clip whose pixels and time are the scene's; `rotation` is the display flag."""

    name: str
    scene: str
    device: str | None
    role: str
    take: int
    reference: str
    make: Callable[[], Take]
    crf: float
    rotation: int = 0
    note: str = ""


@cache
def scene_of(name: str) -> Scene:
    """Return a scene by name, painted once."""
    makers: dict[str, Callable[[], Scene]] = {
        "chart": make_chart,
        "monitor": make_monitor,
        "lamps": make_quay,
        "reeds": make_reeds,
        "figure": make_slipway,
        "bench": _bench,
        "cap": _cap,
    }
    return makers[name]()


def _bench() -> Scene:
    """Return a frosted panel lit by a lamp of known frequency."""
    canvas = Canvas()
    x, y = canvas.axes()
    canvas.light[...] = 0.55 * (1 - 0.0009 * (x**2 + 1.4 * y**2)).clip(0.2)
    canvas.rect(-22.5, 10.5, 45.0, 12.0, 0.05)
    canvas.text("330 Hz", 9.0, 9.6, 1.4, 0.12)
    pulse = Pulse(rate_hz=LAMP_HZ, duty=0.5, floor=0.1, decay_s=0.0002, phase=0.3)
    marks = {"panel": Mark(kind="rect", place=(-14.0, -9.0, 20.0, 17.0), note="evenly lit panel")}
    return Scene(
        name="bench", title="Bench lamp", kind="other", layers=(Layer(name="panel", canvas=canvas, pulse=pulse),),
        unit_cd_m2=50.0, marks=marks, distance_m=0.6,
    )  # fmt: skip


def _cap() -> Scene:
    """Return the inside of a lens cap."""
    return Scene(name="cap", title="Cap on", kind="other", layers=(Layer(name="cap", canvas=Canvas()),), unit_cd_m2=0.001)


def _view(
    large: bool, *, scale: float = 1.0, turn: float = 0.0, shift: tuple[float, float] = (0, 0), mirrored: bool = False
) -> View:
    width, height = (1280, 720) if large else (960, 540)
    return View(
        width=width,
        height=height,
        px_per_degree=(17.1 if large else 12.85) * scale,
        centre=(width / 2 - 0.5 + shift[0], height / 2 - 0.5 + shift[1]),
        rotation_deg=turn,
        mirrored=mirrored,
        axis_deg=(0.0, 0.0),
    )


def _device(
    scene: str,
    tube: Tube,
    camera: Camera,
    view: View,
    *,
    frames: int,
    seed: int,
    full: float,
    offset: float = 0.0,
    ppm: float = 0.0,
    crf: float,
    take: int = 1,
    rotation: int = 0,
    note: str = "",
) -> Recipe:
    name = f"{scene}_{tube.name.lower()}" + (f"_take{take}" if take > 1 else "")
    return Recipe(
        name=name,
        scene=scene,
        device=tube.name,
        role="device",
        take=take,
        reference=f"{scene}_heron",
        make=lambda: Take(scene_of(scene), tube, camera, view, frames, seed, Clock(offset, ppm), full),
        crf=crf,
        rotation=rotation,
        note=note,
    )


def _alone(
    name: str, scene: str, role: str, camera: Camera, view: View, *, frames: int, seed: int, full: float, crf: float, note: str
) -> Recipe:
    return Recipe(
        name=name,
        scene=scene,
        device=None,
        role=role,
        take=1,
        reference=name,
        make=lambda: Take(scene_of(scene), None, camera, view, frames, seed, Clock(), full),
        crf=crf,
        note=note,
    )


def _capped(crf: float) -> Recipe:
    view = _view(True)
    return Recipe(
        name="dark_heron",
        scene="cap",
        device="Heron",
        role="dark",
        take=1,
        reference="dark_heron",
        make=lambda: Take(scene_of("cap"), HERON, CALM, view, 20, 901, Clock(), 1.5, capped=True),
        crf=crf,
        note="Heron with its cap on: the camera's black and the tube's own glow.",
    )


def recipes() -> tuple[Recipe, ...]:
    """Return every sample clip."""
    sixty = replace(FAST, rate=Fraction(60000, 1001))
    thirty = replace(CALM, rate=Fraction(30000, 1001))
    upside = replace(PLAIN, direction="up")
    return (
        _device("chart", HERON, CALM, _view(True), frames=118, seed=1, full=2.1, crf=22),
        _device("chart", BITTERN, CALM, _view(True, scale=0.985, turn=1.6, shift=(7.3, -4.6)), frames=114, seed=2, full=2.1,
                offset=0.217, ppm=18.0, crf=22),
        _device("chart", PLOVER, CALM, _view(True, scale=1.021, turn=-2.3, shift=(-9.4, 3.2)), frames=124, seed=3, full=2.1,
                offset=-0.331, ppm=-25.0, crf=22),
        _device("monitor", HERON, FAST, _view(False), frames=152, seed=11, full=0.098, crf=19),
        _device("monitor", BITTERN, FAST, _view(False, scale=0.99, turn=1.1, shift=(5.2, 3.7)), frames=152, seed=12, full=0.098,
                offset=0.138, ppm=18.0, crf=19),
        _device("monitor", PLOVER, FAST, _view(False, scale=1.025, turn=-1.4, shift=(-6.1, -2.8)), frames=150, seed=13,
                full=0.098, offset=-0.204, ppm=-25.0, crf=19),
        _device("monitor", BITTERN, sixty, _view(False, scale=0.993, turn=-0.7, shift=(-3.4, 1.9)), frames=182, seed=14,
                full=0.098, offset=0.061, ppm=18.0, crf=19, take=2, note="The same place at another frame rate."),
        _device("lamps", HERON, CALM, _view(True), frames=76, seed=21, full=0.26, crf=20),
        _device("lamps", BITTERN, CALM, _view(True, scale=0.99, turn=1.3, shift=(6.4, 5.1)), frames=76, seed=22, full=0.26,
                offset=0.173, ppm=18.0, crf=20),
        _device("lamps", PLOVER, CALM, _view(True, scale=1.018, turn=-1.9, shift=(-7.7, -3.3)), frames=76, seed=23, full=0.26,
                offset=-0.119, ppm=-25.0, crf=20),
        _device("lamps", BITTERN, CALM, _view(True, scale=0.994, turn=-0.6, shift=(-2.9, 2.2)), frames=76, seed=24, full=0.26,
                offset=0.094, ppm=18.0, crf=20, take=2, note="Mounted again."),
        _device("reeds", HERON, PLAIN, _view(False), frames=75, seed=31, full=0.55, crf=19),
        _device("reeds", BITTERN, upside, _view(False, scale=0.985, turn=1.8, shift=(4.4, -3.1)), frames=75, seed=32, full=0.55,
                offset=0.261, ppm=18.0, crf=19, rotation=180,
                note="Filmed with the camera upside down: the rotation flag turns it."),
        _device("reeds", PLOVER, PLAIN, _view(False, scale=1.03, turn=-2.1, shift=(-5.8, 4.9), mirrored=True), frames=78,
                seed=33, full=0.55, offset=-0.152, ppm=-25.0, crf=19, note="Filmed over a mirror: left and right are swapped."),
        _device("figure", HERON, CALM, _view(False), frames=88, seed=41, full=1.1, crf=22),
        _device("figure", BITTERN, CALM, _view(False, scale=0.988, turn=1.2, shift=(3.9, 2.4)), frames=88, seed=42, full=1.1,
                offset=0.094, ppm=18.0, crf=22),
        _device("figure", PLOVER, thirty, _view(False, scale=1.024, turn=-1.5, shift=(-4.2, -5.3)), frames=108, seed=43,
                full=1.1, offset=-0.087, ppm=-25.0, crf=22, note="The camera was left at another frame rate."),
        _alone("monitor_source", "monitor", "source", FAST, _view(False, scale=1.68), frames=80, seed=51, full=1.5, crf=24,
               note="The monitor filmed without a device."),
        _alone("bench_lamp", "bench", "camera", FAST, _view(False, scale=1.7), frames=60, seed=52, full=1.3, crf=24,
               note="A lamp on a function generator at 330.0 Hz, for the readout time."),
        _capped(24),
    )  # fmt: skip


def recipe(name: str) -> Recipe:
    """Return one sample clip by name; KeyError if there is none."""
    return {item.name: item for item in recipes()}[name]


__all__ = ["LAMP_HZ", "Recipe", "recipe", "recipes", "scene_of"]

"""The tri-bar chart in its light box."""

from __future__ import annotations

import numpy as np

from viewer.lab.canvas import Canvas, smooth_noise
from viewer.lab.scene import Layer, Mark, Scene, degrees_of, tri_bar_lpmm
from viewer.lab.waves import Steps

DISTANCE_M = 2.0
INK, PAPER = 0.035, 0.86
PATCHES = (0.80, 0.40, 0.20, 0.10, 0.05)
LEVELS_MFL = (1.0, 0.3, 0.1, 0.03)
STEP_TIMES_S = (0.0, 1.30, 2.45, 3.60)
MFL = 0.0034262591


def bars(canvas: Canvas, x: float, y: float, lpmm: float, way: str) -> Mark:
    """Paint one tri-bar target with its upper left corner at (x, y): bars 0.5/R wide and apart, 2.5/R long."""
    pitch = degrees_of(1 / lpmm, DISTANCE_M)
    size, width = 2.5 * pitch, 0.5 * pitch
    for n in range(3):
        if way == "v":
            canvas.rect(x + 2 * n * width, y, width, size, INK)
        else:
            canvas.rect(x, y + 2 * n * width, size, width, INK)
    return Mark(kind="bars", place=(x, y, size, size), lpmm=lpmm, way=way)


def group(canvas: Canvas, x: float, y: float, number: int, marks: dict[str, Mark]) -> None:
    """Paint the six elements of a group as a column of pairs, upright bars left, with their numbers."""
    for element in range(1, 7):
        lpmm = tri_bar_lpmm(number, element)
        size = 2.5 * degrees_of(1 / lpmm, DISTANCE_M)
        gap = 0.24 * size + 0.14
        for way, left in (("v", x), ("h", x + size + gap)):
            marks[f"{lpmm:.4g}/{way}"] = bars(canvas, left, y, lpmm, way)
        canvas.text(str(element), x - 0.34 * size - 0.22, y + 0.66 * size, 0.3 * size + 0.08, INK)
        y += size + gap


def make_chart(seed: int = 101) -> Scene:
    """Return the chart scene: groups -5, -4 and -3, grey patches, a slanted square; the light falls in four steps."""
    canvas = Canvas()
    marks: dict[str, Mark] = {}
    rng = np.random.default_rng(seed)
    _room(canvas, rng)
    canvas.rect(-10.2, -9.6, 20.4, 19.2, 0.020)
    canvas.rect(-9.6, -9.0, 19.2, 18.0, 0.55)
    canvas.rect(-9.0, -8.4, 18.0, 16.8, PAPER)
    group(canvas, -6.5, -7.3, -5, marks)
    group(canvas, 0.7, -7.3, -4, marks)
    group(canvas, 5.4, -7.3, -3, marks)
    for n, value in enumerate(PATCHES):
        top = -2.9 + 1.72 * n
        canvas.rect(5.3, top, 2.6, 1.72, value)
        marks[f"patch-{n + 1}"] = Mark(kind="rect", place=(5.75, top + 0.36, 1.7, 1.0), note=f"reflectance {value}")
    _slanted_square(canvas, marks)
    canvas.text("LIGHT BOX 2", 0.7, 7.55, 0.42, INK)
    canvas.text("2.0 m", 5.3, 7.55, 0.42, INK)
    marks["paper"] = Mark(kind="rect", place=(-8.75, -7.6, 1.1, 2.6), note="white of the chart")
    x, y = canvas.axes()
    inside = np.clip((10.2 - np.maximum(abs(x), abs(y) * 10.2 / 9.6)) * 4, 0, 1)
    canvas.light[...] *= 1 - 0.10 * inside * ((x / 10) ** 2 + (y / 10) ** 2)
    return Scene(
        name="chart",
        title="Tri-bar chart",
        kind="chart",
        layers=(Layer(name="chart", canvas=canvas),),
        unit_cd_m2=MFL / PAPER,
        marks=marks,
        level=Steps(STEP_TIMES_S, LEVELS_MFL),
        level_unit="mfL",
        typed_levels=LEVELS_MFL,
        distance_m=DISTANCE_M,
        claps_s=(0.55,),
        ticks_s=STEP_TIMES_S[1:],
    )


def _slanted_square(canvas: Canvas, marks: dict[str, Mark]) -> None:
    """Paint a dark square turned by 5 degrees; its left side is the edge to measure."""
    size, angle, middle = 4.3, np.radians(5.0), np.array([2.15, 3.75])
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * size / 2 @ turn.T + middle
    canvas.polygon(corners, 0.17, fine=8)
    canvas.text("SFR", 1.5, 4.0, 0.5, 0.45)
    left = np.array([-size / 2, 0.0]) @ turn.T + middle
    marks["edge"] = Mark(kind="edge", place=(left[0] - 0.95, left[1] - 1.5, 1.9, 3.0), angle_deg=185.0)
    marks["edge-dark"] = Mark(kind="rect", place=(left[0] + 0.75, left[1] + 0.6, 1.0, 1.0))


def _room(canvas: Canvas, rng: np.random.Generator) -> None:
    """Paint the dark room: spill of the box on wall and bench, a jar, a coil of rope."""
    x, y = canvas.axes()
    spill = 0.020 + 0.13 * np.exp(-np.hypot(x, y - 1) / 7.0)
    bench = 0.5 + 0.5 * np.tanh((y - 11.2) * 6)
    grain = smooth_noise(canvas.size, 10, rng, aspect=18)
    wall = smooth_noise(canvas.size, 60, rng)
    light = spill * (1 - bench) * (0.55 + 0.04 * wall) + spill * bench * (1.5 + 0.18 * grain)
    for shelf in (-14.0, -19.0):
        light = light * (1 - 0.5 * np.exp(-(((y - shelf) / 0.12) ** 2)))
    canvas.light[...] = np.maximum(light, 1e-4)
    canvas.polygon(np.array([[-14.6, 7.6], [-11.8, 7.6], [-11.6, 12.4], [-14.8, 12.4]]), 0.010)
    canvas.polygon(np.array([[-14.1, 6.9], [-12.3, 6.9], [-12.3, 7.6], [-14.1, 7.6]]), 0.022)
    canvas.polygon(np.array([[-14.3, 8.4], [-13.8, 8.4], [-13.9, 12.0], [-14.4, 12.0]]), 0.035)
    for n in range(5):
        ring = np.linspace(0, 2 * np.pi, 60)
        a, b = 2.3 - 0.28 * n, 0.9 - 0.11 * n
        loop = np.column_stack([13.4 + a * np.cos(ring), 12.3 + b * np.sin(ring) - 0.16 * n])
        canvas.polygon(loop, 0.030 if n % 2 == 0 else 0.012)


__all__ = ["DISTANCE_M", "LEVELS_MFL", "STEP_TIMES_S", "make_chart"]

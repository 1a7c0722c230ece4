"""The reed bank against the night sky, with a boathouse whose gable gives a straight, slanted edge."""

from __future__ import annotations

import numpy as np

from viewer.lab.canvas import Canvas, smooth_noise
from viewer.lab.scene import Layer, Mark, Scene

SKY, WALL = 0.30, 0.012
EDGE_ANGLE_DEG = -6.0
EDGE_AT = (5.2, -2.6)


def make_reeds(seed: int = 404) -> Scene:
    """Return the reed scene: bright sky, dark bank, the boathouse edge at about 6 degrees from upright."""
    canvas = Canvas()
    rng = np.random.default_rng(seed)
    x, y = canvas.axes()
    cloud = smooth_noise(canvas.size, 120, rng, aspect=2.5)
    clear = np.clip(np.hypot((x - EDGE_AT[0]) / 5.0, (y - EDGE_AT[1]) / 5.0) - 0.8, 0, 1)
    canvas.light[...] = SKY * (1 + 0.30 * np.clip((y + 4) / 14, -1, 1) * clear + 0.10 * cloud * clear)
    _far_bank(canvas, rng)
    _water(canvas, rng)
    _reeds(canvas, rng)
    _boathouse(canvas, rng)
    marks = {
        "edge": Mark(kind="edge", place=(EDGE_AT[0] - 1.9, EDGE_AT[1] - 1.6, 3.8, 3.2), angle_deg=180.0 + EDGE_ANGLE_DEG),
        "sky": Mark(kind="rect", place=(-3.0, -9.0, 5.0, 3.0), note="open sky"),
        "sky-near": Mark(kind="rect", place=(1.9, -3.4, 1.6, 1.4), note="sky beside the gable"),
        "wall": Mark(kind="rect", place=(8.4, -2.6, 2.2, 2.0), note="dark boards of the boathouse"),
        "reeds": Mark(kind="rect", place=(-8.5, 3.9, 6.0, 1.4), note="dense reeds"),
    }
    return Scene(
        name="reeds",
        title="Reed bank",
        kind="edge",
        layers=(Layer(name="bank", canvas=canvas),),
        unit_cd_m2=0.0035,
        marks=marks,
        distance_m=45.0,
        claps_s=(0.65,),
    )


def _far_bank(canvas: Canvas, rng: np.random.Generator) -> None:
    line = np.linspace(-22.5, 22.5, 260)
    rough = np.convolve(rng.standard_normal(280), np.hanning(21), "same")[:260]
    top = 1.6 - 0.8 * np.exp(-(((line + 11) / 5) ** 2)) - 0.10 * rough - 0.05 * rng.standard_normal(260)
    canvas.polygon(np.vstack([np.column_stack([line, top]), [[22.5, 6], [-22.5, 6]]]), 0.040)


def _water(canvas: Canvas, rng: np.random.Generator) -> None:
    x, y = canvas.axes()
    ripple = smooth_noise(canvas.size, 4, rng, aspect=12)
    swell = smooth_noise(canvas.size, 22, rng, aspect=6)
    depth = np.clip((y - 6.2) / 12, 0, 1)
    mirror = 0.02 + 0.15 * depth**0.7
    water = mirror * np.clip(1 + 0.22 * ripple + 0.22 * swell, 0.2, 2)
    canvas.light[...] = np.where(y > 5.4 + 0.02 * x, water, canvas.light)


def _reeds(canvas: Canvas, rng: np.random.Generator) -> None:
    """Paint blades from far to near: thin curved strips, a third of them with feathery heads."""
    for rank, (base, count, height, tone) in enumerate(
        ((4.6, 520, 2.6, 0.032), (5.6, 620, 4.2, 0.020), (6.6, 520, 5.2, 0.011))
    ):
        reach = 22.0 if rank < 2 else 21.0
        feet = np.sort(rng.uniform(-reach, reach, count))
        for foot in feet:
            hill = 1.0 + 0.35 * np.sin(foot / 3.1 + rank) + 0.18 * np.sin(foot / 0.9)
            if foot > 3.0:
                hill *= max(0.22, 1 - (foot - 3.0) / 3.2)
            tall = height * hill * rng.uniform(0.72, 1.12)
            lean = rng.normal(0.10, 0.13) * tall
            _blade(canvas, foot, base, tall, lean, tone * rng.uniform(0.6, 1.7), head=rng.uniform() < 0.3, rng=rng)
        y0 = base - 0.32 * height
        canvas.polygon(
            np.array(
                [
                    [-22.5, y0 + 0.9],
                    [2.6, y0 + 0.9],
                    [4.4, base - 0.2],
                    [22.5, base - 0.1],
                    [22.5, base + 0.6],
                    [-22.5, base + 0.6],
                ]
            ),
            tone,
        )


def _blade(
    canvas: Canvas, foot: float, base: float, tall: float, lean: float, tone: float, *, head: bool, rng: np.random.Generator
) -> None:
    t = np.linspace(0, 1, 9)
    middle = np.column_stack([foot + lean * t**2, base + 0.3 - tall * t])
    half = 0.055 * (1 - 0.85 * t)[:, None] * np.array([[1.0, 0.0]])
    canvas.polygon(np.vstack([middle - half, (middle + half)[::-1]]), tone, fine=3)
    if head:
        tip = middle[-1]
        drift = 0.35 * np.sign(lean + 0.05)
        for _ in range(4):
            a, b = rng.uniform(0.0, 0.8), rng.uniform(0.2, 0.5)
            shape = tip + np.array([[0, 0.1], [drift * b, 0.05 + 0.35 * a], [drift * b * 1.4, 0.45 * a + 0.25], [0.06, 0.55]])
            canvas.polygon(shape, tone * 1.2, fine=3)


def _boathouse(canvas: Canvas, rng: np.random.Generator) -> None:
    """Paint the boathouse: its left wall is the straight edge, leaning by the edge angle."""
    far = canvas.edge(*EDGE_AT, EDGE_ANGLE_DEG)
    x, y = canvas.axes()
    boards = WALL * (1 + 0.10 * np.sin(2 * np.pi * y / 0.62) ** 8 + 0.03 * smooth_noise(canvas.size, 8, rng, aspect=8))
    roof_line = np.maximum(-5.5 - 0.442 * (x - 4.0), -10.6 + 0.25 * (x - 15.3))
    under = np.clip((y - roof_line) * canvas.per_degree, 0, 1) * np.clip((6.4 - y) * canvas.per_degree, 0, 1)
    house = far * under * (x < 21.5)
    canvas.light[...] += house * (boards - canvas.light)
    canvas.polygon(np.array([[4.0, -5.45], [15.2, -10.4], [22.4, -8.6], [22.4, -9.2], [15.3, -11.0], [3.9, -6.0]]), 0.020)
    canvas.rect(11.6, -3.6, 2.0, 2.1, 0.030)
    canvas.rect(12.55, -3.6, 0.12, 2.1, 0.008)
    canvas.rect(11.6, -2.6, 2.0, 0.12, 0.008)
    canvas.rect(15.6, -0.8, 3.6, 7.0, 0.0065)
    canvas.polygon(np.array([[1.0, 5.6], [14.5, 6.3], [14.5, 6.8], [1.0, 6.1]]), 0.075)
    for px in (1.6, 4.2, 6.8, 9.6, 12.4):
        canvas.rect(px, 5.9, 0.22, 2.6, 0.010)


__all__ = ["EDGE_ANGLE_DEG", "SKY", "WALL", "make_reeds"]

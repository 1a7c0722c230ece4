"""The slipway on a moonless night, with a figure that walks down it."""

from __future__ import annotations

import numpy as np

from viewer.cv import cv2
from viewer.lab.canvas import Canvas, smooth_noise
from viewer.lab.scene import Layer, Mark, Patch, Scene

COAT, TROUSERS, SKIN = 0.062, 0.048, 0.13
TALL_DEG = 6.4
SPEED = -1.9
START = (5.6, 4.3)
SLOPE = -0.10


def feet_at(time_s: float) -> tuple[float, float]:
    """Return where the figure stands at a scene time, degrees."""
    return START[0] + SPEED * time_s, START[1] + SLOPE * SPEED * time_s


def box_at(time_s: float) -> tuple[float, float, float, float]:
    """Return the box of the trunk and legs (x, y, w, h), degrees: what is counted as the figure."""
    x, y = feet_at(time_s)
    return x - 0.42, y - 0.80 * TALL_DEG, 0.84, 0.36 * TALL_DEG


def make_slipway(seed: int = 505) -> Scene:
    """Return the slipway scene: a figure 6.4 degrees tall crosses the ramp from right to left."""
    canvas = Canvas()
    rng = np.random.default_rng(seed)
    _ground(canvas, rng)
    _things(canvas, rng)
    base = canvas.light.copy()

    def moving(time_s: float) -> Patch:
        return _figure(canvas, base, time_s)

    return Scene(
        name="figure",
        title="Figure on the slipway",
        kind="figure",
        layers=(Layer(name="slipway", canvas=canvas),),
        unit_cd_m2=0.0011,
        marks={"ramp": Mark(kind="rect", place=(-4.5, 6.2, 6.0, 1.4), note="empty ramp in front of the path")},
        distance_m=16.0,
        claps_s=(0.50,),
        moving=moving,
        figure_box=box_at,
        figure_times_s=(0.7, 1.3, 1.9, 2.5, 3.1),
    )


def _ground(canvas: Canvas, rng: np.random.Generator) -> None:
    x, y = canvas.axes()
    sky = 0.085 + 0.03 * np.clip((y + 10) / 10, -1, 1) + 0.006 * smooth_noise(canvas.size, 90, rng, aspect=3)
    canvas.light[...] = sky
    line = np.linspace(-22.5, 22.5, 400)
    crowns = sum(np.abs(np.sin(line / w + p)) * a for w, p, a in ((2.7, 0.4, 1.3), (1.1, 1.9, 0.55), (0.43, 0.2, 0.22)))
    top = -4.9 - crowns - 0.12 * rng.standard_normal(400)
    trees = np.vstack([np.column_stack([line, top]), [[22.5, 0], [-22.5, 0]]])
    leaf = 0.030 * (1 + 0.30 * smooth_noise(canvas.size, 9, rng) + 0.18 * smooth_noise(canvas.size, 30, rng))
    canvas.polygon(trees, np.maximum(leaf, 0.006).astype(np.float32))
    wall = 0.14 * (1 + 0.10 * smooth_noise(canvas.size, 14, rng, aspect=3))
    joints = 1 - 0.20 * np.exp(-((((y + 0.08 * x) % 0.92) / 0.05) ** 2))
    canvas.polygon(np.array([[-22.5, -2.8], [22.5, -4.2], [22.5, 1.6], [-22.5, 4.0]]), (wall * joints).astype(np.float32))
    canvas.polygon(np.array([[-22.5, -3.1], [22.5, -4.6], [22.5, -4.0], [-22.5, -2.6]]), 0.20)
    ramp = 0.205 * (
        1 + 0.05 * smooth_noise(canvas.size, 12, rng, aspect=4) + 0.05 * smooth_noise(canvas.size, 70, rng, aspect=3)
    )
    grooves = 1 - 0.10 * np.exp(-((((y + 0.10 * x) % 1.15) / 0.07) ** 2))
    canvas.polygon(
        np.array([[-22.5, 3.7], [22.5, 1.3], [22.5, 14.0], [-9.0, 9.6], [-22.5, 7.2]]), (ramp * grooves).astype(np.float32)
    )
    water = 0.045 * np.clip(1 + 0.25 * smooth_noise(canvas.size, 4, rng, aspect=10), 0.2, 3)
    canvas.polygon(np.array([[-22.5, 7.2], [-9.0, 9.6], [22.5, 14.0], [22.5, 22.5], [-22.5, 22.5]]), water.astype(np.float32))
    canvas.polygon(np.array([[-22.5, 7.0], [-9.0, 9.4], [22.5, 13.8], [22.5, 14.3], [-9.0, 9.8], [-22.5, 7.4]]), 0.085)


def _things(canvas: Canvas, rng: np.random.Generator) -> None:
    """Paint rails, a winch, a dinghy and tyres along the wall."""
    for n in range(8):
        px = -17.5 + 4.6 * n
        foot = -2.75 - 0.031 * (px + 22.5)
        canvas.rect(px, foot - 2.3, 0.16, 2.4, 0.11)
    canvas.polygon(np.array([[-22.5, -5.0], [22.5, -6.45], [22.5, -6.3], [-22.5, -4.85]]), 0.12)
    canvas.polygon(np.array([[-22.5, -4.0], [22.5, -5.45], [22.5, -5.35], [-22.5, -3.9]]), 0.11)
    ring = np.linspace(0, 2 * np.pi, 40)
    for px in (-15.0, -9.5, 12.2):
        cy = 1.2 - 0.05 * px
        for r, value in ((1.0, 0.045), (0.5, 0.12)):
            canvas.polygon(np.column_stack([px + r * np.cos(ring), cy + r * np.sin(ring)]), value)
    hull = np.array([[9.8, 7.4], [17.5, 6.6], [19.2, 5.4], [18.3, 8.2], [16.0, 9.6], [11.0, 9.4]])
    canvas.polygon(hull, 0.085)
    canvas.polygon(np.array([[9.8, 7.4], [17.5, 6.6], [19.2, 5.4], [18.9, 5.9], [17.4, 7.1], [10.0, 7.9]]), 0.24)
    canvas.polygon(np.array([[-14.5, 5.2], [-11.9, 5.0], [-11.7, 6.6], [-14.3, 6.8]]), 0.09)
    canvas.text("SLIP B", 14.6, -0.6, 1.0, 0.30)


def _figure(canvas: Canvas, base: np.ndarray, time_s: float) -> Patch:
    x, y = feet_at(time_s)
    row = int(canvas.to_samples(y - TALL_DEG - 0.4))
    col = int(canvas.to_samples(x - 2.4))
    n = canvas.per_degree
    h, w = round((TALL_DEG + 1.0) * n), round(4.8 * n)
    light = base[row : row + h, col : col + w].copy()
    for points, value in _limbs(time_s):
        local = ((points + np.array([x, y]) + canvas.half_deg) * n - np.array([col, row])) * 4 - 0.5
        cover = _cover(local, h, w)
        light += cover * (np.float32(value) - light)
    return Patch(row=row, col=col, light=light)


def _cover(points: np.ndarray, h: int, w: int) -> np.ndarray:
    image = np.zeros((h * 4, w * 4), np.uint8)
    cv2.fillPoly(image, [np.round(points * 16).astype(np.int32)], 255, lineType=cv2.LINE_8, shift=4)
    return np.asarray(cv2.resize(image, (w, h), interpolation=cv2.INTER_AREA), np.float32) / 255


def _strip(a: tuple[float, float], b: tuple[float, float], wide_a: float, wide_b: float) -> np.ndarray:
    """Return a tapered strip with round ends from a to b."""
    p, q = np.asarray(a), np.asarray(b)
    along = (q - p) / max(1e-9, float(np.hypot(*(q - p))))
    side = np.array([-along[1], along[0]])
    turn = np.linspace(0, np.pi, 9)[:, None]
    end_q = q + wide_b * (np.cos(turn) * side + np.sin(turn) * along)
    end_p = p + wide_a * (-np.cos(turn) * side - np.sin(turn) * along)
    return np.vstack([end_q, end_p])


def _limbs(time_s: float) -> list[tuple[np.ndarray, float]]:
    """Return the parts of the figure (feet at the origin, y down), far ones first."""
    stride = np.sin(2 * np.pi * 0.95 * time_s)
    bob = -0.06 * abs(stride)
    hip, shoulder = (0.0, -0.48 * TALL_DEG + bob), (-0.10, -0.80 * TALL_DEG + bob)
    parts: list[tuple[np.ndarray, float]] = []
    for sign, tone in ((-1, 0.85), (1, 1.0)):
        swing = 0.62 * sign * stride
        knee = (0.55 * swing - 0.12, -0.25 * TALL_DEG)
        foot = (1.35 * swing, -0.04 * TALL_DEG - 0.10 * max(0.0, -sign * np.cos(2 * np.pi * 0.95 * time_s)))
        parts.append((_strip(hip, knee, 0.34, 0.26), TROUSERS * tone))
        parts.append((_strip(knee, foot, 0.24, 0.17), TROUSERS * tone))
        parts.append((_strip(foot, (foot[0] - 0.35, foot[1] + 0.10), 0.16, 0.11), TROUSERS * 0.7))
    arm = -0.45 * stride
    elbow = (shoulder[0] + 0.6 * arm, -0.62 * TALL_DEG)
    parts.append((_strip(shoulder, elbow, 0.2, 0.17), COAT * 0.9))
    trunk = np.array(
        [
            [-0.62, -0.80],
            [-0.30, -0.845],
            [0.20, -0.845],
            [0.48, -0.79],
            [0.54, -0.58],
            [0.56, -0.40],
            [-0.56, -0.40],
            [-0.62, -0.6],
        ]
    )
    parts.append((trunk * [1.0, TALL_DEG] + [0, bob], COAT))
    ring = np.linspace(0, 2 * np.pi, 28)
    head = np.column_stack([-0.12 + 0.34 * np.cos(ring), -0.915 * TALL_DEG + bob + 0.43 * np.sin(ring)])
    parts.append((head, SKIN))
    cap = np.array([[-0.58, -0.945], [-0.42, -0.975], [-0.10, -0.995], [0.22, -0.965], [0.24, -0.94]])
    parts.append((cap * [1.0, TALL_DEG] + [0, bob], 0.05))
    elbow = (shoulder[0] - 0.7 * arm + 0.1, -0.62 * TALL_DEG)
    hand = (elbow[0] - 0.5 * arm - 0.25, -0.48 * TALL_DEG)
    parts.append((_strip(shoulder, elbow, 0.21, 0.18), COAT * 1.12))
    parts.append((_strip(elbow, hand, 0.17, 0.12), COAT * 1.12))
    return parts


__all__ = ["COAT", "TALL_DEG", "box_at", "feet_at", "make_slipway"]

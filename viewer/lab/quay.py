"""Quay lamps at night: point lights in a row, a close pair, their pools of light and reflections."""

from __future__ import annotations

import numpy as np

from viewer.lab.canvas import Canvas, smooth_noise
from viewer.lab.scene import Layer, Mark, Scene

# x, y (degrees), flux (unit x deg2), foot of the post
LAMPS = (
    (-1.6, -5.2, 3.4, 5.6),
    (9.6, -7.6, 2.2, 7.4),
    (-9.3, -3.3, 1.6, 4.4),
    (-12.9, -2.3, 0.9, 3.9),
    (12.6, 1.2, 0.6, 6.4),
)
PAIR = ((4.2, -2.35, 1.2, 5.0), (6.2, -2.75, 1.2, 5.0))
LAMP_RADIUS_DEG = 0.05


def make_quay(seed: int = 202) -> Scene:
    """Return the lamp scene."""
    canvas = Canvas()
    rng = np.random.default_rng(seed)
    _night(canvas, rng)
    _warehouse(canvas, rng)
    _boat(canvas)
    marks: dict[str, Mark] = {}
    for n, (x, y, _, foot) in enumerate((*LAMPS, *PAIR), start=1):
        _post(canvas, x, y, foot)
        marks[f"lamp-{n}"] = Mark(kind="light", place=(x, y), note="one of a close pair" if n > len(LAMPS) else "alone")
    _pools(canvas, rng)
    for x, y, flux, _ in (*LAMPS, *PAIR):
        _lamp(canvas, x, y, flux)
    marks["sky"] = Mark(kind="rect", place=(-7.5, -12.5, 6.0, 2.2), note="empty sky")
    return Scene(
        name="lamps",
        title="Quay lamps",
        kind="lamps",
        layers=(Layer(name="night", canvas=canvas),),
        unit_cd_m2=0.02,
        marks=marks,
        distance_m=60.0,
        claps_s=(0.70,),
    )


def _lamp(canvas: Canvas, x: float, y: float, flux: float) -> None:
    canvas.light[...] += lamp_disc(canvas, x, y, flux)


def lamp_disc(canvas: Canvas, x: float, y: float, flux: float) -> np.ndarray:
    """Return a lamp's light over the sheet: a small bright disc whose light sums to `flux` (unit x deg2)."""
    cx, cy = canvas.axes()
    disc = np.clip(0.5 + (LAMP_RADIUS_DEG - np.hypot(cx - x, cy - y)) * canvas.per_degree, 0, 1)
    return np.asarray(flux / (disc.sum() / canvas.per_degree**2) * disc, np.float32)


def _night(canvas: Canvas, rng: np.random.Generator) -> None:
    x, y = canvas.axes()
    cloud = smooth_noise(canvas.size, 110, rng, aspect=3.2)
    sky = 0.016 + 0.014 * np.exp(-((y - 2.6) ** 2) / 30) + 0.0035 * cloud * np.exp(-((y + 9) ** 2) / 60)
    ripple = smooth_noise(canvas.size, 4, rng, aspect=9)
    swell = smooth_noise(canvas.size, 16, rng, aspect=7)
    depth = np.clip((y - 4.4) / 14, 0, 1)
    water = (0.012 + 0.010 * (1 - depth)) * np.clip(1 + 0.28 * ripple + 0.3 * swell * depth, 0.2, 3)
    canvas.light[...] = np.where(y < 3.2, sky, water)
    hills = 2.5 - 0.9 * np.exp(-(((x + 14) / 6) ** 2)) - 0.5 * np.exp(-(((x - 2) / 9) ** 2))
    far = np.clip((y - hills) * canvas.per_degree, 0, 1) * (y < 3.2)
    canvas.light[...] += far * (0.008 - canvas.light)
    quay = np.array([[-22.5, 3.4], [2.0, 4.3], [22.5, 6.0], [22.5, 10.6], [2.0, 5.7], [-22.5, 4.1]])
    canvas.polygon(quay, 0.030)
    face = np.array([[-22.5, 4.1], [2.0, 5.7], [22.5, 10.6], [22.5, 13.2], [2.0, 6.9], [-22.5, 4.5]])
    canvas.polygon(face, 0.007)


def _warehouse(canvas: Canvas, rng: np.random.Generator) -> None:
    canvas.polygon(np.array([[11.0, -3.4], [14.6, -6.2], [22.5, -5.4], [22.5, 5.9], [11.0, 4.9]]), 0.0085)
    canvas.polygon(np.array([[10.6, -3.1], [14.6, -6.5], [22.5, -5.7], [22.5, -5.2], [14.7, -5.9], [10.8, -2.9]]), 0.004)
    for n in range(4):
        canvas.rect(15.2 + 1.6 * n, -1.8, 0.8, 1.3, 0.022 if n != 1 else 0.10)
    canvas.rect(12.2, 1.4, 1.9, 3.7, 0.005)
    canvas.text("SHED 4", 14.9, -3.0, 0.75, 0.026)
    for n in range(9):
        x = -20 + 2.2 * n + rng.uniform(-0.3, 0.3)
        top = 1.6 - rng.uniform(0, 0.9)
        canvas.rect(x, top, rng.uniform(1.0, 2.0), 3.5 - top, 0.0095)
        if n % 3 == 0:
            canvas.rect(x + 0.4, top + 0.6, 0.12, 0.12, 0.12)


def _boat(canvas: Canvas) -> None:
    hull = np.array([[-9.2, 7.6], [-1.4, 7.9], [-2.2, 9.6], [-8.2, 9.4]])
    canvas.polygon(hull, 0.0045)
    canvas.polygon(np.array([[-6.9, 6.3], [-4.3, 6.4], [-4.2, 7.7], [-7.0, 7.6]]), 0.006)
    canvas.rect(-6.6, 6.65, 0.6, 0.45, 0.018)
    canvas.rect(-5.7, 6.65, 0.6, 0.45, 0.018)
    canvas.rect(-5.5, 0.3, 0.09, 6.2, 0.005)
    canvas.polygon(np.array([[-5.46, 0.4], [-9.1, 7.6], [-9.05, 7.65]]), 0.006)
    canvas.polygon(np.array([[-5.46, 0.4], [-1.5, 7.9], [-1.45, 7.85]]), 0.006)
    canvas.polygon(np.array([[-9.2, 7.62], [-1.4, 7.92], [-1.45, 8.1], [-9.1, 7.8]]), 0.032)


def _post(canvas: Canvas, x: float, y: float, foot: float) -> None:
    width = 0.05 + 0.018 * (foot - 3)
    canvas.rect(x - width / 2, y + 0.15, width, foot - y - 0.15, 0.006)
    canvas.polygon(
        np.array(
            [[x - 3 * width, y - 0.12], [x + 3 * width, y - 0.12], [x + 1.5 * width, y - 0.3], [x - 1.5 * width, y - 0.3]]
        ),
        0.006,
    )


def _pools(canvas: Canvas, rng: np.random.Generator) -> None:
    """Add the pools of light on the quay and the broken reflections in the water."""
    x, y = canvas.axes()
    dash = smooth_noise(canvas.size, 5, rng, aspect=6)
    fine = smooth_noise(canvas.size, 2.5, rng, aspect=5)
    on_quay = canvas.mask(np.array([[-22.5, 3.4], [2.0, 4.3], [22.5, 6.0], [22.5, 10.6], [2.0, 5.7], [-22.5, 4.1]]))
    quay = np.zeros_like(canvas.light)
    quay[on_quay[1]] = on_quay[0][: quay[on_quay[1]].shape[0], : quay[on_quay[1]].shape[1]]
    added = np.zeros_like(canvas.light)
    for lamp_x, lamp_y, flux, foot in (*LAMPS, *PAIR):
        spread = 0.35 * (foot - lamp_y)
        pool = np.exp(-(((x - lamp_x) / spread) ** 2) - ((y - foot) / (0.22 * spread)) ** 2)
        added += 0.045 * np.sqrt(flux) * pool * quay
        wall = foot + (1.3 if lamp_x < 2 else 2.6)
        length = 2.0 * (foot - lamp_y)
        along = np.clip((y - wall) / 0.3, 0, 1) * np.exp(-np.clip(y - wall, 0, None) / (0.5 * length))
        width = 0.16 + 0.055 * np.clip(y - wall, 0, None)
        streak = np.exp(-(((x - lamp_x + 0.12 * fine) / width) ** 2)) * np.clip(0.35 + 0.75 * dash + 0.3 * fine, 0, None)
        added += 0.11 * np.sqrt(flux) * along * streak
    canvas.light[...] += added.astype(np.float32)


__all__ = ["LAMPS", "LAMP_RADIUS_DEG", "PAIR", "lamp_disc", "make_quay"]

"""The harbour office's monitor: a readable page, with a backlight that may pulse."""

from __future__ import annotations

import numpy as np

from viewer.lab.canvas import Canvas, smooth_noise
from viewer.lab.scene import Layer, Mark, Scene
from viewer.lab.waves import Pulse

SCREEN = (-11.2, -7.2, 22.4, 12.6)
PAGE, INK = 0.62, 0.035
BACKLIGHT = Pulse(rate_hz=238.0, duty=0.72, floor=0.45, decay_s=0.0002, phase=0.13)


def make_monitor(seed: int = 303) -> Scene:
    """Return the monitor scene: a steady dark office and a pulsing screen."""
    rng = np.random.default_rng(seed)
    office, screen = Canvas(), Canvas()
    marks: dict[str, Mark] = {}
    _office(office, rng)
    _page(screen, marks)
    marks["surround"] = Mark(kind="rect", place=(-9.0, -15.0, 14.0, 4.0), note="dark wall above the screen")
    return Scene(
        name="monitor",
        title="Office monitor",
        kind="screen",
        layers=(Layer(name="office", canvas=office), Layer(name="screen", canvas=screen, pulse=BACKLIGHT)),
        unit_cd_m2=0.35,
        marks=marks,
        distance_m=1.2,
        claps_s=(0.60,),
    )


def _page(canvas: Canvas, marks: dict[str, Mark]) -> None:
    x0, y0, w, h = SCREEN
    canvas.rect(x0, y0, w, h, PAGE)
    canvas.rect(x0, y0, w, 1.5, 0.16)
    canvas.text("HARBOUR OFFICE   TIDE AND WATCH", x0 + 0.5, y0 + 1.1, 0.72, 0.8)
    rows = (("06:12", "LOW", "0.8 m"), ("12:24", "HIGH", "4.6 m"), ("18:39", "LOW", "1.1 m"), ("00:51", "HIGH", "4.3 m"))
    for n, (time, word, height) in enumerate(rows):
        y = y0 + 3.15 + 1.18 * n
        if n % 2 == 1:
            canvas.rect(x0 + 0.4, y - 0.92, 10.2, 1.18, 0.48)
        for text, left in ((time, 0.7), (word, 4.2), (height, 7.5)):
            canvas.text(text, x0 + left, y, 0.74, INK)
    _curve(canvas, x0 + 11.5, y0 + 2.2, 10.3, 4.7)
    canvas.text("N PIER 3  CLEAR", x0 + 0.7, y0 + 8.6, 0.52, INK)
    canvas.text("S PIER 1  DREDGER TO 02:00", x0 + 0.7, y0 + 9.55, 0.44, INK)
    canvas.text("wind SW 3   vis 4 nm   sea slight", x0 + 0.7, y0 + 10.4, 0.36, INK)
    canvas.text("next watch 22:00  berth list as of 19:40", x0 + 0.7, y0 + 11.15, 0.30, INK)
    for n, value in enumerate((0.9, 0.5, 0.25, 0.1, 0.03)):
        canvas.rect(x0 + 11.6 + 1.5 * n, y0 + 7.7, 1.5, 1.9, value)
    marks["white"] = Mark(kind="rect", place=(x0 + 11.9, y0 + 8.0, 0.9, 1.3), note="brightest patch")
    marks["black"] = Mark(kind="rect", place=(x0 + 17.9, y0 + 8.0, 0.9, 1.3), note="darkest patch")
    marks["grey"] = Mark(kind="rect", place=(x0 + 14.9, y0 + 8.0, 0.9, 1.3), note="middle patch")
    for n, pitch in enumerate((0.9, 0.6, 0.4, 0.28)):
        left = x0 + 11.6 + 2.2 * n
        for k in range(int(1.9 / pitch)):
            canvas.rect(left + k * pitch, y0 + 10.0, pitch / 2, 1.7, INK)
    canvas.rect(x0 + 20.5, y0 + 10.0, 1.0, 1.7, 0.9)
    marks["page"] = Mark(kind="rect", place=(x0 + 7.2, y0 + 7.0, 3.2, 0.6), note="empty part of the page")
    marks["table"] = Mark(kind="rect", place=(x0 + 0.3, y0 + 0.3, 9.6, h - 0.6), note="left part of the page")
    marks["screen"] = Mark(kind="rect", place=(x0 + 0.2, y0 + 0.2, w - 0.4, h - 0.4), note="the whole screen")


def _curve(canvas: Canvas, x: float, y: float, w: float, h: float) -> None:
    """Draw the tide curve with its grid."""
    canvas.rect(x, y, w, h, 0.72)
    for n in range(1, 6):
        canvas.rect(x + n * w / 6, y, 0.05, h, 0.42)
    for n in range(1, 4):
        canvas.rect(x, y + n * h / 4, w, 0.05, 0.42)
    t = np.linspace(0, 1, 160)
    level = 0.5 - 0.36 * np.sin(2 * np.pi * (1.85 * t - 0.22)) * (1 - 0.12 * t)
    line = np.column_stack([x + w * t, y + h * level])
    thick = np.array([[0.0, 0.11]])
    canvas.polygon(np.vstack([line - thick, (line + thick)[::-1]]), INK)
    canvas.rect(x + 0.61 * w, y, 0.09, h, 0.12)
    canvas.text("now", x + 0.63 * w, y + 0.62, 0.42, INK)


def _office(canvas: Canvas, rng: np.random.Generator) -> None:
    x, y = canvas.axes()
    x0, y0, w, h = SCREEN
    glow = 0.014 + 0.050 * np.exp(-np.hypot(x, 1.15 * y) / 8)
    wall = glow * (1 + 0.05 * smooth_noise(canvas.size, 50, rng))
    desk = (0.034 + 0.16 * np.exp(-np.hypot(x / 1.5, y - 7.5) / 3.6)) * (
        1 + 0.12 * smooth_noise(canvas.size, 5, rng, aspect=20)
    )
    canvas.light[...] = np.where(y < 8.0, wall, desk)
    canvas.rect(-20.5, -14.0, 6.0, 9.5, 0.0015)
    for dx in (0.25, 3.1):
        for dy in (0.25, 4.8):
            canvas.rect(-20.5 + dx, -14.0 + dy, 2.6, 4.3, 0.0075)
    canvas.rect(-1.6, y0 + h, 3.2, 3.0, 0.004)
    canvas.polygon(np.array([[-4.6, 8.1], [4.6, 8.1], [5.2, 8.9], [-5.2, 8.9]]), 0.006)
    canvas.rect(x0 - 0.7, y0 - 0.7, w + 1.4, h + 1.5, 0.005)
    canvas.rect(x0, y0, w, h, 0.0)
    for row in range(4):
        for key in range(15):
            shade = 0.045 + 0.025 * rng.uniform()
            canvas.rect(-8.2 + 1.06 * key + 0.16 * row, 10.4 + 0.92 * row, 0.86, 0.66, shade)
    canvas.polygon(np.array([[11.0, 8.6], [14.2, 8.6], [13.9, 12.9], [11.3, 12.9]]), 0.026)
    canvas.polygon(np.array([[11.0, 8.6], [11.7, 8.6], [11.9, 12.9], [11.3, 12.9]]), 0.075)
    ring = np.linspace(-np.pi / 2, np.pi / 2, 30)
    handle = np.vstack(
        [np.column_stack([14.0 + 1.2 * np.cos(ring), 10.6 + 1.3 * np.sin(ring)]),
         np.column_stack([14.0 + 0.75 * np.cos(ring), 10.6 + 0.85 * np.sin(ring)])[::-1]]
    )  # fmt: skip
    canvas.polygon(handle, 0.02)
    canvas.polygon(np.array([[-17.0, 9.2], [-11.5, 9.6], [-12.2, 13.0], [-18.0, 12.4]]), 0.055)
    for n in range(5):
        canvas.polygon(
            np.array([[-16.4, 9.9], [-12.2, 10.2], [-12.2, 10.28], [-16.4, 9.98]]) + np.array([-0.12 * n, 0.5 * n]), 0.02
        )


__all__ = ["BACKLIGHT", "SCREEN", "make_monitor"]

"""True values of a rendered clip, measure by measure, from its expected light."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cached_property
from typing import Any

import numpy as np
from scipy.ndimage import map_coordinates, spline_filter
from scipy.optimize import brentq
from scipy.stats import ncx2

from viewer.cv import cv2
from viewer.lab.camera import uv_prime
from viewer.lab.canvas import Canvas
from viewer.lab.optics import Lens
from viewer.lab.quay import LAMPS, PAIR, lamp_disc
from viewer.lab.render import Renderer
from viewer.lab.tube import blur

Facts = list[dict[str, Any]]
Regions = dict[str, dict[str, Any]]
PAIRS = {
    "chart": (("patch-1", "patch-5"), ("paper", "patch-3"), ("patch-2", "patch-4")),
    "monitor": (("white", "black"), ("page", "grey")),
    "reeds": (("sky-near", "wall"), ("sky", "reeds")),
}
RING_PX = 12
NODES = 9


def value(measure: str, name: str, of: str, number: float, unit: str, **more: Any) -> dict[str, Any]:
    """Return one entry of a truth file."""
    return {"measure": measure, "name": name, "of": of, "value": float(number), "unit": unit, **more}


def settled_frames(renderer: Renderer) -> list[int]:
    """Return a frame near the end of each light level that the clip shows, with the gain settled."""
    take = renderer.take
    times, rate = take.scene.level.times_s, float(take.camera.rate)
    scale = 1 + 1e-6 * take.clock.rate_ppm
    ends = [(t - take.clock.offset_s) / scale - take.camera.exposure_s - take.camera.readout_s for t in times[1:]]
    last = [int(end * rate) - 1 for end in ends] + [take.frames - 1]
    return [min(max(number, 0), take.frames - 1) for number in last]


class StillLight:
    """The recorded light of one frame over the whole upright picture, pulses at their means."""

    def __init__(self, renderer: Renderer, number: int) -> None:
        view = renderer.take.view
        self.light = np.zeros((view.height, view.width), np.float32)
        x, y = renderer.origin
        self.light[y : y + renderer.shape[0], x : x + renderer.shape[1]] = renderer.recorded(number, pulsing=False)

    def mean(self, rect: list[int] | tuple[int, int, int, int]) -> float:
        """Return the mean light of a box (x, y, w, h)."""
        x, y, w, h = rect
        return float(self.light[y : y + h, x : x + w].mean(dtype=float))

    @cached_property
    def _spline(self) -> np.ndarray:
        return np.asarray(spline_filter(self.light.astype(float), order=5, mode="mirror"))

    def at(self, points: np.ndarray) -> np.ndarray:
        """Return the light at points (N, 2), by the spline of degree 5 through the pixels."""
        p = np.asarray(points, float)
        return np.asarray(map_coordinates(self._spline, [p[:, 1], p[:, 0]], order=5, prefilter=False, mode="mirror"))


def without_grain(renderer: Renderer) -> Renderer:
    """Return the same take behind a tube of no grain and no spots: noise of a small target or an edge, not its transfer."""
    take = renderer.take
    if take.tube is None:
        return renderer
    return Renderer(replace(take, tube=replace(take.tube, fixed_pattern=0.0, dark_spots=0)))


def contrast_facts(renderer: Renderer, regions: Regions) -> Facts:
    """Return Michelson, Weber of the scene's pairs of patches at each light level."""
    facts: Facts = []
    take = renderer.take
    black = take.camera.black
    for level, number in enumerate(settled_frames(renderer)):
        still = StillLight(renderer, number)
        for bright, dark in PAIRS.get(take.scene.name, ()):
            if bright not in regions or dark not in regions:
                continue
            b, d = still.mean(regions[bright]["rect"]), still.mean(regions[dark]["rect"])
            place = {"at": [regions[bright]["rect"], regions[dark]["rect"]], "frames": frames_of(renderer, level)}
            of = f"{bright}/{dark}" + (f"@{take.scene.typed_levels[level]:g}" if take.scene.typed_levels else "")
            facts.append(value("contrast", "michelson", of, (b - d) / (b + d), "1", **place))
            facts.append(value("contrast", "weber", of, (b - d) / d, "1", **place))
            raw = (b - d) / (b + d + 2 * black)
            facts.append(value("contrast", "michelson_with_black", of, raw, "1", note="pedestal not taken off", **place))
    return facts


def frames_of(renderer: Renderer, level: int) -> list[int]:
    """Return first and stop frame of the settled part of a level."""
    take = renderer.take
    ends = settled_frames(renderer)
    rate = float(take.camera.rate)
    if len(ends) == 1:
        return [0, take.frames]
    start = (take.scene.level.times_s[level] - take.clock.offset_s) / (1 + 1e-6 * take.clock.rate_ppm)
    settle = 4 * (take.tube.settle_s if take.tube else 0.0) if level else 0.0
    first = max(0, math.ceil((start + settle) * rate) + 1)
    return [min(first, ends[level]), ends[level] + 1]


def bars_facts(renderer: Renderer, regions: Regions) -> Facts:
    """Return each tri-bar target's modulation ``(gap - bar) / (gap + bar)`` at each level.

    Light over the middle third of each bar and gap, one bar width off their ends, as the design defines it; the tube's grain
    left out.
    """
    facts: Facts = []
    take = renderer.take
    targets = {name: mark for name, mark in take.scene.marks.items() if mark.kind == "bars"}
    if not targets:
        return facts
    plain = without_grain(renderer)
    for level, number in enumerate(settled_frames(renderer)):
        still = StillLight(plain, number)
        for name, mark in targets.items():
            x, y, size, _ = mark.place
            width = size / 5
            # Gauss-Legendre nodes: the mean over the third is exact for any smooth light
            nodes, weights = np.polynomial.legendre.leggauss(NODES)
            along, shares = np.polynomial.legendre.leggauss(2 * NODES)
            light = []
            for n in range(5):
                u = x + (n + 0.5) * width + nodes * width / 6
                v = y + size / 2 + along * (size / 2 - width)
                grid = np.stack(np.meshgrid(u, v), -1).reshape(-1, 2)
                if mark.way == "h":
                    grid = grid[:, ::-1] - [y, x] + [x, y]
                seen = still.at(take.view.to_px(grid)).reshape(len(v), len(u))
                light.append(float(shares @ seen @ weights) / 4)
            bar, gap = float(np.mean(light[0::2])), float(np.mean(light[1::2]))
            of = f"{name}@{take.scene.typed_levels[level]:g}"
            place = {"at": [regions[name]["rect"]], "frames": frames_of(renderer, level)}
            facts.append(value("bars", "modulation", of, (gap - bar) / (gap + bar), "1", **place))
    return facts


def bloom_facts(renderer: Renderer, regions: Regions) -> Facts:
    """Return centre and radii of each lamp."""
    take = renderer.take
    if take.scene.name != "lamps" or take.tube is None:
        return []
    facts: Facts = []
    tube, scale = take.tube, take.view.px_per_degree
    softness = math.sqrt((tube.halo_softness_deg * scale) ** 2 + renderer.spot_px**2 + take.camera.lens_sigma_px**2 + 1 / 12)
    radius = tube.halo_radius_deg * scale
    total = renderer.recorded(take.frames // 2, pulsing=False)
    for n, (x, y, flux, _) in enumerate((*LAMPS, *PAIR), start=1):
        name = f"lamp-{n}"
        centre = take.view.to_px(np.array([[x, y]]))[0]
        added = _lamp_light(renderer, x, y, flux)
        facts += [
            value("bloom", "centre_x", name, centre[0], "px"),
            value("bloom", "centre_y", name, centre[1], "px"),
            value("bloom", "halo_radius", name, radius, "px", degrees=tube.halo_radius_deg),
            value("bloom", "half_radius", name, _half_level(radius, softness), "px", note="of the blurred disc alone"),
            value("bloom", "core_radius", name, _clipped_radius(renderer, total, centre), "px"),
            value("bloom", "halo_softness", name, softness, "px"),
        ]
        near = added - _lamp_light(renderer, x, y, flux, veil_only=True)
        for quantity, light, note in (
            ("bloom_radius", added, "all added light, the wide veil too, a tenth of the rest"),
            ("bloom_radius_near", near, "core and halo a tenth of the rest, which holds the veil"),
        ):
            reach = _reach(light, total - light, centre - renderer.origin)
            if reach is not None:
                facts.append(value("bloom", quantity, name, reach, "px", note=note))
    return facts


def _lamp_light(renderer: Renderer, x: float, y: float, flux: float, *, veil_only: bool = False) -> np.ndarray:
    """Return the light that one lamp adds over the window, or the wide veil's part of it."""
    take = renderer.take
    assert take.tube is not None
    sheet = Canvas()
    sheet.light[...] = lamp_disc(sheet, x, y, flux)
    size = (renderer.shape[1], renderer.shape[0])
    lens = renderer.lens
    if veil_only:
        lens = Lens(replace(take.tube.spread(take.view.px_per_degree), halo_share=0.0, with_core=False), renderer.shape)
    spread = lens.apply(take.view.picture(sheet, origin=renderer.origin, size=size))
    level, gain, _, _ = renderer.rows(take.frames // 2)
    glow = blur(spread * (level[:, None] * renderer.electrons_per_unit).astype(np.float32), renderer.spot_px)
    return blur(renderer.finish(glow, gain), take.camera.lens_sigma_px)


def _half_level(radius: float, sigma: float) -> float:
    """Return where a disc of `radius` blurred by `sigma` falls to half of its centre (noncentral chi-squared)."""

    def level(r: float) -> float:
        return float(ncx2.cdf((radius / sigma) ** 2, 2, (r / sigma) ** 2))

    return float(brentq(lambda r: level(r) - 0.5 * level(0.0), 0.01, 2 * radius + 3 * sigma))


def _clipped_radius(renderer: Renderer, total: np.ndarray, centre: np.ndarray) -> float:
    clipped = (total * float(renderer.tint.max()) >= 1.0 - renderer.take.camera.black).astype(np.uint8)
    _, labels = cv2.connectedComponents(clipped)
    x, y = np.round(centre - renderer.origin).astype(int)
    label = labels[y, x]
    return float(np.sqrt(np.count_nonzero(labels == label) / np.pi)) if label else 0.0


def _reach(added: np.ndarray, rest: np.ndarray, centre: np.ndarray) -> float | None:
    """Return the radius where rings of added light fall under a tenth of the rest, the last time."""
    y, x = np.indices(added.shape)
    ring = np.hypot(x - centre[0], y - centre[1]) * 2
    index = np.round(ring).astype(int)
    count = np.bincount(index.ravel())
    share = np.bincount(index.ravel(), added.ravel()) / np.maximum(np.bincount(index.ravel(), rest.ravel()), 1e-9)
    share = share[: min(len(count), 400)] - 0.1
    over = np.flatnonzero(share > 0)
    if not len(over) or over[-1] + 1 >= len(share):
        return None
    k = int(over[-1])
    return float((k + share[k] / (share[k] - share[k + 1])) / 2)


def figure_facts(renderer: Renderer, regions: Regions) -> Facts:
    """Return box and signed contrast of the figure in the frames shown at a few scene times, against a ring round its box."""
    take = renderer.take
    if take.scene.figure_box is None:
        return []
    facts: Facts = []
    for scene_s in take.scene.figure_times_s:
        clip_s = (scene_s - take.clock.offset_s) / (1 + 1e-6 * take.clock.rate_ppm)
        number = int(clip_s * float(take.camera.rate) + 1e-6)
        if not 0 <= number < take.frames:
            continue
        start = float(number / take.camera.rate)
        middle = start + 0.5 * (take.camera.exposure_s + take.camera.readout_s)
        box = take.view.rect(*take.scene.figure_box(float(take.clock.scene(middle))))
        x, y, w, h = box
        still = StillLight(renderer, number)
        figure = still.mean(box)
        outer = (x - RING_PX, y - RING_PX, w + 2 * RING_PX, h + 2 * RING_PX)
        around = (still.mean(outer) * outer[2] * outer[3] - figure * w * h) / (outer[2] * outer[3] - w * h)
        facts.append(
            value("figure", "contrast", f"at-{scene_s:g}", (figure - around) / around, "1", at=[list(box)],
                  frames=[number, number + 1], time_s=start, scene_s=scene_s,
                  note=f"(figure - ring) / ring, ring {RING_PX} px wide")
        )  # fmt: skip
    return facts


def ramp_facts(renderer: Renderer, regions: Regions) -> Facts:
    """Return when each light level starts by the clip's clock, and the light of the chart's paper at its settled end."""
    take = renderer.take
    if not take.scene.typed_levels:
        return []
    facts: Facts = []
    for n, (start, level) in enumerate(zip(take.scene.level.times_s, take.scene.typed_levels, strict=True)):
        clip_s = max(0.0, (start - take.clock.offset_s) / (1 + 1e-6 * take.clock.rate_ppm))
        mean = StillLight(renderer, settled_frames(renderer)[n]).mean(regions["paper"]["rect"]) + take.camera.black
        of = f"step-{n + 1}"
        place = {"at": [regions["paper"]["rect"]], "frames": frames_of(renderer, n)}
        facts.append(value("ramp", "start_s", of, clip_s, "s", note="the light changes at this moment", **place))
        facts.append(value("ramp", "level", of, level, take.scene.level_unit, **place))
        facts.append(value("ramp", "mean", of, mean, "1", note="pedestal included", **place))
    return facts


def tint_facts(renderer: Renderer, regions: Regions) -> Facts:
    """Return u', v' of the phosphor."""
    if renderer.take.tube is None:
        return []
    u, v = uv_prime(renderer.tint, renderer.take.camera.primaries)
    return [value("tint", "u_prime", "phosphor", u, "1"), value("tint", "v_prime", "phosphor", v, "1")]


__all__ = [
    "Facts",
    "Regions",
    "StillLight",
    "bars_facts",
    "bloom_facts",
    "contrast_facts",
    "figure_facts",
    "frames_of",
    "ramp_facts",
    "settled_frames",
    "tint_facts",
    "value",
    "without_grain",
]

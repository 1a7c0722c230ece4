"""True values of edges: direction, width and MTF, by blur alone, over a region, and with all glow."""

from __future__ import annotations

import math

import numpy as np
from scipy.optimize import brentq

from viewer.lab.facts import Facts, Regions, StillLight, frames_of, settled_frames, value, without_grain
from viewer.lab.render import Renderer
from viewer.lab.scene import Mark


def edge_facts(renderer: Renderer, regions: Regions) -> Facts:
    """Return the width of each marked edge, by its blur alone and over its region, and its direction."""
    facts: Facts = []
    take, tube = renderer.take, renderer.take.tube
    for name, mark in take.scene.marks.items():
        if mark.kind != "edge" or tube is None:
            continue
        scale = take.view.px_per_degree
        parts = (tube.optics_sigma_deg * scale, renderer.spot_px, take.camera.lens_sigma_px)
        sigma = math.sqrt(sum(part**2 for part in parts))
        place = {"at": [regions[name]["rect"]], "frames": frames_of(renderer, 0)}
        spread = _edge_spread(renderer, mark, regions[name]["rect"])
        inside = "within the region: its outer thirds are taken as dark and bright; the tube's grain left out"
        facts += [
            value("edge", "edge_angle", name, _normal(renderer, mark)[0], "deg", **place),
            value("edge", "glow_radius", name, tube.halo_radius_deg * scale, "px", **place),
            value("edge", "rise_10_90", name, spread["rise_10_90"], "px", note=inside, **place),
            value("edge", "mtf50", name, spread["mtf50"], "cycles/px", note=inside, **place),
            value("edge", "mtf_at_0.05", name, spread["mtf_at_0.05"], "1", note=inside, **place),
            value("edge", "mtf_at_0.1", name, spread["mtf_at_0.1"], "1", note=inside, **place),
        ]
        blur_only = {"note": "blur of optics, spot, lens and pixel; no glow", **place}
        whole = 2.5631031 * math.sqrt(sigma**2 + 1 / 12)
        facts.append(value("edge", "rise_10_90_blur", name, whole, "px", **blur_only))
        facts.append(value("edge", "mtf50_blur", name, _core_mtf50(sigma), "cycles/px", **blur_only))
        for f in (0.05, 0.1):
            facts.append(value("edge", f"mtf_at_{f}_whole", name, _mtf(renderer, f), "1", note="all glow and veil included"))
    return facts


def _normal(renderer: Renderer, mark: Mark) -> tuple[float, np.ndarray]:
    """Return the direction (degrees, modulo 180) and the unit vector of an edge's normal in the clip, towards the bright."""
    view = renderer.take.view
    turn = np.radians(mark.angle_deg)
    linear = view.matrix[:, :2] @ np.array([np.cos(turn), np.sin(turn)])
    vector = linear / np.hypot(*linear)
    return float(np.degrees(np.arctan2(vector[1], vector[0])) % 180), vector


def _edge_spread(renderer: Renderer, mark: Mark, rect: list[int]) -> dict[str, float]:
    """Return 10-90 % width and MTF that the light free of noise and grain shows in a region, by distance from the edge.

    Distances are binned by a quarter pixel; the outer third of the region at either side gives dark and bright.
    """
    x, y, w, h = rect
    still = StillLight(without_grain(renderer), settled_frames(renderer)[0])
    rows, cols = np.mgrid[y : y + h, x : x + w]
    _, vector = _normal(renderer, mark)
    centre = renderer.take.view.to_px(np.array([[mark.place[0] + mark.place[2] / 2, mark.place[1] + mark.place[3] / 2]]))[0]
    distance = ((cols - centre[0]) * vector[0] + (rows - centre[1]) * vector[1]).ravel()
    light = still.light[y : y + h, x : x + w].ravel().astype(float)
    index = np.floor(distance * 4).astype(int)
    index -= index.min()
    count = np.bincount(index)
    full = count > 2
    at = np.bincount(index, distance)[full] / count[full]
    esf = np.bincount(index, light)[full] / count[full]
    dark, bright = esf[at < at[0] / 1.5].mean(), esf[at > at[-1] / 1.5].mean()
    esf = (esf - dark) / (bright - dark)
    grid = np.arange(at[0], at[-1], 0.25)
    lsf = np.diff(np.interp(grid, at, esf))
    middle = grid[:-1] + 0.125

    def mtf(f: float) -> float:
        # the bins' width is divided out, and that of the difference
        return float(abs((lsf * np.exp(-2j * np.pi * f * middle)).sum()) / np.sinc(0.25 * f) ** 2)

    found = {f"mtf_at_{f}": mtf(f) for f in (0.05, 0.1)}
    found["mtf50"] = float(brentq(lambda f: mtf(f) - 0.5, 0.01, 0.45))
    found["rise_10_90"] = _crossing(at, esf, 0.9) - _crossing(at, esf, 0.1)
    return found


def _crossing(at: np.ndarray, esf: np.ndarray, level: float) -> float:
    """Return where the curve crosses `level`, next to the edge."""
    up = np.flatnonzero((esf[:-1] < level) & (esf[1:] >= level))
    k = int(up[np.argmin(abs(at[up]))])
    return float(at[k] + (level - esf[k]) / (esf[k + 1] - esf[k]) * (at[k + 1] - at[k]))


def _mtf(renderer: Renderer, f: float) -> float:
    """Return the system's response at f cycles/px: optics, halo, veil, spot, lens, pixel (its mean over directions)."""
    take = renderer.take
    assert take.tube is not None
    spread = take.tube.spread(take.view.px_per_degree).response(np.array([f]))[0]
    rest = renderer.spot_px**2 + take.camera.lens_sigma_px**2
    return float(spread * math.exp(-2 * (math.pi * f) ** 2 * rest) * np.sinc(f))


def _core_mtf50(sigma: float) -> float:
    return float(brentq(lambda f: math.exp(-2 * (math.pi * f * sigma) ** 2) * np.sinc(f) - 0.5, 1e-3, 0.6))


__all__ = ["edge_facts"]

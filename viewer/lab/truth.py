"""What is true of a rendered clip: every quantity that a measure could report, and where.

A truth file is JSON: ``{"schema": "gloaming/truth/1", "clip", "scene", "device", "role", "take", "reference", "video",
"camera", "clock", "pose", "field", "tint", "tube", "regions", "values"}``.  ``values`` lists ``{"measure", "name", "of",
"value", "unit", "at": [...], "frames": [first, stop], "note"}``; ``regions`` gives pixels of the upright clip.  Light is
scene-linear with the pedestal taken off; where nothing else is said it is the expected light, free of temporal noise.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from viewer.lab.camera import uv_prime
from viewer.lab.clips import Recipe, recipe
from viewer.lab.facts import bars_facts, bloom_facts, contrast_facts, figure_facts, ramp_facts, tint_facts
from viewer.lab.facts_edge import edge_facts
from viewer.lab.facts_flicker import flicker_facts
from viewer.lab.make import write_clip
from viewer.lab.render import Renderer

SCHEMA = "gloaming/truth/1"


class NoiseWatch:
    """Gathers the noise of patches from the recorded light, frame by frame, before curve and codec."""

    def __init__(self, rects: dict[str, tuple[int, int, int, int]], first: int, stop: int) -> None:
        self._rects, self._first, self._stop = rects, first, stop
        self._stacks: dict[str, list[np.ndarray]] = {name: [] for name in rects}

    def __call__(self, number: int, light: np.ndarray) -> None:
        """Take the patches of one frame."""
        if self._first <= number < self._stop:
            for name, (x, y, w, h) in self._rects.items():
                self._stacks[name].append(light[y : y + h, x : x + w].astype(np.float32))

    def facts(self, black: float) -> list[dict[str, Any]]:
        """Return mean, temporal and fixed-pattern sigma (each frame's own mean removed) and their ratio per patch."""
        found: list[dict[str, Any]] = []
        for name, stack in self._stacks.items():
            if len(stack) < 8:
                continue
            cube = np.stack(stack).astype(float)
            level = float(cube.mean()) - black
            flat = cube - cube.mean((1, 2), keepdims=True)
            temporal = float(flat.var(0, ddof=1).mean())
            fixed = max(0.0, float(cube.mean(0).var(ddof=1)) - temporal / len(cube))
            frames = [self._first, self._first + len(cube)]
            note = "before curve and codec, pedestal included"
            found.append(_value("noise", "mean", name, level + black, "1", frames=frames, note=note))
            for quantity, value in (("temporal_sigma", temporal**0.5), ("fixed_pattern_sigma", fixed**0.5)):
                found.append(_value("noise", quantity, name, value, "1", frames=frames, note="before curve and codec"))
            if temporal > 0:
                note = "before curve and codec, pedestal off"
                found.append(_value("noise", "snr", name, level / temporal**0.5, "1", frames=frames, note=note))
        return found


def _value(measure: str, name: str, of: str, value: float, unit: str, **more: Any) -> dict[str, Any]:
    return {"measure": measure, "name": name, "of": of, "value": float(value), "unit": unit, **more}


def regions_of(renderer: Renderer) -> dict[str, dict[str, Any]]:
    """Return every mark of the scene that lies in the picture, in the clip's upright pixels."""
    view = renderer.take.view
    found: dict[str, dict[str, Any]] = {}
    for name, mark in renderer.take.scene.marks.items():
        entry: dict[str, Any] = {"kind": mark.kind, "note": mark.note}
        if mark.kind == "light":
            entry["point"] = view.to_px(np.array([mark.place]))[0].tolist()
        elif mark.kind == "bars":
            x, y, w, h = mark.place
            centre = view.to_px(np.array([[x + w / 2, y + h / 2]]))[0]
            size = 0.5 * np.array([w, h]) * view.px_per_degree
            low, high = np.round(centre - size).astype(int), np.round(centre + size).astype(int)
            entry["rect"] = [int(low[0]), int(low[1]), int(high[0] - low[0]), int(high[1] - low[1])]
            entry |= {"lpmm": mark.lpmm, "way": mark.way}
        else:
            entry["rect"] = list(view.rect(*mark.place))
        if "rect" in entry:
            x, y, w, h = entry["rect"]
            if x < 0 or y < 0 or x + w > view.width or y + h > view.height:
                continue
        found[name] = entry
    return found


def describe(item: Recipe, renderer: Renderer) -> dict[str, Any]:
    """Return the truth of a clip but for its noise, which comes from rendering it."""
    take = renderer.take
    camera, view, tube = take.camera, take.view, take.tube
    rows = view.height
    document: dict[str, Any] = {
        "schema": SCHEMA,
        "clip": f"{item.name}.mp4",
        "scene": item.scene,
        "device": item.device,
        "role": item.role,
        "take": item.take,
        "reference": f"{item.reference}.mp4",
        "note": item.note,
        "video": {
            "width": view.width, "height": view.height, "frames": take.frames, "rate": str(camera.rate), "codec": camera.codec,
            "bit_depth": camera.bit_depth, "transfer": camera.transfer, "range": "narrow", "rotation_flag": item.rotation,
        },
        "camera": {
            "shutter_s": camera.exposure_s, "readout_ms": 1e3 * camera.readout_s, "row_time_us": 1e6 * camera.row_time_s(rows),
            "readout_direction": camera.direction, "black": camera.black, "lens_sigma_px": camera.lens_sigma_px,
            "full_light": take.full_light,
        },
        "clock": {"offset_s": take.clock.offset_s, "rate_ppm": take.clock.rate_ppm},
        "regions": regions_of(renderer),
        "values": [],
    }  # fmt: skip
    values: list[dict[str, Any]] = document["values"]
    if tube is not None:
        document["field"] = {
            "cx": view.centre[0], "cy": view.centre[1], "radius": renderer.radius_px, "field_deg": tube.field_deg,
            "px_per_degree": view.px_per_degree,
        }  # fmt: skip
        document["tube"] = {
            "optics_sigma_px": tube.optics_sigma_deg * view.px_per_degree, "spot_sigma_px": renderer.spot_px,
            "halo_radius_px": tube.halo_radius_deg * view.px_per_degree, "halo_radius_deg": tube.halo_radius_deg,
            "halo_radius_mm": 2 * tube.gap_mm, "halo_share": tube.halo_share, "veil_share": tube.veil_share,
            "gating_hz": tube.gate.rate_hz if tube.gate else None, "gating_duty": tube.gate.duty if tube.gate else None,
            "objective_mm": tube.objective_mm, "ebi_microlux": tube.ebi_lx * 1e6,
        }  # fmt: skip
        u, v = uv_prime(renderer.tint, camera.primaries)
        document["tint"] = {"u_prime": u, "v_prime": v}
        values += _placed(item, renderer)
    if item.role in ("device", "source") or item.scene == "bench":
        for facts in _FACTS:
            values += facts(renderer, document["regions"])
    if item.scene == "bench":
        values.append(_value("readout", "readout_time", "panel", 1e3 * camera.readout_s, "ms"))
        values.append(_value("readout", "row_time", "panel", 1e6 * camera.row_time_s(rows), "us"))
    return document


_FACTS: tuple[Callable[[Renderer, dict[str, dict[str, Any]]], list[dict[str, Any]]], ...] = (
    contrast_facts,
    bars_facts,
    bloom_facts,
    edge_facts,
    figure_facts,
    flicker_facts,
    ramp_facts,
    tint_facts,
)


def _placed(item: Recipe, renderer: Renderer) -> list[dict[str, Any]]:
    """Return how the clip lies against its scene's reference clip."""
    if item.role != "device":
        return []
    reference = recipe(item.reference).make()
    view, clock = renderer.take.view, renderer.take.clock
    matrix = view.to_view(reference.view)
    turn = view.rotation_deg if view.mirrored else -view.rotation_deg
    scale = reference.view.px_per_degree / view.px_per_degree
    of = f"{item.name}.mp4"
    facts = (
        ("offset", clock.offset_s - reference.clock.offset_s, "s"),
        ("rate", clock.rate_ppm - reference.clock.rate_ppm, "ppm"),
        ("scale", scale, "1"),
        ("rotation", turn + reference.view.rotation_deg, "deg"),
        ("shift_x", matrix[0, 2], "px"),
        ("shift_y", matrix[1, 2], "px"),
    )
    placed = [_value("align", name, of, value, unit) for name, value, unit in facts]
    placed.append({"measure": "align", "name": "matrix", "of": of, "value": matrix.tolist(), "mirrored": view.mirrored})
    return placed


def render(
    item: Recipe,
    folder: Path,
    *,
    progress: Callable[[int, int], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> tuple[Path, dict[str, Any]]:
    """Render a clip with its truth file beside it; return the clip's path and the truth."""
    renderer = Renderer(item.make())
    rects = {name: tuple(entry["rect"]) for name, entry in regions_of(renderer).items() if entry["kind"] == "rect"}
    first, stop = _steady_frames(renderer)
    watch = NoiseWatch(rects, first, stop)
    path, renderer = write_clip(item, folder, watch=watch, progress=progress, cancelled=cancelled)
    truth = describe(item, renderer)
    if item.role == "device" and renderer.take.scene.moving is None:
        truth["values"] += watch.facts(renderer.take.camera.black)
    text = json.dumps(rounded(truth), indent=1, allow_nan=False) + "\n"
    path.with_suffix(".truth.json").write_text(text, encoding="utf-8")
    return path, truth


def _steady_frames(renderer: Renderer) -> tuple[int, int]:
    """Return the frames that noise is counted over: the first level of a falling series, or the whole clip."""
    take = renderer.take
    times = take.scene.level.times_s
    if len(times) < 2:
        return 0, take.frames
    end = (times[1] - take.clock.offset_s) / (1 + 1e-6 * take.clock.rate_ppm) - take.camera.exposure_s - take.camera.readout_s
    return 0, int(end * take.camera.rate) - 1


def rounded(value: Any) -> Any:
    """Return the document with numbers of eight digits, so that a last-bit difference between machines does not show."""
    if isinstance(value, dict):
        return {key: rounded(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [rounded(item) for item in value]
    if isinstance(value, float | np.floating):
        return float(f"{float(value):.8g}")
    return value


__all__ = ["SCHEMA", "NoiseWatch", "describe", "regions_of", "render", "rounded"]

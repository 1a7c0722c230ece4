"""The curves of each measure, from the results of this sitting, all devices in one plot."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from viewer.app.i18n import mark, number, tr
from viewer.app.model.glossary import title_of
from viewer.app.model.plot import Curve, Mark, Plot, Source
from viewer.app.model.table import region_words
from viewer.session.model import Clip

MOST_COLUMNS = 400  # of a map of rows by time: more would be thinner than a pixel


def curves_of(source: Source) -> list[Plot]:
    """Return the plots of a request that its results hold."""
    maker = _MAKERS.get(source.request.measure)
    found = maker(source) if maker is not None else []
    return [replace(plot, request=source.request.id) for plot in found if not plot.empty]


def _finite(x: Any, y: Any) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    a, b = np.asarray(x, float).ravel(), np.asarray(y, float).ravel()
    n = min(len(a), len(b))
    keep = np.isfinite(a[:n]) & np.isfinite(b[:n])
    return a[:n][keep], b[:n][keep], keep


def _curve(
    clip: str, data: Mapping[str, Any], x: str, y: str, error: str = "", *, scale: float = 1.0, **more: Any
) -> Curve | None:
    if data.get(x) is None or data.get(y) is None:
        return None
    a, b, keep = _finite(data[x], data[y])
    if not len(a):
        return None
    bars = None
    if error and data.get(error) is not None:
        sigma = np.nan_to_num(np.asarray(data[error], float).ravel()[: len(keep)])
        bars = 1.96 * sigma[keep] if len(sigma) == len(keep) else None
    return Curve(clip, a * scale, b, bars, **more)


def _scene_times(clip: Clip, curve: Curve | None) -> Curve | None:
    """Return a curve over clip time as one over scene time."""
    if curve is None or clip.clock is None:
        return curve
    return replace(curve, x=np.array([clip.clock.scene_time(float(t)) for t in curve.x]))


def _parts(source: Source, key: str) -> Iterator[tuple[str, str, Mapping[str, Any]]]:
    """Yield (region, clip id, arrays): results of several regions hold their arrays by the region's name."""
    for clip_id, result in source.results.items():
        if key in result.plots:
            yield "", clip_id, result.plots
        for name, data in result.plots.items():
            if isinstance(data, Mapping) and key in data:
                yield name, clip_id, data


def _by_region(source: Source, key: str, make: Callable[[str, Mapping[str, Any]], Curve | None]) -> dict[str, list[Curve]]:
    found: dict[str, list[Curve]] = {}
    for name, clip_id, data in _parts(source, key):
        curve = make(clip_id, data)
        if curve is not None:
            found.setdefault(name, []).append(curve)
    return found


def _titled(title: str, name: str) -> str:
    return f"{title}: {name}" if name else title


def _simple(source: Source, title: str, x: str, y: str, x_title: str, y_title: str, error: str = "", **more: Any) -> list[Plot]:
    groups = _by_region(source, x, lambda clip, data: _curve(clip, data, x, y, error))
    return [Plot(_titled(title, name), x_title, y_title, tuple(curves), of=name, **more) for name, curves in groups.items()]


def _bloom(source: Source) -> list[Plot]:
    degrees = source.in_degrees

    def scale(clip: str) -> float:
        return 1.0 / source.px_per_degree[clip] if degrees else 1.0

    groups = _by_region(source, "radius_px", lambda c, d: _curve(c, d, "radius_px", "profile", "sigma", scale=scale(c)))
    edges: dict[str, list[Mark]] = {}
    for name, clip, data in _parts(source, "radius_px"):
        if data.get("halo_radius") is not None:
            x = float(data["halo_radius"]) * scale(clip)
            unit = "°" if degrees else " px"
            edges.setdefault(name, []).append(Mark(x, tr("halo edge {value}", value=f"{number(x, 2)}{unit}"), clip))
    axis = tr("Radius (°)") if degrees else tr("Radius (px)")
    names = ("halo_radius", "bloom_radius", "half_radius", "core_radius")
    return [
        Plot(
            tr("Radial profile: {where}", where=region_words(source.session, source.request.id, of)),
            axis,
            tr("Linear light"),
            tuple(curves),
            tuple(edges.get(of, ())),
            log_y=all(float(curve.y.min()) > 0 for curve in curves),
            of=of,
            names=(*names, *(f"{n}_deg" for n in names), *(f"{n}_mm" for n in names)),
            limits_x=(0.0, max(float(curve.x.max()) for curve in curves)),
        )
        for of, curves in groups.items()
    ]


def _flicker(source: Source) -> list[Plot]:
    waves = []
    for clip_id, result in source.results.items():
        wave = result.plots.get("waveform")
        if isinstance(wave, Mapping):
            # The recorded samples as points, the light that explains them as a line.
            for curve in (_curve(clip_id, wave, "phase", "light"), _curve(clip_id, wave, "phase", "recorded", quiet=True)):
                waves.append(curve)
    folded = Plot(
        tr("One period of the modulation"),
        tr("Phase (periods)"),
        tr("Light over its mean"),
        tuple(curve for curve in waves if curve is not None),
        names=("modulation_depth", "flicker_index"),
    )
    return [_spectrum(source), folded, *_row_maps(source)]


def _spectrum(source: Source) -> Plot:
    curves, marks, zones = [], [], []
    alias = False
    for clip_id, result in source.results.items():
        curve = _curve(clip_id, result.plots, "spectrum_hz", "spectrum")
        if curve is not None:
            curves.append(replace(curve, y=100.0 * curve.y))
            alias = alias or result.plots.get("spectrum_is") == "alias"
        found = list(result.extras.get("candidates_hz", ()))
        words = mark("{f} Hz?") if len(found) > 1 else mark("{f} Hz")
        marks += [Mark(float(f), tr(words, f=number(float(f), 1)), clip_id) for f in found[:6]]
        zones.append([(float(a), float(b)) for a, b in list(result.extras.get("blind_hz", ()))])
    top = max((float(curve.x.max()) for curve in curves), default=0.0)
    # Beyond what was found little is left to see; the whole range is in the table and by zooming out.
    shown = min(top, max([1200.0, *(1.6 * m.x for m in marks)]))
    return Plot(
        tr("Spectrum"),
        tr("Frequency as recorded (Hz)") if alias else tr("Frequency (Hz)"),
        tr("Amplitude (% of the light)"),
        tuple(curves),
        () if alias else tuple(marks),
        () if alias else tuple((a, min(b, top)) for a, b in _shared(zones) if a < top),
        tr("shaded: could not have been seen in any clip"),
        names=("modulation_frequency", "alias_frequency", "detection_limit"),
        limits_x=(0.0, shown) if curves else None,
        fine=True,
    )


def _shared(zones: list[list[tuple[float, float]]]) -> list[tuple[float, float]]:
    """Return where every clip is blind."""
    if not zones:
        return []
    shared = _merged(zones[0])
    for other in zones[1:]:
        other = _merged(other)
        shared = [(max(a, c), min(b, d)) for a, b in shared for c, d in other if max(a, c) < min(b, d)]
    return shared


def _merged(zones: list[tuple[float, float]]) -> list[tuple[float, float]]:
    merged: list[tuple[float, float]] = []
    for low, high in sorted(zones):
        if merged and low <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(high, merged[-1][1]))
        else:
            merged.append((low, high))
    return merged


def _row_maps(source: Source) -> list[Plot]:
    plots = []
    for clip_id, result in source.results.items():
        rows = result.plots.get("rows_by_time")
        if rows is None or np.asarray(rows).ndim != 2:
            continue
        image = np.asarray(rows, float).T[:, :MOST_COLUMNS]  # [frame, row] in, rows down and frames across out
        times = np.asarray(result.plots.get("times_s"), float).ravel()[: image.shape[1]]
        clip = source.clip(clip_id)
        start = float(times[0]) if len(times) else 0.0
        span = float(times[-1] - times[0]) if len(times) > 1 else float(image.shape[1])
        device = source.session.device(clip.device).name if clip.device else clip.name
        sideways = result.plots.get("direction") in ("left", "right")
        plots.append(
            Plot(
                tr("Rows by time: {device}", device=device),
                tr("Clip time (s)"),
                tr("Column, share of the picture") if sideways else tr("Row, share of the picture"),
                image=image,
                image_rect=(start, 0.0, span, 1.0),
                image_clip=clip_id,
            )
        )
    return plots


def _edge(source: Source) -> list[Plot]:
    spread = _simple(source, tr("Edge spread"), "esf_px", "esf", tr("Distance across the edge (px)"), tr("Share of the step"),
                     names=("rise_10_90", "overshoot", "undershoot", "edge_angle"))  # fmt: skip
    transfer = _simple(source, tr("Modulation transfer"), "mtf_f", "mtf", tr("Spatial frequency (cycles/px)"), tr("MTF"),
                       "mtf_sigma", names=("mtf50", "mtf_at_0.05", "mtf_at_0.1"), limits_x=(0.0, 0.5))  # fmt: skip
    glow = _simple(source, tr("Glow beside the edge"), "glow_px", "glow", tr("Distance from the edge (px)"), tr("Linear light"),
                   names=("glow_radius",))  # fmt: skip
    return [*spread, *transfer, *glow]


def _contrast(source: Source) -> list[Plot]:
    curves, octaves = [], []
    for clip_id, result in source.results.items():
        for name in ("bright", "dark"):
            curve = _curve(clip_id, result.plots, "frame_times_s", name, quiet=name == "dark")
            curves.append(_scene_times(source.clip(clip_id), curve))
        data = result.plots.get("octaves")
        if isinstance(data, Mapping) and len(data) >= 2:
            x, y = list(data)[:2]
            octaves.append(_curve(clip_id, data, x, y))
    time = tuple(curve for curve in curves if curve is not None)
    bands = tuple(curve for curve in octaves if curve is not None)
    return [
        Plot(tr("Bright and dark region over time"), tr("Scene time (s)"), tr("Linear light"), time),
        Plot(tr("Local contrast per octave"), tr("Cycles per degree or px"), tr("Contrast"), bands, log_x=True),
    ]


def _noise(source: Source) -> list[Plot]:
    return [
        *_simple(source, tr("Noise spectrum"), "frequency", "power", tr("Cycles per px"), tr("Power")),
        *_simple(source, tr("Correlation over time"), "lag", "correlation", tr("Frames"), tr("Correlation")),
    ]


def _figure(source: Source) -> list[Plot]:
    plots = []
    for name, title in (
        ("detectability", title_of("detectability")),
        ("cnr", title_of("cnr")),
        ("contrast", title_of("contrast")),
    ):
        curves = [_scene_times(source.clip(c), _curve(c, r.plots, "frame_times_s", name)) for c, r in source.results.items()]
        held = tuple(curve for curve in curves if curve is not None)
        plots.append(Plot(tr("{what} over time", what=title), tr("Scene time (s)"), title, held, names=(name,)))
    return plots


def _ramp(source: Source) -> list[Plot]:
    over_time, levels = [], []
    for clip_id, result in source.results.items():
        curve = _scene_times(source.clip(clip_id), _curve(clip_id, result.plots, "frame_times_s", "light"))
        if curve is not None:
            over_time.append(curve)
        steps = [s for s in result.extras.get("steps", ()) if s.get("mean") and s.get("level")]
        if len(steps) > 1:
            rows = sorted((float(s["level"]), float(s["mean"])) for s in steps)
            levels.append(Curve(clip_id, np.array([r[0] for r in rows]), np.array([r[1] for r in rows])))
    unit = next((s["unit"] for r in source.results.values() for s in r.extras.get("steps", ()) if s.get("unit")), "")
    axis = tr("Light level ({unit})", unit=unit) if unit else tr("Light level")
    return [
        Plot(tr("Mean against light level"), axis, tr("Linear light"), tuple(levels), log_x=True, log_y=True, names=("mean",)),
        Plot(tr("Light over time"), tr("Scene time (s)"), tr("Linear light"), tuple(over_time), names=("settling_time",)),
    ]


_MAKERS: dict[str, Callable[[Source], list[Plot]]] = {
    "bloom": _bloom,
    "flicker": _flicker,
    "edge": _edge,
    "contrast": _contrast,
    "noise": _noise,
    "figure": _figure,
    "ramp": _ramp,
}

__all__ = ["curves_of"]

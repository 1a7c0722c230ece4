"""What there is to plot of a request, over all devices, each with its table.  No Qt: the view draws what is described here."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from viewer.app.i18n import number, tr
from viewer.app.model.glossary import title_of
from viewer.app.model.table import region_words
from viewer.session.model import Clip, Request, Session


@dataclass(frozen=True)
class Curve:
    """One line (or points) of one clip; `error` is half the interval."""

    clip: str
    x: np.ndarray
    y: np.ndarray
    error: np.ndarray | None = None
    points: bool = False
    quiet: bool = False


@dataclass(frozen=True)
class Mark:
    """A vertical line with a word."""

    x: float
    text: str
    clip: str = ""


@dataclass(frozen=True)
class Plot:
    """One plot: curves, marks, shaded zones, or an image; axes in words."""

    title: str
    x_title: str
    y_title: str
    curves: tuple[Curve, ...] = ()
    marks: tuple[Mark, ...] = ()
    zones: tuple[tuple[float, float], ...] = ()
    zone_words: str = ""
    image: np.ndarray | None = None
    image_rect: tuple[float, float, float, float] = (0.0, 0.0, 1.0, 1.0)
    image_clip: str = ""
    log_x: bool = False
    log_y: bool = False
    ticks: tuple[tuple[float, str], ...] = ()

    def table(self, names: Mapping[str, str]) -> tuple[list[str], list[list[str]]]:
        """Return heads and lines of the same content as text; `names` maps clip ids to column heads."""
        if self.ticks:
            return self._tick_table()
        heads, columns = [], []
        for curve in self.curves:
            who = names.get(curve.clip, curve.clip)
            heads.append(f"{self.x_title} ({who})")
            columns.append([number(float(v)) for v in curve.x])
            heads.append(f"{self.y_title} ({who})")
            columns.append([number(float(v)) for v in curve.y])
            if curve.error is not None:
                heads.append(f"± ({who})")
                columns.append([number(float(v)) for v in curve.error])
        if self.image is not None:
            heads = [tr("Row")] + [number(float(n)) for n in range(self.image.shape[1])]
            columns = [[str(n) for n in range(self.image.shape[0])]]
            columns += [[number(float(v)) for v in self.image[:, n]] for n in range(self.image.shape[1])]
        length = max((len(c) for c in columns), default=0)
        lines = [[c[n] if n < len(c) else "" for c in columns] for n in range(length)]
        for mark in self.marks:
            lines.append([f"{mark.text} ({names.get(mark.clip, '')})".replace(" ()", ""), number(mark.x)])
        for low, high in self.zones:
            lines.append([self.zone_words, f"{number(low)} – {number(high)}"])
        return heads, lines

    def _tick_table(self) -> tuple[list[str], list[list[str]]]:
        labels, lines = dict(self.ticks), []
        for curve in self.curves:
            error = curve.error if curve.error is not None else np.zeros(len(curve.x))
            lines += [
                [labels.get(float(x), number(float(x))), number(float(y)), f"±{number(float(e))}"]
                for x, y, e in zip(curve.x, curve.y, error, strict=True)
            ]
        return [tr("Device"), self.y_title, "±"], lines


@dataclass(frozen=True)
class Source:
    """What the plots of a request are made from: the results of this sitting, by clip id."""

    session: Session
    request: Request
    clips: tuple[Clip, ...]
    results: Mapping[str, Any] = field(default_factory=dict)


def plots_of(source: Source) -> list[Plot]:
    """Return the plots of a request: those of its measure, and last its readings with their intervals."""
    makers = {
        "bloom": _bloom,
        "flicker": _flicker,
        "edge": _edge,
        "contrast": _contrast,
        "bars": _bars,
        "ramp": _ramp,
        "noise": _noise,
        "figure": _figure,
    }
    maker = makers.get(source.request.measure)
    found = maker(source) if maker is not None else []
    return [plot for plot in found if plot.curves or plot.image is not None] + _intervals(source)


def _finite(x: Any, y: Any) -> tuple[np.ndarray, np.ndarray]:
    a, b = np.asarray(x, float).ravel(), np.asarray(y, float).ravel()
    n = min(len(a), len(b))
    keep = np.isfinite(a[:n]) & np.isfinite(b[:n])
    return a[:n][keep], b[:n][keep]


def _curve(clip: str, data: Mapping[str, Any], x: str, y: str, error: str = "", **more: Any) -> Curve | None:
    if data.get(x) is None or data.get(y) is None:
        return None
    a, b = _finite(data[x], data[y])
    if not len(a):
        return None
    bars = None
    if error and data.get(error) is not None:
        bars = 1.96 * np.nan_to_num(np.asarray(data[error], float).ravel()[: len(b)])
        bars = bars if len(bars) == len(b) else None
    return Curve(clip, a, b, bars, **more)


def _bloom(source: Source) -> list[Plot]:
    names: list[str] = []
    for result in source.results.values():
        names += [of for of, data in result.plots.items() if isinstance(data, Mapping) and of not in names]
    plots = []
    for of in names:
        curves, marks = [], []
        for clip_id, result in source.results.items():
            data = result.plots.get(of)
            if not isinstance(data, Mapping):
                continue
            curve = _curve(clip_id, data, "radius_px", "profile", "sigma")
            if curve is not None:
                curves.append(curve)
            if data.get("halo_radius") is not None:
                marks.append(Mark(float(data["halo_radius"]), tr("halo edge"), clip_id))
        where = region_words(source.session, source.request.id, of)
        plots.append(
            Plot(tr("Radial profile: {where}", where=where), tr("Radius (px)"), tr("Linear light"), tuple(curves), tuple(marks))
        )
    return plots


def _flicker(source: Source) -> list[Plot]:
    curves, marks, zones = [], [], []
    images = []
    for clip_id, result in source.results.items():
        curve = _curve(clip_id, result.plots, "spectrum_hz", "spectrum")
        if curve is not None:
            curves.append(curve)
        marks += [Mark(float(f), tr("candidate"), clip_id) for f in list(result.extras.get("candidates_hz", ()))[:6]]
        zones += [(float(a), float(b)) for a, b in list(result.extras.get("blind_hz", ()))[:60]]
        rows = result.plots.get("rows_by_time")
        if rows is not None:
            array = np.asarray(rows, float)
            if array.ndim == 2 and array.size:
                images.append(
                    Plot(
                        tr("Rows by time"),
                        tr("Frame"),
                        tr("Row"),
                        image=array,
                        image_rect=(0.0, 0.0, float(array.shape[1]), float(array.shape[0])),
                        image_clip=clip_id,
                    )
                )
    spectrum = Plot(
        tr("Spectrum"),
        tr("Frequency (Hz)"),
        tr("Relative amplitude"),
        tuple(curves),
        tuple(marks),
        tuple(_merged(zones)),
        tr("could not have been seen"),
    )
    return [spectrum, *images]


def _merged(zones: list[tuple[float, float]]) -> list[tuple[float, float]]:
    merged: list[tuple[float, float]] = []
    for low, high in sorted(zones):
        if merged and low <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(high, merged[-1][1]))
        else:
            merged.append((low, high))
    return merged


def _simple(source: Source, title: str, x: str, y: str, x_title: str, y_title: str, error: str = "") -> Plot:
    curves = []
    for clip_id, result in source.results.items():
        # Results of several regions hold their plots by the region's name.
        nested = [data for data in result.plots.values() if isinstance(data, Mapping) and x in data]
        for data in [result.plots] if x in result.plots else nested:
            curve = _curve(clip_id, data, x, y, error)
            if curve is not None:
                curves.append(curve)
    return Plot(title, x_title, y_title, tuple(curves))


def _edge(source: Source) -> list[Plot]:
    return [
        _simple(source, tr("Edge spread"), "esf_px", "esf", tr("Distance across the edge (px)"), tr("Share of the step")),
        _simple(source, tr("Modulation transfer"), "mtf_f", "mtf", tr("Spatial frequency (cycles/px)"), tr("MTF"), "mtf_sigma"),
    ]


def _contrast(source: Source) -> list[Plot]:
    curves = []
    for clip_id, result in source.results.items():
        for name in ("bright", "dark"):
            curve = _curve(clip_id, result.plots, "frame_times_s", name, quiet=name == "dark")
            if curve is not None:
                curves.append(curve)
    plots = [Plot(tr("Bright and dark region over time"), tr("Clip time (s)"), tr("Linear light"), tuple(curves))]
    octaves = []
    for clip_id, result in source.results.items():
        data = result.plots.get("octaves")
        if isinstance(data, Mapping):
            keys = list(data)
            if len(keys) >= 2:
                curve = _curve(clip_id, data, keys[0], keys[1])
                if curve is not None:
                    octaves.append(curve)
    if octaves:
        plots.append(
            Plot(tr("Local contrast per octave"), tr("Cycles per degree or px"), tr("Contrast"), tuple(octaves), log_x=True)
        )
    return plots


def _noise(source: Source) -> list[Plot]:
    return [
        _simple(source, tr("Noise spectrum"), "frequency", "power", tr("Cycles per px"), tr("Power")),
        _simple(source, tr("Correlation over time"), "lag", "correlation", tr("Frames"), tr("Correlation")),
    ]


def _figure(source: Source) -> list[Plot]:
    return [_simple(source, tr("Detectability over time"), "time_s", "detectability", tr("Time (s)"), tr("Detectability"))]


def _bars(source: Source) -> list[Plot]:
    curves = []
    for clip in source.clips:
        rows = []
        for reading in source.session.readings:
            if reading.request == source.request.id and reading.clip == clip.id and reading.name == "modulation":
                lpmm = _leading_number(reading.of)
                if lpmm is not None and reading.value is not None:
                    half = 0.5 * (reading.high - reading.low) if reading.high is not None and reading.low is not None else 0.0
                    rows.append((lpmm, reading.value, half))
        if rows:
            x, y, e = (np.array(v) for v in zip(*sorted(rows), strict=True))
            curves.append(Curve(clip.id, x, y, e))
    return [Plot(tr("Bar modulation"), tr("Line pairs per mm"), tr("Modulation"), tuple(curves))]


def _leading_number(text: str) -> float | None:
    head = text.split("/")[0].strip()
    try:
        return float(head)
    except ValueError:
        return None


def _ramp(source: Source) -> list[Plot]:
    curves, over_time = [], []
    for clip_id, result in source.results.items():
        steps = [s for s in result.extras.get("steps", ()) if s.get("mean") is not None]
        levels = [(s.get("level"), s["mean"]) for s in steps if s.get("level")]
        if levels:
            x, y = (np.array(v, float) for v in zip(*sorted(levels), strict=True))
            curves.append(Curve(clip_id, x, y))
        curve = _curve(clip_id, result.plots, "time_s", "mean")
        if curve is not None:
            over_time.append(curve)
    return [
        Plot(tr("Mean against light level"), tr("Light level"), tr("Linear light"), tuple(curves), log_x=True, log_y=True),
        Plot(tr("Mean over time"), tr("Clip time (s)"), tr("Linear light"), tuple(over_time)),
    ]


def _intervals(source: Source) -> list[Plot]:
    """Every reading of the request with its interval, device by device: there even when the session was only opened."""
    plots = []
    order = {clip.id: n for n, clip in enumerate(source.clips)}
    keys = []
    for reading in source.session.readings:
        if reading.request == source.request.id and (reading.name, reading.of) not in keys:
            keys.append((reading.name, reading.of))
    for name, of in keys:
        curves, ticks, unit = [], [], ""
        for reading in source.session.readings:
            if (reading.request, reading.name, reading.of) != (source.request.id, name, of) or reading.value is None:
                continue
            if reading.clip not in order:
                continue
            unit = "" if reading.unit == "1" else reading.unit
            half = 0.5 * (reading.high - reading.low) if reading.high is not None and reading.low is not None else 0.0
            x = float(order[reading.clip])
            clip = source.clips[order[reading.clip]]
            device = source.session.device(clip.device).name if clip.device else clip.name
            ticks.append((x, device))
            curves.append(Curve(reading.clip, np.array([x]), np.array([reading.value]), np.array([half]), points=True))
        if len(curves) > 1:
            where = region_words(source.session, source.request.id, of)
            title = f"{title_of(name)}: {where}"
            axis = f"{title_of(name)} ({unit})" if unit else title_of(name)
            plots.append(Plot(title, "", axis, tuple(curves), ticks=tuple(sorted(ticks))))
    return plots


__all__ = ["Curve", "Mark", "Plot", "Source", "plots_of"]

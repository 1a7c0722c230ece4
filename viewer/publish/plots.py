"""Plots of the report as SVG: vector, with the bundled font as outlines, the same bytes every time."""

from __future__ import annotations

import io
import threading
from collections.abc import Mapping
from typing import Any

import numpy as np

from viewer.measure.readings import bound_words
from viewer.publish import rows as table
from viewer.publish.compared import moment_words, of_words
from viewer.publish.palette import LIGHT, DeviceStyle, device_styles
from viewer.publish.words import unit_words
from viewer.resources import resource
from viewer.session.model import Clip, Session, StoredReading
from viewer.tasks.document import Result

Results = Mapping[tuple[str, str], Result]
_LOCK = threading.RLock()
_MARKERS = {"ring": "o", "circle": "o", "triangle": "^", "square": "s", "diamond": "D", "cross": "P", "star": "*"}
WIDTH_IN, HALF_IN = 6.9, 3.35
# Room for ticks and axis titles, inches: left, right, bottom, top.
EDGES_IN = (0.62, 0.12, 0.47, 0.08)


def _figure(height_in: float, *, width_in: float = WIDTH_IN, left_in: float = EDGES_IN[0]) -> tuple[Any, Any]:
    """Return a figure and its axes in the report's look."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_in, height_in))
    _, right, bottom, top = EDGES_IN
    axes = figure.add_axes(
        (left_in / width_in, bottom / height_in, 1 - (left_in + right) / width_in, 1 - (bottom + top) / height_in)
    )
    _dress(axes)
    return figure, axes


def _dress(axes: Any) -> None:
    axes.spines[["top", "right"]].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(LIGHT.strong)
    axes.tick_params(colors=LIGHT.quiet, length=3)
    axes.xaxis.label.set_color(LIGHT.quiet)
    axes.yaxis.label.set_color(LIGHT.quiet)
    axes.grid(True, axis="x", color=LIGHT.hairline, linewidth=0.5)


def _svg(figure: Any) -> str:
    """Return the figure as an SVG element without anything that changes from run to run."""
    sink = io.StringIO()
    figure.savefig(sink, format="svg", metadata={"Date": None, "Creator": None}, transparent=True)
    text = sink.getvalue()
    return text[text.index("<svg") :]


def _look() -> Any:
    from matplotlib import font_manager

    font_manager.fontManager.addfont(str(resource("fonts/Inter-Regular.otf")))
    return {
        "font.family": "Inter",
        "font.size": 8.5,
        "svg.hashsalt": "gloaming",
        "svg.fonttype": "path",
        "text.parse_math": False,
    }


def _styles(session: Session) -> dict[str, DeviceStyle]:
    return device_styles(((device.id, device.control) for device in session.devices), ground="light")


def _mark(style: DeviceStyle) -> dict[str, Any]:
    return {
        "color": style.colour,
        "marker": _MARKERS[style.marker],
        "markersize": 6.0,
        "markerfacecolor": "white" if style.hollow else style.colour,
        "markeredgewidth": 1.3,
    }


def _line(style: DeviceStyle) -> dict[str, Any]:
    return {"color": style.colour, "linewidth": 1.4, "linestyle": (0, style.dash) if style.dash else "-"}


def scene_plots(session: Session, scene: str, results: Results) -> list[dict[str, Any]]:
    """Return the plots of a scene as ``{"title", "svg", "words", "half"}``.

    `words` is the table twin in a sentence; `half` plots are half as wide as a page.
    """
    import matplotlib as mpl

    with _LOCK, mpl.rc_context(_look()):
        made = [*_intervals(session, scene), *_bars(session, scene)]
        made += _curves(session, scene, results, "bloom", _bloom)
        made += _curves(session, scene, results, "flicker", _flicker)
        made += _curves(session, scene, results, "edge", _edge)
    return made


def _intervals(session: Session, scene: str) -> list[dict[str, Any]]:
    """Return one panel a reading: value and interval of every clip, devices by marker."""
    clips = session.clips_of(scene)
    styles = _styles(session)
    names = {device.id: device.name for device in session.devices}
    made = []
    for row in table.rows(session, scene, most=6):
        found = [(clip, table.cell_of(session, row, clip.id)) for clip in clips]
        shown = [(clip, r) for clip, r in found if r is not None and r.value is not None]
        if len(shown) < 2:
            continue
        figure, axes = _figure(0.6 + 0.24 * len(shown), width_in=HALF_IN, left_in=1.05)
        for place, (clip, reading) in enumerate(reversed(shown)):
            _interval(axes, place, clip, reading, styles)
        ticks = [f"{names.get(c.device or '', c.name)[:16]}, take {c.take}" for c, _ in reversed(shown)]
        axes.set_yticks(range(len(shown)), ticks)
        axes.set_ylim(-0.6, len(shown) - 0.4)
        axes.locator_params(axis="x", nbins=5)
        axes.ticklabel_format(axis="x", useOffset=False)
        unit = unit_words(shown[0][1].unit)
        axes.set_xlabel(f"{row.label}{f' ({unit})' if unit else ''}")
        of = of_words(session, session.request(row.request), row.of)
        told = row.label.removesuffix(f" {row.of}")
        title = f"{told}, {of}: values and 95 % intervals"
        made.append({"title": title, "svg": _svg(figure), "words": "", "half": True})
    return made


def _bars(session: Session, scene: str) -> list[dict[str, Any]]:
    """Return one plot a request of bars: modulation by spatial frequency, upright bars and lying bars side by side."""
    made = []
    styles = _styles(session)
    for request in session.requests:
        if request.scene != scene or request.measure != "bars":
            continue
        figure, first = _figure(2.4)
        box = first.get_position()
        half = 0.5 * box.width - 0.02
        first.set_position((box.x0, box.y0, half, box.height))
        second = figure.add_axes((box.x1 - half, box.y0, half, box.height), sharey=first)
        _dress(second)
        drawn: list[str] = []
        for axes, way, words in ((first, "v", "upright bars"), (second, "h", "lying bars")):
            seen: set[str | None] = set()
            for clip in session.clips_of(scene):
                style = styles.get(clip.device or "")
                points = _bar_points(session, request.id, clip.id, way)
                if style is None or clip.device in seen or len(points) < 3:
                    continue
                seen.add(clip.device)
                name = session.device(clip.device or "").name
                x, y, low, high = np.array(points).T
                axes.fill_between(x, low, high, color=style.colour, alpha=0.18, linewidth=0)
                axes.plot(x, y, label=name[:24], **_line(style))
                drawn += [name] if name not in drawn else []
            axes.axhline(0.0, color=LIGHT.strong, linewidth=0.6)
            axes.set_xlabel(f"Spatial frequency (lp/mm), {words}")
        if not drawn:
            continue
        first.set_ylabel("Modulation")
        first.set_ylim(-0.15, 1.0)
        second.tick_params(labelleft=False)
        first.legend(frameon=False, labelcolor=LIGHT.quiet, handlelength=3.2, fontsize=8)
        moment = moment_words(session, request)
        title = "Bar modulation" + (f" at {moment}" if moment else "")
        words = f"Shaded: 95 % intervals. Shown: {', '.join(drawn)}."
        made.append({"title": title, "svg": _svg(figure), "words": words, "half": False})
    return made


def _bar_points(session: Session, request: str, clip: str, way: str) -> list[tuple[float, float, float, float]]:
    """Return (lp/mm, modulation, low, high) of the targets of one direction, by frequency."""
    points = []
    for r in session.readings:
        if (r.request, r.clip, r.name) != (request, clip, "modulation") or not r.of.endswith(f"/{way}"):
            continue
        if r.value is not None and r.low is not None and r.high is not None:
            points.append((float(r.of.split("/")[0]), r.value, r.low, r.high))
    return sorted(points)


def _interval(axes: Any, place: int, clip: Clip, reading: StoredReading, styles: dict[str, DeviceStyle]) -> None:
    style = styles.get(clip.device or "")
    mark = _mark(style) if style else {"color": LIGHT.text, "marker": "o"}
    if reading.low is not None and reading.high is not None:
        axes.plot([reading.low, reading.high], [place, place], color=mark["color"], linewidth=1.6, solid_capstyle="butt")
    axes.plot([reading.value], [place], linestyle="none", **mark)
    way = bound_words(reading.value or 0.0, reading.low, reading.high) if reading.state == "limit" else ""
    if way in ("at least", "at most"):
        # A bound: an arrow towards where the truth lies.
        reach = 16 if way == "at least" else -16
        arrow = {"arrowstyle": "<-", "color": mark["color"], "shrinkA": 0, "shrinkB": 0}
        axes.annotate(
            "", (reading.value, place), (reach, 0), textcoords="offset points", arrowprops=arrow, annotation_clip=False
        )


def _curves(session: Session, scene: str, results: Results, measure: str, draw: Any) -> list[dict[str, Any]]:
    """Return one plot a request of a measure: the curve of the first take of every device."""
    styles, made = _styles(session), []
    for request in session.requests:
        if request.scene != scene or request.measure != measure:
            continue
        figure, axes = _figure(2.3)
        drawn: list[str] = []
        seen: set[str | None] = set()
        for clip in session.clips_of(scene):
            result = results.get((request.id, clip.id))
            style = styles.get(clip.device or "")
            if result is None or style is None or clip.device in seen:
                continue
            if draw(axes, result.plots, style):
                seen.add(clip.device)
                drawn.append(session.device(clip.device or "").name)
                axes.plot([], [], label=drawn[-1][:24], **_line(style))
        if drawn:
            axes.legend(frameon=False, labelcolor=LIGHT.quiet, handlelength=3.2, fontsize=8)
            title, words = _TITLES[measure]
            made.append({"title": title, "svg": _svg(figure), "words": f"{words} Shown: {', '.join(drawn)}.", "half": False})
    return made


_TITLES = {
    "bloom": ("Light around the first lamp", "Light in rings about the lamp's centre, relative to the recording's white."),
    "flicker": ("Modulation spectrum", "Amplitude of what repeats in rows and frames, by frequency."),
    "edge": ("Edge spread", "Light across the edge, as a share of the step."),
}


def _bloom(axes: Any, plots: Mapping[str, Any], style: DeviceStyle) -> bool:
    first = next((value for value in plots.values() if isinstance(value, Mapping) and "profile" in value), None)
    if first is None:
        return False
    x, y = np.asarray(first["radius_px"], float), np.asarray(first["profile"], float)
    good = np.isfinite(x) & np.isfinite(y) & (y > 0)
    if good.sum() < 3:
        return False
    axes.plot(x[good], y[good], **_line(style))
    axes.set_yscale("log")
    axes.yaxis.set_major_formatter("{x:g}")
    axes.yaxis.set_minor_formatter("")
    axes.set_xlabel("Radius (px)")
    axes.set_ylabel("Relative light")
    return True


def _flicker(axes: Any, plots: Mapping[str, Any], style: DeviceStyle) -> bool:
    if "spectrum" not in plots or "spectrum_hz" not in plots:
        return False
    x, y = np.asarray(plots["spectrum_hz"], float), 100.0 * np.asarray(plots["spectrum"], float)
    if len(x) < 3 or len(x) != len(y):
        return False
    if len(x) > 1500:
        # The highest of each group is kept, so that no line is lost.
        group = int(np.ceil(len(x) / 750))
        count = len(x) // group
        peak = y[: count * group].reshape(count, group).argmax(axis=1) + group * np.arange(count)
        x, y = x[peak], y[peak]
    axes.plot(x, y, **{**_line(style), "linewidth": 0.9})
    axes.set_xlabel("Frequency (Hz)" if plots.get("spectrum_is") != "alias" else "Frequency as seen in the clip (Hz)")
    axes.set_ylabel("Amplitude (%)")
    for low, high in plots.get("blind_hz", []):
        if high <= x.max():
            axes.axvspan(low, high, color=LIGHT.raised, linewidth=0)
    return True


def _edge(axes: Any, plots: Mapping[str, Any], style: DeviceStyle) -> bool:
    x, y = np.asarray(plots.get("esf_px", ()), float), np.asarray(plots.get("esf", ()), float)
    if len(x) < 3 or len(x) != len(y):
        return False
    axes.plot(x, y, **_line(style))
    axes.set_xlabel("Distance from the edge (px)")
    axes.set_ylabel("Share of the step")
    return True


__all__ = ["scene_plots"]

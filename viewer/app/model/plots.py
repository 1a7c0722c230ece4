"""What there is to plot in a scene: curves of results, readings against light level, readings device by device."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from viewer.app.i18n import number, tr
from viewer.app.model.curves import curves_of
from viewer.app.model.glossary import is_main, title_of
from viewer.app.model.plot import Curve, Mark, Plot, Source
from viewer.app.model.table import region_words
from viewer.session.model import Clip, Request, Scene, Session, StoredReading

# Measures whose curves need the frames: without results of this sitting they can still be asked for.
DRAWN = ("bloom", "flicker", "edge", "figure", "ramp", "contrast")
LEVELLED = (
    "michelson",
    "weber",
    "rms",
    "cnr",
    "modulation",
    "limiting_resolution",
    "limiting_resolution_single_frame",
    "mtf50",
)


def plots_of(source: Source) -> list[Plot]:
    """Return the plots of a request: those of its measure, and last its readings with their intervals.

    A measure whose results are not at hand has one empty plot: it can be filled by reading the frames.
    """
    found = curves_of(source)
    if source.request.measure == "bars":
        found += _bars(source)
    if source.request.measure in DRAWN and not found and source.clips:
        found.append(Plot(tr("curves"), "", "", request=source.request.id))
    return found + _intervals(source)


def level_plots(session: Session, scene: Scene, clips: tuple[Clip, ...]) -> list[Plot]:
    """Return readings against light level, all devices together, as far as readings at two or more levels are stored."""
    groups: dict[tuple[str, str], dict[str, dict[float, StoredReading]]] = {}
    shown = {clip.id for clip in clips}
    requests = {q.id: q for q in session.requests if q.scene == scene.id}
    owner: dict[tuple[str, str], str] = {}
    for reading in session.readings:
        request = requests.get(reading.request)
        if request is None or reading.name not in LEVELLED or reading.value is None or reading.clip not in shown:
            continue
        of, level = _level_of(session, scene, request, reading)
        if level is None:
            continue
        key = (reading.name, of)
        owner.setdefault(key, request.id)
        groups.setdefault(key, {}).setdefault(reading.clip, {})[level] = reading
    plots = []
    for (name, of), by_clip in groups.items():
        if len({level for rows in by_clip.values() for level in rows}) < 2:
            continue
        unit = next((r.unit for rows in by_clip.values() for r in rows.values()), "1")
        plots.append(_level_plot(session, scene, owner[name, of], name, of, unit, by_clip))
    # What sums a chart up comes first: limiting resolution, then contrast, then the single targets.
    return sorted(plots, key=lambda plot: (not plot.names[0].startswith("limiting"), plot.names[0] == "modulation"))


def _level_plot(
    session: Session,
    scene: Scene,
    request: str,
    name: str,
    of: str,
    unit: str,
    by_clip: dict[str, dict[float, StoredReading]],
) -> Plot:
    curves = []
    for clip, rows in by_clip.items():
        levels = sorted(rows)
        low_high = [(rows[v].low, rows[v].high) for v in levels]
        half = [0.5 * (b - a) if a is not None and b is not None else 0.0 for a, b in low_high]
        curves.append(Curve(clip, np.array(levels), np.array([rows[v].value for v in levels]), np.array(half)))
    where = region_words(session, request, of)
    title = title_of(name)
    return Plot(
        tr("{what} against light level", what=title) + (f": {where}" if where not in ("bars", "") else ""),
        tr("Light level ({unit})", unit=scene.levels[0].unit if scene.levels else "mfL"),
        title if unit == "1" else f"{title} ({unit})",
        tuple(curves),
        log_x=True,
        request=request,
        names=(name,),
        of=of,
    )


def _level_of(session: Session, scene: Scene, request: Request, reading: StoredReading) -> tuple[str, float | None]:
    """Return (object, light level) of a reading: as its object says, or by the moments of its request."""
    of, at, place = reading.of.partition(" at ")
    if at:
        try:
            return of, float(place.split()[0])
        except ValueError:
            return of, None
    begun = [level for level in scene.levels if level.start_s is not None]
    if request.first_s is None or request.last_s is None or not begun:
        return of, None
    middle = 0.5 * (request.first_s + request.last_s)
    held = [level for level in begun if level.start_s is not None and level.start_s <= middle]
    return of, held[-1].value if held else None


def _bars(source: Source) -> list[Plot]:
    plots = []
    for way, words in (("v", tr("upright bars")), ("h", tr("lying bars"))):
        curves = []
        for clip in source.clips:
            rows = []
            for reading in source.session.readings:
                if (reading.request, reading.clip, reading.name) != (source.request.id, clip.id, "modulation"):
                    continue
                head, _, ending = reading.of.partition("/")
                lpmm = _number(head)
                if lpmm is None or reading.value is None or (ending or "v")[:1] != way or " at " in reading.of:
                    continue
                half = 0.5 * (reading.high - reading.low) if reading.high is not None and reading.low is not None else 0.0
                rows.append((lpmm, reading.value, half))
            if rows:
                x, y, e = (np.array(v) for v in zip(*sorted(rows), strict=True))
                curves.append(Curve(clip.id, x, y, e))
        if curves:
            title = f"{tr('Modulation of {which}', which=words)}{moment_words(source.session, source.request)}"
            plots.append(
                Plot(title, tr("Line pairs per mm"), tr("Modulation"), tuple(curves), log_x=True, request=source.request.id,
                     names=("modulation", "limiting_resolution"))
            )  # fmt: skip
    return plots


def moment_words(session: Session, request: Request) -> str:
    """Return the light level that a request looks at, as words behind a title; '' for all of them."""
    scene = session.scene(request.scene)
    begun = [level for level in scene.levels if level.start_s is not None]
    if request.first_s is None or request.last_s is None or not begun:
        return ""
    middle = 0.5 * (request.first_s + request.last_s)
    held = [level for level in begun if level.start_s is not None and level.start_s <= middle]
    return f", {number(held[-1].value)} {held[-1].unit}" if held else ""


def _number(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None


def _intervals(source: Source) -> list[Plot]:
    """Every main reading of the request with its interval, device by device: there even when the session was only opened."""
    plots = []
    order = {clip.id: n for n, clip in enumerate(source.clips)}
    keys: list[tuple[str, str]] = []
    for reading in source.session.readings:
        if reading.request == source.request.id and (reading.name, reading.of) not in keys and is_main(reading.name):
            if reading.name == "modulation":
                continue  # a chart has dozens of targets: their plot is that against line pairs
            keys.append((reading.name, reading.of))
    keys = [(name, of) for name, of in keys if (f"{name}_deg", of) not in keys]
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
            title = f"{title_of(name)}: {where}{moment_words(source.session, source.request)}"
            axis = f"{title_of(name)} ({unit})" if unit and unit != "deg" else title_of(name)
            plots.append(
                Plot(
                    title, "", axis, tuple(curves), ticks=tuple(sorted(ticks)), request=source.request.id, names=(name,), of=of
                )
            )
    return plots


def plot_for(plots: Iterable[Plot], reading: StoredReading) -> int | None:
    """Return the index of the plot that shows most of a reading: its own curve, else any of its request."""
    best: tuple[int, int] | None = None
    for n, plot in enumerate(plots):
        if plot.request != reading.request:
            continue
        score = (
            4 * (reading.name in plot.names)
            + 2 * (plot.of == reading.of)
            + (not plot.ticks)
            - 3 * bool(plot.of and plot.of != reading.of)
        )
        if best is None or score > best[0]:
            best = (score, n)
    return best[1] if best is not None and best[0] > 0 else None


__all__ = ["DRAWN", "Curve", "Mark", "Plot", "Source", "level_plots", "moment_words", "plot_for", "plots_of"]

"""The field of each clip as plots and lines of text: circle, scale, fall of light, distortion."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from viewer.app.i18n import mark, tr
from viewer.app.jobs import error_words
from viewer.app.model.glossary import title_of
from viewer.app.model.plot import Curve, Plot, reduced
from viewer.app.model.table import digits
from viewer.app.said import said
from viewer.measure.readings import Reading
from viewer.session.model import Clip, Region, Session

MOST = 360  # rows and columns of a picture: more would be finer than its plot
OF_WORDS = {
    "stated field": mark("stated field"),
    "two marked points": mark("two marked points"),
    "a chart of known size": mark("a chart of known size"),
}


@dataclass(frozen=True)
class Asked:
    """What the user said of the scene: an even field, angles of marks from the middle, two marks a known angle apart.

    `angles` maps ids of point regions to degrees; `pair` is (region id, region id, degrees).
    """

    even: bool = True
    angles: Mapping[str, float] | None = None
    pair: tuple[str, str, float] | None = None


def marks_of(session: Session, scene: str) -> tuple[Region, ...]:
    """Return the regions of a scene that mark one point."""
    return tuple(region for region in session.regions_of(scene) if region.kind in ("light", "point"))


def measure(
    session: Session,
    folder: Path,
    clips: Sequence[Clip],
    asked: Asked,
    *,
    progress: Callable[[int, int], None],
    cancelled: Callable[[], bool],
) -> dict[str, Any]:
    """Return clip id -> `Result` of the field, or a `ViewerError` for a clip that cannot be used."""
    from viewer.errors import Cancelled, ViewerError
    from viewer.tasks.carry import carried_point
    from viewer.tasks.clip_files import open_session_clip
    from viewer.tasks.field import TwoMarks, measure_field

    found: dict[str, Any] = {}
    for n, clip in enumerate(clips):
        progress(n, len(clips))
        device = session.device(clip.device) if clip.device else None
        off_axis = [(carried_point(session.region(i), clip), a) for i, a in (asked.angles or {}).items()]
        try:
            marked = None
            if asked.pair is not None:
                first, second = (carried_point(session.region(ident), clip) for ident in asked.pair[:2])
                marked = TwoMarks(first, second, asked.pair[2])
            with open_session_clip(folder, clip, threads=1) as reader:
                found[clip.id] = measure_field(
                    reader,
                    field_deg=device.field_deg if device else None,
                    marked=marked,
                    off_axis=off_axis,
                    even=asked.even,
                    cancelled=cancelled,
                )
        except Cancelled:
            raise
        except ViewerError as error:
            found[clip.id] = error
    progress(len(clips), len(clips))
    return found


def plots_of(results: Mapping[str, Any], names: Mapping[str, str]) -> list[Plot]:
    """Return the plots: fall of light from middle to edge of all clips, then map and picture of each."""
    curves, maps, pictures = [], [], []
    for clip, result in results.items():
        plots = getattr(result, "plots", {})
        fall = plots.get("vignetting")
        circle = result.extras.get("field_circle") if plots else None
        rings = (tuple(float(v) for v in circle),) if circle else ()
        if fall is not None:
            known = np.isfinite(fall["relative"])
            curves.append(Curve(clip, np.asarray(fall["radius"])[known], 100.0 * np.asarray(fall["relative"])[known]))
            maps.append(
                _image(
                    tr("Light over the field (% of the middle): {device}", device=names[clip]), 100.0 * fall["map"], clip, rings
                )
            )
        if "picture" in plots:
            pictures.append(_image(tr("Picture and circle: {device}", device=names[clip]), plots["picture"], clip, rings))
    falling = Plot(
        tr("Fall of light from the middle to the edge"),
        tr("Distance from the middle (1: edge of the field)"),
        tr("Light (% of the middle)"),
        tuple(curves),
        limits_x=(0.0, 1.0),
    )
    return [*([falling] if curves else []), *maps, *pictures]


def _image(title: str, values: np.ndarray, clip: str, rings: tuple[Any, ...]) -> Plot:
    rows, cols = values.shape
    image = reduced(values, MOST, MOST)
    # Pixel centres are whole numbers: the picture begins half a pixel before the first.
    rect = (-0.5, -0.5, float(cols), float(rows))
    return Plot(title, tr("x (px)"), tr("y (px)"), image=image, image_rect=rect, image_clip=clip, rings=rings, square=True)


def rows_of(results: Mapping[str, Any]) -> list[tuple[str, list[str]]]:
    """Return (reading in words, its value in each clip), a line for every reading that one of the clips has."""
    keys: list[tuple[str, str]] = []
    for result in results.values():
        keys += [(r.name, r.of) for r in getattr(result, "readings", ()) if (r.name, r.of) not in keys]
    lines = []
    for name, of in keys:
        where = f" ({tr(OF_WORDS[of])})" if of in OF_WORDS else ""
        cells = []
        for result in results.values():
            reading = next((r for r in getattr(result, "readings", ()) if (r.name, r.of) == (name, of)), None)
            cells.append(_cell(reading))
        lines.append((title_of(name) + where, cells))
    return lines


def _cell(reading: Reading | None) -> str:
    if reading is None:
        return ""
    if reading.value is None:
        return tr("refused")
    value, interval, unit = digits(reading)
    return " ".join(part for part in (value, interval, unit) if part)


def notes_of(results: Mapping[str, Any], names: Mapping[str, str]) -> list[str]:
    """Return why readings were refused, what is doubtful and which clips cannot be used, a line each."""
    told: dict[str, list[str]] = {}
    for clip, result in results.items():
        readings = getattr(result, "readings", None)
        texts = [error_words(result)] if readings is None else [r.reason for r in readings if r.reason] + list(result.warnings)
        for text in dict.fromkeys(texts):
            told.setdefault(said(text), []).append(names[clip])
    every = len(results)
    return [text[:1].upper() + text[1:] if len(who) == every else f"{', '.join(who)}: {text}" for text, who in told.items()]


def as_text(results: Mapping[str, Any], names: Mapping[str, str]) -> str:
    """Return the table with tabs between its columns."""
    lines = ["\t".join([tr("Reading"), *(names[clip] for clip in results)])]
    lines += ["\t".join([title, *cells]) for title, cells in rows_of(results)]
    return "\n".join([*lines, "", *notes_of(results, names)]).rstrip() + "\n"


def pair_of(first: str, second: str, angle: float | None, asked: Asked) -> Asked:
    """Return what was asked with two marks a known angle apart; as it was without an angle or with one mark only."""
    return replace(asked, pair=(first, second, angle)) if angle and first and second and first != second else asked


__all__ = ["Asked", "as_text", "marks_of", "measure", "notes_of", "pair_of", "plots_of", "rows_of"]
